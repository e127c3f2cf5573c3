"""Fit a calibration to readings: its constants, what is left over, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, CalibrationError, Floats, nominal_references
from buswright.channels.fits.curves import Curve, points_of
from buswright.channels.fits.models import Sheet, calibration_of, curve_of, own_unit
from buswright.channels.fits.readings import Data, Reading, columns, directions
from buswright.channels.fits.student import half_width, quantile
from buswright.wording import plural

_STEADIEST = 1.0 / 3.0
"""Part of the median scatter below which no reading counts as steadier: what it was compared with isn't."""
_MATTERS = 0.002
"""An error below this part of the span is no outlier, however well the others agree (common practice)."""
_OUTLIER_CHANCE = 0.05
"""With this chance a series without an outlier shows one (Bonferroni's bound over all readings)."""

ROUNDING = 1e-9
"""Share of the span below which an error is only rounding."""


@dataclass(frozen=True, slots=True)
class Constant:
    """One constant with the half width of its 95 % interval; infinite where nothing is left over to judge by."""

    name: str
    value: float
    half: float
    unit: str


@dataclass(frozen=True, slots=True)
class Hysteresis:
    """The largest difference between the ways up and down.

    `at`: true value; `size`: what the curve makes of the way down, less that of the way up, in the sensor's unit.
    """

    at: float
    size: float


