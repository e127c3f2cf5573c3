"""What `season query` answers: rows as text, JSON, CSV and Parquet; and which tables can be asked for."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any

from buswright.errors import UserError
from buswright.report.plain import plain
from buswright.report.season.actions import SCHEMA, problem_words
from buswright.report.text import cut, joined, table
from buswright.season.catalogue import Catalogue
from buswright.season.tables.query import COLUMNS, Rows
from buswright.season.tables.season import Season
from buswright.wording import listed, plural
from buswright.writing import whole_file

SHOWN = 40
"""Rows that are printed; --csv, --parquet and --json have all of them."""
_WIDE = 60
"""Signs of a cell that are printed."""
_FORMULA = r"^[=+\-@\t\r\n](?s:.)"
"""What a spreadsheet would run."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to a question, or, without one, what can be asked.

    Attributes
    ----------
    columns, numeric
        Names of the columns, and which hold numbers.
    rows, count
        The first rows, or all for JSON, and how many there are.
    tables, channels
        What can be asked; empty where something was.
    unread, saved
        What could not be read for it, one sentence each; files written.
    """

    catalogue: Catalogue
    columns: tuple[str, ...] = ()
    numeric: tuple[bool, ...] = ()
    rows: tuple[tuple[Any, ...], ...] = ()
    count: int = 0
    tables: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    saved: tuple[str, ...] = ()


def what_there_is(season: Season) -> Answer:
    """Say what can be asked."""
    return Answer(season.catalogue, tables=season.tables, channels=season.channels)


def answered(season: Season, rows: Rows, files: tuple[Path, ...], *, every: bool) -> Answer:
    """Compute the rows once: write them to files as they come, and keep the first, or every one.

    Raises
    ------
    UserError
        They can't be computed or written.
    """
    import pyarrow as pa

    from buswright.report.files.tables import Tables

    schema, batches = rows.batches()
    kept: list[tuple[Any, ...]] = []
    count = 0
    with ExitStack() as stack:
        writers = []
        for path in files:
            new = stack.enter_context(whole_file(path))
            writers.append(stack.enter_context(Tables(new)))
        for batch in chain([schema.empty_table()], (pa.Table.from_batches([each]) for each in batches)):
            for writer in writers:
                try:
                    writer.write(_safe(batch) if writer.as_csv else batch)
                except (pa.ArrowInvalid, pa.ArrowNotImplementedError, TypeError) as fault:
                    kind, said = "CSV" if writer.as_csv else "Parquet", str(fault).splitlines()[0][:200]
                    hint = "cast that column, for example column::varchar"
                    raise UserError(f"{kind} can't hold this answer: {said}", hint=hint) from None
            count += batch.num_rows
            part = batch if every else batch.slice(0, max(SHOWN - len(kept), 0))
            kept += zip(*(column.to_pylist() for column in part.columns), strict=True)
    kinds = (pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal)
    numeric = tuple(any(is_kind(each.type) for is_kind in kinds) for each in schema)
    saved = tuple(str(path) for path in files)
    return Answer(season.catalogue, tuple(schema.names), numeric, tuple(kept), count, unread=rows.unread, saved=saved)


def _safe(table: Any) -> Any:
    """Return a table whose texts no spreadsheet runs as a formula."""
    import pyarrow as pa
    import pyarrow.compute as pc

    columns = []
    for column in table.columns:
        kind = column.type
        if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind):
            text = column.cast(pa.string())
            quoted = pc.binary_join_element_wise("'", text, "")
            column = pc.if_else(pc.match_substring_regex(text, _FORMULA), quoted, text)
        columns.append(column)
    return pa.table(columns, names=table.column_names)


# What is printed ------------------------------------------------------------------------------------------------------


def render_text(result: Answer, *, width: int = 100) -> str:  # noqa: ARG001  (as every renderer; rows stay whole)
    """Write what `season query` prints."""
    lines = list(_asked(result) if result.columns else _what_to_ask(result))
    return joined([*lines, *problem_words(result.catalogue, result.unread)])


def _asked(result: Answer) -> Iterator[str]:
    if not result.saved:
        cells = [[_cell(value) for value in row] for row in result.rows]
        right = [k for k, numeric in enumerate(result.numeric) if numeric]
        yield from table([cut(name, _WIDE) for name in result.columns], cells, right=right)
        yield ""
    more = result.count - len(result.rows)
    hint = f"; {more:,} are not shown: --csv FILE or --parquet FILE writes all" if more and not result.saved else ""
    yield f"{plural(result.count, 'row')} from {result.catalogue.title}{hint}"
    if result.saved:
        yield f"saved as {listed(result.saved)}"


def _what_to_ask(result: Answer) -> Iterator[str]:
    runs = plural(len(result.catalogue.runs), "run")
    yield f"{result.catalogue.title}: {runs}, {plural(len(result.channels), 'channel')}. Ask in SQL, for example:"
    channel = result.channels[0] if result.channels else "oil_pressure"
    quoted = channel if channel.isidentifier() else f'"{channel}"'
    sql = f"select run, max(value) from {quoted} where valid group by run order by run"  # noqa: S608  (an example)
    yield f"  buswright season query '{sql}'"
    yield ""
    yield f"Each channel is a table with the columns {listed(COLUMNS, len(COLUMNS))}:"
    yield from (f"  {each}" for each in result.channels)
    yield "Other tables (names with a dot in double quotes):"
    yield from (f"  {each}" for each in result.tables)


def _cell(value: Any) -> str:
    if value is None:
        return "–"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(" ", "milliseconds").replace("+00:00", "Z")
    return cut(str(value), _WIDE)


def render_json(result: Answer) -> dict[str, Any]:
    """Return the document that `season query` prints with --json."""
    head: dict[str, Any] = {"schema": SCHEMA, "action": "query", "season": result.catalogue.title}
    head |= {"problems": plain(result.catalogue.faults), "unread": list(result.unread)}
    if not result.columns:
        return {**head, "tables": list(result.tables), "channels": list(result.channels)}
    return {
        **head,
        "columns": list(result.columns),
        "rows": [
            [each.isoformat() if isinstance(each, datetime) else plain(each) for each in row] for row in result.rows
        ],
        "count": result.count,
        "saved": list(result.saved),
    }
