"""What a kind of calibration is: the value it makes, and the keys that a car file may write for it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.positions import KeyPath
from buswright.channels.keys.tables import Key
from buswright.errors import UserError

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
References = Mapping[str, Floats]
"""Values of other channels by name, in the unit that the calibration's `Need` states, at the times of the input."""

Limits = tuple[Floats | float, Floats | float]

OUTSIDE_MARGIN = 0.10
"""A value is outside its calibration from this part of the span beyond the outer points (common practice)."""


class CalibrationError(UserError):
    """A calibration can't do what is asked of it; the text says why."""


@dataclass(frozen=True, slots=True)
class Range:
    """The outer points of a calibration.

    Attributes
    ----------
    electrical
        Lowest and highest input, in the electrical unit; infinite where nothing bounds it.
    value
        The values at those two inputs (the first may be the higher one).
    """

    electrical: tuple[float, float]
    value: tuple[float, float]

    @property
    def low(self) -> float:
        """Lowest value."""
        return min(self.value)

    @property
    def high(self) -> float:
        """Highest value."""
        return max(self.value)


@dataclass(frozen=True, slots=True)
class Need:
    """Another channel that a calibration reads.

    Attributes
    ----------
    channel
        Its name in the car file.
    unit
        The unit in which `apply` wants it.
    purpose
        What it is for, in words.
    nominal
        The value to take on a bench where the channel isn't there.
    """

    channel: str
    unit: str
    purpose: str
    nominal: float


@dataclass(frozen=True, slots=True)
class Calibration(ABC):
    """A frozen value that turns the sensor's electrical quantity into the car's, and back.

    Arrays are float64 of any one shape. NaN gives NaN, never a warning. No method changes its argument.

    Attributes
    ----------
    electrical
        Unit of the input: V, mV, ohm, Hz ...
    unit
        Unit of the value.
    """

    kind: ClassVar[str]

    electrical: str
    unit: str

    @property
    @abstractmethod
    def range(self) -> Range:
        """Outer points, at nominal references."""

    @property
    def span(self) -> float:
        """Distance between the values at the outer points, in `unit`."""
        return self.range.high - self.range.low

    @property
    def needs(self) -> tuple[Need, ...]:
        """Channels that `apply` and `invert` want in `references`."""
        return ()

    @abstractmethod
    def describe(self) -> str:
        """Say in plain words and numbers what it does."""

    @abstractmethod
    def apply(self, electrical: Floats, references: References | None = None) -> Floats:
        """Electrical input to value; float64, same shape.

        Raises
        ------
        CalibrationError
            A channel in `needs` is missing from `references`.
        """

    @abstractmethod
    def invert(self, value: Floats, references: References | None = None) -> Floats:
        """Value to electrical input; float64, same shape.

        Raises
        ------
        CalibrationError
            The curve turns round, so that one value has several inputs; or a reference is missing.
        """

    @abstractmethod
    def limits(self, margin: float, references: References | None = None) -> Limits:
        """Input below and above which a sample is more than `margin` (part of the span) beyond the outer points."""

    def outside(
        self, electrical: Floats, references: References | None = None, margin: float = OUTSIDE_MARGIN
    ) -> Bools:
        """Mask of the samples beyond `limits(margin)`; NaN is not outside, it is nothing."""
        lo, hi = self.limits(margin, references)
        with np.errstate(invalid="ignore"):
            mask: Bools = (electrical < lo) | (electrical > hi)
        return mask


