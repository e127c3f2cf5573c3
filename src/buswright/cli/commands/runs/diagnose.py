"""Say what is wrong, in which layer, and what to check next: for the recording, the buses, the modules, the channels.

Findings are ranked. Each says the next physical check, what was seen, and what was ruled out. A finding of a lower
layer stands above what it explains. With a car file channels are judged in volts and against each other; with --dbc
alone by their values. Every channel is called fine, suspect, failed or not judged, and why.

--baseline B also compares with a good run (`buswright remember`). --channel C shows one channel's findings, and how its
value at --at TIME came about, from the raw number to the unit.

--phases holds a car with its key on and its engine off against what it must show, and compares that with idling: zeroes
that shift, noise, supplies and modules while cranking. It also says which channels come too seldom, or in vain.

--html FILE writes a page with every channel and the traces of each finding. It opens without a network.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.examining import judge
from buswright.errors import UserError
from buswright.wording import did_you_mean

if TYPE_CHECKING:
    from buswright.channels.explained import Explained
    from buswright.cli.reading.examining import Judged


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add(parser, "window", "car", "databases", "bitrate", "baseline")
    shared.add_several(
        parser, "--channel", "C", "show only what concerns this channel, and how its value came about; wildcards"
    )
    parser.add_argument(
        "--at", metavar="TIME", help="with --channel: the moment to explain; default: the first bad sample, or the last"
    )
    parser.add_argument(
        "--phases",
        action="store_true",
        help="list what each channel shows with the key on, at the start and idling, and how often it comes",
    )
    parser.add_argument("--all", action="store_true", help="list every channel and note, not only the worst")
    shared.add_html(parser, "traces")
    shared.add(parser, "force", "fail-on", "jobs", "json")


def run(options: argparse.Namespace) -> int:
    """Measure, judge, show."""
    from buswright.report.diagnosis import diagnose as report

    if options.at is not None and not options.channel:
        raise UserError("--at needs --channel", hint="for example --channel oil_pressure --at 12.3")
    shared.claim_html(options)
    judged = judge(options, baseline=shared.load_baseline(options))
    explained = _explained(options, judged)
    diagnosis = report.Diagnosis(judged.report, tuple(each.channel for each in explained), explained)

    def html() -> str:
        from buswright.report.diagnosis.page import render_html

        return render_html(diagnosis)

    shared.show_with_page(options, report, diagnosis, html, every_one=options.all, phases=options.phases)
    return shared.exit_status((finding.severity for finding in diagnosis.findings), options)


def _explained(options: argparse.Namespace, judged: Judged) -> tuple[Explained, ...]:
    """Explain the channels that were asked for, at the time that was asked for."""
    from fnmatch import fnmatchcase

    from buswright.channels.explained import explain
    from buswright.frames.window import Moment

    session, report = judged.session, judged.report
    if not options.channel:
        return ()
    if session is None:
        raise UserError("--channel needs a car file or a database", hint="add --car FILE or --dbc FILE")
    at = None
    if options.at is not None:
        capture = report.health.capture
        asked = Moment.parse(options.at, timezone=options.timezone)
        at = asked.within(capture.first_ns or 0, capture.last_ns or 0, report.clock, "--at")
    found = []
    for pattern in options.channel:
        names = [name for name in session.names if fnmatchcase(name, pattern)]
        if not names:
            hint = did_you_mean(pattern, session.names, "--all lists all channels")
            raise UserError(f"--channel {pattern}: there is no such channel", hint=hint)
        since = {one.channel: one.since_ns for one in report.trusted}
        found += [explain(session, name, at if at is not None else since.get(name)) for name in names]
    return tuple(each for each in found if each is not None)
