"""Check a car file and its databases. List every fault with its line and what to try.

Without FILE it checks ./car.toml. A car file without faults exits with status 0, and prints nothing or only
those of its keys that Buswright does not use yet.
A fault: the file can't be used. A suspect: two entries contradict each other. A note: worth knowing.
It checks databases too: overlapping signals, identifiers claimed twice, messages without a cycle time.

--schema prints the JSON Schema of car files. Editors use it to help while you type.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from buswright.cli import options as shared
from buswright.errors import UserError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("file", nargs="?", metavar="FILE", help="car file; default: ./car.toml")
    shared.add(parser, "car")
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of car files; check nothing")
    shared.add(parser, "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Check, print what was found, and judge."""
    from buswright.channels.carfile.keys import json_schema
    from buswright.channels.carfile.load import check_car_file
    from buswright.report.car import check as report

    if options.schema:
        print(json.dumps(json_schema(), ensure_ascii=False, indent=2))
        return 0
    path = _path(options)
    checking = report.checking_of(path, check_car_file(path, untrusted=options.untrusted))
    if options.json or checking.remarks:
        shared.show(options, report, checking)
    return shared.exit_status((remark.severity for remark in checking.counted), options)


def _path(options: argparse.Namespace) -> Path:
    if options.file and options.car:
        raise UserError("FILE and --car both name a car file", hint="give it once: buswright check FILE")
    return Path(options.file) if options.file else shared.car_path(options)
