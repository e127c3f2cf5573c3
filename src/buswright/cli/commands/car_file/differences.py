"""List what changed from one car file to another, by meaning.

A and B are each a car file or a pack from `buswright pack`. What means the same makes no difference: order, comments,
spelling, a curve written another way, databases split over other files. What does is listed by subject: how far
a zero moved, the largest change of a curve in its unit, the messages of a module, periods, limits, wiring.

suspect: values or judgements change, or something is gone. note: something is new, or a note for people.
"""

from __future__ import annotations

import argparse
from contextlib import ExitStack
from pathlib import Path

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("before", metavar="A", help="car file or pack before")
    parser.add_argument("after", metavar="B", help="car file or pack after")
    parser.add_argument(
        "--untrusted", action="store_true", help="for strangers' car files: read nothing outside their folders"
    )
    shared.add(parser, "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Load both, compare, show."""
    from buswright.channels.carfile.load import load_car_file
    from buswright.layout.differences.compare import compare
    from buswright.layout.handover.manifest import beside_the_cars
    from buswright.layout.handover.unpack import car_file_of
    from buswright.report.car import differences as report

    names = options.before, options.after
    with ExitStack() as stack:
        found = [stack.enter_context(car_file_of(Path(name))) for name in names]
        before, after = (load_car_file(path, untrusted=options.untrusted or pack is not None) for path, pack in found)
    compared = compare(before, after, beside_the_cars(found[0][1], found[1][1]))
    shared.show(options, report, report.Listing(names, (before, after), compared), width=shared.text_width())
    return shared.exit_status((each.severity for each in compared.differences), options)
