"""The health of the buses as JSON; the schema is health.schema.json in schemas/."""

from __future__ import annotations

from typing import Any

import numpy as np

from buswright.findings import THRESHOLDS
from buswright.health.model.gaps import GapGroup, Gaps
from buswright.health.model.health import BusFigures, CaptureFigures, ModuleFigures
from buswright.health.model.identifiers import IdFigures
from buswright.report.health import report as words
from buswright.report.health.channels import as_json
from buswright.report.health.report import HealthReport
from buswright.report.plain import CLOCK, plain, problems_json, some

SCHEMA = "buswright.health/1"

LISTED_GAPS = 200
"""Gaps listed for each identifier, the longest ones; `total` counts all."""
LISTED_GROUPS = 200
"""Groups of silences listed, the first ones."""
BUS_LIMITS = ("load_suspect", "load_fault", "load_peak_suspect", "error_frames_per_minute", "error_frames_per_second")
ID_LIMITS = (
    *("missing_periods", "missing_periods_loaded", "lost_share_suspect", "lost_share_fault"),
    *("id_missing_periods", "id_missing_s", "jitter_sd", "jitter_p999"),
)
"""Thresholds that stand beside the figures of each bus and identifier, as they are in force for it."""
LISTED_EVENTS = 200
"""Counter steps, changes of length, wrong checksums, controller states listed for each."""


def render_json(report: HealthReport) -> dict[str, Any]:
    """Return the document that `health --json` prints."""
    health = report.health
    return {
        "schema": SCHEMA,
        **some(report, "files format car described baseline"),
        "verdict": words.verdict(report),
        "worst": plain(report.worst),
        "frames": health.capture.frames,
        **some(report, "seconds missing"),
        "clock": some(report.clock, CLOCK),
        "problems": problems_json(report.problems),
        "capture": _capture(health.capture),
        "buses": [_bus(bus, report) for bus in health.buses.values()],
        "modules": [_module(module) for module in health.modules.values()],
        "ids": [_identifier(figures, report) for figures in report.worst_first],
        "channels": as_json(report),
        "gap_groups": [_group(group) for group in health.gap_groups[:LISTED_GROUPS]],
        "gap_groups_count": health.gap_groups_count,
        "findings": plain(report.findings),
        "thresholds": {name: one.default for name, one in THRESHOLDS.items()},
        "overrides": _overrides(report),
    }


def _overrides(report: HealthReport) -> dict[str, dict[str, float]]:
    """Return the thresholds that the car file has for its buses and frames, by subject."""
    if report.rules is None:
        return {}
    own = {f"bus:{name}": bus.thresholds for name, bus in report.rules.buses.items()}
    own |= {f"id:{name}": frame.thresholds for name, frame in report.rules.frames.items()}
    return {subject: dict(thresholds) for subject, thresholds in own.items() if thresholds}


def _capture(capture: CaptureFigures) -> dict[str, Any]:
    return {
        **some(capture, "first_ns last_ns untimed unlisted duplicates"),
        "drops": plain(capture.drops[:LISTED_EVENTS]),
        **some(capture, "dropped bad_lines"),
    }


def _bus(bus: BusFigures, report: HealthReport) -> dict[str, Any]:
    errors, silences = bus.errors, bus.silences
    listed = zip(silences.start_ns[:LISTED_EVENTS].tolist(), silences.end_ns[:LISTED_EVENTS].tolist(), strict=True)
    return {
        **some(
            bus, "name interfaces bitrate shown frames data_frames remote_frames error_frames fd_frames transmitted"
        ),
        **some(bus, "untimed first_ns last_ns seconds bits data_bits load peak_100ms peak_1s"),
        "windows_1s": some(bus.slow_windows, "start_ns frames errors bits data_bits load"),
        "spacing": plain(bus.spacing),
        "errors": {
            **some(errors, "count on_the_wire classes protocol places controller first_ns last_ns burst burst_ns"),
            **some(errors, "highest_transmit highest_receive"),
            "states": plain(errors.states[:LISTED_EVENTS]),
            **some(errors, "bus_off_ns restarted_ns"),
        },
        "silences": [{"start_ns": start, "end_ns": end} for start, end in listed],
        "silences_count": silences.count,
        "steps_back": [some(step, "before_ns after_ns") for step in bus.steps_back[:LISTED_EVENTS]],
        **some(bus, "steps_back_count filters"),
        "limits": {name: report.case.limit(name, bus=bus.name) for name in BUS_LIMITS},
    }


