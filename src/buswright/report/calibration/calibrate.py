"""A calibration as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from buswright.channels import units
from buswright.channels.carfile.rendering import table_of
from buswright.channels.fits.target import as_found
from buswright.findings import Severity
from buswright.report.calibration.result import (
    MOST_ROWS,
    Calibrating,
    band_of,
    change_lines,
    constant_lines,
    digits,
    found_lines,
    headline,
    interval,
    new_faults,
    reading_rows,
    statistics_lines,
)
from buswright.report.plain import plain, some
from buswright.report.text import fold, joined, table
from buswright.wording import plural

SCHEMA = "buswright.calibrate/1"

_INDENT = "     "
_WORDS = {Severity.FAULT: "FAULT", Severity.SUSPECT: "LOOK", Severity.NOTE: "NOTE"}


def render_text(result: Calibrating, *, width: int = 100) -> str:
    """Write what `calibrate` prints: what to do, what to mind, what was found, the numbers, the changes."""
    return joined(_lines(result, width))


def _lines(result: Calibrating, width: int) -> Iterator[str]:
    yield from fold(headline(result), width, "  ")
    for doubt in result.doubts:
        yield from fold(f"{_WORDS[doubt.severity]} {doubt.text}", width, _INDENT)
        yield from fold(f"{_INDENT}do: {doubt.hint}", width, f"{_INDENT}    ")
    for each in result.cautions:
        yield from fold(f"SAFETY {each}", width, "       ")
    for each in (*found_lines(result), *result.left_out):
        yield from fold(each, width, "  ")
    if result.fit is not None:
        yield from _numbers(result)
    yield ""
    for each in change_lines(result):
        yield from fold(each, width, "  ")
    if result.edit is not None:
        yield from (f"  {line}" for line in result.edit.difference() if not result.written)
        yield from (f"New in `check`: {line}" for line in new_faults(result))
    elif result.fit is not None:
        yield "For a car file:"
        yield from (f"  {line}" for line in table_of("sensor", result.fit.sheet, result.target.name).text.split("\n"))


def _numbers(result: Calibrating) -> Iterator[str]:
    fit = result.fit
    assert fit is not None
    heads, rows = reading_rows(fit)
    numbers = range(len(heads) - 2)
    yield ""
    yield from table(heads, rows[:MOST_ROWS], right=numbers)
    if len(rows) > MOST_ROWS:
        yield f"  and {plural(len(rows) - MOST_ROWS, 'more reading')} (--json lists all)"
    yield ""
    yield from statistics_lines(fit)
    constants = constant_lines(fit)
    if constants:
        yield "Constants with their 95 % intervals:"
        yield from (f"  {line}" for line in constants)
    if fit.freedom:
        band = band_of(fit)
        step = fit.span / 1000
        unit, electrical = units.shown(fit.calibration.unit), units.shown(fit.calibration.electrical)
        cells = [
            [f"{x:.4g}", digits(y, step), interval(half, fit)]
            for x, y, half in zip(band.electrical.tolist(), band.value.tolist(), band.half.tolist(), strict=True)
        ]
        yield "Curve with its 95 % interval:"
        yield from table([f"input {electrical}", unit, f"± {unit}"], cells, right=range(3))


def render_json(result: Calibrating) -> dict[str, Any]:
    """Return the document that `calibrate --json` prints; its schema is calibrate.schema.json in schemas/."""
    target, edit = result.target, result.edit
    return {
        "schema": SCHEMA,
        "sensor": target.name,
        "channel": target.channel,
        "headline": headline(result),
        "date": str(result.signed.date),
        "by": result.signed.by,
        "reference": result.signed.reference,
        "due": str(result.signed.due) if result.signed.due else None,
        "doubts": plain(result.doubts),
        "cautions": list(result.cautions),
        "remarks": found_lines(result),
        "left_out": list(result.left_out),
        "fit": _fit_json(result) if result.fit is not None else None,
        "zero": _zero_json(result) if result.zeroing is not None else None,
        "file": plain(result.file),
        "written": result.written,
        "blocked": result.blocked,
        "backup": plain(result.backup),
        "changes": list(edit.difference()) if edit is not None else [],
        "new_faults": list(new_faults(result)),
    }


def _fit_json(result: Calibrating) -> dict[str, Any]:
    fit = result.fit
    assert fit is not None
    band = band_of(fit, 41)
    ways = {1: "up", -1: "down", 0: None}
    readings = [
        {
            "input": plain(reading.electrical),
            "true": plain(reading.value),
            "curve": plain(reading.value + error),
            "error": plain(error),
            "studentized": plain(studentized),
            "outlier": row in fit.outliers,
            "way": ways[way],
            **some(reading, "scatter reference source note"),
        }
        for row, (reading, error, studentized, way) in enumerate(
            zip(fit.readings, fit.error.tolist(), fit.studentized.tolist(), fit.directions, strict=True)
        )
    ]
    return {
        "kind": fit.kind,
        "electrical": fit.calibration.electrical,
        "unit": fit.calibration.unit,
        "table": plain(fit.sheet),
        "readings": readings,
        "constants": [
            {"name": each.name, "value": plain(each.value), "half_95": plain(each.half), "unit": each.unit}
            for each in fit.constants
        ],
        "curve": [
            {"input": plain(x), "value": plain(y), "half_95": plain(half)}
            for x, y, half in zip(band.electrical.tolist(), band.value.tolist(), band.half.tolist(), strict=True)
        ],
        "freedom": fit.freedom,
        "deviation": plain(fit.deviation),
        "largest_error": plain(fit.largest),
        "span": plain(fit.span),
        "largest_share": plain(fit.largest / fit.span if fit.span > 0 else float("nan")),
        "hysteresis": plain(fit.hysteresis),
        "as_found": as_found(result.target.old, fit.readings),
    }


def _zero_json(result: Calibrating) -> dict[str, Any]:
    zeroing = result.zeroing
    assert zeroing is not None
    return {
        "add": plain(zeroing.zero.add),
        "why": zeroing.zero.why,
        "unit": result.unit,
        "shown": plain(zeroing.shown),
        "wanted": plain(zeroing.wanted),
        "input": plain(zeroing.reading),
        "half_95": plain(zeroing.half),
    }
