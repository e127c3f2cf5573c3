"""What is doubtful about readings and their fit: mistakes of typing, outliers, a kind that doesn't suit, gaps."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.circuit import Divider
from buswright.channels.calibration.kind import OUTSIDE_MARGIN, Calibration, CalibrationError, nominal_references
from buswright.channels.calibration.resistor import Rtd, Thermistor
from buswright.channels.fits.curves import figures, rounded
from buswright.channels.fits.fit import Fit, errors_of, fit_readings
from buswright.channels.fits.models import Sheet, bare, electrical_of, own_unit
from buswright.channels.fits.readings import Reading, columns
from buswright.findings import Severity
from buswright.wording import listed, percent, plural

POOR = 0.01
"""A largest error above this part of the span deserves a look (common practice)."""
_ENDLESS = 1000.0
"""An outlier so many times beyond the scatter has no number: the others fit exactly."""
_OFF = 0.03
"""Readings this far off the old curve (root mean square, part of its span) may be mistyped."""
_BETTER = 0.25
"""A mistake is named if undoing it leaves at most this part of the error."""
_CLEARER = 0.5
"""Another kind is named if it predicts each reading from the others with at most this part of the error."""
_ATMOSPHERE_BAR = (0.65, 1.07)
"""Air between 3500 m and the deepest valley."""
_MOST_VOLTS = 60.0


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing to look at before the calibration is used.

    Attributes
    ----------
    name
        Stable, for scripts.
    severity
        SUSPECT: it may be wrong; NOTE: it is less sure than it could be.
    """

    name: str
    severity: Severity
    text: str
    hint: str


def doubts_of(fit: Fit, old: Calibration | None) -> tuple[Doubt, ...]:
    """Find what is doubtful.

    Parameters
    ----------
    old
        The calibration that the sensor had before, or a data sheet's; None if nothing is known.

    Returns
    -------
    tuple
        The gravest first.
    """
    found = [*_named_mistake(fit.sheet, fit.readings, old), *_unsteady(fit), *_counts(fit)]
    if not any(doubt.severity is Severity.SUSPECT for doubt in found):  # else the rest would judge nonsense
        found += [*_outliers(fit), *_kinds(fit), *_uncovered(fit)]
    return tuple(sorted(found, key=lambda doubt: -doubt.severity))


def of_readings(sheet: Sheet, readings: Sequence[Reading], old: Calibration | None) -> tuple[Doubt, ...]:
    """Find mistakes in readings through which no curve of their kind goes."""
    return tuple(_named_mistake(sheet, readings, old))


# -- mistakes of typing -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Mistake:
    """A mistake that may have been made: how the readings are without it, or the curve."""

    name: str
    text: str
    hint: str
    readings: Sequence[Reading]
    calibration: Calibration


def _named_mistake(sheet: Sheet, readings: Sequence[Reading], old: Calibration | None) -> Iterator[Doubt]:
    if old is None:
        yield from _out_of_bounds(sheet, readings)
        return
    span = _span(old, readings)
    before = _rms(old, readings) / span
    if before <= _OFF:
        return
    tried = [(_rms(each.calibration, each.readings) / span, each) for each in _candidates(readings, old)]
    after, best = min(tried, key=lambda pair: pair[0], default=(math.inf, None))
    if best is not None and after <= min(_BETTER * before, _OFF):
        seen = f"So they are off the old curve by {_part(before)}; without this by {_part(after)}."
        yield Doubt(best.name, Severity.SUSPECT, f"{best.text} {seen}", best.hint)
        return
    yield from _atmosphere(readings, old, before * span)


def _rms(calibration: Calibration, readings: Sequence[Reading]) -> float:
    with np.errstate(all="ignore"):
        error = errors_of(calibration, readings)
        rms = float(np.sqrt(np.mean(error**2)))
    return rms if math.isfinite(rms) else math.inf


def _part(share: float) -> str:
    return f"{share:.0f} times the span" if share >= 2.0 else f"{percent(share)} of the span"


def _size(value: float, fit: Fit) -> str:
    """Write an error with its unit; what is only rounding is nothing."""
    return f"{value if abs(value) > 1e-9 * fit.span else 0.0:.3g} {units.shown(fit.calibration.unit)}"


def _span(calibration: Calibration, readings: Sequence[Reading]) -> float:
    span = calibration.span
    return span if math.isfinite(span) and span > 0 else float(np.ptp(columns(readings).value)) or 1.0


