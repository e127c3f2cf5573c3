"""Kinds that are a curve through written points: linear, ratiometric, table."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from buswright.channels.calibration.kind import Calibration, Floats, KindSpec, Limits, Need, OneStage, Range, Sheet
from buswright.channels.calibration.monotone import Curve, smooth, straight
from buswright.channels.keys.kinds import CHANNEL_NAME, POSITIVE, Choice, Number, Span, pairs
from buswright.channels.keys.tables import Key

SUPPLY_KEY = Key("supply", POSITIVE, "Supply of the sensor as it should be.", default=5.0, unit="V")
REFERENCE_KEY = Key("reference", CHANNEL_NAME,
    "Channel that measures that supply; the value then follows the supply as it is, not as it should be.",
    example='"sensor_supply"')  # fmt: skip
_Points = tuple[tuple[float, float], ...]
_Line = tuple[float, float, tuple[float, float], tuple[float, float]]


def supply_need(channel: str, supply: float) -> tuple[Need, ...]:
    """Return the need for a measured supply; none where no channel is named."""
    return (Need(channel, "V", "the supply of the sensor", supply),) if channel else ()


@dataclass(frozen=True, slots=True)
class Linear(OneStage):
    """Value = slope × input + offset, beyond the outer points too.

    Attributes
    ----------
    slope, offset
        In the value's unit per electrical unit, and in the value's unit.
    ends, values
        Outer points: inputs, ascending, and the values there; infinite inputs if there are none.
    """

    kind: ClassVar[str] = "linear"
    slope: float
    offset: float
    ends: tuple[float, float]
    values: tuple[float, float]

    @property
    def range(self) -> Range:
        """Outer points."""
        return Range(self.ends, self.values)

    def _value(self, electrical: Floats, _reference: Floats | None, /) -> Floats:
        return line_value(electrical, self.slope, self.offset)

    def _inverse(self, value: Floats, _reference: Floats | None, /) -> Floats:
        return (value - self.offset) / self.slope

    def describe(self) -> str:
        """Two points, or slope and offset, in words."""
        if math.isinf(self.ends[0]):
            return (
                f"{self.slope:g} {self.unit} per {self.electrical}, "
                f"{self.offset:g} {self.unit} at 0 {self.electrical}, straight line"
            )
        return f"{_ends_in_words(self.range, self.electrical, self.unit)}, straight line"


@dataclass(frozen=True, slots=True)
class Ratiometric(OneStage):
    """A straight line in input over supply.

    Attributes
    ----------
    slope, offset
        Value = slope × (input / supply) + offset.
    ends, values
        Outer points: parts of the supply, ascending, and the values there.
    supply
        Nominal supply, V.
    channel
        Channel that measures the supply; empty: it is taken as nominal.
    """

    kind: ClassVar[str] = "ratiometric"
    slope: float
    offset: float
    ends: tuple[float, float]
    values: tuple[float, float]
    supply: float
    channel: str = ""

    @property
    def range(self) -> Range:
        """Outer points at nominal supply."""
        return Range((self.ends[0] * self.supply, self.ends[1] * self.supply), self.values)

    @property
    def needs(self) -> tuple[Need, ...]:
        """The measured supply, if one is named."""
        return supply_need(self.channel, self.supply)

    def _value(self, electrical: Floats, supply: Floats | None, /) -> Floats:
        if supply is None:
            return line_value(electrical, self.slope / self.supply, self.offset)
        return line_value(electrical / np.where(supply > 0, supply, np.nan), self.slope, self.offset)

    def _inverse(self, value: Floats, supply: Floats | None, /) -> Floats:
        return (value - self.offset) * ((self.supply if supply is None else supply) / self.slope)

    def _limits(self, margin: float, supply: Floats | None, /) -> Limits:
        lo, hi = self.ends
        reach = margin * (hi - lo)
        volts = self.supply if supply is None else supply
        return (lo - reach) * volts, (hi + reach) * volts

    def describe(self) -> str:
        """Two points at nominal supply, and where the supply comes from, in words."""
        source = f'as channel "{self.channel}" measures it' if self.channel else "taken as constant"
        words = _ends_in_words(self.range, self.electrical, self.unit)
        return f"{words} at {self.supply:g} V supply, straight line in proportion to the supply, {source}"


@dataclass(frozen=True, slots=True)
class Table(OneStage):
    """A curve through points, going on in straight lines beyond them.

    Attributes
    ----------
    points
        Input and value, inputs strictly rising, values never turning.
    interpolation
        "smooth" (monotone piecewise cubic) or "straight".
    """

    kind: ClassVar[str] = "table"
    points: _Points
    interpolation: str
    curve: Curve = field(compare=False, repr=False)

    @property
    def range(self) -> Range:
        """Outer points."""
        (x0, y0), (x1, y1) = self.points[0], self.points[-1]
        return Range((x0, x1), (y0, y1))

    def _value(self, electrical: Floats, _reference: Floats | None, /) -> Floats:
        return self.curve.at(electrical)

    def _inverse(self, value: Floats, _reference: Floats | None, /) -> Floats:
        return self.curve.inverse(value)

    def describe(self) -> str:
        """Give the number of points, the outer ones, and what is between, in words."""
        between = "a smooth curve" if self.interpolation == "smooth" else "straight lines"
        return f"{_ends_in_words(self.range, self.electrical, self.unit)}, {between} through {len(self.points)} points"


def line_value(x: Floats, slope: float, offset: float) -> Floats:
    """Slope × x + offset with one temporary."""
    value: Floats = np.multiply(x, slope)
    value += offset
    return value


def _ends_in_words(outer: Range, electrical: str, unit: str) -> str:
    (x0, x1), (y0, y1) = outer.electrical, outer.value
    return f"{x0:g} {electrical} = {y0:g} {unit} to {x1:g} {electrical} = {y1:g} {unit}"


# -- from the car file --------------------------------------------------------------------------------------------


def _through_two(points: _Points, key: str, sheet: Sheet) -> _Line | None:
    """Slope, offset, ends and the values there of the line through two points."""
    (x0, y0), (x1, y1) = points
    if x0 == x1:
        sheet.error((key, 1, 0), f"both points have the input {x0:g}", "two different inputs make a line")
    elif y0 == y1:
        sheet.error((key, 1, 1), f"both points have the value {y0:g}", "two different values make a line")
    else:
        slope = (y1 - y0) / (x1 - x0)
        (left, at_left), (right, at_right) = sorted(points)
        return slope, y0 - slope * x0, (left, right), (at_left, at_right)
    return None


def _build_linear(sheet: Sheet) -> Calibration | None:
    text = "a line is given by two points or by a slope, and here are"
    hint = "points = [[0.5, 0.0], [4.5, 150.0]], or slope = 37.5 and offset = -18.75"
    way = sheet.way(("slope", "points"), text, hint, none="neither", several="both")
    if way is None:
        return None
    if way == "points":
        sheet.misplaced(("offset", "range"), "goes with a slope, not with points")
        line = _through_two(sheet["points"], "points", sheet)
        return None if line is None else Linear(sheet.electrical, sheet.unit, *line)
    if sheet["slope"] == 0:
        sheet.error(("slope",), "a slope of 0 gives the same value for everything", "value per electrical unit")
        return None
    slope, offset = sheet["slope"], sheet.get("offset") or 0.0
    ends = sheet.get("range") or (-math.inf, math.inf)
    return Linear(
        sheet.electrical, sheet.unit, slope, offset, ends, (slope * ends[0] + offset, slope * ends[1] + offset)
    )


def _build_ratiometric(sheet: Sheet) -> Calibration | None:
    text = "a ratiometric sensor has either points or fractions, and here are"
    hint = "points = [[0.5, 0.0], [4.5, 10.0]] in volts at nominal supply, "
    hint += "or fractions = [[0.1, 0.0], [0.9, 10.0]] of the supply"
    key = sheet.way(("fractions", "points"), text, hint, none="neither", several="both")
    if key is None:
        return None
    supply = sheet["supply"]
    points = sheet[key]
    if key == "points":
        points = tuple((volts / supply, value) for volts, value in points)
    for index, (part, _) in enumerate(points):
        if not 0 <= part <= 1:
            text = f"{sheet[key][index][0]:g} is outside 0 to {supply if key == 'points' else 1:g}"
            sheet.error((key, index, 0), text, "the sensor can't give more than its supply; is `supply` right?")
    line = _through_two(points, key, sheet)
    if line is None or not sheet.sound:
        return None
    return Ratiometric(sheet.electrical, sheet.unit, *line, supply, sheet.get("reference") or "")


def check_rising(points: _Points, key: str, what: str, sheet: Sheet) -> None:
    """Append a fault for every point that doesn't lie to the right of the one before."""
    for index, (before, after) in enumerate(itertools.pairwise(points), start=1):
        if after[0] == before[0]:
            sheet.error((key, index, 0), f"{what} {after[0]:g} is there twice", "keep one of the two points")
        elif after[0] < before[0]:
            text = f"{what} {after[0]:g} comes after {before[0]:g}"
            sheet.error((key, index, 0), text, f"write the points with {what} rising")


