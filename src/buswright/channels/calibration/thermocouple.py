"""The thermocouple kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from buswright.channels.calibration import thermo
from buswright.channels.calibration.circuit import band_of, ends_in_words
from buswright.channels.calibration.kind import Calibration, Floats, KindSpec, Limits, Need, OneStage, Range, Sheet
from buswright.channels.keys.kinds import CHANNEL_NAME, POSITIVE, Choice, Either, Number, Span
from buswright.channels.keys.tables import Key


@dataclass(frozen=True, slots=True)
class Thermocouple(OneStage):
    """A thermocouple, amplified or not, with its cold junction measured or at a fixed temperature.

    Attributes
    ----------
    letter
        K, J, T, N or E.
    per_millivolt, at_zero
        Input per mV of the thermocouple, and input at 0 mV.
    cold_junction
        Fixed, or nominal where a channel measures it, degC.
    channel
        Channel that measures it; empty: fixed.
    band
        degC between which it is used.
    """

    kind: ClassVar[str] = "thermocouple"
    letter: str
    per_millivolt: float
    at_zero: float
    cold_junction: float
    channel: str
    band: tuple[float, float]

    @property
    def range(self) -> Range:
        """Inputs at the ends of the band, at the nominal cold junction."""
        cold = np.array(self.cold_junction)
        low, high = self._input(thermo.thermocouple_millivolts(self.letter, np.array(self.band)), cold).tolist()
        return Range((low, high), self.band)

    @property
    def needs(self) -> tuple[Need, ...]:
        """The measured cold junction, if one is named."""
        return (Need(self.channel, "degC", "the cold junction", self.cold_junction),) if self.channel else ()

    def _cold(self, measured: Floats | None) -> Floats:
        """Voltage of the cold junction in mV."""
        return thermo.thermocouple_millivolts(
            self.letter, np.array(self.cold_junction) if measured is None else measured
        )

    def _input(self, millivolts: Floats, cold: Floats | None) -> Floats:
        """Input for a voltage against 0 degC."""
        result: Floats = (millivolts - self._cold(cold)) * self.per_millivolt + self.at_zero
        return result

    def _value(self, electrical: Floats, cold: Floats | None, /) -> Floats:
        per_input = 1.0 / self.per_millivolt
        millivolts = electrical * per_input
        millivolts += self._cold(cold) - self.at_zero * per_input
        return thermo.thermocouple_celsius(self.letter, millivolts)

    def _inverse(self, value: Floats, cold: Floats | None, /) -> Floats:
        return self._input(thermo.thermocouple_millivolts(self.letter, value), cold)

    def _limits(self, margin: float, cold: Floats | None, /) -> Limits:
        low, high = thermo.thermocouple_millivolts(self.letter, np.array(self.band))
        reach = margin * (high - low)
        ends = (self._input(low - reach, cold), self._input(high + reach, cold))
        return np.fmin(*ends), np.fmax(*ends)

    def describe(self) -> str:
        """Give the type, the amplifier, the cold junction and the ends of the band, in words."""
        source = f'measured by channel "{self.channel}"' if self.channel else f"at {self.cold_junction:g} °C"
        return (
            f"thermocouple type {self.letter} (ITS-90), {self.per_millivolt:g} {self.electrical} per mV, "
            f"cold junction {source}; {ends_in_words(self.range, self.electrical)}"
        )


# -- from the car file --------------------------------------------------------------------------------------------


def _build_thermocouple(sheet: Sheet) -> Calibration | None:
    letter = sheet["type"]
    low, high = thermo.THERMOCOUPLE_RANGE[letter]
    band = band_of(sheet, (low, high))
    if band[0] < low or band[1] > high:
        sheet.error(("range",), f"type {letter} goes from {low:g} to {high:g} degC", "narrow the range")
    junction = sheet["cold_junction"]
    channel = junction if isinstance(junction, str) else ""
    fixed = 25.0 if channel else float(junction)
    if not channel and not -60.0 <= fixed <= 200.0:
        sheet.error(("cold_junction",), f"a cold junction at {fixed:g} degC", "in degC, or a channel's name")
    if not sheet.sound:
        return None
    per_millivolt = sheet["gain"] * {"V": 1e-3, "mV": 1.0, "uV": 1e3}[sheet.electrical]
    return Thermocouple(sheet.electrical, "degC", letter, per_millivolt, sheet["at_zero"], fixed, channel, band)


THERMOCOUPLE = KindSpec(
    name="thermocouple",
    meaning="A thermocouple K, J, T, N or E, bare or amplified, its cold junction measured by a channel or fixed.",
    formula=(
        "E(hot) = (input - at_zero) / gain + E(cold junction), E the ITS-90 reference function (NIST Monograph 175)"
    ),
    keys=(
        Key("type", Choice("a type of thermocouple", ("K", "J", "T", "N", "E")), "Its letter.", required=True,
            example='"K"'),
        Key("cold_junction", Either(Number(), (int, float), CHANNEL_NAME),
            "Temperature of the cold junction, or the channel that measures it.", required=True, unit="degC",
            example='"module_temperature"'),
        Key("gain", POSITIVE, "Gain of the amplifier.", default=1.0, example="122.4"),
        Key("at_zero", Number(), "Input at 0 mV of the thermocouple.", default=0.0,
            unit="the sensor's electrical unit"),
        Key("range", Span(), "Temperatures between which it is used; those of the reference function if left out.",
            unit="degC", example="[0.0, 1100.0]"),
    ),
    electrical=("V", "mV", "uV"),
    own_unit="degC",
    build=_build_thermocouple,
)  # fmt: skip
