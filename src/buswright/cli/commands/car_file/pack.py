"""Pack a car file with its databases into one ZIP file, to hand over.

The pack holds the car file, its databases, what you name with --baseline, --sheet and --licence, and the hash of
each; nothing else. The same inputs give the same bytes. The receiver takes it in with `buswright unpack`.

Read the car file before you hand it over: names, notes and positions in it go along.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from buswright.cli import options as shared
from buswright.writing import claim, write_whole


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add(parser, "car")
    parser.add_argument("--baseline", metavar="FILE", help="baseline to pack, from `buswright remember`")
    shared.add_several(
        parser, "--sheet", "FILE", "bench sheet to pack, saved from `buswright bench PLAN SOURCE --json`"
    )
    parser.add_argument("--licence", metavar="FILE", help="text that says what the receiver may do with it all")
    shared.add_output(parser, "pack to write, e.g. my_car.zip")
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Read, pack, write, say what went in."""
    from buswright.layout.handover.pack import archived, gather
    from buswright.report.car import pack as report

    path, car = Path(options.out), shared.car_path(options)
    packing = gather(
        car,
        baseline=Path(options.baseline) if options.baseline else None,
        sheets=[Path(each) for each in options.sheet],
        licence=Path(options.licence) if options.licence else None,
        untrusted=options.untrusted,
    )
    claim(path, force=options.force, inputs=packing.inputs)
    data = archived(packing.pack)
    write_whole(path, data)
    shared.show_sentences(options, report, report.Packed(path, packing, data))
    return 0
