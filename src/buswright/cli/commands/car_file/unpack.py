"""Take in a car file that somebody packed, safely.

A pack is treated as a stranger's. Its files go into the folder of --out only, their sizes are bounded, and nothing in
it is run. A pack that is damaged, or holds anything that `buswright pack` would not put in, is refused as a whole.

At the end the car file is checked as `buswright check --untrusted` does. SAFETY: a stranger's limits and calibrations
are claims. Check each on your car before you rely on it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("pack", metavar="PACK", help="ZIP file from `buswright pack`")
    shared.add_output(parser, "folder to unpack to: new or empty; with --force your own files in it stay")
    shared.add(parser, "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Read it all, write it all, check."""
    from buswright.channels.carfile.load import check_car_file
    from buswright.layout.handover.reading import read_pack
    from buswright.layout.handover.unpack import unpack
    from buswright.report.car import unpack as report
    from buswright.report.car.check import checking_of

    folder = Path(options.out)
    pack = read_pack(Path(options.pack))
    older = unpack(pack, folder, force=options.force)
    car = folder / pack.car.path
    checking = checking_of(car, check_car_file(car, untrusted=True))
    shared.show_sentences(options, report, report.Unpacked(Path(options.pack), folder, pack, older, checking))
    return shared.exit_status((remark.severity for remark in checking.counted), options)
