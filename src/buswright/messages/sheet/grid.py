"""Tables as rows of cells: CSV, TOML and XLSX in, the same out; nothing of what stands in a cell is understood here."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from buswright.errors import DatabaseError
from buswright.messages.sheet import xlsx
from buswright.messages.sheet.words import Head, are_heads, heads_of

ENDINGS = (".csv", ".tsv", ".txt", ".toml", ".xlsx")
MOST_BYTES = 32 << 20
MOST_ROWS = 200_000
_MOST_CELL = 1 << 20
_SEARCHED_ROWS = 60
"""Rows in which the heads are looked for: titles and notes stand above them."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row below the heads.

    Attributes
    ----------
    number
        1-based row of the file; of a TOML file, the how-manieth entry.
    cells
        What stands in it, by the head's place.
    """

    number: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of a file.

    Attributes
    ----------
    path
        The file; for a workbook with its sheet.
    heads
        Columns that are understood, by their place.
    unknown
        Heads that aren't.
    rows
        All rows that hold anything.
    passed_over
        Other sheets of the workbook.
    """

    path: str
    heads: Mapping[str, Head]
    unknown: tuple[str, ...]
    rows: tuple[Row, ...]
    passed_over: tuple[str, ...] = ()


def is_table(path: Path) -> bool:
    """Whether a file's name says that it holds a table."""
    return path.suffix.lower() in ENDINGS


def read_grid(path: Path) -> Grid:
    """Read the table of a file.

    Raises
    ------
    DatabaseError
        It can't be read, is damaged or too large, or no row has heads that are known.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise DatabaseError(f"{path}: more than {MOST_BYTES >> 20} MB", hint="keep only the table in the file")
        data = path.read_bytes()
    except OSError as error:
        hint = "check the path, and that it is a file"
        raise DatabaseError(f"can't read table {path}: {error.strerror or error}", hint=hint) from error
    if data[:4] == b"PK\x03\x04":
        return _of_sheets(str(path), xlsx.sheets(data, str(path)))
    text = _decoded(data)
    if path.suffix.lower() == ".toml":
        return _of_toml(str(path), text)
    return _found(str(path), _csv_rows(str(path), text))


def _decoded(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _csv_rows(path: str, text: str) -> list[tuple[int, list[str]]]:
    """Split at the sign that splits most: comma, semicolon, tabulator or bar."""
    start = text[:20_000]
    sign = max(",;\t|", key=start.count)
    rows: list[tuple[int, list[str]]] = []
    csv.field_size_limit(_MOST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sign)
    begun = 1
    try:
        for cells in reader:
            rows.append((begun, cells))
            begun = reader.line_num + 1
            if len(rows) > MOST_ROWS:
                raise DatabaseError(f"{path}: more than {MOST_ROWS:,} rows", hint="keep only the table in the file")
    except csv.Error as error:
        raise DatabaseError(f"{path}:{reader.line_num}: {error}", hint="save the table again as CSV") from error
    return rows


def _of_sheets(path: str, sheets: Mapping[str, list[tuple[int, list[str]]]]) -> Grid:
    """Take the first sheet with a table."""
    for name, rows in sheets.items():
        try:
            found = _found(f"{path}[{name}]", rows)
        except DatabaseError:
            continue
        return Grid(found.path, found.heads, found.unknown, found.rows, tuple(each for each in sheets if each != name))
    raise _no_heads(path)


def _found(path: str, rows: Sequence[tuple[int, list[str]]]) -> Grid:
    for place, (_, cells) in enumerate(rows[:_SEARCHED_ROWS]):
        named = {str(k): text for k, text in enumerate(cells)}
        heads = heads_of(named)
        if are_heads(heads):
            below = (
                Row(number, MappingProxyType({str(k): text.strip() for k, text in enumerate(each) if text.strip()}))
                for number, each in rows[place + 1 :]
            )
            unknown = tuple(text.strip() for k, text in named.items() if text.strip() and k not in heads)
            return Grid(path, heads, unknown, tuple(row for row in below if row.cells))
    raise _no_heads(path)


def _no_heads(path: str) -> DatabaseError:
    return DatabaseError(
        f"{path}: no row names the columns: an identifier or message, and where each signal lies",
        hint="name the columns as in id, message, signal, start bit, length, order, sign, scale, offset, unit",
    )


def _of_toml(path: str, text: str) -> Grid:
    """Take every array of tables at the top."""
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise DatabaseError(f"{path}: {error}", hint="correct this line; each entry begins with [[signal]]") from error
    entries = [
        each for value in content.values() if isinstance(value, list) for each in value if isinstance(each, dict)
    ]
    names = dict.fromkeys(name for entry in entries for name in entry)
    heads = heads_of({name: name for name in names})
    if not are_heads(heads):
        raise _no_heads(path)
    rows = tuple(
        Row(k, MappingProxyType({name: _cell(value) for name, value in entry.items() if _cell(value)}))
        for k, entry in enumerate(entries, 1)
    )
    return Grid(path, heads, tuple(name for name in names if name not in heads), rows)


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(map(_cell, value))
    if isinstance(value, dict):
        return "; ".join(f"{name}={_cell(each)}" for name, each in value.items())
    return str(value).strip()


def grid_bytes(path: Path, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """Write a table as the ending of its name says.

    Raises
    ------
    DatabaseError
        The ending stands for no table.
    """
    ending = path.suffix.lower()
    if ending == ".xlsx":
        return xlsx.workbook(heads, rows)
    if ending == ".toml":
        names = [head.replace(" ", "_") for head in heads]
        entries = (
            "\n".join(["[[signal]]", *(f"{n} = {_string(t)}" for n, t in zip(names, row, strict=True) if t)])
            for row in rows
        )
        return ("\n\n".join(entries) + "\n").encode()
    if ending in (".csv", ".tsv", ".txt"):
        stream = io.StringIO(newline="")
        writer = csv.writer(stream, delimiter="," if ending == ".csv" else "\t", lineterminator="\n")
        writer.writerow(heads)
        writer.writerows(rows)
        return stream.getvalue().encode()
    raise DatabaseError(f"{path}: tables are {', '.join(ENDINGS)} files", hint="choose one of these endings")


def _string(text: str) -> str:
    # JSON's strings are TOML's basic strings, but for DEL, which TOML doesn't take as it is.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
