"""What a fit adjusts: one curve for each kind of calibration, and how its constants stand in a car file."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.polynomial import legendre, polynomial

from buswright.channels.calibration import thermo
from buswright.channels.calibration.circuit import Circuit
from buswright.channels.calibration.kind import CalibrationError, Floats
from buswright.channels.calibration.monotone import smooth, straight
from buswright.channels.fits.readings import Data
from buswright.channels.fits.solving import Solution, least_squares, numeric_slopes

Rows = npt.NDArray[np.intp]


_ALIKE = 0.01
"""Readings whose true values differ by less than this part of their span are of one point (common practice)."""


@dataclass(frozen=True, slots=True)
class Curve(ABC):
    """A curve with p adjustable parameters."""

    parameters: int

    def start(self, data: Data) -> Floats:  # noqa: ARG002
        """Return parameters from which the steps find the best ones; any will do where the curve is linear in them."""
        return np.zeros(self.parameters)

    @abstractmethod
    def value(self, data: Data, parameters: Floats) -> Floats:
        """Return the values at the inputs, in the kind's own unit."""

    def constants(self, parameters: Floats) -> Floats:
        """Return the constants that `named` tells about: the parameters themselves, or what they are made into."""
        return parameters

    @property
    @abstractmethod
    def named(self) -> tuple[tuple[str, str], ...]:
        """Name and unit of each constant."""

    @abstractmethod
    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:
        """Return the keys of the car file that say the same; None for a key that has to go."""

    def slopes(self, data: Data, parameters: Floats) -> Floats:
        """Return the derivatives of `value` by the parameters, float64[n, p]."""
        return numeric_slopes(lambda tried: self.value(data, tried), parameters)

    def constant_slopes(self, parameters: Floats) -> Floats:
        """Return the derivatives of `constants` by the parameters, float64[k, p]."""
        return numeric_slopes(self.constants, parameters)

    def solve(self, data: Data, weights: Floats) -> Solution:
        """Find the parameters that fit best."""
        return least_squares(
            lambda tried: self.value(data, tried),
            lambda tried: self.slopes(data, tried),
            data.value,
            weights,
            self.start(data),
        )


@dataclass(frozen=True, slots=True)
class Powers(Curve):
    """A polynomial, in Legendre's polynomials over the readings, which keeps high powers apart.

    Attributes
    ----------
    centre, half
        Middle and half width of the inputs.
    form
        How it stands in the car file: "points", "fractions", "slope" or "coefficients".
    ends
        The inputs of the two points, or of the range.
    supply
        Nominal supply: inputs count as parts of the supply, as it is; 0: as they are.
    units
        Of input and value.
    """

    centre: float
    half: float
    form: str
    ends: tuple[float, float]
    supply: float
    units: tuple[str, str]

    def _design(self, data: Data) -> Floats:
        inputs = data.electrical / data.supply(self.supply) if self.supply else data.electrical
        design = legendre.legvander((inputs - self.centre) / self.half, self.parameters - 1)
        return np.asarray(design, dtype=np.float64)

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Polynomial of the input, or of its part of the supply."""
        return self._design(data) @ parameters

    def slopes(self, data: Data, parameters: Floats) -> Floats:  # noqa: ARG002
        """Return the same for all parameters."""
        return self._design(data)

    def constants(self, parameters: Floats) -> Floats:
        """Coefficients of the powers, the constant first; of a line slope and offset."""
        inner = legendre.leg2poly(parameters)
        outer = np.zeros(1)
        for factor in inner[::-1]:  # Horner's scheme with (x - centre) / half in the place of a number
            outer = polynomial.polyadd(polynomial.polymul(outer, [-self.centre / self.half, 1.0 / self.half]), [factor])
        padded = np.zeros(self.parameters)
        padded[: min(len(outer), self.parameters)] = outer[: self.parameters]
        return padded if self.form == "coefficients" else padded[::-1]

    def constant_slopes(self, parameters: Floats) -> Floats:
        """Return what each parameter adds to the constants: they are linear in them."""
        return np.stack([self.constants(unit) for unit in np.eye(len(parameters))], axis=-1)

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """Slope and offset, or c0, c1, c2 ..."""
        electrical, unit = self.units
        per = "supply" if self.supply else electrical
        if self.form != "coefficients":
            return ("slope", f"{unit} per {per}"), ("offset", unit)
        powers = ("", f"/{electrical}", *(f"/{electrical}^{power}" for power in range(2, self.parameters)))
        return tuple((f"c{power}", f"{unit}{below}") for power, below in enumerate(powers[: self.parameters]))

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:
        """Two points of the line, its slope, or the coefficients."""
        constants = self.constants(parameters)
        if self.form == "coefficients":
            # High powers cancel each other: nine digits of each would leave fewer of the sum.
            return {"coefficients": [figures(each, 12) for each in constants], "range": list(self.ends)}
        if self.form == "slope":
            return {"slope": figures(constants[0]), "offset": figures(constants[1])}
        shown = self.ends if self.form == "points" else [each / self.supply for each in self.ends]
        ends = Data(np.array(self.ends), np.zeros(2))
        span = float(np.ptp(data.value)) or 1.0
        values = [rounded(each, span) for each in self.value(ends, parameters)]
        return {self.form: [[x, y] for x, y in zip(shown, values, strict=True)]}


@dataclass(frozen=True, slots=True)
class Turns(Curve):
    """Value = input × factor: a toothed wheel.

    Attributes
    ----------
    teeth, ratio
        As written.
    rolls
        Whether its circumference is looked for; else its teeth are.
    """

    teeth: float
    ratio: float
    rolls: bool

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Input × factor."""
        value: Floats = data.electrical * parameters[0]
        return value

    def slopes(self, data: Data, parameters: Floats) -> Floats:  # noqa: ARG002
        """Return the input."""
        return data.electrical[:, None]

    def constants(self, parameters: Floats) -> Floats:
        """Return the circumference in m, or the teeth."""
        if self.rolls:
            return parameters * (self.teeth * self.ratio)
        return 60.0 / (parameters * self.ratio)

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """One constant."""
        return (("circumference", "m"),) if self.rolls else (("teeth", ""),)

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:  # noqa: ARG002
        """Return the constant; of teeth the whole number where one is within a hundredth."""
        (constant,) = self.constants(parameters).tolist()
        whole = round(constant)
        if not self.rolls and whole and abs(constant / whole - 1.0) < 0.01:
            return {"teeth": float(whole)}
        return {self.named[0][0]: figures(constant)}


