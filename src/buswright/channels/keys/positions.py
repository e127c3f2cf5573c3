"""Where each key and value of a TOML text stands.

The standard library reads TOML but keeps no positions. This scanner walks a text that `tomllib` has accepted and
notes line and column of every key path: dotted and quoted keys, inline tables, arrays over several lines, arrays of
tables. It interprets nothing. Of a text that `tomllib` refused it notes what stands before the fault, and which
bracket or quote is still open there.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

KeyPath = tuple[str | int, ...]
"""`("channel", "oil", "caution", "low")`; array items are counted from 0."""

_INLINE_SPACE = re.compile(r"[ \t]*+")
_BLANK = re.compile(r"(?:[ \t\n]++|#[^\n]*+)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]++")
_QUOTED_KEY = re.compile(r""""(?:[^"\\\n]++|\\.)*"|'[^'\n]*+'""")
_STRING = re.compile(
    r'''"""(?:[^"\\]++|\\.|"(?!""))*"{3,5}'''  # a multi-line string may end in two quotes of its own
    r"""|'''(?:[^']++|'(?!''))*'{3,5}"""
    r"""|"(?!"")(?:[^"\\\n]++|\\.)*"|'(?!'')[^'\n]*+'|""(?!")|''(?!')""",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\[\]{}\"'#\n=]++")


class Position(NamedTuple):
    """A place in a text; both numbers count from 1, the column in characters."""

    line: int
    column: int


START = Position(1, 1)

MOST_DEPTH = 64
"""Longest key path looked at: paths of a text nested for malice's sake would fill the memory."""
MOST_ITEMS = 10_000
"""Most items of one array whose places are kept."""


@dataclass(frozen=True, slots=True)
class Positions:
    """Positions by key path.

    Attributes
    ----------
    keys
        Where the key (for array items: the item) stands. A table that several headers mention stands at its own.
    values
        Where the value begins.
    ends
        Where a value behind its key, or an item of an array, ends: the place behind its last character.
    still_open
        The innermost bracket or quote that the text never closes; None in valid TOML.
    """

    keys: Mapping[KeyPath, Position]
    values: Mapping[KeyPath, Position]
    ends: Mapping[KeyPath, Position] = field(default_factory=dict)
    still_open: Position | None = None

    def of_key(self, path: KeyPath) -> Position:
        """Position of the key, or of the nearest table around it."""
        return _nearest(self.keys, path)

    def of_value(self, path: KeyPath) -> Position:
        """Position of the value, or of the nearest table around it."""
        return _nearest(self.values, path)


def _nearest(positions: Mapping[KeyPath, Position], path: KeyPath) -> Position:
    for length in range(len(path), 0, -1):
        if found := positions.get(path[:length]):
            return found
    return START


def find_positions(text: str) -> Positions:
    """Find every key path of a TOML text.

    Parameters
    ----------
    text
        The text as `tomllib.loads` takes it; lines end in LF or CRLF.

    Returns
    -------
    Positions
        Complete for valid TOML, otherwise up to the fault.
    """
    scanner = _Scanner(text.replace("\r\n", "\n"))
    try:
        scanner.document()
        still_open = None
    except (_UnexpectedTextError, RecursionError):
        still_open = scanner.position(scanner.open[-1]) if scanner.open else None
    return Positions(scanner.keys, scanner.values, scanner.ends, still_open)