@dataclass(frozen=True, slots=True)
class OneStage(Calibration):
    """A calibration that reads at most one reference: what the kinds fill in, with all warnings silenced around."""

    def apply(self, electrical: Floats, references: References | None = None) -> Floats:
        """Electrical input to value; float64, same shape."""
        with np.errstate(all="ignore"):
            return self._value(np.asarray(electrical, dtype=np.float64), self._reference(references))

    def invert(self, value: Floats, references: References | None = None) -> Floats:
        """Value to electrical input; float64, same shape."""
        with np.errstate(all="ignore"):
            return self._inverse(np.asarray(value, dtype=np.float64), self._reference(references))

    def limits(self, margin: float, references: References | None = None) -> Limits:
        """Input below and above which a sample is more than `margin` (part of the span) beyond the outer points."""
        with np.errstate(all="ignore"):
            return self._limits(margin, self._reference(references))

    @abstractmethod
    def _value(self, electrical: Floats, reference: Floats | None, /) -> Floats: ...

    @abstractmethod
    def _inverse(self, value: Floats, reference: Floats | None, /) -> Floats: ...

    def _limits(self, margin: float, _reference: Floats | None, /) -> Limits:
        lo, hi = self.range.electrical
        reach = margin * (hi - lo)
        return lo - reach, hi + reach

    def _reference(self, references: References | None) -> Floats | None:
        if not self.needs:
            return None
        (need,) = self.needs
        if references is None or need.channel not in references:
            raise CalibrationError(
                f"the calibration needs channel {need.channel!r} ({need.purpose}, in {need.unit}) and was not given it",
                hint="pass it in `references`; nominal_references() stands in for it on a bench",
            )
        return references[need.channel]


def on_rail(electrical: Floats, healthy: tuple[float, float]) -> Bools:
    """Mask of the samples at or beyond the healthy band: a wiring fault, whatever the curve makes of them."""
    with np.errstate(invalid="ignore"):
        mask: Bools = (electrical <= healthy[0]) | (electrical >= healthy[1])
    return mask


def nominal_references(calibration: Calibration) -> dict[str, Floats]:
    """Make references for a bench at nominal supply and temperature, by channel name; zero-dimensional."""
    return {need.channel: np.array(need.nominal) for need in calibration.needs}


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sensor's table after the checks of type and bounds, with defaults filled in.

    Attributes
    ----------
    values
        Key to value; lists are tuples, numbers floats. A key without a default that isn't written is absent.
    written
        The keys that stand in the file.
    electrical, unit
        Canonical names. `unit` is empty where it was left out.
    at, log
        Where the table stands, and what gets the faults of its values together.
    """

    values: Mapping[str, Any]
    written: frozenset[str]
    electrical: str
    unit: str
    at: KeyPath
    log: FaultLog

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    def get(self, key: str) -> Any:
        """Return the value, or None."""
        return self.values.get(key)

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def error(self, path: KeyPath, text: str, hint: str = "") -> None:
        """Log what is wrong at a path within the table."""
        self.log.error((*self.at, *path), text, hint, key=bool(path) and path[0] not in self.written)

    def way(self, keys: Iterable[str], text: str, hint: str, *, none: str = "none", several: str = "") -> str | None:
        """Return the one of the keys that is there; log that there are none or several of them (`text` and which)."""
        ways = [key for key in keys if key in self]
        if len(ways) == 1:
            return ways[0]
        self.error((ways[1],) if ways else (), f"{text} {(several or ' and '.join(ways)) if ways else none}", hint)
        return None

    def misplaced(self, keys: Iterable[str], why: str) -> None:
        """Log those of the keys that are written where they have no meaning."""
        for key in keys:
            if key in self.written:
                self.error((key,), why, "leave it out")

    @property
    def sound(self) -> bool:
        """Whether nothing wrong was found in the table."""
        return self.log.sound(*self.at)


@dataclass(frozen=True, slots=True)
class KindSpec:
    """One kind of calibration.

    Attributes
    ----------
    name
        The word after `kind =`.
    meaning
        One sentence for the manual.
    formula
        The formula and where it comes from, for the manual.
    keys
        Its own keys; the ones that every sensor has are `registry.COMMON_KEYS`.
    build
        Makes the calibration of a table without faults; or logs why it can't and gives None.
    electrical
        Electrical units it accepts, the default first; empty for any unit, with V as default.
    own_unit
        Unit of its value when `unit` is left out, in words; empty where `unit` must be written.
    """

    name: str
    meaning: str
    formula: str
    keys: tuple[Key, ...]
    build: Callable[[Sheet], Calibration | None]
    electrical: tuple[str, ...] = ()
    own_unit: str = ""
