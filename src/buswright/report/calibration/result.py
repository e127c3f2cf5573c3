"""What came of a calibration, and how its numbers are written."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Floats
from buswright.channels.carfile.editing import Edit
from buswright.channels.fits.doubts import Doubt
from buswright.channels.fits.fit import ROUNDING, Band, Fit, errors_of
from buswright.channels.fits.target import Signature, Target, Zeroing
from buswright.findings import Severity
from buswright.wording import listed, percent, plural

MOST_ROWS = 200
"""Readings that are shown one by one; a log of thousands isn't read out."""
_BAND_ROWS = 9


@dataclass(frozen=True, slots=True)
class Calibrating:
    """The result of `calibrate`.

    Attributes
    ----------
    target, signed
        What was calibrated; by whom, when, against what.
    unit
        Of the channel, for its zero.
    fit, zeroing
        The new curve, or the new zero; the other one is None.
    doubts
        The gravest first.
    left_out
        Lines of a file that were no readings.
    edit, file
        The changed car file, and where it is; None without one.
    backup
        What holds the old one, where it was written.
    blocked
        Why it wasn't written although that was asked for; empty otherwise.
    """

    target: Target
    signed: Signature
    unit: str
    cautions: tuple[str, ...]
    fit: Fit | None
    zeroing: Zeroing | None
    doubts: tuple[Doubt, ...]
    left_out: tuple[str, ...] = ()
    edit: Edit | None = None
    file: Path | None = None
    written: bool = False
    backup: Path | None = None
    blocked: str = ""

    @property
    def worst(self) -> Severity | None:
        """The gravest doubt."""
        return max((doubt.severity for doubt in self.doubts), default=None)

    @property
    def name(self) -> str:
        """What was calibrated."""
        return self.target.channel or self.target.name


def digits(value: float, step: float) -> str:
    """Write a value to a tenth of a step that still means something."""
    if not math.isfinite(value):
        return "–"
    places = 0 if not step > 0 else min(max(1 - math.floor(math.log10(step)), 0), 9)
    text = f"{value:.{places}f}"
    return text.lstrip("-") if float(text) == 0 else text


def size(value: float, fit: Fit) -> str:
    """Write an error or an interval with its unit, two digits; what is only rounding is nothing."""
    if not math.isfinite(value):
        return "unknown"
    number = value if abs(value) > ROUNDING * fit.span else 0.0
    return f"{float(f'{number:.2g}'):g} {units.shown(fit.calibration.unit)}"


def interval(half: float, fit: Fit) -> str:
    """Write half an interval; of readings without scatter it is only rounding."""
    return "exact" if fit.exact else f"{half:.2g}"


def headline(result: Calibrating) -> str:
    """Say what was found, in one sentence."""
    fit, zeroing = result.fit, result.zeroing
    if fit is not None:
        count = plural(len(fit.readings), "reading")
        share = percent(fit.largest / fit.span) if fit.span > 0 else "–"
        if not fit.freedom:
            return f"{result.name}: {count}, and the {fit.kind} curve goes through all of them."
        if fit.exact:
            return f"{result.name}: {count} lie exactly on a {fit.kind} curve."
        return f"{result.name}: {count} fit a {fit.kind} curve within {size(fit.largest, fit)} ({share} of its span)."
    assert zeroing is not None
    unit = units.shown(result.unit)
    sure = f", sure to ± {zeroing.half:.2g} {unit} (95 %)" if math.isfinite(zeroing.half) else ""
    add, shown = (
        digits(value, zeroing.half) if sure and zeroing.half > 0 else f"{value:.6g}"
        for value in (zeroing.zero.add, zeroing.shown)
    )
    was = f"it showed {shown} {unit} and will show {zeroing.wanted:g} {unit}"
    return f"{result.name}: new zero {add} {unit}{sure}; {was}."


def reading_rows(fit: Fit) -> tuple[list[str], list[list[str]]]:
    """Return heads and cells of the table of readings."""
    unit, electrical = units.shown(fit.calibration.unit), units.shown(fit.calibration.electrical)
    step = fit.span / 1000 if fit.span > 0 else 1.0
    given = np.array([reading.electrical for reading in fit.readings])
    input_step = (float(np.ptp(given)) or 1.0) / 1000
    ways = fit.directions
    scattered = any(reading.scatter is not None for reading in fit.readings)
    heads = ["", f"input {electrical}", f"true {unit}", f"curve {unit}", f"error {unit}", "of span", "", "from"]
    if scattered:
        heads.insert(2, f"± {electrical}")
    rows = []
    for number, (reading, error, way) in enumerate(zip(fit.readings, fit.error.tolist(), ways, strict=True), start=1):
        row = [
            str(number),
            digits(reading.electrical, input_step),
            digits(reading.value, step),
            digits(reading.value + error, step),
            digits(error, step),
            _share(error / fit.span),
            {1: "up", -1: "down"}.get(way, ""),
            reading.source,
        ]
        if scattered:
            row.insert(2, "" if reading.scatter is None else f"{reading.scatter:.2g}")
        rows.append(row)
    return heads, rows


