"""From a sensor's table to what a fit adjusts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, CalibrationError, Floats, nominal_references
from buswright.channels.calibration.registry import KINDS, read_calibration
from buswright.channels.calibration.resistor import Rtd, Thermistor
from buswright.channels.calibration.thermocouple import Thermocouple
from buswright.channels.calibration.wrapped import Wrapped
from buswright.channels.fits.curves import (
    Amplified,
    Curve,
    Platinum,
    Powers,
    Resistive,
    Through,
    Turns,
    by_input,
    figures,
)
from buswright.channels.fits.readings import Data
from buswright.channels.fits.solving import Solution
from buswright.channels.keys.faults import FaultLog

Sheet = Mapping[str, Any]
"""A sensor's table as TOML gives it."""


def calibration_of(sheet: Sheet) -> Calibration:
    """Read a sensor's table as the car file's reader does.

    Raises
    ------
    CalibrationError
        Its faults, one a line.
    """
    log = FaultLog()
    made = read_calibration(dict(sheet), log)
    if made is None:
        raise CalibrationError(
            [f"{fault.key or 'sensor'}: {fault.text}{f' ({fault.hint})' if fault.hint else ''}" for fault in log.faults]
        )
    return made


def bare(calibration: Calibration) -> Calibration:
    """Return what is inside of a clamp or of another unit."""
    while isinstance(calibration, Wrapped):
        calibration = calibration.inner
    return calibration


def curve_of(sheet: Sheet, data: Data, *, degree: int = 0) -> Curve:
    """Choose what a fit adjusts.

    Parameters
    ----------
    sheet
        The sensor's table; its constants may be missing.
    data
        The readings, with values in the kind's own unit.
    degree
        Of a polynomial; 0: as many as it has coefficients, else 2.

    Raises
    ------
    CalibrationError
        There is nothing to fit in that kind, or its table lacks what a fit can't find.
    """
    kind = str(sheet.get("kind", ""))
    make = _CURVES.get(kind)
    if make is None:
        why = _NOT_FITTED.get(kind, f"there is no kind {kind!r}")
        raise CalibrationError(why, hint=f"kinds that can be fitted: {', '.join(_CURVES)}")
    return make(sheet, data, degree)


_NOT_FITTED = {"switch": "a switch has bands of the input and no curve"}


def _ends(data: Data) -> tuple[float, float]:
    low, high = float(data.electrical.min()), float(data.electrical.max())
    return figures(low, 6), figures(high, 6)


def _scaled(inputs: Floats) -> tuple[float, float]:
    low, high = float(inputs.min()), float(inputs.max())
    if not high > low:
        raise CalibrationError("all readings have the same input", hint="readings at two or more inputs")
    return 0.5 * (low + high), 0.5 * (high - low)


def _units(sheet: Sheet) -> tuple[str, str]:
    return str(sheet.get("electrical") or "V"), str(sheet.get("unit") or "")


def _linear(sheet: Sheet, data: Data, _degree: int) -> Curve:
    form = "slope" if "slope" in sheet else "points"
    return Powers(2, *_scaled(data.electrical), form, _old_ends(sheet, "points", data), 0.0, _units(sheet))


def _old_ends(sheet: Sheet, key: str, data: Data, factor: float = 1.0) -> tuple[float, float]:
    """Return the inputs of the two points that are written, else the outer readings."""
    points = sheet.get(key)
    if isinstance(points, list) and len(points) == 2:
        (x0, _), (x1, _) = points
        return float(x0) * factor, float(x1) * factor
    return _ends(data)


def _ratiometric(sheet: Sheet, data: Data, _degree: int) -> Curve:
    supply = float(sheet.get("supply", 5.0))
    form = "fractions" if "fractions" in sheet else "points"
    ends = _old_ends(sheet, form, data, supply if form == "fractions" else 1.0)
    scaled = _scaled(data.electrical / data.supply(supply))
    return Powers(2, *scaled, form, ends, supply, _units(sheet))


def _polynomial(sheet: Sheet, data: Data, degree: int) -> Curve:
    degree = degree or max(len(sheet.get("coefficients", ())) - 1, 0) or 2
    low, high = sheet.get("range") or _ends(data)
    ends = (float(low), float(high))
    return Powers(degree + 1, *_scaled(data.electrical), "coefficients", ends, 0.0, _units(sheet))


def _table(sheet: Sheet, data: Data, _degree: int) -> Curve:
    inputs = [float(np.mean(data.electrical[rows])) for rows in by_input(data.electrical, data.value)]
    return Through(len(inputs), tuple(inputs), str(sheet.get("interpolation", "smooth")), None)


def _thermistor(sheet: Sheet, data: Data, _degree: int) -> Curve:
    nominal = {"beta": 3950.0, "r25": 10_000.0}
    made = bare(calibration_of(_without(sheet, "coefficients", "beta", "r25", "table", "range") | nominal))
    assert isinstance(made, Thermistor)
    if "table" in sheet:
        with np.errstate(all="ignore"):
            logs = np.log(made.circuit.ohm(data.electrical, data.reference))
        inputs = [float(np.mean(logs[rows])) for rows in by_input(logs, data.value)]
        return Through(len(inputs), tuple(inputs), "smooth", made.circuit)
    new = not any(key in sheet for key in ("coefficients", "beta", "r25", "range"))
    return Resistive(2 if "beta" in sheet or "r25" in sheet else 3, made.circuit, new)


