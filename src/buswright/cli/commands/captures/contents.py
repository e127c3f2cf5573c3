"""List what a capture holds: buses, identifiers with counts and rates, duration, clock, and every problem.

A car file (--car) adds the names of buses and messages, the channels that each message feeds, and what never came; a
database (--dbc) the names of messages. Both count the frames that no database knows.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

from buswright.cli import options as shared
from buswright.cli.reading.source import Source


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once")
    shared.add(parser, "window", "car", "databases", "json")


def run(options: argparse.Namespace) -> int:
    """Read the capture once and print what it holds."""
    from buswright.channels.carfile.needs import databases_of
    from buswright.frames.tally import Tally
    from buswright.report.captures import contents as report

    car, databases = shared.load_car(options), shared.load_databases(options)
    source = Source.of(options, car)
    tally = Tally()
    for frames in source:
        tally.update(frames)
    known = databases_of(car, databases)
    contents = report.contents_of(source.capture, tally, names=source.names, databases=known, car=car)
    misfit = source.check_fit(options, car, databases, contents.keys(), refuse=False)
    shared.show(options, report, replace(contents, misfit=misfit))
    return 2 if misfit is not None and misfit.sure and shared.is_described(options) else 0
