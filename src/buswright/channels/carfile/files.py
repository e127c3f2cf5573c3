"""The files behind a car: its own text, whatever state that is in, and the databases it names."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from buswright.channels.carfile.model import Bus
from buswright.channels.keys.faults import FaultLog, nearest, shown
from buswright.channels.keys.positions import START, KeyPath, Position, Positions
from buswright.errors import CarFileError, DatabaseError
from buswright.messages.database import load_database
from buswright.messages.model import Database, merge

MOST_BYTES = 1 << 20
"""Largest car file; a full one has some tens of kilobytes, and a stranger's shall not fill the memory."""
MOST_DATABASE_BYTES = 16 << 20
"""Largest database of a stranger's car file."""
MOST_KEY_PARTS = 12
"""Longest dotted key; the parser's time grows with the square of it."""

_LONG_KEY = re.compile(
    rf"(?<![A-Za-z0-9_-])(?:(?:[A-Za-z0-9_-]++|\"[^\"\n]*+\"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{MOST_KEY_PARTS}}}"
)
_SYNTAX_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")


def read_bytes(
    path: Path, *, untrusted: bool, what: str = "a car file", maker: str = "buswright draft makes one from a capture"
) -> bytes:
    """Return the bytes of a car file, or of another file that people write: `what` it is, and what makes one.

    Raises
    ------
    CarFileError
        There is no such file, it can't be read, it is too large, or (`untrusted`) it is a link out of its folder.
    """
    try:
        if path.is_dir():
            toml = sorted(path.glob("*.toml"))
            hint = f"did you mean {toml[0]}?" if toml else "name the file"
            raise CarFileError(f"{path}: is a folder, not {what}", hint=hint)
        if untrusted:
            if not path.is_file():
                raise FileNotFoundError  # a pipe or a device would be read for ever
            if not path.resolve().is_relative_to(path.parent.resolve()):
                raise CarFileError(f"{path}: is a link to a file outside its folder", hint="leave --untrusted out")
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError:
        there = [other.name for other in path.parent.glob("*.toml")] if path.parent.is_dir() else []
        found = nearest(path.name, there) or (there[0] if len(there) == 1 else None)
        hint = f"did you mean {path.parent / found}?" if found else maker
        raise CarFileError(f"{path}: there is no such file", hint=hint) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise CarFileError(f"{path}: can't be read: {reason}", hint="check the path") from None
    if len(data) > MOST_BYTES:
        raise CarFileError(f"{path}: has more than {MOST_BYTES >> 20} MiB, so it is not {what}")
    return data


def decode(data: bytes) -> tuple[str, Position | None, str]:
    """Return the text of a car file; for bytes that aren't UTF-8 also where and what they are.

    A byte order mark is left out.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "", START, "is UTF-16, not UTF-8"
    try:
        return data.decode("utf-8-sig"), None, ""
    except UnicodeDecodeError as error:
        before = data[: error.start]
        line_start = before.rfind(b"\n") + 1
        place = Position(before.count(b"\n") + 1, len(before[line_start:].decode("utf-8", "replace")) + 1)
        looks_like = data[error.start : error.start + 1].decode("cp1252", "replace")
        return "", place, f"holds a byte that isn't UTF-8 (0x{data[error.start]:02X}, in Windows text {looks_like!r})"


def parse(text: str, positions: Positions, log: FaultLog) -> dict[str, Any] | None:
    """Return the TOML document; None where it isn't TOML, with the fault logged."""
    if long_key := _LONG_KEY.search(text):
        line = text.count("\n", 0, long_key.start()) + 1
        log.at(Position(line, 1), f"a key has more than {MOST_KEY_PARTS} parts", "write tables under headers")
        return None
    try:
        document = tomllib.loads(text)
    except RecursionError:
        log.at(positions.still_open or START, "brackets are nested too deeply to be read")
        return None
    except tomllib.TOMLDecodeError as error:
        _log_syntax(str(error), text, positions, log)
        return None
    except ValueError:  # the parser lets Python's refusal of endless digits through
        log.at(START, "a number has thousands of digits")
        return None
    before = len(log.faults)
    for at, value in _walk(document):
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            log.error(at, f"{shown(value)} doesn't fit the 64 bits of a TOML number")
    return document if len(log.faults) == before else None


def _walk(document: dict[str, Any]) -> Iterator[tuple[KeyPath, object]]:
    """Yield every value that is no table or array; without recursion, because dotted keys nest without brackets."""
    waiting: list[tuple[KeyPath, object]] = [((), document)]
    while waiting:
        at, value = waiting.pop()
        if isinstance(value, dict):
            waiting += [((*at, name), item) for name, item in value.items()]
        elif isinstance(value, list):
            waiting += [((*at, index), item) for index, item in enumerate(value)]
        else:
            yield at, value


