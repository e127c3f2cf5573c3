"""Check the buses: load, rates, jitter, missing frames, counters, checksums, errors, damage to the capture.

A capture is enough. A car file or a database adds names, expected rates, and which identifiers should be there.
Without them periods are learned from the traffic, and the bit rate is guessed unless --bitrate gives it.
--html FILE writes a page with the load and every identifier's period over time. It opens without a network.
"""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.streams import put
from buswright.errors import UserError
from buswright.writing import write_whole

if TYPE_CHECKING:
    from buswright.frames.table import Event
    from buswright.health.model.health import BusHealth
    from buswright.health.spacings import SpacingColumns
    from buswright.report.health.report import HealthReport


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add_window(parser)
    shared.add_car(parser)
    shared.add_databases(parser)
    shared.add_bitrate(parser)
    parser.add_argument("--all", action="store_true", help="list every identifier and note, not only the worst")
    parser.add_argument("--html", metavar="FILE", help="write a page with plots; it opens without a network")
    shared.add_force(parser)
    shared.add_fail_on(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Measure, judge, show."""
    from buswright.report import health

    page = Path(options.html) if options.html else None
    if page is not None:
        shared.claim_output(options, page, "--html")
    report, spacings = _examine(options)
    if page is not None and spacings is not None:
        from buswright.report.health.page import render_html

        write_whole(page, render_html(report, spacings.result()))
    width = min(shutil.get_terminal_size((100, 24)).columns, 160)
    shared.show(options, health, report, width=width, every=options.all)
    if page is not None and not options.json:
        put(f"\nPage with plots: {page}")
    return shared.exit_status((finding.severity for finding in report.findings), options)


def _examine(options: argparse.Namespace) -> tuple[HealthReport, SpacingColumns | None]:
    """Read SOURCE once; measure and judge."""
    from buswright.health.spacings import SpacingColumns
    from buswright.report.health.report import report_of

    car, databases = shared.load_car(options), shared.load_databases(options)
    source = shared.Source.of(options, car)
    tracker = source.tracker(options, car, databases)
    spacings = SpacingColumns(source.names) if options.html else None
    for frames in source:
        tracker.update(frames)
        if spacings is not None:
            spacings.update(frames)
    described = bool(databases) or (car is not None and bool(car.databases or car.frames))
    report = report_of(tracker, source.capture, car, described=described, events=_events(source))
    _check(report.health, source, options)
    source.check_fit(options, car, databases, shared.keys_of(report.health))
    return report, spacings


def _events(source: shared.Source) -> tuple[Event, ...]:
    """Return what the capture holds beside frames, as far as it lies between --from and --to."""
    events = source.capture.events
    first = source.capture.first_time_ns() if source.window and events else None
    if first is None:
        return tuple(events)
    low, high = source.window.limits(first, source.capture.clock)
    return tuple(
        event
        for event in events
        if event.time_ns is None or ((low is None or event.time_ns >= low) and (high is None or event.time_ns <= high))
    )


def _check(health: BusHealth, source: shared.Source, options: argparse.Namespace) -> None:
    """Refuse what can't be judged: a capture without frames, a bit rate for a bus that isn't there."""
    if not health.capture.frames:
        problems = [str(problem) for problem in source.capture.problems]
        why = f" ({problems[0]})" if problems else ""
        hint = "widen --from and --to" if source.window else "`buswright contents` lists what it holds"
        raise UserError(f"{', '.join(map(str, source.capture.paths))}: no frames to check{why}", hint=hint)
    for name in shared.bit_rates(options.bitrate)[0]:
        if name not in health.buses and name != shared.EVERY_BUS:
            raise UserError(
                f"--bitrate {name}=…: the capture has no bus {name}", hint=f"its buses: {', '.join(health.buses)}"
            )
