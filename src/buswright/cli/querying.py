"""Ask a season in SQL: `season query`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.season.place.local import Place


def query(options: argparse.Namespace, place: Place) -> int:
    """Answer a question, or say what can be asked.

    Raises
    ------
    UserError
        It can't be answered; the text says why.
    """
    from buswright.report.season import answer as report
    from buswright.season.tables.season import Season

    if len(options.names) > 1:
        raise UserError("season query takes one question", hint="put the SQL in quotes: 'select ... from ...'")
    files = tuple(_places(options))
    season = Season(place)
    if not options.names:
        if files:
            raise UserError("season query has no question", hint="buswright season query 'select ...' --csv FILE")
        result = report.what_there_is(season)
    else:
        result = report.answered(season, season.query(options.names[0]), files, every=options.json)
    shared.show(options, report, result)
    return shared.exit_status((), options, unread=bool(result.catalogue.faults or result.unread))


def _places(options: argparse.Namespace) -> list[Path]:
    """Return the files to write; each is refused before anything is read."""
    from buswright.writing import claim

    asked = [(name, getattr(options, name)) for name in ("csv", "parquet") if getattr(options, name)]
    for name, file in asked:
        if Path(file).suffix != f".{name}":
            raise UserError(f"--{name} {file}: the name must end in .{name}", hint=f"for example answer.{name}")
        claim(Path(file), force=options.force, option=f"--{name}")
    return [Path(file) for _, file in asked]