def _candidates(readings: Sequence[Reading], old: Calibration) -> Iterator[_Mistake]:
    unit, electrical = old.unit, old.electrical
    known = units.find(unit)
    for other in units.names_of(known.quantity) if known else ():
        if other != unit:
            taken = [replace(each, value=float(units.convert(np.array(each.value), other, unit))) for each in readings]
            text = f"The values look like {units.shown(other)} given as {units.shown(unit)}."
            yield _Mistake("unit-mixup", text, f"write the unit with the value: 0.5=10{other}", taken, old)
    for factor, letter in ((1e-3, "m"), (1e3, "k")):
        if units.find(f"{letter}{electrical}") is not None:
            taken = [replace(each, electrical=each.electrical * factor) for each in readings]
            text = f"The inputs look like {letter}{electrical} given as {electrical}."
            yield _Mistake("prefix", text, f"write the unit with the input: 500{letter}{electrical}=0", taken, old)
    taken = [replace(each, electrical=each.value, value=each.electrical) for each in readings]
    yield _Mistake("swapped-columns", "Input and value look swapped.", "a reading is INPUT=VALUE", taken, old)
    if len(readings) > 2:
        turned = [each.value for each in reversed(readings)]
        taken = [replace(each, value=value) for each, value in zip(readings, turned, strict=True)]
        text = "The values look listed in reverse order."
        yield _Mistake("reversed", text, "put each value beside its own input", taken, old)
    taken = [replace(each, value=-each.value) for each in readings]
    yield _Mistake("sign", "The values look turned in sign.", "check which way counts as positive", taken, old)
    yield from _other_resistor(readings, old)


def _other_resistor(readings: Sequence[Reading], old: Calibration) -> Iterator[_Mistake]:
    """Find the fixed resistor with which the readings agree best: all resistances are off by one factor."""
    inner = bare(old)
    if not (isinstance(inner, Thermistor | Rtd) and isinstance(inner.circuit, Divider)):
        return
    data = columns(readings)
    with np.errstate(all="ignore"):
        measured = inner.circuit.ohm(data.electrical, data.reference)
        there = inner.circuit.ohm(old.invert(data.value, nominal_references(old)), None)
        factor = float(np.exp(-np.mean(np.log(measured / there))))
    if not math.isfinite(factor):
        return
    near = next((ten for ten in (10.0, 0.1) if abs(factor / ten - 1.0) < 0.1), None)
    fixed = inner.circuit.fixed * (near or factor)
    way = "pull-up" if inner.circuit.pull_up else "pull-down"
    made = replace(inner, circuit=replace(inner.circuit, fixed=fixed))
    off = "ten times off: " if near else "not the one that is written: "
    text = f"The {way} looks {off}{figures(fixed, 3):g} ohm would agree, not {inner.circuit.fixed:g} ohm."
    key = f"{way.replace('-', '_')} = {figures(fixed, 3)}"
    hint = f"look the module up, and write {key}; after a cold night all temperatures should agree"
    taken: Sequence[Reading] = readings
    if old.unit != inner.unit:
        taken = [
            replace(each, value=float(units.convert(np.array(each.value), old.unit, inner.unit))) for each in readings
        ]
    yield _Mistake("pull-up", text, hint, taken, made)


def _atmosphere(readings: Sequence[Reading], old: Calibration, before: float) -> Iterator[Doubt]:
    """Find one atmosphere between all values and the old curve."""
    known = units.find(old.unit)
    if known is None or "pressure" not in known.quantity:
        return
    error = errors_of(old, readings)
    bar = abs(float(np.mean(error))) * float(known.factor) / 1e5
    if _ATMOSPHERE_BAR[0] <= bar <= _ATMOSPHERE_BAR[1] and float(np.std(error)) <= _BETTER * before:
        sides = ("absolute", "gauge") if np.mean(error) < 0 else ("gauge", "absolute")
        yield Doubt(
            "gauge-absolute",
            Severity.SUSPECT,
            f"All values differ from the old curve by {bar:.2f} bar, one atmosphere: "
            f"{sides[0]} values for a sensor that shows {sides[1]} pressure?",
            "open to the air a gauge sensor is at 0, an absolute one at the barometer",
        )