@dataclass(frozen=True, slots=True)
class Resistive(Curve):
    """A thermistor's 1/T = A + B ln R + C (ln R)³, or the same without C, which is beta.

    `circuit`: from input to resistance; `new`: whether nothing was known of it before.
    """

    circuit: Circuit
    new: bool

    def _logs(self, data: Data) -> Floats:
        with np.errstate(all="ignore"):
            logs: Floats = np.log(self.circuit.ohm(data.electrical, data.reference))
        if not np.all(np.isfinite(logs)):
            raise CalibrationError(
                "an input at or beyond the ends of the supply is no resistance",
                hint="volts between 0 and the supply; is the sensor plugged in?",
            )
        return logs

    def _powers(self, data: Data) -> Floats:
        logs = self._logs(data)
        return np.stack([np.ones_like(logs), logs, logs**3][: self.parameters], axis=-1)

    def start(self, data: Data) -> Floats:
        """Linear in 1/T, each reading weighted so that its temperature counts."""
        kelvin = data.value + thermo.ICE_POINT
        design = self._powers(data)
        if len(kelvin) < self.parameters or np.any(kelvin <= 0):
            raise CalibrationError("a temperature below absolute zero, or too few readings", hint="values are in degC")
        wanted = 1.0 / kelvin
        return least_squares(
            lambda tried: design @ tried, lambda _: design, wanted, kelvin**4, np.zeros(self.parameters)
        ).constants

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Temperature in degC."""
        with np.errstate(all="ignore"):
            return 1.0 / (self._powers(data) @ parameters) - thermo.ICE_POINT

    def slopes(self, data: Data, parameters: Floats) -> Floats:
        """Of T by A, B and C: -T² times 1, ln R and (ln R)³."""
        powers = self._powers(data)
        kelvin = 1.0 / (powers @ parameters)
        return -powers * (kelvin**2)[:, None]

    def constants(self, parameters: Floats) -> Floats:
        """Return A, B, C; or beta and the resistance at 25 degC."""
        if self.parameters == 3:
            return parameters
        a, b = parameters
        return np.array([1.0 / b, np.exp((1.0 / (25.0 + thermo.ICE_POINT) - a) / b)])

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """Three constants, or two."""
        if self.parameters == 3:
            return ("A", "1/K"), ("B", "1/K"), ("C", "1/K")
        return ("beta", "K"), ("r25", "ohm")

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:
        """Return the constants; the other ways to say it go."""
        constants = [figures(each) for each in self.constants(parameters)]
        if self.parameters == 3:
            return self._range(data) | {"coefficients": constants, "beta": None, "r25": None, "table": None}
        return self._range(data) | {"coefficients": None, "beta": constants[0], "r25": constants[1], "table": None}

    def _range(self, data: Data) -> dict[str, Any]:
        """Of a new sensor: the temperatures that were measured."""
        return {"range": [round(float(data.value.min()), 2), round(float(data.value.max()), 2)]} if self.new else {}


@dataclass(frozen=True, slots=True)
class Platinum(Curve):
    """A platinum resistor, of which the resistance at 0 degC is looked for."""

    circuit: Circuit

    def start(self, data: Data) -> Floats:
        """Mean of what each reading says by itself."""
        ohm = self.circuit.ohm(data.electrical, data.reference)
        return np.array([float(np.mean(ohm / thermo.rtd_ohm(data.value, 1.0)))])

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Temperature in degC."""
        return thermo.rtd_celsius(self.circuit.ohm(data.electrical, data.reference), float(parameters[0]))

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """R0."""
        return (("r0", "ohm"),)

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:  # noqa: ARG002
        """R0."""
        return {"r0": figures(parameters[0])}