def _module(module: ModuleFigures) -> dict[str, Any]:
    return {
        **some(module, "name bus"),
        "ids": [str(name) for name in module.ids],
        "never_came": [one.text for one in module.never_came],
        **some(module, "frames bits share load first_ns last_ns"),
    }


def _identifier(figures: IdFigures, report: HealthReport) -> dict[str, Any]:
    lengths, counter = figures.lengths, figures.counter
    return {
        "name": str(figures.name),
        "bus": figures.name.bus,
        "id": str(figures.name).rpartition("/")[2],
        "extended": figures.name.extended,
        **some(figures, "message module known"),
        "worst": plain(report.severity_of_id(figures.name)),
        **some(figures, "frames remote_frames untimed first_ns last_ns age_ns rate_hz"),
        "expected_hz": words.expected_hz(figures),
        **some(figures, "bits share load busiest busy_seconds"),
        "period": _period(figures),
        "jitter_sd": plain(words.jitter_sd(figures)),
        "jitter_p999": plain(words.jitter_p999(figures)),
        "gaps": _gaps(figures.gaps) | ({} if figures.period.counted else {"missing": None}),
        "counter": None if counter is None else plain(counter) | {"events": plain(counter.events[:LISTED_EVENTS])},
        "checksum": _checksum(figures),
        "lengths": some(lengths, "counts declared off changes") | {"events": plain(lengths.events[:LISTED_EVENTS])},
        **some(figures, "payload two_senders"),
        "limits": {name: report.case.limit(name, frame=figures.name) for name in ID_LIMITS},
    }


def _period(figures: IdFigures) -> dict[str, Any]:
    """Return what was measured of a period, and what is expected of it."""
    expected = figures.expected
    sending_source = "learned" if expected.change_driven.value is None else expected.change_driven.source
    return {
        **plain(figures.period),
        "expected_ns": plain(expected.due_ns),
        "source": expected.period_ns.source.removeprefix("car file: "),
        "sending_source": sending_source.partition(":")[0],
    }


def _gaps(gaps: Gaps) -> dict[str, Any]:
    longest = np.sort(np.argsort(gaps.start_ns - gaps.end_ns, kind="stable")[:LISTED_GAPS])
    names = ("start_ns", "end_ns", "frames", "is_missing", "residual_ns", "tolerance_ns", "counter_step", "load")
    columns = [plain(getattr(gaps, name)[longest]) for name in names]
    keys = ["missing" if name == "is_missing" else name for name in names]
    return {
        **some(gaps, "total missing late rule"),
        "listed": [dict(zip(keys, row, strict=True)) for row in zip(*columns, strict=True)],
    }


def _checksum(figures: IdFigures) -> dict[str, Any] | None:
    found = figures.checksum
    if found is None:
        return None
    return {
        **some(found.checksum, "kind byte over data_id"),
        **some(found, "source frames wrong longest_run too_short"),
        "wrong_ns": plain(found.wrong_ns[:LISTED_EVENTS]),
    }


def _group(group: GapGroup) -> dict[str, Any]:
    return {
        **some(group, "start_ns end_ns"),
        "members": [
            {"name": str(member.name), **some(member, "module start_ns end_ns missing")} for member in group.members
        ],
        "buses": list(group.buses),
        "modules": [f"{bus}/{module}" for bus, module in group.modules],
        **some(group, "due share phase_kept phase_known chance excess_ns silence_ns errors"),
    }
