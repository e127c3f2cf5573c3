"""The health of the buses as JSON; the schema is health.schema.json in schemas/."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.findings import THRESHOLDS
from buswright.health.model.health import (
    BusFigures,
    CaptureFigures,
    CounterFigures,
    ErrorFigures,
    GapGroup,
    Gaps,
    IdFigures,
    LoadWindows,
    ModuleFigures,
    Peak,
)
from buswright.report.contents import problems_json
from buswright.report.findings import finding_json
from buswright.report.health import report as words
from buswright.report.health.report import HealthReport

SCHEMA = "buswright.health/1"

LISTED_GAPS = 200
"""Gaps listed for each identifier, the longest ones; `total` counts all."""
LISTED_GROUPS = 200
"""Groups of silences listed, the first ones."""
LISTED_EVENTS = 200
"""Counter steps, changes of length, wrong checksums, controller states listed for each."""


def render_json(report: HealthReport) -> dict[str, Any]:
    """Return the document that `health --json` prints."""
    health = report.health
    return {
        "schema": SCHEMA,
        "files": list(report.files),
        "format": report.format,
        "car": report.car,
        "described": report.described,
        "verdict": words.verdict(report),
        "worst": report.worst.name.lower() if report.worst is not None else None,
        "frames": health.capture.frames,
        "seconds": report.seconds,
        "missing": report.missing,
        "clock": {
            "origin": report.clock.origin,
            "source": report.clock.source,
            "resolution_ns": report.clock.resolution_ns,
            "timezone": report.clock.timezone,
        },
        "problems": problems_json(report.problems),
        "capture": _capture(health.capture),
        "buses": [_bus(bus) for bus in health.buses.values()],
        "modules": [_module(module) for module in health.modules.values()],
        "ids": [_identifier(figures, report) for figures in report.worst_first],
        "gap_groups": [_group(group) for group in health.gap_groups[:LISTED_GROUPS]],
        "gap_groups_count": health.gap_groups_count,
        "findings": [finding_json(finding) for finding in report.findings],
        "thresholds": {name: one.default for name, one in THRESHOLDS.items()},
    }


def _capture(capture: CaptureFigures) -> dict[str, Any]:
    return {
        "first_ns": capture.first_ns,
        "last_ns": capture.last_ns,
        "untimed": capture.untimed,
        "unlisted": capture.unlisted,
        "duplicates": [pair._asdict() for pair in capture.duplicates],
        "drops": [drop._asdict() for drop in capture.drops[:LISTED_EVENTS]],
        "dropped": capture.dropped,
        "bad_lines": dict(capture.bad_lines),
    }


def _bus(bus: BusFigures) -> dict[str, Any]:
    return {
        "name": bus.name,
        "interfaces": list(bus.interfaces),
        "bitrate": bus.bitrate._asdict(),
        "frames": bus.frames,
        "data_frames": bus.data_frames,
        "remote_frames": bus.remote_frames,
        "error_frames": bus.error_frames,
        "fd_frames": bus.fd_frames,
        "transmitted": bus.transmitted,
        "untimed": bus.untimed,
        "first_ns": bus.first_ns,
        "last_ns": bus.last_ns,
        "seconds": bus.seconds,
        "bits": bus.bits,
        "data_bits": bus.data_bits,
        "load": known(bus.load),
        "peak_100ms": _peak(bus.peak_100ms),
        "peak_1s": _peak(bus.peak_1s),
        "windows_1s": _windows(bus.slow_windows),
        "spacing": bus.spacing._asdict(),
        "errors": _errors(bus.errors),
        "silences": [
            {"start_ns": start, "end_ns": end}
            for start, end in zip(bus.silences.start_ns.tolist(), bus.silences.end_ns.tolist(), strict=True)
        ][:LISTED_EVENTS],
        "silences_count": bus.silences.count,
        "steps_back": [
            {"before_ns": step.before_ns, "after_ns": step.after_ns} for step in bus.steps_back[:LISTED_EVENTS]
        ],
        "steps_back_count": bus.steps_back_count,
        "filters": [each._asdict() for each in bus.filters],
    }


def _peak(peak: Peak | None) -> dict[str, Any] | None:
    return None if peak is None else {**peak._asdict(), "load": known(peak.load)}


def _windows(windows: LoadWindows) -> dict[str, Any]:
    return {
        "start_ns": windows.start_ns.tolist(),
        "frames": windows.frames.tolist(),
        "errors": windows.errors.tolist(),
        "bits": windows.bits.tolist(),
        "data_bits": windows.data_bits.tolist(),
        "load": all_known(windows.load),
    }


def _errors(errors: ErrorFigures) -> dict[str, Any]:
    return {
        "count": errors.count,
        "on_the_wire": errors.on_the_wire,
        "classes": dict(errors.classes),
        "protocol": dict(errors.protocol),
        "places": dict(errors.places),
        "controller": dict(errors.controller),
        "first_ns": errors.first_ns,
        "last_ns": errors.last_ns,
        "burst": errors.burst,
        "burst_ns": errors.burst_ns,
        "highest_transmit": errors.highest_transmit,
        "highest_receive": errors.highest_receive,
        "states": [state._asdict() for state in errors.states[:LISTED_EVENTS]],
        "bus_off_ns": list(errors.bus_off_ns),
        "restarted_ns": list(errors.restarted_ns),
    }


def _module(module: ModuleFigures) -> dict[str, Any]:
    return {
        "name": module.name,
        "bus": module.bus,
        "ids": [str(name) for name in module.ids],
        "never_came": [one.text for one in module.never_came],
        "frames": module.frames,
        "bits": module.bits,
        "share": known(module.share),
        "load": known(module.load),
        "first_ns": module.first_ns,
        "last_ns": module.last_ns,
    }


def _identifier(figures: IdFigures, report: HealthReport) -> dict[str, Any]:
    severity = report.severity_of_id(figures.name)
    return {
        "name": str(figures.name),
        "bus": figures.name.bus,
        "id": str(figures.name).rpartition("/")[2],
        "extended": figures.name.extended,
        "message": figures.message,
        "module": figures.module,
        "known": figures.known,
        "worst": severity.name.lower() if severity is not None else None,
        "frames": figures.frames,
        "remote_frames": figures.remote_frames,
        "untimed": figures.untimed,
        "first_ns": figures.first_ns,
        "last_ns": figures.last_ns,
        "age_ns": figures.age_ns,
        "rate_hz": known(figures.rate_hz),
        "expected_hz": words.expected_hz(figures),
        "bits": figures.bits,
        "share": known(figures.share),
        "load": known(figures.load),
        "busiest": figures.busiest._asdict() if figures.busiest else None,
        "busy_seconds": figures.busy_seconds,
        "period": _period(figures),
        "jitter_sd": known(words.jitter_sd(figures)),
        "jitter_p999": known(words.jitter_p999(figures)),
        "gaps": _gaps(figures.gaps),
        "counter": None if figures.counter is None else _counter(figures.counter),
        "checksum": _checksum(figures),
        "lengths": {
            "counts": {str(length): number for length, number in figures.lengths.counts.items()},
            "declared": figures.lengths.declared,
            "off": figures.lengths.off,
            "changes": figures.lengths.changes,
            "events": [change._asdict() for change in figures.lengths.events[:LISTED_EVENTS]],
        },
        "payload": {
            "constant_bytes": list(figures.payload.constant_bytes),
            "changing_bits": figures.payload.changing_bits.hex(),
            "changes": figures.payload.changes,
            "longest_same": figures.payload.longest_same,
            "longest_same_start_ns": figures.payload.longest_same_start_ns,
            "longest_same_end_ns": figures.payload.longest_same_end_ns,
            "last_change_ns": figures.payload.last_change_ns,
            "first": figures.payload.first.hex(),
        },
        "two_senders": _fields(figures.two_senders) if figures.two_senders is not None else None,
    }


def _period(figures: IdFigures) -> dict[str, Any]:
    """Return what was measured of a period, and what is expected of it."""
    expected = figures.expected
    sending_source = "learned" if expected.change_driven.value is None else expected.change_driven.source
    return _fields(figures.period) | {
        "expected_ns": known(expected.due_ns),
        "source": expected.period_ns.source.removeprefix("car file: "),
        "sending_source": sending_source.partition(":")[0],
    }


def _fields(value: Any) -> dict[str, Any]:
    """Return the fields of a small value of numbers and words, what isn't finite as None."""
    return {name: known(getattr(value, name)) for name in type(value).__dataclass_fields__}


