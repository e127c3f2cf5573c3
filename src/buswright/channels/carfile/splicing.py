"""Putting values, keys and tables into a TOML text; every other character stays, down to the line endings.

The places come from the scanner of `keys.positions`, which the messages about faults need anyway. A library that keeps
comments was measured instead (tomlkit 0.15.2, over this module's own tests and the example car): it rewrites lines that
nobody touched (a date before a closing brace loses its blank, twice in the example car), puts a new table behind the
comment that heads the next one and without an empty line, mixes line ends in a file with those of Windows, and gives a
text that can't be read when a list of inline tables grows. It takes as long (40 ms to read 760 lines).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from buswright.channels.carfile.rendering import Table, key, rendered
from buswright.channels.keys.faults import written
from buswright.channels.keys.positions import KeyPath, Position, find_positions
from buswright.errors import CarFileError

BYTE_ORDER_MARK = "\ufeff"
_HINT = "write its tables under headers of their own, like [channel.NAME]"


@dataclass(frozen=True, slots=True)
class Put:
    """Give a key of a table a value; a table as value goes on one line.

    Attributes
    ----------
    table
        Where it stands: `("channel", "oil")`.
    key, value
        The key, and plain data for it. A table that stood there under the same key is replaced.
    """

    table: tuple[str, ...]
    key: str
    value: object


@dataclass(frozen=True, slots=True)
class Drop:
    """Take a key out of a table, with the comment behind it; nothing happens where it isn't."""

    table: tuple[str, ...]
    key: str


Change = Put | Drop | Table
"""One change. A `Table` is put in as it is written."""


def changed(text: str, changes: Iterable[Change]) -> str:
    """Return a TOML text with changes made.

    Parameters
    ----------
    text
        The text, without a byte order mark.
    changes
        What to change, in this order; but whole tables last.

    Raises
    ------
    CarFileError
        It is no TOML, or written in a way that this can't be changed, e.g. all channels in one inline table.
    """
    tables: list[Table] = []
    for change in changes:
        if isinstance(change, Table):
            entries = None if change.name else _parsed(text).get(change.group)
            if not entries or any(path == (change.group,) for _, path in _headers(text)):
                tables.append(change)
                continue
            (values,) = tomllib.loads(change.text)[change.group]
            change = Put((change.group,), "", values)
        wanted = _wanted(_parsed(text), change)
        text = _with_change(text, change)
        if _parsed(text) != wanted:
            place = written((*change.table, change.key))
            raise CarFileError(f"{place} can't be changed in this car file as it is written", hint=_HINT)
    return with_tables(text, tables) if tables else text


def with_tables(text: str, tables: Iterable[Table]) -> str:
    """Return a car file's text with new tables put in, each behind the last of its group, else at the end.

    Every old line stays as it is and in its order, down to its line ending.

    Raises
    ------
    CarFileError
        The file is written in a way that nothing can be added to, e.g. all channels in one inline table.
    """
    lines, ending = _lines(text)
    headers = _headers(text)
    places: dict[int, list[Table]] = {}
    for table in tables:
        places.setdefault(_place(table.group, headers, lines), []).append(table)
    new: list[str] = []
    for number in range(len(lines) + 1):
        for table in places.get(number, ()):
            blank = [""] if number or new else []
            new += [f"{line}{ending}" for line in [*blank, *table.text.split("\n")]]
        new += lines[number : number + 1]
    joined = "".join(new)
    _parsed(joined)
    return joined


def _lines(text: str) -> tuple[list[str], str]:
    """Return the lines with their endings, each complete, and the ending of a new one."""
    ending = "\r\n" if "\r\n" in text else "\n"
    lines = [f"{line}\n" for line in text.split("\n")]
    lines[-1] = lines[-1][:-1]
    if lines[-1]:
        lines[-1] += ending
    else:
        lines.pop()
    return lines, ending