def _rtd(sheet: Sheet, _data: Data, _degree: int) -> Curve:
    made = bare(calibration_of({"r0": 100.0, **_without(sheet, "range")}))
    assert isinstance(made, Rtd)
    return Platinum(1, made.circuit)


def _thermocouple(sheet: Sheet, _data: Data, _degree: int) -> Curve:
    made = bare(calibration_of(sheet))
    assert isinstance(made, Thermocouple)
    per_volt = {"V": 1.0, "mV": 1e3, "uV": 1e6}[made.electrical]
    return Amplified(2, made.letter, made.cold_junction, per_volt)


def _frequency(sheet: Sheet, _data: Data, _degree: int) -> Curve:
    rolls = _rolls(sheet)
    if rolls and "teeth" not in sheet:
        raise CalibrationError("teeth: is missing", hint="count them by hand: teeth = 48")
    return Turns(1, float(sheet.get("teeth", 1.0)), float(sheet.get("ratio", 1.0)), rolls)


def _rolls(sheet: Sheet) -> bool:
    """Whether a toothed wheel is a road wheel's: by its circumference, else by the unit."""
    return "circumference" in sheet or units.compatible(str(sheet.get("unit") or "rpm"), "m/s")


@dataclass(frozen=True, slots=True)
class Behind(Curve):
    """The last of several stages: the sensor, behind electronics that are taken as they are written.

    Attributes
    ----------
    electronics
        The stages before it.
    stages
        All tables as they are written.
    last
        What is adjusted.
    inward
        Factor and offset from what the electronics give to what the last stage takes.
    """

    electronics: tuple[Calibration, ...]
    stages: tuple[Mapping[str, Any], ...]
    last: Curve
    inward: tuple[float, float]

    def start(self, data: Data) -> Floats:
        """Return those of the last stage."""
        return self.last.start(_through(self.electronics, self.inward, data))

    def value(self, data: Data, parameters: Floats) -> Floats:
        """Apply the electronics, then the curve."""
        return self.last.value(_through(self.electronics, self.inward, data), parameters)

    def slopes(self, data: Data, parameters: Floats) -> Floats:
        """Return those of the last stage."""
        return self.last.slopes(_through(self.electronics, self.inward, data), parameters)

    def solve(self, data: Data, weights: Floats) -> Solution:
        """Fit the last stage to what the electronics give."""
        return self.last.solve(_through(self.electronics, self.inward, data), weights)

    def constants(self, parameters: Floats) -> Floats:
        """Return those of the last stage."""
        return self.last.constants(parameters)

    def constant_slopes(self, parameters: Floats) -> Floats:
        """Return those of the last stage."""
        return self.last.constant_slopes(parameters)

    @property
    def named(self) -> tuple[tuple[str, str], ...]:
        """Those of the last stage."""
        return self.last.named

    def keys(self, parameters: Floats, data: Data) -> dict[str, Any]:
        """Return all stages, the last one fitted."""
        fitted = self.last.keys(parameters, _through(self.electronics, self.inward, data))
        last = {key: value for key, value in {**self.stages[-1], **fitted}.items() if value is not None}
        return {"stages": [*(dict(stage) for stage in self.stages[:-1]), last]}


def _through(electronics: tuple[Calibration, ...], inward: tuple[float, float], data: Data) -> Data:
    """Return readings as the last stage gets them."""
    given = data.electrical
    for index, stage in enumerate(electronics):
        if index:
            given = units.convert(given, electronics[index - 1].unit, stage.electrical)
        given = stage.apply(given, nominal_references(stage))
    return Data(given * inward[0] + inward[1], data.value)


def _stages(sheet: Sheet, data: Data, degree: int) -> Curve:
    stages = tuple(sheet["stages"])
    electronics = tuple(calibration_of(stage) for stage in stages[:-1])
    inward = units.line(electronics[-1].unit, electrical_of(stages[-1]))
    last = curve_of(stages[-1], _through(electronics, inward, data), degree=degree)
    return Behind(last.parameters, electronics, stages, last, inward)


def _without(sheet: Sheet, *keys: str) -> dict[str, Any]:
    return {key: value for key, value in sheet.items() if key not in keys}


_CURVES: Mapping[str, Callable[[Sheet, Data, int], Curve]] = MappingProxyType(
    {
        "linear": _linear,
        "ratiometric": _ratiometric,
        "table": _table,
        "polynomial": _polynomial,
        "thermistor": _thermistor,
        "rtd": _rtd,
        "thermocouple": _thermocouple,
        "frequency": _frequency,
        "stages": _stages,
    }
)
FITTED = tuple(_CURVES)
"""Kinds that can be fitted."""


def electrical_of(sheet: Sheet) -> str:
    """Return the unit of a sensor's input."""
    if sheet.get("kind") == "stages" and sheet.get("stages"):
        return electrical_of(sheet["stages"][0])
    spec = KINDS.get(str(sheet.get("kind", "")))
    return str(sheet.get("electrical") or (*(spec.electrical if spec else ()), "V")[0])


def own_unit(sheet: Sheet) -> str:
    """Return the unit in which a kind's curve gives its value."""
    kind = sheet.get("kind")
    if kind == "stages":
        return own_unit(sheet["stages"][-1])
    if kind in ("thermistor", "rtd", "thermocouple"):
        return "degC"
    if kind == "frequency":
        return "m/s" if _rolls(sheet) else "rpm"
    return str(sheet.get("unit") or "")
