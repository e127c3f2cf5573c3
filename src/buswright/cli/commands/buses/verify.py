"""Say whether a car still matches its bus layout document.

LAYOUT is a document of `buswright layout`: HTML, Markdown, or its JSON. SOURCE is a capture of the car as it is now.
The traffic is compared as `compare` does it: modules, identifiers, periods, lengths, counters, load, zero and noise.
With a car file and databases, what they say is compared too: bits, scales, calibrations, zeroes, wiring, terminators.

Differences come with the gravest first, and each says where to look. What another difference accounts for is a note.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from buswright.cli import options as shared
from buswright.cli.reading.documenting import measured_layout


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("document", metavar="LAYOUT", help="the document, from `buswright layout`")
    shared.add_source(parser)
    shared.add(parser, "window", "car", "databases", "bitrate", "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Read the document, measure the car, compare, show."""
    from buswright.layout.document.file import load, settled
    from buswright.layout.verify import differences
    from buswright.report.layout import verify as report

    document = load(Path(options.document))
    car = shared.load_car(options)
    now = settled(measured_layout(options, car))
    found = differences(document, now, car=car)
    verified = report.Verified(options.document, document, now, found)
    shared.show(options, report, verified, width=shared.text_width())
    return shared.exit_status((one.severity for one in found), options)
