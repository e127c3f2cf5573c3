"""Kinds whose resistance tells the temperature: thermistor and platinum resistor."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from buswright.channels.calibration import thermo
from buswright.channels.calibration.circuit import (
    COLDEST,
    DIVIDER_KEYS,
    Circuit,
    Divider,
    Excited,
    Resistance,
    band_of,
    build_circuit,
    ends_in_words,
)
from buswright.channels.calibration.kind import Calibration, Floats, KindSpec, Limits, Need, OneStage, Range, Sheet
from buswright.channels.calibration.line import check_one_way, check_rising
from buswright.channels.calibration.monotone import Curve, smooth
from buswright.channels.keys.kinds import POSITIVE, Items, Number, Span, pairs
from buswright.channels.keys.tables import Key


@dataclass(frozen=True, slots=True)
class SteinhartHartModel:
    """1/T = A + B ln R + C (ln R)³."""

    coefficients: thermo.SteinhartHart
    words: str

    def celsius(self, ohm: Floats) -> Floats:
        """Temperature from resistance."""
        return thermo.thermistor_celsius(ohm, self.coefficients)

    def ohm(self, celsius: Floats) -> Floats:
        """Resistance from temperature."""
        return thermo.thermistor_ohm(celsius, self.coefficients)


@dataclass(frozen=True, slots=True)
class ResistanceTable:
    """Resistance against temperature, smooth in ln R and 1/T, in which a thermistor is nearly a straight line.

    Beyond the table it goes on in that straight line, that is with the beta of its end.
    """

    points: tuple[tuple[float, float], ...]
    curve: Curve = field(compare=False, repr=False)

    @property
    def words(self) -> str:
        """What it is, in words."""
        return f"table of {len(self.points)} resistances"

    def celsius(self, ohm: Floats) -> Floats:
        """Temperature from resistance."""
        return thermo.in_blocks(lambda part: thermo.kelvin_to_celsius(self.curve.at(_log(part))), ohm)

    def ohm(self, celsius: Floats) -> Floats:
        """Resistance from temperature."""
        kelvin = celsius + thermo.ICE_POINT
        return np.exp(self.curve.inverse(1.0 / np.where(kelvin > 0, kelvin, np.nan)))


def _log(ohm: Floats) -> Floats:
    """Natural logarithm; NaN for what has none."""
    log: Floats = np.log(ohm)
    log[np.isinf(log)] = np.nan
    return log


@dataclass(frozen=True, slots=True)
class Thermistor(OneStage):
    """A thermistor, measured as resistance or through a divider.

    Attributes
    ----------
    circuit
        From input to resistance.
    model
        From resistance to temperature.
    band
        degC between which it is used.
    """

    kind: ClassVar[str] = "thermistor"
    circuit: Resistance | Divider
    model: SteinhartHartModel | ResistanceTable
    band: tuple[float, float]

    @property
    def range(self) -> Range:
        """Inputs at the ends of the band, at nominal supply."""
        return _range_of(self.circuit, self.model.ohm(np.array(self.band)), self.band)

    @property
    def needs(self) -> tuple[Need, ...]:
        """The measured supply, if one is named."""
        return self.circuit.needs

    def _value(self, electrical: Floats, supply: Floats | None, /) -> Floats:
        return self.model.celsius(self.circuit.ohm(electrical, supply))

    def _inverse(self, value: Floats, supply: Floats | None, /) -> Floats:
        return self.circuit.input(self.model.ohm(value), supply)

    def _limits(self, margin: float, supply: Floats | None, /) -> Limits:
        # On the side of temperature: in volts a tenth of the span reaches past 0 V and the supply.
        reach = margin * (self.band[1] - self.band[0])
        ends = np.array([max(self.band[0] - reach, COLDEST), self.band[1] + reach])
        cold, hot = (self.circuit.input(ohm, supply) for ohm in self.model.ohm(ends))
        return np.fmin(cold, hot), np.fmax(cold, hot)

    def describe(self) -> str:
        """Give the model, the circuit and the ends of the band, in words."""
        return (
            f"thermistor, {self.model.words}, {self.circuit.describe()}; {ends_in_words(self.range, self.electrical)}"
        )


@dataclass(frozen=True, slots=True)
class Rtd(OneStage):
    """A platinum resistor after IEC 60751.

    Attributes
    ----------
    circuit
        From input to resistance.
    r0
        Resistance at 0 degC, ohm.
    band
        degC between which it is used.
    """

    kind: ClassVar[str] = "rtd"
    circuit: Circuit
    r0: float
    band: tuple[float, float]

    @property
    def range(self) -> Range:
        """Inputs at the ends of the band, at nominal supply."""
        return _range_of(self.circuit, thermo.rtd_ohm(np.array(self.band), self.r0), self.band)

    @property
    def needs(self) -> tuple[Need, ...]:
        """The measured supply, if one is named."""
        return self.circuit.needs

    def _value(self, electrical: Floats, supply: Floats | None, /) -> Floats:
        return thermo.rtd_celsius(self.circuit.ohm(electrical, supply), self.r0)

    def _inverse(self, value: Floats, supply: Floats | None, /) -> Floats:
        return self.circuit.input(thermo.rtd_ohm(value, self.r0), supply)

    def _limits(self, margin: float, supply: Floats | None, /) -> Limits:
        low, high = thermo.rtd_ohm(np.array(self.band), self.r0)
        reach = margin * (high - low)
        ends = [self.circuit.input(np.asarray(ohm), supply) for ohm in (max(low - reach, 0.0), high + reach)]
        return np.fmin(*ends), np.fmax(*ends)

    def describe(self) -> str:
        """Give the resistor, the circuit and the ends of the band, in words."""
        return f"Pt{self.r0:g} (IEC 60751), {self.circuit.describe()}; {ends_in_words(self.range, self.electrical)}"


def _range_of(circuit: Circuit, ohm: Floats, band: tuple[float, float]) -> Range:
    """Range with rising inputs; the values then fall where hot means a low input."""
    first, second = circuit.input(ohm, None).tolist()
    return Range((first, second), band) if first < second else Range((second, first), (band[1], band[0]))


# -- from the car file --------------------------------------------------------------------------------------------


def _build_model(sheet: Sheet) -> SteinhartHartModel | ResistanceTable | None:
    text = "a thermistor is known by its coefficients, its beta or its table, and here is"
    hint = "coefficients = [A, B, C], or beta = 3950.0 with r25 = 10000.0, or table = [[degC, ohm], ...]"
    way = sheet.way(("coefficients", "beta", "table"), text, hint, none="none of them")
    if way is None:
        return None
    if ("r25" in sheet) != (way == "beta"):
        if way == "beta":
            text = "is missing, and beta alone gives no resistance"
            sheet.error(("r25",), text, "r25 = 10000.0, the resistance at 25 degC")
        sheet.misplaced(("r25",), f"goes with beta, not {way}")
        return None
    if way == "table":
        return _table_model(sheet)
    if way == "beta":
        coefficients = thermo.steinhart_hart_of_beta(sheet["r25"], sheet["beta"])
        return SteinhartHartModel(coefficients, f"{sheet['r25']:g} ohm at 25 degC, beta {sheet['beta']:g} K")
    a, b, c = sheet["coefficients"]
    return SteinhartHartModel((a, b, c), f"Steinhart-Hart {a:g}, {b:g}, {c:g}")


def _table_model(sheet: Sheet) -> ResistanceTable | None:
    points: tuple[tuple[float, float], ...] = sheet["table"]
    for index, (celsius, ohm) in enumerate(points):
        if celsius <= -thermo.ICE_POINT:
            sheet.error(("table", index, 0), f"{celsius:g} degC is below absolute zero", "pairs of degC and ohm")
        if ohm <= 0:
            sheet.error(("table", index, 1), f"a resistance of {ohm:g} ohm", "pairs of degC and ohm")
    check_rising(points, "table", "the temperature", sheet)
    check_one_way(points, "table", "the resistance", sheet)
    if sheet.sound and len({ohm for _, ohm in points}) < len(points):
        sheet.error(("table",), "one resistance has two temperatures", "keep one of the two points")
    if not sheet.sound:
        return None
    straightened = sorted((float(np.log(ohm)), 1.0 / (celsius + thermo.ICE_POINT)) for celsius, ohm in points)
    return ResistanceTable(points, smooth(straightened))


def _build_thermistor(sheet: Sheet) -> Calibration | None:
    circuit, model = build_circuit(sheet), _build_model(sheet)
    default = (-40.0, 150.0)
    if isinstance(model, ResistanceTable):
        default = model.points[0][0], model.points[-1][0]
    band = band_of(sheet, default)
    if not sheet.sound or circuit is None or model is None or isinstance(circuit, Excited):
        return None
    if isinstance(model, SteinhartHartModel) and not _is_thermistor(model, band):
        sheet.error(
            ("coefficients",) if "coefficients" in sheet else ("beta",),
            f"no thermistor falls like this: the curve is wrong between {band[0]:g} and {band[1]:g} degC",
            "A, B, C for ohm and kelvin, for a 10 kohm part about [1.13e-3, 2.34e-4, 8.8e-8]",
        )
        return None
    return Thermistor(circuit.electrical, "degC", circuit, model, band)


_BETAS = (500.0, 20_000.0)  # K; ceramics lie between 2000 and 6000


def _is_thermistor(model: SteinhartHartModel, band: tuple[float, float]) -> bool:
    """Whether the curve goes through the band and its steepness is a thermistor's at both ends.

    It isn't where the coefficients are in the wrong order or for other units.
    """
    with np.errstate(all="ignore"):
        ohm = model.ohm(np.array(band))
        there_and_back = np.allclose(model.celsius(ohm), band, atol=1e-3)
        _, b, c = model.coefficients
        betas = 1.0 / (b + 3.0 * c * np.log(ohm) ** 2)  # d ln R / d(1/T)
    cold, hot = ohm.tolist()
    steep = bool(np.all((betas > _BETAS[0]) & (betas < _BETAS[1])))
    return there_and_back and steep and thermo.falls_throughout(model.coefficients, hot, cold)


def _build_rtd(sheet: Sheet) -> Calibration | None:
    circuit = build_circuit(sheet)
    band = band_of(sheet, thermo.RTD_RANGE)
    low, high = thermo.RTD_RANGE
    if band[0] < low or band[1] > high:
        sheet.error(("range",), f"IEC 60751 goes from {low:g} to {high:g} degC", "narrow the range")
    if not sheet.sound or circuit is None:
        return None
    return Rtd(circuit.electrical, "degC", circuit, sheet["r0"], band)


THERMISTOR = KindSpec(
    name="thermistor",
    meaning="A resistor that falls as it warms, by coefficients, beta or table, behind a pull-up or a pull-down.",
    formula=(
        "1/T = A + B ln R + C (ln R)³ (Steinhart and Hart 1968); R = r25 × exp(beta × (1/T - 1/298.15)); "
        "pull-up: R = pull_up × V / (supply - V); pull-down: R = pull_down × (supply - V) / V; T in kelvin"
    ),
    keys=(
        Key("coefficients", Items(Number(), "a list of 3 numbers", least=3, most=3),
            "Steinhart-Hart coefficients A, B, C for ohm and kelvin.", example="[1.12924e-3, 2.34108e-4, 0.87755e-7]"),
        Key("beta", POSITIVE, "Beta, instead of coefficients.", unit="K", example="3950.0"),
        Key("r25", POSITIVE, "Resistance at 25 degC, with beta.", unit="ohm", example="10000.0"),
        Key("table", pairs("[degC, ohm]", least=2),
            "Pairs of degC and ohm, temperatures rising, instead of coefficients.",
            example="[[0.0, 32650.0], [25.0, 10000.0], [100.0, 678.0]]"),
        *DIVIDER_KEYS,
        Key("range", Span(),
            "Temperatures between which it is used; -40 to 150, or the ends of the table, if left out.", unit="degC",
            example="[-20.0, 150.0]"),
    ),
    electrical=("V", "ohm"),
    own_unit="degC",
    build=_build_thermistor,
)  # fmt: skip

RTD = KindSpec(
    name="rtd",
    meaning="A platinum resistor, Pt100 or Pt1000, behind a pull-up or a pull-down, or with a known current.",
    formula=(
        "R = r0 × (1 + A t + B t²), below 0 degC + C (t - 100) t³ in the bracket; "
        "A 3.9083e-3, B -5.775e-7, C -4.183e-12 (IEC 60751)"
    ),
    keys=(
        Key("r0", POSITIVE, "Resistance at 0 degC.", required=True, unit="ohm", example="1000.0"),
        *DIVIDER_KEYS,
        Key("current", POSITIVE, "Current through the sensor.", unit="mA", example="1.0"),
        Key("gain", POSITIVE, "Gain of an amplifier behind it, with a current.", default=1.0),
        Key("range", Span(), "Temperatures between which it is used; -200 to 850 if left out.", unit="degC",
            example="[-40.0, 180.0]"),
    ),
    electrical=("V", "ohm"),
    own_unit="degC",
    build=_build_rtd,
)  # fmt: skip