class _UnexpectedTextError(Exception):
    """The text isn't TOML from here on."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line_starts = [0, *(match.end() for match in re.finditer("\n", text))]
        self.keys: dict[KeyPath, Position] = {}
        self.values: dict[KeyPath, Position] = {}
        self.ends: dict[KeyPath, Position] = {}
        self.open: list[int] = []  # offsets of brackets and quotes not closed yet
        self.tables_in: dict[KeyPath, int] = {}  # [[name]] headers seen, by path

    def position(self, offset: int) -> Position:
        line = bisect_right(self.line_starts, offset)
        return Position(line, offset - self.line_starts[line - 1] + 1)

    def document(self) -> None:
        table: KeyPath = ()
        self.skip(_BLANK)
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.assignment(table)
            self.skip(_BLANK)

    def header(self) -> KeyPath:
        start = self.at
        self.open.append(start)
        many = self.text.startswith("[[", start)
        self.at += 2 if many else 1
        parts = self.dotted_key()
        self.expect("]]" if many else "]")
        self.open.pop()
        path: KeyPath = ()
        for depth, (name, offset) in enumerate(parts):
            path = (*path, name)
            last = depth == len(parts) - 1
            if last and not many:  # a table's own header wins over one of its sub-tables that came first
                self.keys[path] = self.position(offset)
                self.values[path] = self.position(start)
            else:
                self.note(path, offset, offset)
            if last and many:
                self.tables_in[path] = self.tables_in.get(path, 0) + 1
            if path in self.tables_in:
                path = (*path, self.tables_in[path] - 1)
                self.note(path, offset, start)
        return path

    def assignment(self, table: KeyPath) -> None:
        parts = self.dotted_key()
        self.expect("=")
        self.skip(_INLINE_SPACE)
        path = table
        for name, offset in parts:
            path = (*path, name)
            self.note(path, offset, offset)
        self.values[path] = self.position(self.at)
        self.value(path)
        self.note_end(path)

    def note(self, path: KeyPath, key: int, value: int) -> None:
        if len(path) > MOST_DEPTH:
            raise _UnexpectedTextError
        self.keys.setdefault(path, self.position(key))
        self.values.setdefault(path, self.position(value))

    def note_end(self, path: KeyPath) -> None:
        end = self.at
        while self.text[end - 1] in " \t":  # a number takes the blanks behind it along
            end -= 1
        self.ends[path] = self.position(end)

    def dotted_key(self) -> list[tuple[str, int]]:
        """Read `a."b".c`; return each part with its offset."""
        parts = []
        while True:
            self.skip(_INLINE_SPACE)
            start = self.at
            if match := _BARE_KEY.match(self.text, start):
                name = match.group()
            elif match := _QUOTED_KEY.match(self.text, start):
                name = _unquoted(match.group())
            else:
                raise _UnexpectedTextError
            self.at = match.end()
            parts.append((name, start))
            self.skip(_INLINE_SPACE)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def value(self, path: KeyPath) -> None:
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self.array(path)
        elif opening == "{":
            self.inline_table(path)
        elif opening and opening in "\"'":
            self.open.append(self.at)
            self.skip_over(_STRING)
            self.open.pop()
        else:
            self.skip_over(_SCALAR)

    def array(self, path: KeyPath) -> None:
        self.open.append(self.at)
        self.at += 1
        index = 0
        self.skip(_BLANK)
        while not self.text.startswith("]", self.at):
            if index < MOST_ITEMS:
                self.note((*path, index), self.at, self.at)
            self.value((*path, index))
            if index < MOST_ITEMS:
                self.note_end((*path, index))
            index += 1
            self.skip(_BLANK)
            if not self.text.startswith(",", self.at):
                break
            self.at += 1
            self.skip(_BLANK)
        self.expect("]")
        self.open.pop()

    def inline_table(self, path: KeyPath) -> None:
        self.open.append(self.at)
        self.at += 1
        self.skip(_BLANK)  # newer TOML lets inline tables run over lines
        while not self.text.startswith("}", self.at):
            self.assignment(path)
            self.skip(_BLANK)
            if not self.text.startswith(",", self.at):
                break
            self.at += 1
            self.skip(_BLANK)
        self.expect("}")
        self.open.pop()

    def skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        assert match is not None  # both blank patterns match the empty text
        self.at = match.end()

    def skip_over(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise _UnexpectedTextError
        self.at = match.end()

    def expect(self, closing: str) -> None:
        if not self.text.startswith(closing, self.at):
            raise _UnexpectedTextError
        self.at += len(closing)


def _unquoted(token: str) -> str:
    if "\\" not in token:
        return token[1:-1]
    try:
        return str(tomllib.loads(f"key = {token}")["key"])
    except tomllib.TOMLDecodeError as error:
        raise _UnexpectedTextError from error
