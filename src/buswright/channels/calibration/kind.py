"""What a kind of calibration is: the value it makes, and the table of keys that a car file may write for it.

The key tables are plain data, so that the car file's validator, its JSON Schema and the manual are made from the
same lines and can't disagree.
"""

from __future__ import annotations

import difflib
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, ClassVar, Literal

import numpy as np
import numpy.typing as npt

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


KeyType = Literal[
    "number",  # finite
    "integer",
    "boolean",
    "text",
    "texts",  # a list of text
    "numbers",  # a list of finite numbers
    "band",  # [low, high]
    "pairs",  # [[x, y], ...]
    "channel",  # the name of a channel
    "number or channel",
    "tables",  # a list of tables, each with the keys in `items`
    "stages",  # a list of calibrations
]

_JSON_NUMBER: Mapping[str, Any] = MappingProxyType({"type": "number"})


@dataclass(frozen=True, slots=True)
class KeySpec:
    """One key that a car file may write.

    Attributes
    ----------
    name, type, meaning
        The key, what may stand there, and what it says, in words for the manual.
    required
        Whether the kind is nothing without it.
    default
        What holds when it is left out; None where there is no such value.
    unit
        Unit of its numbers, in words ("V", "ohm", "the sensor's electrical unit"); empty where there is none.
    choices
        The words allowed, for text.
    above, at_least, at_most
        Bounds of every number in it.
    count
        Least and most entries of a list; 0 for no upper limit.
    items
        Keys of the tables in a list of tables.
    example
        TOML text for the manual.
    """

    name: str
    type: KeyType
    meaning: str
    required: bool = False
    default: Any = None
    unit: str = ""
    choices: tuple[str, ...] = ()
    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    count: tuple[int, int] = (0, 0)
    items: tuple[KeySpec, ...] = ()
    example: str = ""

    def json_schema(self) -> dict[str, Any]:
        """JSON Schema (2020-12) of the value."""
        schema = {**_SCHEMAS[self.type](self)}
        if self.type in {"numbers", "pairs", "tables", "texts", "stages"}:
            if self.count[0]:
                schema["minItems"] = self.count[0]
            if self.count[1]:
                schema["maxItems"] = self.count[1]
        schema["description"] = f"{self.meaning} ({self.unit})" if self.unit else self.meaning
        if self.default is not None:
            schema["default"] = self.default
        return schema

    def _number_schema(self) -> dict[str, Any]:
        bounds = {"exclusiveMinimum": self.above, "minimum": self.at_least, "maximum": self.at_most}
        return {**_JSON_NUMBER, **{key: bound for key, bound in bounds.items() if bound is not None}}


def _pair(item: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": dict(item), "minItems": 2, "maxItems": 2}


_SCHEMAS: Mapping[str, Callable[[KeySpec], dict[str, Any]]] = MappingProxyType(
    {
        "number": KeySpec._number_schema,
        "integer": lambda key: {**key._number_schema(), "type": "integer"},
        "boolean": lambda _: {"type": "boolean"},
        "text": lambda key: {"type": "string", **({"enum": list(key.choices)} if key.choices else {})},
        "texts": lambda _: {"type": "array", "items": {"type": "string"}},
        "numbers": lambda key: {"type": "array", "items": key._number_schema()},
        "band": lambda key: _pair(key._number_schema()),
        "pairs": lambda _: {"type": "array", "items": _pair(_JSON_NUMBER)},
        "channel": lambda _: {"type": "string"},
        "number or channel": lambda key: {"anyOf": [key._number_schema(), {"type": "string"}]},
        "tables": lambda key: {"type": "array", "items": keys_schema(key.items)},
        "stages": lambda _: {"type": "array", "items": {"type": "object", "required": ["kind"]}},
    }
)


def keys_schema(keys: Iterable[KeySpec]) -> dict[str, Any]:
    """JSON Schema of a table that has these keys and no others."""
    keys = tuple(keys)
    return {
        "type": "object",
        "properties": {key.name: key.json_schema() for key in keys},
        "required": [key.name for key in keys if key.required],
        "additionalProperties": False,
    }


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a calibration as written.

    Attributes
    ----------
    path
        Keys and list positions (from 0) down to the place, within the sensor's table.
    message
        What is wrong.
    hint
        What to try; may be empty.
    """

    path: tuple[str | int, ...]
    message: str
    hint: str = ""

    def under(self, *prefix: str | int) -> Fault:
        """Return the same fault, seen from further out."""
        return Fault((*prefix, *self.path), self.message, self.hint)


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
    """

    values: Mapping[str, Any]
    written: frozenset[str]
    electrical: str
    unit: str

    def __getitem__(self, key: str) -> Any:
        return self.values[key]

    def get(self, key: str) -> Any:
        """Return the value, or None."""
        return self.values.get(key)

    def __contains__(self, key: str) -> bool:
        return key in self.values


Build = Callable[[Sheet, list[Fault]], "Calibration | None"]
"""Makes the calibration of a checked sheet, or appends to the faults and gives None."""


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
        Its own keys; the ones that every sensor has are `calibration.COMMON_KEYS`.
    electrical
        Electrical units it accepts, the default first; empty for any unit, with V as default.
    own_unit
        Unit of its value when `unit` is left out, in words; empty where `unit` must be written.
    build
        Makes the calibration.
    """

    name: str
    meaning: str
    formula: str
    keys: tuple[KeySpec, ...]
    electrical: tuple[str, ...]
    own_unit: str
    build: Build


def is_number(value: object) -> bool:
    """Whether it is a finite number (True and False are not numbers here)."""
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def nearest(word: str, words: Iterable[str]) -> str:
    """Hint naming the valid word nearest to this one, or listing them all."""
    words = tuple(words)
    close = difflib.get_close_matches(word, words, n=1, cutoff=0.6)
    return f'did you mean "{close[0]}"?' if close else "one of " + ", ".join(words)
