"""The health of the buses on a terminal: verdict first, then buses, modules, identifiers, capture, findings."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from buswright.findings import Finding, Severity
from buswright.health.model.health import BusFigures
from buswright.health.model.identifiers import IdFigures
from buswright.report.findings import finding_lines
from buswright.report.health import channels
from buswright.report.health import report as words
from buswright.report.health.report import HealthReport
from buswright.report.text import fitted, fold, joined, section
from buswright.wording import moment, plural

NARROWEST = 60
SHOWN_IDS = 20
"""Identifiers on the page, worst first, unless all are asked for."""
SHOWN_NOTES = 5
"""Findings that are mere notes, unless all are asked for."""
MARKS = {Severity.FAULT: "!!", Severity.SUSPECT: "!", Severity.NOTE: "·", None: ""}


def render_text(report: HealthReport, *, width: int = 80, every: bool = False) -> str:
    """Write the page that `health` prints, no line wider than `width` (60 at least)."""
    width = max(width, NARROWEST)
    origin = report.clock.origin
    lines = [
        *fold(words.verdict(report), width, indent="    "),
        *fold(f"{', '.join(report.files)}: {words.size_words(report)} from {moment(report.first_ns, origin)}", width),
        *(fold(f"compared with the good run {report.baseline}", width) if report.baseline else ()),
        *section("Buses", width, words.limits(report, "load")),
        *_buses(report, width),
    ]
    if report.health.modules:
        lines += [*section("Modules", width), *_modules(report, width)]
    lines += [*section("Identifiers, worst first", width, words.limits(report, "jitter")), *_ids(report, width, every)]
    if report.channels is not None:
        lines += [*section("Channels", width), *channel_lines(report, width, every)]
    lines += [*section("Capture", width), *_capture(report, width)]
    lines += [*section("Findings", width), *finding_section(report.findings, report, width, every)]
    ids = report.health.ids.values()
    if ids and not any(each.message for each in ids):
        text = "Next: no database names these identifiers. With a maker's table: buswright database."
        text += " With the frames alone: buswright survey."
        lines += ["", *fold(text, width)]
    return joined(lines)


def _buses(report: HealthReport, width: int) -> list[str]:
    heads = ["bus", "bit rate", "load", "1 s peak", "100 ms peak", "errors", "frames"]
    rows = [words.bus_cells(bus, report)[:7] for bus in report.health.buses.values()]
    lines = fitted(heads, rows, width, right=(2, 5, 6), drop=(6, 3))
    for bus in report.health.buses.values():
        if basis := words.basis_words(bus):
            lines += fold(f"  {basis}", width, "    ")
        lines += _error_lines(bus, report, width)
    return lines


def _error_lines(bus: BusFigures, report: HealthReport, width: int) -> list[str]:
    errors = bus.errors
    if not errors.count:
        return []
    kinds = [f"{name} {number:,}" for name, number in (*errors.classes.items(), *errors.protocol.items()) if number]
    said = f"  {bus.name} errors: {', '.join(kinds)}; {report.at(errors.first_ns)} to {report.at(errors.last_ns)}"
    if errors.burst > 1:
        said += f"; most in 50 ms: {errors.burst:,} at {report.at(errors.burst_ns)}"
    if errors.bus_off_ns:
        said += f"; bus-off at {report.at(errors.bus_off_ns[0])}"
    highest = [(errors.highest_transmit, "transmit"), (errors.highest_receive, "receive")]
    counters = ", ".join(f"{name} {number}" for number, name in highest if number is not None)
    return fold(f"{said}; highest counters: {counters}" if counters else said, width, "    ")


def _modules(report: HealthReport, width: int) -> list[str]:
    heads = ["module", "bus", "IDs", "frames", "load", "of bus", "never seen"]
    rows = [words.module_cells(module, report)[:7] for module in report.health.modules.values()]
    return fitted(heads, rows, width, right=(2, 3, 4, 5), drop=(5, 1, 3), shorten=6)


def _ids(report: HealthReport, width: int, every: bool) -> list[str]:
    chosen = report.worst_first if every else report.worst_first[:SHOWN_IDS]
    heads = ["", "ID", "message", "per s", "expected", "jitter", "99.9 %", "missing", "late", "longest", "counter"]
    heads += ["checksum", "remarks"]
    rows = [_id_row(figures, report) for figures in chosen]
    empty = [k for k in range(2, len(heads)) if not any(row[k] for row in rows)]
    layout = {"right": (3, 5, 6, 7, 8, 9), "drop": (9, 11, 8, 10, 2, 5, 12), "leave": empty}
    lines = fitted(heads, rows, width, **layout, shorten=12) if rows else ["  none"]
    rest = report.worst_first[len(chosen) :]
    if rest:
        wrong = sum(report.severity_of_id(figures.name) is not None for figures in rest)
        what = f", {wrong} with findings" if wrong else " with nothing to report"
        lines.append(f"  {len(rest)} more{what} (--all lists them)")
    return lines


def _id_row(figures: IdFigures, report: HealthReport) -> list[str]:
    expected = words.expected_hz(figures)
    source = words.expectation(figures)
    rate, *rest = words.id_cells(figures)
    due = f"{words.rate(expected)} {source}" if expected is not None else source
    return [MARKS[report.severity_of_id(figures.name)], str(figures.name), figures.message or "", rate, due, *rest]


def channel_lines(report: HealthReport, width: int, every: bool, chosen: Collection[str] = ()) -> list[str]:
    """Write the channels that are not fine (with `every` all), or the chosen ones, and the limits that were passed."""
    wrong = [one for one in report.trusted if one.state in ("failed", "suspect")]
    shown = list(report.trusted) if every else [one for one in wrong if not one.through]
    if chosen:
        shown = [one for one in report.trusted if one.channel in chosen]
    lines = []
    if shown:
        lines += fitted(
            *(channels.HEADS, channels.rows(report, shown), width),
            right=channels.RIGHT,
            drop=(6, 5, 7, 4, 9, 2),
            shorten=-1 if chosen else 10,
        )
    rest = []
    if not every and not chosen:
        rest = channels.through_lines(wrong)
        others = len(report.trusted) - len(wrong)
        if others:
            rest.append(f"{plural(others, 'channel')} with nothing to report or not judged (--all lists them)")
    for text in (*rest, *channels.limit_lines(report)):
        lines += fold(f"  {text}", width, "    ")
    made = channels.calibration_rows(report, shown) if every or chosen else []
    lines += section("How they are calibrated", width) if made else []
    for name, said in made:
        lines += fold(f"  {name}: {said}", width, "    ")
    return lines


def _capture(report: HealthReport, width: int) -> list[str]:
    clock = report.clock
    lines = [f"  time stamped by: {clock.source}; {clock.resolution_ns / 1000:g} µs steps"]
    said = words.capture_lines(report) or [
        "no damage seen: all lines read, time never went back, nothing twice, no loss reported"
    ]
    return lines + [line for text in said for line in fold(f"  {text}", width, "    ")]


def finding_section(findings: Sequence[Finding], report: HealthReport, width: int, every: bool) -> list[str]:
    """Write findings in rank order; of mere notes the first ones, unless all are asked for."""
    notes = [finding for finding in findings if finding.severity is Severity.NOTE]
    hidden = [] if every else notes[SHOWN_NOTES:]
    lines = []
    for number, finding in enumerate(findings, 1):
        if not any(finding is each for each in hidden):
            lines += finding_lines(finding, number, report.first_ns, width)
    if hidden:
        lines.append(f"  {plural(len(hidden), 'more note')} (--all lists them)")
    return lines or ["  none"]
