"""Which CAN adapters are there, each with the SOURCE that listens to it.

CAN network interfaces, serial ports that may be adapters, and what python-can's other backends find; with whether
they are proven to listen only, and the system commands that would make them.

--find-bitrate listens at the usual rates, one second each, until one fits, and says why. It needs an interface
that can be proven to listen only at every rate, and root: the interface is set anew each time.
"""

from __future__ import annotations

import argparse
import json

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--find-bitrate", metavar="LIVE", help="find the bit rate of this live bus, e.g. live:socketcan/can0"
    )
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Look, and print what is there; status 1 if no bit rate fits."""
    from buswright.report.adapters import render_json, render_search, render_text

    if options.find_bitrate is not None:
        from buswright.frames.live.address import parse_live
        from buswright.frames.live.find_bitrate import find_bitrate, tuner

        search = find_bitrate(tuner(parse_live(options.find_bitrate)))
        document = render_json(None, search) if options.json else None
        print(json.dumps(document, ensure_ascii=False, indent=2) if document else render_search(search))
        return 0 if search.bitrate is not None else 1
    from buswright.frames.live.adapters import find_adapters

    adapters = find_adapters()
    document = render_json(adapters, None) if options.json else None
    print(json.dumps(document, ensure_ascii=False, indent=2) if document else render_text(adapters))
    return 0