@dataclass(frozen=True, slots=True)
class Amplified(Curve):
    """A thermocouple, of whose amplifier gain and zero are looked for.

    `cold_junction`: nominal, degC; `per_volt`: input units per volt.
    """

    letter: str
    cold_junction: float
    per_volt: float

    def _cold(self, data: Data) -> Floats:
        cold = np.array(self.cold_junction) if data.reference is None else data.reference
        return thermo.thermocouple_millivolts(self.letter, cold)

    def start(self, data: Data) -> Floats:
        """Linear in mV: millivolts = input × p0 - p1."""
        wanted = thermo.thermocouple_millivolts(self.letter, data.value) - self._cold(data)
        design = np.stack([data.electrical, -np.ones_like(wanted)], axis=-1)
        weights = np.ones_like(wanted)
        return least_squares(lambda tried: design @ tried, lambda _: design, wanted, weights, np.zeros(2)).constants

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Temperature in degC."""
        millivolts = data.electrical * parameters[0] - parameters[1] + self._cold(data)
        return thermo.thermocouple_celsius(self.letter, millivolts)

    def constants(self, parameters: Floats) -> Floats:
        """Gain, and input at 0 mV."""
        return np.array([1e3 / (self.per_volt * parameters[0]), parameters[1] / parameters[0]])

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """Gain and zero."""
        unit = {1.0: "V", 1e3: "mV", 1e6: "uV"}[self.per_volt]
        return ("gain", ""), ("at_zero", unit)

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:  # noqa: ARG002
        """Gain and zero."""
        gain, at_zero = self.constants(parameters)
        return {"gain": figures(gain), "at_zero": figures(at_zero)}


@dataclass(frozen=True, slots=True)
class Through(Curve):
    """A curve through the mean of the readings at each true value: a table.

    Attributes
    ----------
    inputs
        Its inputs, rising; of a thermistor the logarithms of resistance, falling temperatures behind them.
    interpolation
        "smooth" or "straight".
    circuit
        Of a thermistor: the table is of temperature and resistance; None: of input and value.
    """

    inputs: tuple[float, ...]
    interpolation: str
    circuit: Circuit | None

    def _inputs(self, data: Data) -> Floats:
        if self.circuit is None:
            return data.electrical
        with np.errstate(all="ignore"):
            return np.log(self.circuit.ohm(data.electrical, data.reference))

    def start(self, data: Data) -> Floats:
        """Means of the values at each point."""
        return np.array([float(np.mean(data.value[rows])) for rows in by_input(self._inputs(data), data.value)])

    def value(self, data: Data, parameters: Floats) -> Floats:
        """On the curve."""
        make = smooth if self.interpolation == "smooth" else straight
        with np.errstate(all="ignore"):
            if self.circuit is None:
                return make(list(zip(self.inputs, parameters.tolist(), strict=True))).at(self._inputs(data))
            inverse = (1.0 / (parameters + thermo.ICE_POINT)).tolist()
            curve = smooth(list(zip(self.inputs, inverse, strict=True)))
            return thermo.kelvin_to_celsius(curve.at(self._inputs(data)))

    def solve(self, data: Data, weights: Floats) -> Solution:
        """Mean the readings of each point: the curve goes through that."""
        rows = by_input(self._inputs(data), data.value)
        means = np.array([np.average(data.value[each], weights=weights[each]) for each in rows])
        return Solution(means, np.diag([1.0 / weights[each].sum() for each in rows]))

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """The points by their number."""
        return tuple((f"point {number}", "") for number in range(1, self.parameters + 1))

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:
        """Return the points."""
        span = float(np.ptp(data.value)) or 1.0
        values = [rounded(each, span) for each in parameters]
        if self.circuit is None:
            return {"points": [[figures(x), y] for x, y in zip(self.inputs, values, strict=True)]}
        ohms = [figures(each, 6) for each in np.exp(self.inputs)]
        table = sorted([y, x] for x, y in zip(ohms, values, strict=True))
        return {"table": table, "coefficients": None, "beta": None, "r25": None}


def points_of(values: Floats) -> list[Rows]:
    """Return the rows of the readings at each true value, values rising."""
    order = np.argsort(values, kind="stable")
    reach = _ALIKE * float(np.ptp(values))
    found: list[list[int]] = []
    for row in order.tolist():
        if found and values[row] - values[found[-1][0]] <= reach:
            found[-1].append(row)
        else:
            found.append([row])
    return [np.array(rows) for rows in found]


def by_input(inputs: Floats, values: Floats) -> list[Rows]:
    """Return the same by rising mean input."""
    return sorted(points_of(values), key=lambda rows: float(np.mean(inputs[rows])))


def figures(value: float, digits: int = 9) -> float:
    """Return a constant without the digits that no sensor has."""
    return float(f"{float(value):.{digits}g}")


def rounded(value: float, span: float) -> float:
    """Return a value without the digits below a millionth of a span."""
    return round(float(value), 6 - int(np.floor(np.log10(span)))) + 0.0