def _out_of_bounds(sheet: Sheet, readings: Sequence[Reading]) -> Iterator[Doubt]:
    """Judge inputs in volts where no curve is known: nothing on a car gives 500 V to an input."""
    if electrical_of(sheet) != "V":
        return
    data = columns(readings)
    if float(np.median(np.abs(data.electrical))) <= _MOST_VOLTS:
        return
    unit = sheet.get("unit") or own_unit(sheet)
    if float(np.max(np.abs(data.value))) <= 5.5 and unit != "V":
        yield Doubt("swapped-columns", Severity.SUSPECT, "Input and value look swapped.", "a reading is INPUT=VALUE")
    else:
        text = f"Inputs up to {np.max(np.abs(data.electrical)):g} V: mV given as V?"
        yield Doubt("prefix", Severity.SUSPECT, text, "write the unit with the input: 500mV=0")


# -- the fit ------------------------------------------------------------------------------------------------------


def _unsteady(fit: Fit) -> Iterator[Doubt]:
    for number, reading in enumerate(fit.readings, start=1):
        if reading.note:
            text = f"Reading {number} ({reading.source}): {reading.note}."
            yield Doubt("not-still", Severity.SUSPECT, text, "hold the value still, and take it again")


def _outliers(fit: Fit) -> Iterator[Doubt]:
    rest = [reading for row, reading in enumerate(fit.readings) if row not in fit.outliers]
    without = ""
    if fit.outliers:
        with suppress(CalibrationError):
            other = fit_readings(fit.sheet, rest, degree=_degree(fit))
            them = "it" if len(fit.outliers) == 1 else "these"
            without = f" Without {them} the others fit within {_size(other.largest, fit)}."
    for row in fit.outliers:
        reading = fit.readings[row]
        times = abs(fit.studentized[row])
        scatter = f"{times:.1f} times what the others scatter" if times < _ENDLESS else "and the others fit exactly"
        given = f"{reading.electrical:g} = {reading.value:g}"
        text = f"Reading {row + 1} ({given}) lies {fit.error[row]:+.3g} off, {scatter}.{without}"
        yield Doubt("outlier", Severity.SUSPECT, text, "take it again; leave it out only if you know why it is wrong")


def _kinds(fit: Fit) -> Iterator[Doubt]:
    """Look for a kind that suits better where the largest error is more than a hundredth of the span."""
    if not fit.largest > POOR * fit.span or not fit.freedom:
        return
    left = f"{_size(fit.largest, fit)}, {percent(fit.largest / fit.span)} of the span"
    now = _predicted(fit.sheet, fit.readings, _degree(fit))
    best: tuple[float, str, str, Fit] | None = None
    for words, option, sheet, degree in _others(fit):
        try:
            other = fit_readings(sheet, fit.readings, degree=degree)
            error = _predicted(sheet, fit.readings, degree)
        except CalibrationError:
            continue
        if error <= _CLEARER * now and (best is None or error < 0.8 * best[0]):
            best = error, words, option, other
    if best is not None:
        _, words, option, other = best
        text = (
            f"Kind {fit.kind} leaves up to {left}; {words} leaves {_size(other.largest, fit)} "
            f"({percent(other.largest / fit.span)})."
        )
        yield Doubt("wrong-kind", Severity.SUSPECT, text, f"try {option}")
        return
    if fit.outliers:
        return  # they are the reason
    row = int(np.argmax(np.abs(fit.error)))
    hint = f"take reading {row + 1} again; if it repeats, the sensor itself is off"
    yield Doubt("poor-fit", Severity.SUSPECT, f"The largest error is {left}.", hint)


