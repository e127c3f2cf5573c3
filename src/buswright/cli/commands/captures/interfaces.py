"""List CAN adapters, each with the SOURCE that listens to it.

It finds CAN network interfaces, serial ports that may be adapters, and what python-can's other backends report. For
each it says whether it is proven to listen only, and which system commands set that.

--find-bitrate listens at the usual rates, one second each, until one fits. It needs root, and an interface that can
be proven to listen only at every rate.
"""

from __future__ import annotations

import argparse

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--find-bitrate", metavar="LIVE", help="find the bit rate of this live bus, e.g. live:socketcan/can0"
    )
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Look, and print what is there; status 1 if no bit rate fits."""
    from buswright.report.captures import interfaces as report

    if options.find_bitrate is not None:
        from buswright.frames.live.address import parse_live
        from buswright.frames.live.find_bitrate import find_bitrate, tuner

        search = find_bitrate(tuner(parse_live(options.find_bitrate)))
        shared.show(options, report, search)
        return 0 if search.bitrate is not None else 1
    from buswright.frames.live.adapters import find_adapters

    shared.show(options, report, find_adapters())
    return 0
