"""List what a capture holds: buses, identifiers with counts and rates, duration, clock, and every problem.

A database (--dbc) adds message names and a count of the frames that it does not know.
"""

from __future__ import annotations

import argparse

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add_window(parser)
    shared.add_databases(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Read the capture once and print what it holds."""
    from buswright.frames.tally import Tally
    from buswright.messages.match import Matcher
    from buswright.report.commands import contents as report

    databases = shared.load_databases(options)
    source = shared.Source.of(options)
    tally = Tally()
    for frames in source:
        tally.update(frames)
    source.check_fit(options, None, {}, {})
    matcher = Matcher(databases, bus_names=source.names) if options.dbc else None
    shared.show(options, report, report.contents_of(source.capture, tally, names=source.names, matcher=matcher))
    return 0