def _others(fit: Fit) -> Iterator[tuple[str, str, Sheet, int]]:
    """Yield other kinds that have enough readings, simple ones first: in words, as options, as a table, degree."""
    base = {"electrical": fit.calibration.electrical, "unit": fit.calibration.unit}
    different = len(np.unique(columns(fit.readings).electrical))
    if fit.kind not in ("linear", "ratiometric") and different >= 4:
        yield "a straight line", "--kind linear", {"kind": "linear", **base}, 0
    if units.compatible(fit.calibration.unit, "degC") and fit.kind != "thermistor" and different >= 4:
        circuit = {key: fit.sheet[key] for key in ("pull_up", "pull_down", "supply") if key in fit.sheet}
        if circuit or fit.calibration.electrical == "ohm":
            yield "a thermistor", "--kind thermistor", {"kind": "thermistor", **base, **circuit}, 0
    if fit.kind == "thermistor" and "coefficients" not in fit.sheet and "table" not in fit.sheet and different >= 5:
        sheet = {key: value for key, value in fit.sheet.items() if key not in ("beta", "r25")}
        yield "a thermistor with three constants", "--form coefficients", sheet, 0
    for degree in (2, 3):
        if different >= degree + 3 and not (fit.kind == "polynomial" and _degree(fit) >= degree):
            words = f"a polynomial of degree {degree}"
            yield words, f"--kind polynomial --degree {degree}", {"kind": "polynomial", **base}, degree
    if fit.kind != "table" and different >= 6:
        yield "a table", "--kind table", {"kind": "table", **base}, 0


def _degree(fit: Fit) -> int:
    return len(fit.sheet["coefficients"]) - 1 if fit.kind == "polynomial" else 0


def _predicted(sheet: Sheet, readings: Sequence[Reading], degree: int) -> float:
    """Root mean square of the errors with which each reading is predicted from all the others."""
    errors = []
    for row in range(min(len(readings), 60)):
        others = [*readings[:row], *readings[row + 1 :]]
        try:
            fit = fit_readings(sheet, others, degree=degree)
        except CalibrationError:
            return math.inf
        errors.append(float(errors_of(fit.calibration, [readings[row]])[0]))
    return float(np.sqrt(np.mean(np.square(errors))))


def _counts(fit: Fit) -> Iterator[Doubt]:
    constants = len(fit.constants)
    if fit.kind == "table" and not fit.freedom:
        text = "A table goes through its points exactly: nothing is left over to judge by."
        yield Doubt("no-residual", Severity.NOTE, text, "take each point twice, once from below and once from above")
    elif not fit.freedom:
        text = (
            f"{plural(constants, 'reading')} fit {plural(constants, 'constant')} exactly: nothing is left to judge by."
        )
        which = {2: "third", 3: "fourth", 4: "fifth"}.get(constants, "further")
        yield Doubt("no-residual", Severity.NOTE, text, f"take a {which} reading between the others, as a check")
    elif fit.freedom == 1:
        text = "One reading is left over to judge by, so the intervals are wide."
        yield Doubt("few-readings", Severity.NOTE, text, "two more readings make them several times narrower")
    if fit.hysteresis is not None and abs(fit.hysteresis.size) > POOR * fit.span:
        size = abs(fit.hysteresis.size)
        text = (
            f"On the way down it shows {fit.hysteresis.size:+.3g} {units.shown(fit.calibration.unit)} against the way "
            f"up, at {fit.hysteresis.at:g}: {percent(size / fit.span)} of the span."
        )
        yield Doubt("hysteresis", Severity.NOTE, text, "look for friction, play in a joint, or a fluid that needs time")


def _uncovered(fit: Fit) -> Iterator[Doubt]:
    """Find parts of the calibration beyond the outer readings."""
    whole = fit.calibration.range
    ends = whole.electrical
    given = columns(fit.readings).electrical
    if not np.all(np.isfinite(ends)):
        return
    beyond = [end for end, gap in ((ends[0], given.min() - ends[0]), (ends[1], ends[1] - given.max())) if gap > 0]
    outer = np.array([given.min(), given.max()])
    values = fit.calibration.apply(outer, nominal_references(fit.calibration))
    covered = abs(float(values[1] - values[0])) / fit.span
    if not beyond or not covered < 1.0 - OUTSIDE_MARGIN:
        return
    unit = units.shown(fit.calibration.unit)
    band = fit.band(np.array(beyond))
    sure = [
        f"±{half:.2g} {unit} at {value:.4g} {unit}"
        for value, half in zip(band.value.tolist(), band.half.tolist(), strict=True)
        if math.isfinite(half)
    ]
    low, high = (rounded(end, 1000.0 * fit.span) for end in (values.min(), values.max()))
    known = f" Extrapolated it is sure to {listed(sure)}." if sure else ""
    text = (
        f"The readings cover {low:g} to {high:g} {unit}, "
        f"{percent(covered, 0)} of the span ({whole.low:.4g} to {whole.high:.4g} {unit}).{known}"
    )
    yield Doubt("extrapolated", Severity.NOTE, text, "take readings nearer to the ends, where that is safe")
