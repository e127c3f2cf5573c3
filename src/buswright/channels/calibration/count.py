"""Kinds that count or tell states apart: frequency and switch."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from buswright.channels.calibration.kind import (
    Bools,
    Calibration,
    Floats,
    KindSpec,
    OneStage,
    Range,
    References,
    Sheet,
)
from buswright.channels.keys.kinds import POSITIVE, Items, Number, Span, Text
from buswright.channels.keys.tables import Key, Record


@dataclass(frozen=True, slots=True)
class Frequency(OneStage):
    """Pulses per second of a toothed wheel to road speed or rotation.

    Attributes
    ----------
    per_hz
        Value per hertz.
    ends
        Frequencies between which the sensor works; the upper one infinite if none is written.
    teeth, ratio, circumference
        As written; circumference 0 means rotation.
    """

    kind: ClassVar[str] = "frequency"
    per_hz: float
    ends: tuple[float, float]
    teeth: float
    ratio: float
    circumference: float

    @property
    def range(self) -> Range:
        """Frequencies, and what they mean."""
        low, high = (self.per_hz * end for end in self.ends)
        return Range(self.ends, (low, high))

    def _value(self, electrical: Floats, _reference: Floats | None, /) -> Floats:
        return electrical * self.per_hz

    def _inverse(self, value: Floats, _reference: Floats | None, /) -> Floats:
        return value / self.per_hz

    def describe(self) -> str:
        """Teeth, circumference and the value of one hertz, in words."""
        words = f"{self.teeth:g} pulses a turn"
        if self.ratio != 1.0:
            words += f", {self.ratio:g} turns of the toothed wheel for one of the wheel"
        if self.circumference:
            words += f", {self.circumference:g} m a turn"
        return f"{words}: 1 Hz = {self.per_hz:.5g} {self.unit}"


@dataclass(frozen=True, slots=True)
class State:
    """One state of a switch: its name, the band of the input, and the number that stands for it."""

    name: str
    low: float
    high: float
    value: float


@dataclass(frozen=True, slots=True)
class Switch(OneStage):
    """Bands of the input to states. Between the bands the state is unknown: NaN, and outside the calibration.

    Attributes
    ----------
    states
        By rising band; both ends belong to a band.
    """

    kind: ClassVar[str] = "switch"
    states: tuple[State, ...]

    @property
    def range(self) -> Range:
        """Outer edges of the outer bands."""
        first, last = self.states[0], self.states[-1]
        return Range((first.low, last.high), (first.value, last.value))

    def _value(self, electrical: Floats, _reference: Floats | None, /) -> Floats:
        values = np.array([state.value for state in self.states])
        lows = np.array([state.low for state in self.states])
        highs = np.array([state.high for state in self.states])
        band = np.maximum(np.searchsorted(lows, electrical, side="right") - 1, 0)
        return np.where((electrical >= lows[band]) & (electrical <= highs[band]), values[band], np.nan)

    def _inverse(self, value: Floats, _reference: Floats | None, /) -> Floats:
        middle = np.full(value.shape, np.nan)
        for state in self.states:
            middle = np.where(value == state.value, 0.5 * (state.low + state.high), middle)
        return middle

    def outside(self, electrical: Floats, references: References | None = None, margin: float = 0.0) -> Bools:  # noqa: ARG002
        """Mask of the samples in no band; bands have edges, so there is no margin."""
        unknown: Bools = np.isnan(self.apply(electrical)) & ~np.isnan(electrical)
        return unknown

    def describe(self) -> str:
        """Name the bands."""
        bands = (
            f"{state.low:g} to {state.high:g} {self.electrical} = {state.name} ({state.value:g})"
            for state in self.states
        )
        return "; ".join(bands) + "; between them unknown"


# -- from the car file --------------------------------------------------------------------------------------------

_LONGEST_TURN = 5.0  # m; a wheel of 1.6 m diameter. More is most likely written in mm or inches.


def _build_frequency(sheet: Sheet) -> Calibration | None:
    circumference = sheet.get("circumference") or 0.0
    if circumference > _LONGEST_TURN:
        hint = f"in metres: {circumference / 1000:g}?" if circumference > 500 else "it is written in metres"
        sheet.error(("circumference",), f"a wheel of {circumference:g} m a turn is no car's wheel", hint)
        return None
    turns_per_hz = 1.0 / (sheet["teeth"] * sheet["ratio"])
    unit, per_hz = ("m/s", turns_per_hz * circumference) if circumference else ("rpm", 60.0 * turns_per_hz)
    ends = sheet.get("range") or (0.0, math.inf)
    return Frequency("Hz", unit, per_hz, ends, sheet["teeth"], sheet["ratio"], circumference)


def _build_switch(sheet: Sheet) -> Calibration | None:
    rows: tuple[Mapping[str, Any], ...] = sheet["states"]
    states = []
    for index, row in enumerate(rows):
        low, high = row["band"]
        states.append((index, State(row["name"], low, high, row.get("value", float(index)))))
    for what in ("name", "value"):
        seen: dict[object, int] = {}
        for index, state in states:
            word = getattr(state, what)
            if word in seen:
                text = f"the {what} {word!r} is in state {seen[word] + 1} already"
                sheet.error(("states", index), text, f"every state has a {what} of its own")
            seen.setdefault(word, index)
    states.sort(key=lambda pair: pair[1].low)
    for (_, before), (index, after) in itertools.pairwise(states):
        if after.low <= before.high:
            text = f"the bands of {before.name} and {after.name} overlap"
            sheet.error(("states", index, "band"), text, "leave a gap between")
    return Switch(sheet.electrical, "state", tuple(state for _, state in states)) if sheet.sound else None


FREQUENCY = KindSpec(
    name="frequency",
    meaning="Pulses per second of a toothed wheel to road speed, or to rotation where no circumference is written.",
    formula="m/s = Hz / (teeth × ratio) × circumference; rpm = 60 × Hz / (teeth × ratio)",
    keys=(
        Key("teeth", POSITIVE, "Pulses per turn of the toothed wheel.", required=True, example="48"),
        Key("circumference", POSITIVE, "Way per turn of the wheel: rolled out, loaded, at running pressure.", unit="m",
            example="1.872"),
        Key("ratio", POSITIVE, "Turns of the toothed wheel for one of the wheel or shaft wanted.", default=1.0),
        Key("range", Span(Number(low=0.0)),
            "Lowest and highest frequency at which the sensor works; unbounded if left out.", unit="Hz",
            example="[5.0, 6000.0]"),
    ),
    electrical=("Hz",),
    own_unit="m/s with a circumference, rpm without",
    build=_build_frequency,
)  # fmt: skip

SWITCH = KindSpec(
    name="switch",
    meaning="Bands of the input to named states: a switch, a gear barrel. Between the bands the state is unknown.",
    formula="state = the one whose band holds the input, both ends included",
    keys=(
        Key(
            "states",
            Items(
                Record(
                    "a table { ... }",
                    (
                        Key("name", Text(), "What the state is called.", required=True, example='"off"'),
                        Key("band", Span(), "Lowest and highest input.", required=True, example="[0.0, 0.8]"),
                        Key("value", Number(), "Its number; default: its place in the list, from 0."),
                    ),
                    dict,
                ),
                "a list of tables [{ ... }, ...]",
                least=1,
            ),
            "The states, each with a name and a band of the input.",
            required=True,
            example='[{ name = "off", band = [0.0, 0.8] }, { name = "on", band = [4.2, 5.0] }]',
        ),
    ),
    own_unit="state",
    build=_build_switch,
)  # fmt: skip