@dataclass(frozen=True, slots=True)
class Band:
    """The curve and its 95 % interval at some inputs; float64[m], in the sensor's units."""

    electrical: Floats
    value: Floats
    half: Floats


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted calibration. Errors are what the curve makes of a reading, less what was true: positive reads high.

    Attributes
    ----------
    sheet
        The sensor's table with the fitted constants.
    calibration
        The same as the car file's reader makes it.
    error
        float64[n].
    studentized
        Each error over its own standard deviation as the others give it; NaN where nothing is left over to judge by.
    freedom
        Readings less constants.
    deviation
        Standard deviation of a reading about the curve; NaN without freedom.
    span
        Of the calibration, or of the readings where it has no ends.
    hysteresis
        None if no true value was reached from both sides.
    """

    sheet: Mapping[str, Any]
    calibration: Calibration
    readings: tuple[Reading, ...]
    constants: tuple[Constant, ...]
    error: Floats
    studentized: Floats
    freedom: int
    deviation: float
    span: float
    hysteresis: Hysteresis | None
    _curve: Curve = field(repr=False)
    _parameters: Floats = field(repr=False)
    _covariance: Floats = field(repr=False)
    _unit: tuple[float, float] = field(repr=False)

    @property
    def kind(self) -> str:
        """The kind of calibration."""
        return str(self.sheet["kind"])

    @property
    def directions(self) -> tuple[int, ...]:
        """From which side each true value was reached, see `readings.directions`."""
        return directions([reading.value for reading in self.readings])

    @property
    def exact(self) -> bool:
        """Whether the readings lie on the curve up to rounding: they then show no scatter to judge by."""
        return bool(self.freedom) and self.deviation <= ROUNDING * self.span

    @property
    def largest(self) -> float:
        """Largest error, without its sign."""
        return float(np.abs(self.error).max())

    @property
    def outliers(self) -> tuple[int, ...]:
        """Readings that lie further off than chance lets one of so many."""
        n = len(self.error)
        if self.freedom < 3:
            return ()
        limit = quantile(1.0 - 0.5 * _OUTLIER_CHANCE / n, self.freedom - 1)
        with np.errstate(invalid="ignore"):
            far = (np.abs(self.studentized) > limit) & (np.abs(self.error) > _MATTERS * self.span)
        return tuple(np.flatnonzero(far).tolist())

    def band(self, electrical: Floats) -> Band:
        """Return the curve with its 95 % interval (Student's t) at inputs, nominal supply and cold junction."""
        data = Data(np.asarray(electrical, dtype=np.float64), np.zeros(np.shape(electrical)))
        factor, offset = self._unit
        value = self._curve.value(data, self._parameters) * factor + offset
        slopes = self._curve.slopes(data, self._parameters)
        variance = np.einsum("...i,ij,...j->...", slopes, self._covariance, slopes)
        half = half_width(self.freedom) * np.sqrt(np.maximum(variance, 0.0)) * factor if self.freedom else None
        return Band(data.electrical, value, np.full(value.shape, math.inf) if half is None else half)


def fit_readings(sheet: Sheet, readings: Sequence[Reading], *, degree: int = 0) -> Fit:
    """Fit a sensor's calibration to readings by weighted least squares.

    Parameters
    ----------
    sheet
        The sensor's table as it stands in a car file: its kind, and what a fit can't find (units, circuit, supply).
        Its own constants are replaced, and may be missing.
    readings
        In the sensor's units, in the order in which they were taken. Where all of them know their scatter, each
        counts with the inverse of its square.
    degree
        Of a polynomial; 0: as the table has it, else 2.

    Raises
    ------
    CalibrationError
        Too few readings for the kind, readings that can't tell its constants apart, or a table that lacks something.
    """
    if not readings:
        raise CalibrationError("there are no readings", hint="for example --reading 0.5=0 --reading 4.5=10")
    given = columns(readings)
    unit, own = str(sheet.get("unit") or own_unit(sheet)), own_unit(sheet)
    inward, outward = ((1.0, 0.0), (1.0, 0.0)) if unit == own else (units.line(unit, own), units.line(own, unit))
    data = Data(given.electrical, given.value * inward[0] + inward[1], given.reference)
    curve = curve_of(sheet, data, degree=degree)
    _check_count(curve, data, sheet)
    weights = np.ones(len(readings))
    solution = curve.solve(data, weights)
    scatter = [reading.scatter for reading in readings]
    if all(each is not None for each in scatter):
        weights = _weights(np.array(scatter, dtype=np.float64), curve, data, solution.constants)
        solution = curve.solve(data, weights)
    parameters = solution.constants
    inner = curve.value(data, parameters) - data.value
    freedom = len(readings) - curve.parameters
    variance = float(weights @ inner**2) / freedom if freedom else math.nan
    covariance = solution.spread * (variance if freedom else math.nan)
    keys = curve.keys(parameters, data)
    made = {name: value for name, value in {**sheet, **keys}.items() if name not in keys or value is not None}
    try:
        calibration = calibration_of(made)
    except CalibrationError as fault:
        lines = ["through these readings no curve of this kind goes:", *fault.lines]
        hint = "look at the readings, the unit and the circuit; fewer constants (--form beta) bend less"
        raise CalibrationError(lines, hint=hint) from None
    error = inner * outward[0]
    outer = calibration.range
    span = outer.high - outer.low
    return Fit(
        made,
        calibration,
        tuple(readings),
        _constants(curve, parameters, covariance, freedom),
        error,
        _studentized(curve, data, parameters, weights, inner, freedom),
        freedom,
        math.sqrt(variance) * outward[0] if freedom else math.nan,
        span if math.isfinite(span) and span > 0 else float(np.ptp(given.value)),
        hysteresis_of(data.value, error),
        curve,
        parameters,
        covariance,
        outward,
    )


def _check_count(curve: Curve, data: Data, sheet: Sheet) -> None:
    count, different = len(data.value), len(np.unique(data.electrical))
    needed = max(curve.parameters, 2) if sheet.get("kind") == "table" else curve.parameters
    if different < curve.parameters or curve.parameters < needed:
        alike = "" if different == count else f" at {plural(different, 'different input')}"
        are = "is" if count == 1 else "are"
        raise CalibrationError(
            f"{plural(count, 'reading')}{alike} {are} too few: {sheet.get('kind')} has {needed} constants",
            hint=f"{needed} different inputs give a curve; one more checks it",
        )


def _weights(scatter: Floats, curve: Curve, data: Data, parameters: Floats) -> Floats:
    """Inverse squares of the scatter, in the value's unit; relative to their mean."""
    floor = _STEADIEST * float(np.median(scatter))
    if not floor > 0:
        return np.ones(len(scatter))
    reach = 1e-4 * (float(np.ptp(data.electrical)) or 1.0)
    up = curve.value(Data(data.electrical + reach, data.value, data.reference), parameters)
    down = curve.value(Data(data.electrical - reach, data.value, data.reference), parameters)
    steepness = np.abs(up - down) / (2.0 * reach)
    weights = 1.0 / (np.maximum(scatter, floor) * np.maximum(steepness, 1e-3 * float(steepness.max()))) ** 2
    return weights / float(np.mean(weights)) if np.all(np.isfinite(weights)) else np.ones(len(scatter))


def _constants(curve: Curve, parameters: Floats, covariance: Floats, freedom: int) -> tuple[Constant, ...]:
    values = curve.constants(parameters)
    slopes = curve.constant_slopes(parameters)
    half = np.full(len(values), math.inf)
    if freedom:
        half = half_width(freedom) * np.sqrt(np.einsum("ki,ij,kj->k", slopes, covariance, slopes))
    return tuple(
        Constant(name, float(value), float(reach), unit)
        for (name, unit), value, reach in zip(curve.named, values, half, strict=True)
    )


def _studentized(curve: Curve, data: Data, parameters: Floats, weights: Floats, error: Floats, freedom: int) -> Floats:
    """Errors over their standard deviation without themselves (Belsley, Kuh and Welsch 1980, equation 2.26)."""
    if freedom < 2:
        return np.full(len(error), math.nan)
    q, _ = np.linalg.qr(curve.slopes(data, parameters) * np.sqrt(weights)[:, None])
    rest = np.maximum(1.0 - np.sum(q**2, axis=1), 0.0)
    weighted = error * np.sqrt(weights)
    noise = 1e-9 * (float(np.ptp(data.value)) or 1.0)  # what is left of an exact fit is rounding
    with np.errstate(all="ignore"):
        # Where all others fit exactly the difference of squares is rounding too, and may be below zero.
        variance = np.maximum((weighted @ weighted - weighted**2 / rest) / (freedom - 1), noise**2)
        studentized = weighted / np.sqrt(variance * rest)
    studentized[(rest < 1e-9) | (np.abs(error) < noise)] = 0.0
    return np.asarray(studentized, dtype=np.float64)


def hysteresis_of(values: Floats, error: Floats) -> Hysteresis | None:
    """Compare, at each true value reached from both sides, the mean errors of the two ways; None if there is none.

    Parameters
    ----------
    values, error
        float64[n], true values in their order and what was read, less them (or less any curve through them).
    """
    ways = np.array(directions(values.tolist()), dtype=np.int64)
    found = []
    for rows in points_of(values):
        up, down = rows[ways[rows] > 0], rows[ways[rows] < 0]
        if len(up) and len(down):
            found.append(Hysteresis(float(values[rows].mean()), float(error[down].mean() - error[up].mean())))
    return max(found, key=lambda one: abs(one.size), default=None)


def errors_of(calibration: Calibration, readings: Sequence[Reading]) -> Floats:
    """Return what a calibration makes of readings, less what was true; NaN where it makes nothing of one."""
    data = columns(readings)
    references = nominal_references(calibration)
    if data.reference is not None:
        references = dict.fromkeys(references, data.reference)
    return calibration.apply(data.electrical, references) - data.value
