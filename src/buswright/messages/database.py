"""Database files in, our own frozen data out. The only module that imports cantools."""

from __future__ import annotations

import logging
import math
import os
import re
import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages import kept
from buswright.messages.dbc import text as dbc_text
from buswright.messages.model import (
    J1939,
    NO_CHOICES,
    NOBODY,
    Database,
    LintNote,
    Message,
    Node,
    Signal,
    merge,
)

if TYPE_CHECKING:
    from cantools.database.can.database import Database as LibraryDatabase
    from cantools.database.can.message import Message as LibraryMessage
    from cantools.database.can.signal import Signal as LibrarySignal

PathLike = str | os.PathLike[str]

KNOWN_FORMATS = ("dbc", "kcd", "sym", "arxml")
_LEAST_TRIED = 1_500_000
"""Characters, some seconds' worth."""
_XML_ENCODING = re.compile(rb"<\?xml[^>]*\bencoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"']")
_DECLARATION = re.compile(r"^<\?xml[^>]*\?>")
_POSITION = re.compile(r"\s+at line \d+, column \d+")
_ABSURD = re.compile(r"\b(?:length|offset)\s*=\s*[\"']\d{6,}|<(?:BIT-)?LENGTH>\s*\d{6,}|\bD?Len\s*=\s*\d{6,}")
"""A length of KCD, ARXML or SYM that no message has; a DBC loses the one statement."""
_MARK = re.compile(r">>!<<")


def open_database(*paths: PathLike | Sequence[PathLike], encoding: str | None = None) -> Database:
    """Load the database files of one bus as one database; see `load_database`.

    Examples
    --------
    >>> database = open_database("chassis.dbc", "dash.dbc")  # doctest: +SKIP
    >>> database.find("DAMPERS_A").signal("AIN1").unit  # doctest: +SKIP
    'V'
    """
    flat: list[PathLike] = []
    for path in paths:
        flat += [path] if isinstance(path, (str, os.PathLike)) else path
    if not flat:
        raise DatabaseError("no database file was named", hint="name at least one, e.g. chassis.dbc")
    return merge(load_database(path, encoding=encoding) for path in flat)


def load_database(path: PathLike, *, encoding: str | None = None) -> Database:
    """Load a DBC, KCD, SYM or ARXML file.

    Overlaps and signals beyond the payload don't keep a message from loading; `lint` lists them. What in a DBC is
    so broken that it can't be loaded is left out, and stands in the result's `notes` with its line.

    Parameters
    ----------
    encoding
        Of the text; by default UTF-8 if it is valid UTF-8, else the Windows code page 1252, so that units such as
        °C come out right for both.

    Raises
    ------
    DatabaseError
        The file can't be read, or nothing in it can be loaded.
    """
    path = Path(path)
    text, used = _read_text(path, encoding)
    key = kept.key_of(str(path), used, text)
    found = kept.find(key)
    if found is None:
        found = _loaded(path, text, used)
        kept.keep(key, found)
    return found


def _loaded(path: Path, text: str, used: str) -> Database:
    suffix = path.suffix[1:].lower()
    known = suffix if suffix in KNOWN_FORMATS else None
    if absurd := _ABSURD.search(text):
        line = text.count("\n", 0, absurd.start()) + 1
        said = " ".join(absurd[0].split())[:60]
        raise DatabaseError(
            f"{path}:{line}: {said}: more than {dbc_text.MAX_BYTES} bytes are not taken", hint="correct this length"
        )
    if known == "dbc" or (known is None and re.search(r"^\s*BO_\s+\d", text, re.MULTILINE)):
        return _load_dbc(str(path), text, used)
    try:
        library = _load_text(text, known)  # raises whatever its parsers do
    except Exception as error:
        formats = ", ".join(known.upper() for known in KNOWN_FORMATS)
        raise DatabaseError(f"{path}: {_reason(error, known)}", hint=f"databases are {formats} files") from error
    return _converted(library, str(path), used, [], ())


def database_of_text(text: str, path: str) -> Database:
    """Load the text of a DBC; see `load_database`.

    Parameters
    ----------
    path
        What to call it where something is wrong.
    """
    return _load_dbc(path, text, "utf-8")


def dbc_text_of(path: PathLike) -> str | None:
    """Return the text of a DBC file, decoded; None if the file is no DBC.

    Raises
    ------
    DatabaseError
        The file can't be read.
    """
    return _read_text(Path(path), None)[0] if Path(path).suffix.lower() == ".dbc" else None


def part_of(path: PathLike, messages: Iterable[Message]) -> bytes | None:
    """Return a DBC file with only some of its messages, in its own encoding; None if the file is no DBC.

    Raises
    ------
    DatabaseError
        The file can't be read.
    """
    path = Path(path)
    if path.suffix.lower() != ".dbc":
        return None
    text, encoding = _read_text(path, None)
    wanted = tuple(messages)
    senders = dict.fromkeys(sender for message in wanted for sender in message.senders)
    return dbc_text.only(text, {each.id | each.extended << 31 for each in wanted}, senders).encode(encoding)


def _read_text(path: Path, encoding: str | None) -> tuple[str, str]:
    """Read a file as text, and say in which encoding."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DatabaseError(
            f"can't read database {path}: {error.strerror or error}", hint="check the path, and that it is a file"
        ) from error
    if encoding is None:
        declared = _XML_ENCODING.search(content[:200])
        tried = ["utf-16"] if content[:2] in (b"\xff\xfe", b"\xfe\xff") else ["utf-8-sig"]
        tried += [declared[1].decode("ascii")] if declared else []
        for candidate in tried:
            try:
                # Without the line that names an encoding: the text is decoded already.
                return _DECLARATION.sub("", content.decode(candidate), count=1), candidate.removesuffix("-sig")
            except (UnicodeDecodeError, LookupError):
                continue
        encoding = "cp1252"
    try:
        return content.decode(encoding, errors="replace"), encoding
    except LookupError as error:
        raise DatabaseError(f"{path}: unknown text encoding {encoding!r}", hint="try utf-8 or cp1252") from error


def _load_text(text: str, file_format: str | None) -> LibraryDatabase:
    """Hand a text to cantools, in file order and without its checks."""
    import cantools.database

    # Its warnings repeat what lint says; without a handler they would be printed.
    logging.getLogger("cantools").addHandler(_SILENT)
    loaded = cantools.database.load_string(text, file_format, strict=False, sort_signals=None)
    if not isinstance(loaded, cantools.database.Database):
        raise DatabaseError("describes diagnostic data, not frames")
    return loaded


_SILENT = logging.NullHandler()


def _reason(error: Exception, file_format: str | None) -> str:
    """Say what kept a text from loading, on one line, without positions in the text tried."""
    cause = getattr(error, f"e_{file_format}", None) or error
    said = _MARK.sub("⟨here⟩ ", _POSITION.sub("", str(cause) or type(cause).__name__)).strip('"')
    return " ".join(said.split())


def _load_dbc(path: str, text: str, encoding: str) -> Database:
    parts = dbc_text.statements(text)
    if not parts:
        raise DatabaseError(f"{path} holds no DBC statement", hint="is this a database file?")
    parts, refused = dbc_text.without_excess(parts)
    if refused:
        text = "".join(part.text for part in parts)
    try:
        if any(map(dbc_text.objection, parts)):
            raise ValueError
        library = _load_text(text + dbc_text.END, "dbc")
    except Exception as error:
        loadable, broken = dbc_text.without_broken(parts, _attempts(4 * len(text)))
        refused += broken
        first = min(refused, key=lambda each: each.statement.line, default=None)
        wrong = f":{first.statement.line}: {first.reason}" if first else f": {_reason(error, 'dbc')}"
        unusable = DatabaseError(path + wrong, hint="nothing in this file could be loaded")
        try:
            library = _load_text(loadable, "dbc")
        except Exception:  # noqa: BLE001
            raise unusable from error
        if not library.messages:
            raise unusable from error
        lost = {id(r.statement) for r in refused}
        parts = [s for s in parts if id(s) not in lost]
    return _converted(library, path, encoding, parts, tuple(_note(path, r) for r in refused))


def _attempts(characters: int) -> dbc_text.Attempt:
    """Return what tries to load texts until that were too many characters: a hostile file may be broken everywhere."""
    left = max(characters, _LEAST_TRIED)

    def attempt(text: str) -> str:
        nonlocal left
        left -= len(text)
        if left < 0:
            return "not tried: too much of this file is broken"
        try:
            _load_text(text, "dbc")
        except Exception as error:  # noqa: BLE001 - any failure is a reason
            return _reason(error, "dbc")
        return ""

    return attempt


def _note(path: str, refused: dbc_text.Refused) -> LintNote:
    statement = refused.statement
    shown = " ".join(statement.text.split())[:80]
    words = statement.text.split()
    return LintNote(
        rule="not-loaded",
        severity=Severity.FAULT,
        message=words[2].rstrip(":") if statement.keyword == "BO_" and len(words) > 2 else "",
        signal=statement.signal,
        path=path,
        line=statement.line,
        text=f"left out: {shown!r}: {refused.reason}",
        hint="correct this line; everything else of the file is used",
    )


def _converted(
    library: LibraryDatabase,
    path: str,
    encoding: str,
    parts: list[dbc_text.Statement],
    notes: tuple[LintNote, ...],
) -> Database:
    """Turn what cantools loaded into our own data, with the lines where things stand."""
    attributes = _attributes(library.dbc)
    speaks_j1939 = "J1939" in str(attributes.get("ProtocolType", "")).upper()
    places = _places(parts)
    if len(places) != len(library.messages):
        places = [(0, {})] * len(library.messages)
    messages = tuple(
        _message(message, path, place, speaks_j1939) for message, place in zip(library.messages, places, strict=True)
    )
    bitrates = [bus.baudrate for bus in library.buses if bus.baudrate]
    return Database(
        paths=(path,),
        messages=messages,
        nodes=tuple(Node(node.name, node.comment or "") for node in library.nodes),
        version=library.version or "",
        bitrate=int(bitrates[0]) if bitrates else None,
        attributes=attributes,
        encoding=encoding,
        notes=notes,
    )


def _places(parts: Iterable[dbc_text.Statement]) -> list[tuple[int, dict[int, int]]]:
    """For each message in file order: its line, and the lines of its signals by their place in it."""
    places: list[tuple[int, dict[int, int]]] = []
    wanted = False
    for statement in parts:
        if statement.keyword == "BO_":
            wanted = dbc_text.UNASSIGNED not in statement.text
            if wanted:
                places.append((statement.line, {}))
        elif statement.keyword == "SG_" and wanted:
            lines = places[-1][1]
            lines[len(lines)] = statement.line
    return places


def _message(message: LibraryMessage, path: str, place: tuple[int, dict[int, int]], speaks_j1939: bool) -> Message:
    line, signal_lines = place
    attributes = _attributes(message.dbc)
    j1939 = message.protocol == J1939 or (
        speaks_j1939 and message.is_extended_frame and "VFrameFormat" not in attributes
    )
    signals: list[Signal] = []
    taken = {signal.name for signal in message.signals}
    used: Counter[str] = Counter()
    for index, signal in enumerate(message.signals):
        converted = _signal(signal, signal_lines.get(index, 0))
        used[signal.name] += 1
        if used[signal.name] > 1:
            while (name := f"{signal.name}_{used[signal.name]}") in taken:
                used[signal.name] += 1
            taken.add(name)
            converted = replace(converted, name=name, renamed_from=signal.name)
        signals.append(converted)
    return Message(
        name=message.name,
        id=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        signals=tuple(signals),
        fd=message.is_fd or (not j1939 and 8 < message.length <= 64),
        cycle_time_ms=_cycle_time(message),
        send_type=message.send_type or "",
        senders=tuple(sender for sender in message.senders if sender != NOBODY),
        protocol=J1939 if j1939 else "",
        comment=message.comment or "",
        attributes=attributes,
        is_container=message.is_container,
        path=path,
        line=line,
    )


def _signal(signal: LibrarySignal, line: int) -> Signal:
    choices = {int(raw): str(text) for raw, text in (signal.choices or {}).items()}
    return Signal(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=signal.is_signed,
        is_float=signal.is_float,
        scale=_bounded(signal.scale),
        offset=_bounded(signal.offset),
        minimum=_number(signal.minimum),
        maximum=_number(signal.maximum),
        unit=signal.unit or "",
        comment=signal.comment or "",
        choices=MappingProxyType(choices) if choices else NO_CHOICES,
        initial=_number(signal.raw_initial),
        invalid=_number(signal.raw_invalid),
        is_multiplexer=signal.is_multiplexer,
        multiplexer=signal.multiplexer_signal,
        mux_values=_ranges(signal.multiplexer_ids or ()),
        receivers=tuple(receiver for receiver in signal.receivers if receiver != NOBODY),
        spn=signal.spn,
        attributes=_attributes(signal.dbc),
        line=line,
    )


def _cycle_time(message: LibraryMessage) -> float | None:
    """Return the period in milliseconds; None where there is none, or something else in its place."""
    try:
        cycle = float(message.cycle_time or 0)
    except (TypeError, ValueError, OverflowError):
        return None
    return cycle if 0 < cycle < math.inf else None


def _number(value: Any) -> float | None:
    return None if value is None else float(_bounded(value))


def _bounded(value: float) -> float:
    """Return a number of a file; a whole one that no float can hold as an infinite one."""
    return (
        (math.inf if value > 0 else -math.inf) if isinstance(value, int) and abs(value) > sys.float_info.max else value
    )


def _ranges(values: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """Join single values to inclusive ranges."""
    ranges: list[tuple[int, int]] = []
    for value in sorted(values):
        if ranges and value == ranges[-1][1] + 1:
            ranges[-1] = (ranges[-1][0], value)
        else:
            ranges.append((value, value))
    return tuple(ranges)


def _attributes(specifics: Any) -> Mapping[str, object]:
    """Attributes by name; an enumeration's index becomes its word."""
    values: dict[str, object] = {}
    for name, attribute in ((specifics and specifics.attributes) or {}).items():
        value, words = attribute.value, attribute.definition.choices
        values[name] = words[value] if words and isinstance(value, int) and 0 <= value < len(words) else value
    return MappingProxyType(values)