def check_one_way(points: _Points, key: str, what: str, sheet: Sheet) -> None:
    """Append a fault for the first point where the values turn round, or for a table that is flat."""
    way = points[-1][1] - points[0][1]
    if way == 0:
        sheet.error((key,), f"{what} begins and ends with {points[0][1]:g}", "it must rise or fall throughout")
    for index, (before, after) in enumerate(itertools.pairwise(points), start=1):
        if (after[1] - before[1]) * way < 0:
            text = f"{what} turns round at {after[1]:g}, after {before[1]:g}"
            sheet.error((key, index, 1), text, "it must rise or fall throughout; is a figure mistyped?")
            return


def _build_table(sheet: Sheet) -> Calibration | None:
    points: _Points = sheet["points"]
    check_rising(points, "points", "input", sheet)
    check_one_way(points, "points", "the value", sheet)
    if not sheet.sound:
        return None
    make = smooth if sheet["interpolation"] == "smooth" else straight
    return Table(sheet.electrical, sheet.unit, points, sheet["interpolation"], make(points))


_ELECTRICAL = "the sensor's electrical unit"

LINEAR = KindSpec(
    name="linear",
    meaning="A straight line: through two points, or a slope and an offset. It goes on beyond the points.",
    formula="value = slope × input + offset",
    keys=(
        Key("points", pairs("[input, value]", least=2, most=2),
            "Two pairs of input and value; for more points use a table, or fit a line to the readings.",
            example="[[0.5, 0.0], [4.5, 150.0]]"),
        Key("slope", Number(), "Value per electrical unit, instead of points.", example="37.5"),
        Key("offset", Number(), "Value at an input of 0, with a slope; 0 if left out.", example="-18.75"),
        Key("range", Span(), "Inputs between which the line holds, with a slope; unbounded if left out.",
            unit=_ELECTRICAL, example="[0.5, 4.5]"),
    ),
    build=_build_linear,
)  # fmt: skip