def _parsed(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text.removeprefix(BYTE_ORDER_MARK).replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        raise CarFileError(
            f"nothing can be added to this car file as it is written: {error}",
            hint=_HINT,
        ) from None


def as_written(text: str, group: str, name: str) -> Table | None:
    """Return a table of a car file with the comments on and right above it; None if it isn't under one header alone.

    `text`: the car file, without a byte order mark; `group`, `name`: as in `[group.name]`.
    """
    lines = [line.rstrip("\r") for line in text.split("\n")]
    headers = _headers(text)
    row = next((row for row, path in headers if path == (group, name)), None)
    if row is None:
        return None
    last, first = _last_line(lines, row, headers), row
    while first and lines[first - 1].startswith("#"):
        first -= 1
    table = Table(group, name, "\n".join(lines[first : last + 1]))
    alone = tomllib.loads(table.text) == {group: {name: _parsed(text)[group][name]}}
    return table if alone else None


# -- values and keys ----------------------------------------------------------------------------------------------


def _wanted(document: dict[str, Any], change: Put | Drop) -> dict[str, Any]:
    """Make a change in what was read: the text has to say this afterwards."""
    table: Any = document
    for name in change.table:
        table = table.get(name) if isinstance(table, dict) else None
    if isinstance(table, list):
        table.append(change.value if isinstance(change, Put) else None)
    elif not isinstance(table, dict):
        raise CarFileError(f"there is no [{'.'.join(map(key, change.table))}] in this car file", hint="add it first")
    elif isinstance(change, Drop):
        table.pop(change.key, None)
    else:
        table[change.key] = tomllib.loads(f"value = {rendered(change.value)}")["value"]
    return document


def _with_change(text: str, change: Put | Drop) -> str:
    table: Any = _parsed(text)
    for name in change.table:
        table = table[name]
    scan = _Scan.of(text)
    path = (*change.table, change.key)
    if isinstance(table, list):
        assert isinstance(change, Put)
        return scan.inserted(scan.ends[(*change.table, len(table) - 1)], f", {rendered(change.value)}")
    old = table.get(change.key)
    if isinstance(old, dict) and path not in scan.ends:
        return _with_keys(text, change, old)
    if old is not None and path in scan.ends:
        return scan.replaced(path, change.value) if isinstance(change, Put) else scan.without(path)
    return scan.with_key(change, list(table)) if isinstance(change, Put) else text


def _with_keys(text: str, change: Put | Drop, old: Mapping[str, object]) -> str:
    """Change a table under a header of its own, or of dotted keys, key by key: its comments stay."""
    table = (*change.table, change.key)
    new = change.value if isinstance(change, Put) and isinstance(change.value, Mapping) else {}
    for name, value in new.items():
        text = _with_change(text, Put(table, name, value))
    for name in old:
        if name not in new:
            text = _with_change(text, Drop(table, name))
    return text


@dataclass(frozen=True, slots=True)
class _Scan:
    """A text and the places in it.

    Attributes
    ----------
    lines
        With their endings, each complete.
    ending
        That of a new line.
    headers
        Line (from 0) and path of each table header.
    keys, values, ends
        Places by path, see `keys.positions`.
    """

    lines: list[str]
    ending: str
    headers: list[tuple[int, tuple[str, ...]]]
    keys: Mapping[KeyPath, Position]
    values: Mapping[KeyPath, Position]
    ends: Mapping[KeyPath, Position]

    @classmethod
    def of(cls, text: str) -> _Scan:
        positions = find_positions(text)
        return cls(*_lines(text), _headers(text), positions.keys, positions.values, positions.ends)

    def between(self, start: Position, end: Position, new: str) -> str:
        """Put a text in the place of another."""
        before = "".join(self.lines[: start.line - 1]) + self.lines[start.line - 1][: start.column - 1]
        after = self.lines[end.line - 1][end.column - 1 :] + "".join(self.lines[end.line :])
        return before + new.replace("\n", self.ending) + after

    def inserted(self, place: Position, new: str) -> str:
        return self.between(place, place, new)

    def replaced(self, path: KeyPath, value: object) -> str:
        return self.between(self.values[path], self.ends[path], rendered(value))

    def with_line(self, row: int, new: str) -> str:
        """Put lines in before one."""
        return "".join([*self.lines[:row], new.replace("\n", self.ending), self.ending, *self.lines[row:]])

    def with_key(self, change: Put, others: Sequence[str]) -> str:
        """Put a new key behind the others of its table."""
        new = f"{key(change.key)} = {rendered(change.value)}"
        header = next((row for row, path in [(-1, ()), *self.headers] if path == change.table), None)
        if header is not None:
            return self.with_line(_last_line(self.lines, header, self.headers) + 1, new)
        if change.table in self.ends:  # a table on one line
            if not others:
                return self.replaced(change.table, {change.key: change.value})
            return self.inserted(self.ends[*change.table, others[-1]], f", {new}")
        # Dotted keys: behind one of them, named as it is.
        end = next((self.ends[place] for name in others if (place := (*change.table, name)) in self.ends), None)
        if end is None:
            raise CarFileError(f"{written(change.table)} can't be added to as it is written", hint=_HINT)
        above: tuple[str, ...] = next((path for row, path in reversed(self.headers) if row < end.line), ())
        dotted = ".".join(key(name) for name in change.table[len(above) :])
        return self.with_line(end.line, f"{dotted}.{new}")

    def without(self, path: KeyPath) -> str:
        """Take a key out: its line with the comment on it, or its place in a table on one line."""
        start, end = self.keys[path], self.ends[path]
        if path[:-1] not in self.ends:
            return "".join([*self.lines[: start.line - 1], *self.lines[end.line :]])
        line = self.lines[end.line - 1]
        behind = line[end.column - 1 :]
        if behind.lstrip().startswith(","):
            behind = behind.lstrip()[1:].lstrip()
            return self.between(start, Position(end.line, len(line) - len(behind) + 1), "")
        before = self.lines[start.line - 1][: start.column - 1].rstrip().removesuffix(",")
        return self.between(Position(start.line, len(before) + 1), end, "")


# -- places of tables ---------------------------------------------------------------------------------------------


def _headers(text: str) -> list[tuple[int, tuple[str, ...]]]:
    """Return line (from 0) and path of every table header, in order; entries of a list by the list's name."""
    positions = find_positions(text.removeprefix(BYTE_ORDER_MARK))
    lines = text.removeprefix(BYTE_ORDER_MARK).split("\n")
    found: dict[int, tuple[str, ...]] = {}
    for path, (line, column) in positions.values.items():
        row = line - 1
        if path not in positions.ends and row < len(lines) and lines[row][column - 1 : column] == "[":
            found[row] = tuple(part for part in path if isinstance(part, str))
    return sorted(found.items())


def _place(group: str, headers: Sequence[tuple[int, tuple[str, ...]]], lines: Sequence[str]) -> int:
    """Return before which line (from 0) tables of a group go: behind the last of them, else at the end."""
    rows = [row for row, path in headers if path[0] == group]
    if not rows:
        return len(lines)
    following = next((row for row, _ in headers if row > rows[-1]), len(lines))
    last = _last_line(lines, rows[-1], headers)
    # Comments right below the table's last line belong to it: keys commented out, say.
    while last + 1 < following and lines[last + 1].lstrip().startswith("#"):
        last += 1
    return last + 1


def _last_line(lines: Sequence[str], header: int, headers: Sequence[tuple[int, tuple[str, ...]]]) -> int:
    """Return the last line (from 0) of a table that is neither blank nor a comment."""
    last = next((row for row, _ in headers if row > header), len(lines)) - 1
    while last > header and lines[last].strip()[:1] in ("", "#"):
        last -= 1
    return last
