"""Check a car file and its databases: every fault at once, each with its line and what to try.

Without FILE the car file is ./car.toml. A car file without a fault gives no output and status 0. A fault keeps
the file from being used; a suspect is two statements that contradict each other; a note is worth knowing.
Databases are checked too: overlapping signals, identifiers claimed twice, messages without a cycle time.

--schema prints the JSON Schema of car files, with which an editor helps while the file is typed.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from buswright.cli import options as shared
from buswright.cli.verdict import add_fail_on, exit_status
from buswright.errors import UserError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("file", nargs="?", metavar="FILE", help="the car file; ./car.toml if left out")
    shared.add_car(parser)
    parser.add_argument("--schema", action="store_true", help="print the JSON Schema of car files and check nothing")
    add_fail_on(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Check, print what was found, and judge."""
    from buswright.channels.carfile.load import check_car_file, json_schema
    from buswright.report.checking import checking_of, render_json, render_text

    if options.schema:
        print(json.dumps(json_schema(), ensure_ascii=False, indent=2))
        return 0
    path = _path(options)
    checking = checking_of(path, check_car_file(path, untrusted=options.untrusted))
    if options.json:
        print(json.dumps(render_json(checking), ensure_ascii=False, indent=2))
    elif checking.remarks:
        print(render_text(checking))
    return exit_status((remark.severity for remark in checking.remarks), options)


def _path(options: argparse.Namespace) -> Path:
    if options.file and options.car:
        raise UserError("two car files are named", hint="name it once: buswright check FILE")
    if options.file or options.car:
        return Path(options.file or options.car)
    if not Path(shared.DEFAULT_CAR).exists():
        raise UserError(
            f"there is no {shared.DEFAULT_CAR} in this folder", hint="name the car file: buswright check my_car.toml"
        )
    return Path(shared.DEFAULT_CAR)