RATIOMETRIC = KindSpec(
    name="ratiometric",
    meaning="A straight line in proportion to the supply, which may be measured by another channel.",
    formula="value = slope × (input / supply) + offset; 0.5 to 4.5 V at 5 V is (V / supply - 0.1) / 0.8 × full scale",
    keys=(
        Key("points", pairs("[volts, value]", least=2, most=2), "Two pairs of volts at nominal supply and value.",
            example="[[0.5, 0.0], [4.5, 10.0]]"),
        Key("fractions", pairs("[part of the supply, value]", least=2, most=2),
            "Two pairs of part of the supply and value, instead of points.", example="[[0.1, 0.0], [0.9, 10.0]]"),
        SUPPLY_KEY,
        REFERENCE_KEY,
    ),
    electrical=("V",),
    build=_build_ratiometric,
)  # fmt: skip

TABLE = KindSpec(
    name="table",
    meaning="A curve through points, which never overshoots between them and goes straight on beyond them.",
    formula="smooth: monotone piecewise cubic Hermite (Fritsch and Carlson 1980, Fritsch and Butland 1984)",
    keys=(
        Key("points", pairs("[input, value]", least=2),
            "Pairs of input and value, inputs rising, values rising or falling throughout.", required=True,
            example="[[0.4, 0.0], [1.6, 12.0], [4.1, 45.0]]"),
        Key("interpolation", Choice("a way between points", ("smooth", "straight")),
            "What is between the points: a smooth curve or straight lines.", default="smooth"),
    ),
    build=_build_table,
)  # fmt: skip
