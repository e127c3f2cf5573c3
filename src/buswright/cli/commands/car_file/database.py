"""Turn a module's data-sheet table into a checked database, or a database into such a table.

FILE is a table (CSV, TOML, XLSX) or a database (DBC, KCD, SYM, ARXML). --out names what is written: a DBC or a
table, by its ending. Without --out the file is only checked. Every row that can't be used is listed with its
column and what to write instead; all others are used.

Several FILEs are put together. Where two contradict each other, both sides are shown and nothing is written;
--later-wins takes the side of the later file. --differences lists what changed from one FILE to another.

--against holds a table against a capture: the usual misreadings (bit numbering, start bits, bytes counted from 1,
signs, hexadecimal identifiers, scales) are tried, and one that fits clearly better is named with what tells the
two apart. --out then still writes the table as it is read: give the --reading that is named, and run it again.

SAFETY: a reading that fits is no calibration. Hold each channel against a gauge before anybody relies on it.

`buswright guide database` lists the columns that are read, and the words they may have.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.source import Source, say_problems
from buswright.errors import UserError
from buswright.writing import claim, write_whole

if TYPE_CHECKING:
    from buswright.layout.databases.misreadings import Judged
    from buswright.messages.sheet.read import Table


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="table (CSV, TOML, XLSX) or database (DBC, KCD, SYM, ARXML)"
    )
    parser.add_argument("--out", metavar="PATH", help="file to write: .dbc, or a table: .csv, .toml, .xlsx")
    shared.add(parser, "force")
    shared.add_several(
        parser, "--reading", "NAME", "how the tables are meant where that is not the usual, e.g. bytes-from-1"
    )
    parser.add_argument(
        "--later-wins", action="store_true", help="where files contradict each other, take the later one's side"
    )
    parser.add_argument(
        "--against",
        dest="source",
        nargs="+",
        default=[],
        metavar="SOURCE",
        help="capture to hold the tables against, or the word demo: names readings that fit better",
    )
    shared.add(parser, "reading")
    parser.add_argument("--differences", action="store_true", help="list what changed from one FILE to another")
    shared.add(parser, "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Load, put together, check, write, show."""
    from buswright.findings import Severity
    from buswright.layout.databases.making import content, load, make
    from buswright.report.car import database as report

    paths = [Path(name) for name in options.files]
    if options.differences:
        return _differences(options, paths)
    target = Path(options.out) if options.out else None
    if target:
        claim(target, force=options.force, inputs=[*paths, *shared.inputs_of(options)])
    loaded = [(name, *load(Path(name), options.reading)) for name in options.files]
    judged = _judged(options, [(name, table) for name, _, table in loaded if table]) if options.source else {}
    made = make(loaded)
    written = False
    lost: list[str] = []
    if target and (options.later_wins or not made.opposed):
        data, lost = content(made, target)
        write_whole(target, data)
        written = True
    shared.show(options, report, report.Listing(made, target, written, tuple(lost), judged))
    found = [note.severity for note in made.notes] + [each.severity for each in made.conflicts if not written]
    found += [Severity.SUSPECT for each in judged.values() for _ in each.misreadings]
    return shared.exit_status(found, options)


def _judged(options: argparse.Namespace, tables: list[tuple[str, Table]]) -> dict[str, Judged]:
    """Hold tables against the capture, which is read once."""
    from buswright.layout.databases.heard import heard
    from buswright.layout.databases.misreadings import judge

    if not tables:
        raise UserError("--against holds tables against a capture, and no FILE is one",
                        hint="for databases: buswright diagnose SOURCE --dbc FILE")  # fmt: skip
    source = Source.of(options)
    capture = heard(source)
    say_problems(source.capture)
    return {name: judge(table, options.reading, capture) for name, table in tables}


def _differences(options: argparse.Namespace, paths: list[Path]) -> int:
    from buswright.layout.databases.making import load
    from buswright.layout.differences.messages import databases
    from buswright.report.car import database as report

    if len(paths) != 2 or options.out:
        raise UserError("--differences compares two files and writes none", hint="name two FILEs, and no --out")
    before, after = (load(path, options.reading)[0] for path in paths)
    found = tuple(databases({"": before}, {"": after}))
    shared.show(options, report, report.Changes((options.files[0], options.files[1]), found))
    return shared.exit_status((each.severity for each in found), options)