def _share(part: float) -> str:
    text = f"{100 * part:+.2f} %"
    return "0.00 %" if text in ("+0.00 %", "-0.00 %") else text


def constant_lines(fit: Fit) -> list[str]:
    """Write each constant with its interval."""
    if fit.kind == "table" or "table" in fit.sheet:
        return []
    lines = []
    for each in fit.constants:
        unit = f" {each.unit}" if each.unit else ""
        said = f" ± {each.half:.2g}{unit}" if math.isfinite(each.half) else f"{unit} (interval unknown)"
        said = f"{unit} (exact)" if fit.exact else said
        lines.append(f"{each.name} = {each.value:.6g}{said}")
    return lines


def band_of(fit: Fit, rows: int = _BAND_ROWS) -> Band:
    """Return the curve and its interval over the readings and, where it is known, the whole calibration."""
    given = np.array([reading.electrical for reading in fit.readings])
    low, high = float(given.min()), float(given.max())
    ends = fit.calibration.range.electrical
    if all(math.isfinite(end) for end in ends):
        low, high = min(low, ends[0]), max(high, ends[1])
    return fit.band(np.linspace(low, high, rows))


def statistics_lines(fit: Fit) -> list[str]:
    """Write what is left over, and how sure the curve is."""
    lines = [f"Largest error {size(fit.largest, fit)}, {percent(fit.largest / fit.span, 2)} of the span."]
    if fit.exact:
        lines.append("The readings show no scatter, so they cannot tell how sure the curve is.")
    elif fit.freedom:
        lines.append(
            f"A reading scatters about the curve by {size(fit.deviation, fit)} (standard deviation, "
            f"{plural(fit.freedom, 'degree')} of freedom)."
        )
        band = band_of(fit)
        given = np.array([reading.electrical for reading in fit.readings])
        inside = (band.electrical >= given.min()) & (band.electrical <= given.max())
        half = band.half[inside] if inside.any() else band.half
        lines.append(f"The curve is sure to ± {size(float(half.max()), fit)} between the readings (95 %).")
    if fit.hysteresis is not None:
        share = percent(abs(fit.hysteresis.size) / fit.span, 2)
        lines.append(f"Hysteresis {size(abs(fit.hysteresis.size), fit)}, {share} of the span.")
    elif len({reading.value for reading in fit.readings}) > 1:
        lines.append("Hysteresis unknown: no value was reached from both sides.")
    return lines


def found_lines(result: Calibrating) -> list[str]:
    """Say how far the old calibration was off, and what else a new one concerns."""
    fit, target = result.fit, result.target
    if fit is None:
        return []
    lines = []
    if target.old is not None:
        error = errors_of(target.old, fit.readings)
        lines.append(f"As found: {_off(error, fit)}")
    others = [name for name in target.sharing if name != target.channel]
    if others and target.before is not None and target.channel is None:
        lines.append(f"The new curve of {target.name} is that of {listed(others)}.")
    elif others and target.before is not None:
        has, gets = ("have", "get") if len(others) > 1 else ("has", "gets")
        lines.append(
            f"{listed(others)} {has} the same sensor, {target.name}, and {gets} the new "
            f"curve too. --as NAME gives {target.channel} a sensor of its own."
        )
    if target.zero is not None:
        lines.append(
            f"The zero of {target.channel} ({target.zero.add:g} {units.shown(result.unit)}) belongs to the old curve: "
            "zero it again."
        )
    return lines


def _off(error: Floats, fit: Fit) -> str:
    if not np.all(np.isfinite(error)):
        return "some readings were beyond what the old curve can turn into a value."
    worst = int(np.argmax(np.abs(error)))
    side = "high" if error[worst] > 0 else "low"
    unit = units.shown(fit.calibration.unit)
    if abs(float(error[worst])) <= ROUNDING * fit.span:
        return "the old curve was right at every reading."
    off = size(abs(float(error[worst])), fit)
    return f"the old curve was up to {off} {side}, at {fit.readings[worst].value:g} {unit}."


def change_lines(result: Calibrating) -> list[str]:
    """Say what was written, or what would be."""
    if result.file is None:
        return []
    if result.written:
        return [f"Written to {result.file}. What it was is in {result.backup}."]
    if result.blocked:
        return [f"NOT written to {result.file}: {result.blocked}"]
    return [f"Nothing is written yet: --write changes {result.file} like this, and keeps a dated copy beside it."]


def new_faults(result: Calibrating) -> Sequence[str]:
    """Return what `check` says of the changed car file and didn't say before."""
    return [str(fault) for fault in result.edit.new_faults] if result.edit is not None else []