# Beginnings of the parser's messages, longer ones first, in plain words, and what helps.
_SYNTAX: Mapping[str, tuple[str, str]] = {
    "Invalid value": ("what stands here is not a value", 'text stands in quotes: unit = "mm"'),
    "Invalid statement": ("this line is not TOML", "a line is key = value, or a [table], or a # comment"),
    "Expected '=' after a key": (
        "a = is missing behind the key",
        "a line is key = value; keys with spaces need quotes",
    ),
    "Expected newline or end of document": (
        "something is left over behind the value",
        "one key = value a line; decimals with a point (0.5); text in quotes",
    ),
    "Cannot overwrite a value": ("this key stands here twice", "remove one of the two"),
    "Cannot declare": ("this table stands here twice", "put all its keys under one header"),
    "Cannot mutate immutable namespace": ("this table was already complete", "put all its keys in one place"),
    "Cannot redefine namespace": ("this table was already complete", "put all its keys in one place"),
    "Unescaped '\\' in a string": (
        "a backslash in double quotes begins a special character",
        "write paths with /, or in single quotes: 'dbc\\engine.dbc'",
    ),
    "Invalid hex value": (
        "a backslash in double quotes begins a special character",
        "write paths with /, or in single quotes: 'dbc\\user.dbc'",
    ),
    "Unterminated string": ("a quote is not closed", "text ends with the quote it began with, on the same line"),
    'Expected "': ("a quote is not closed", "text in three quotes ends with three quotes"),
    "Expected \"'": ("a quote is not closed", "text ends with the quote it began with, on the same line"),
    "Illegal character": ("a character that TOML does not allow here", "text ends with its quote on the same line"),
    "Unclosed array": ("an array is not closed, or a comma is missing in it", "[1.0, 2.0]"),
    "Unclosed inline table": ("a { } is not closed, or a comma is missing in it", "{ low = 1.0, high = 2.0 }"),
    "Duplicate inline table key": ("this key stands twice in { }", "remove one of the two"),
    "Expected ']]": ("a table header is not closed", "write [[calibration_log]]"),
    "Expected ']": ("a table header is not closed", "write [channel.oil]"),
    "Invalid initial character for a key part": (
        "no key can begin like this",
        "keys are letters, digits, _ and -; others need quotes; { } stays on one line, without a comma at its end",
    ),
    "Invalid date or datetime": ("there is no such date", "dates are year-month-day: 2026-04-02"),
    "Found invalid character '\\n'": (
        "a quote is not closed",
        "text ends with the quote it began with, on the same line",
    ),
    "Found invalid character": ("a character that TOML does not allow here", ""),
}


def _log_syntax(message: str, text: str, positions: Positions, log: FaultLog) -> None:
    """Log the parser's one fault in plain words, where the reader will look for it."""
    match = _SYNTAX_PLACE.search(message)
    bare = message[: match.start()] if match else message
    if match and match.group(1):
        place = Position(int(match.group(1)), int(match.group(2)))
    else:
        lines = text.rstrip().split("\n")
        place = Position(len(lines), len(lines[-1]) + 1)
    plain, hint = next((words for start, words in _SYNTAX.items() if bare.startswith(start)), (bare, ""))
    if bare.startswith(("Cannot overwrite", "Duplicate inline")):
        line = text.split("\n")[place.line - 1]
        plain = f"{shown(line.partition('=')[0].strip())}: {plain}"
    opened = positions.still_open
    if opened and opened.line < place.line:
        plain += f"; what was opened on line {opened.line}, column {opened.column} is still open"
    elif names := re.search(r"\(('[^)]*')\,?\)", bare):
        plain = f"[{names.group(1).replace(chr(39), '').replace(', ', '.').rstrip(',')}]: {plain}"
    log.at(place, plain, hint)


def resolve(text: str, folder: Path, *, untrusted: bool) -> tuple[Path | None, str, str]:
    """Return the path that a car file names, or None with what is wrong and what to try.

    `text`: the path as written; `untrusted`: refuse paths that lead outside `folder`, by links too.
    """
    try:
        path = (folder / Path(text).expanduser() if not untrusted else folder / text).resolve()
        if untrusted and not path.is_relative_to(folder.resolve()):
            return (
                None,
                f"{shown(text)} leads outside the folder of the car file",
                ("an untrusted car file reads nothing else; copy the file next to it"),
            )
        if path.is_file():
            if untrusted and path.stat().st_size > MOST_DATABASE_BYTES:
                return None, f"{shown(text)} has more than {MOST_DATABASE_BYTES >> 20} MiB", ""
            return path, "", ""
        if path.is_dir():
            return None, f"{shown(text)} is a folder", "name the file"
        there = [other.name for other in path.parent.iterdir()] if path.parent.is_dir() else []
    except (OSError, ValueError, RuntimeError):  # endless links, null characters, names too long
        return None, f"{shown(text)} is not a path that can be read", ""
    hint = "paths are relative to the car file"
    if found := nearest(path.name, there):
        hint = f"did you mean {shown((Path(text).parent / found).as_posix())}?"
    elif "\\" in text:
        hint = "write paths with / so that they work on every system"
    return None, f"there is no file {shown(text)}", hint


def load_databases(buses: Mapping[str, Bus], log: FaultLog, *, untrusted: bool) -> dict[str, Database]:
    """Load the databases of every bus.

    Parameters
    ----------
    buses
        By name; their databases still as written.
    log
        Gets a fault for every path and file that can't be read, at its place.

    Returns
    -------
    dict
        By bus; a bus of which a database is missing is left out, because nothing can be said about its messages.
    """
    loaded: dict[Path, Database] = {}
    by_bus = {}
    for bus in buses.values():
        parts = []
        for index, name in enumerate(str(path) for path in bus.databases):
            at = ("bus", bus.name, "databases", index)
            if not log.sound(*at):
                continue
            path, wrong, hint = resolve(name, log.path.parent, untrusted=untrusted)
            if path is None:
                log.error(at, wrong, hint)
                continue
            try:
                loaded[path] = loaded.get(path) or load_database(path)
            except DatabaseError as error:
                log.error(at, error.message.replace(str(path), name), error.hint)
                continue
            parts.append(loaded[path])
        if parts and len(parts) == len(bus.databases):
            by_bus[bus.name] = merge(parts)
    return by_bus
