"""Readings off a session: what a channel's input showed while it was still."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Bools, Floats, Need
from buswright.channels.fits.readings import Reading, ReadingError, quantity
from buswright.channels.fits.rest import Rest, rest_of, settled, stillest
from buswright.channels.samples.series import Quality, Series
from buswright.channels.session import Session
from buswright.errors import UserError

PATIENCE_S = 30.0
"""So long a value may take to come to rest; then it is taken as it is, and that is said."""
_MARKED = re.compile(r"(?:^|[\s=:])([+-]?\d[^\s=]*(?:\s*[^\s\d]\S*)?)\s*$")
"""A marker that says a value: it ends with a number, and perhaps a unit."""
_NAMED = re.compile(r"(\S+) at (.+?)(?: up| down)?")
"""A marker of a bench test: `damper_fl at 37.5 up`."""
_LOST = Quality.SHORT_FRAME | Quality.MUX_ABSENT | Quality.SENDER_INVALID | Quality.BAD_CHECKSUM
"""What is no measurement at all. What only the old curve objects to, still is one."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is read off a SOURCE.

    Attributes
    ----------
    electrical
        Unit of the input that is wanted; empty: the channel's value in its own unit.
    unit
        Unit of the true values.
    span
        Of what is read, for what counts as still.
    needs
        Channels that the calibration reads meanwhile.
    words
        Degrees Celsius by word.
    """

    channel: str
    electrical: str
    unit: str
    span: float
    needs: Sequence[Need]
    words: Mapping[str, float]
    hold_s: float


@dataclass(frozen=True, slots=True)
class Spot:
    """A reading without its true value."""

    rest: Rest
    reference: float | None


class Reader:
    """Reads a channel off a session.

    `session`: with the channel, and those that it needs.
    """

    def __init__(self, session: Session, wanted: Wanted) -> None:
        self._session, self._wanted = session, wanted
        series = session[wanted.channel]
        self.time_ns, values, own = series.time_ns, series.value, series.unit
        if wanted.electrical and series.volts is not None:
            values, own = series.volts, wanted.electrical  # the session has converted it
        if wanted.electrical and own != wanted.electrical:
            values = _converted(values, own, wanted)
        self.values = np.where(_measured(series), values, np.nan)

    def stillest(self, start_ns: int, end_ns: int) -> Spot | None:
        """Find the stillest part of a span."""
        low, high = np.searchsorted(self.time_ns, [start_ns, end_ns])
        return self._spot(
            stillest(self.time_ns[low:high], self.values[low:high], self._wanted.span, hold_s=self._wanted.hold_s)
        )

    def whole(self, start_ns: int, end_ns: int) -> Spot | None:
        """Average a whole span."""
        low, high = np.searchsorted(self.time_ns, [start_ns, end_ns + 1])
        return self._spot(rest_of(self.time_ns[low:high], self.values[low:high], self._wanted.span))

    def latest(self) -> Spot | None:
        """Average the last seconds."""
        return self._spot(settled(self.time_ns, self.values, self._wanted.span, hold_s=self._wanted.hold_s))

    def _spot(self, rest: Rest | None) -> Spot | None:
        return None if rest is None else Spot(rest, self._reference(rest.start_ns, rest.end_ns))

    def _reference(self, start_ns: int, end_ns: int) -> float | None:
        """Mean of the supply, or of the cold junction, meanwhile."""
        for need in self._wanted.needs:
            series = self._session[need.channel]
            low, high = np.searchsorted(series.time_ns, [start_ns, end_ns + 1])
            part = np.where(_measured(series), series.value, np.nan)[low:high]
            part = part[np.isfinite(part)]
            if len(part):
                return float(units.convert(np.array(part.mean()), series.unit, need.unit))
        return None


def _measured(series: Series) -> Bools:
    if series.quality is None:
        return np.ones(len(series.time_ns), dtype=np.bool_)
    lost: Bools = (series.quality & np.uint16(_LOST)) == 0
    return lost


def _converted(values: Floats, own: str, wanted: Wanted) -> Floats:
    if not units.compatible(own, wanted.electrical):
        raise UserError(
            f"{wanted.channel} is in {own or 'no unit'}, and the sensor takes {wanted.electrical}",
            hint="give the channel its sensor in the car file first (with input_scale for counts), or --electrical",
        )
    return units.convert(values, own, wanted.electrical)


def reading_of(spot: Spot, value: float, source: str, wanted: Wanted) -> Reading:
    """Join what the input showed with what was true."""
    rest = spot.rest
    note = (
        "" if rest.still else f"it was not still: it moved by {abs(rest.drift):.3g} {wanted.electrical or wanted.unit}"
    )
    return Reading(rest.mean, value, source, rest.scatter, spot.reference, note)


def readings_marked(reader: Reader, markers: Sequence[tuple[int, str]], wanted: Wanted) -> Iterator[Reading]:
    """Read the stillest seconds after each marker that says a value, until the next marker.

    Where markers name the channel, as those of a bench test do, only these count.
    """
    named = any(_named_value(text, wanted) for _, text in markers)
    last = int(reader.time_ns[-1]) + 1
    for index, (time_ns, text) in enumerate(markers):
        end = markers[index + 1][0] if index + 1 < len(markers) else last
        value = _value_in(_named_value(text, wanted) if named else text, wanted)
        if value is None:
            continue
        spot = reader.stillest(time_ns, min(end, time_ns + round(PATIENCE_S * 1e9)))
        if spot is not None:
            yield reading_of(spot, value, f'marker "{text}"', wanted)


def _named_value(text: str, wanted: Wanted) -> str:
    found = _NAMED.fullmatch(text.strip())
    return found[2] if found and found[1] == wanted.channel else ""


def _value_in(text: str, wanted: Wanted) -> float | None:
    found = _MARKED.search(text)
    for each in (text, found[1] if found else ""):
        try:
            return quantity(each, wanted.unit, wanted.words)
        except ReadingError:
            continue
    return None