def _gaps(gaps: Gaps) -> dict[str, Any]:
    length = gaps.end_ns - gaps.start_ns
    rows = np.sort(np.argsort(-length, kind="stable")[:LISTED_GAPS])
    columns = {
        "start_ns": gaps.start_ns[rows].tolist(),
        "end_ns": gaps.end_ns[rows].tolist(),
        "frames": gaps.frames[rows].tolist(),
        "missing": gaps.is_missing[rows].tolist(),
        "residual_ns": all_known(gaps.residual_ns[rows]),
        "tolerance_ns": all_known(gaps.tolerance_ns[rows]),
        "counter_step": gaps.counter_step[rows].tolist(),
        "load": all_known(gaps.load[rows]),
    }
    return {
        "total": gaps.total,
        "missing": gaps.missing,
        "late": gaps.late,
        "rule": gaps.rule,
        "listed": [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)],
    }


def _counter(counter: CounterFigures) -> dict[str, Any]:
    return {**_fields(counter), "events": [event._asdict() for event in counter.events[:LISTED_EVENTS]]}


def _checksum(figures: IdFigures) -> dict[str, Any] | None:
    found = figures.checksum
    if found is None:
        return None
    checksum = found.checksum
    data_id = checksum.data_id
    return {
        "kind": checksum.kind,
        "byte": checksum.byte,
        "over": list(checksum.over) if checksum.over is not None else None,
        "data_id": list(data_id) if isinstance(data_id, tuple) else data_id,
        "source": found.source,
        "frames": found.frames,
        "wrong": found.wrong,
        "longest_run": found.longest_run,
        "too_short": found.too_short,
        "wrong_ns": found.wrong_ns[:LISTED_EVENTS].tolist(),
    }


def _group(group: GapGroup) -> dict[str, Any]:
    return {
        "start_ns": group.start_ns,
        "end_ns": group.end_ns,
        "members": [
            {
                "name": str(member.name),
                "module": member.module,
                "start_ns": member.start_ns,
                "end_ns": member.end_ns,
                "missing": member.missing,
            }
            for member in group.members
        ],
        "buses": list(group.buses),
        "modules": [f"{bus}/{module}" for bus, module in group.modules],
        "due": group.due,
        "share": known(group.share),
        "phase_kept": group.phase_kept,
        "phase_known": group.phase_known,
        "chance": known(group.chance),
        "excess_ns": known(group.excess_ns),
        "silence_ns": group.silence_ns,
        "errors": group.errors,
    }


def known(value: Any) -> Any:
    """Return a number as it is, None for one that JSON has no word for."""
    return None if isinstance(value, float) and not math.isfinite(value) else value


def all_known(values: npt.NDArray[np.float64] | Iterable[float]) -> list[float | None]:
    """Return numbers as a list, None for those that JSON has no word for."""
    return [known(float(value)) for value in values]
