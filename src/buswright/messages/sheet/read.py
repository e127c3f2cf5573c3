"""A data-sheet table in, a database out: what can't be taken is said with its row, its column and what to try."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.messages.dbc.text import MAX_BYTES
from buswright.messages.model import J1939, NO_CHOICES, Database, LintNote, Message, Node, Signal
from buswright.messages.sheet import cells, words
from buswright.messages.sheet.cells import CellError, Identifier
from buswright.messages.sheet.grid import Grid, Row, read_grid
from buswright.messages.sheet.reading import AGAINST, READINGS, Entry, signal_of
from buswright.messages.sheet.words import BY_NAME

_NAME = re.compile(r"[^A-Za-z0-9_]+")
_MOST_BIT = 8 * MAX_BYTES
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Frame:
    """What a table says of one message.

    Attributes
    ----------
    row
        Where it is named first.
    identifier, extended
        As the table has it; None where nothing says how many bits it has.
    said
        Cells of the columns that speak of the message, by column.
    entries
        Its signals.
    """

    row: int
    identifier: Identifier
    extended: bool | None
    said: dict[str, str]
    entries: list[Entry] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Table:
    """A table, understood but for the conventions that makers differ in.

    Attributes
    ----------
    path
        The file.
    frames
        Its messages.
    base
        10 or 16: how identifiers without a mark are read, unless a reading says otherwise.
    notes
        What could not be taken, or is worth knowing.
    """

    path: str
    frames: tuple[Frame, ...]
    base: int
    notes: tuple[LintNote, ...]


def load_table(path: Path) -> Table:
    """Read a table.

    Raises
    ------
    DatabaseError
        It can't be read, or has no heads that are known.
    """
    return _Reader(read_grid(path)).table()


def database_of(table: Table, readings: Collection[str] = ()) -> Database:
    """Make the database that a table describes.

    Parameters
    ----------
    readings
        Names in `READINGS`: conventions other than the usual.

    Raises
    ------
    DatabaseError
        There is no such reading, or two contradict each other.
    """
    chosen = frozenset(readings)
    for unknown in sorted(chosen - READINGS.keys()):
        raise DatabaseError(f"there is no reading {unknown!r}", hint=f"one of {', '.join(READINGS)}")
    for one, other in AGAINST:
        if {one, other} <= chosen:
            raise DatabaseError(f"{one} and {other} contradict each other", hint="take one of them")
    base = 16 if "id-hex" in chosen else 10 if "id-decimal" in chosen else table.base
    notes = list(table.notes)
    messages = [
        message for frame in table.frames if (message := _message(table.path, frame, base, chosen, notes)) is not None
    ]
    names = dict.fromkeys(sender for message in messages for sender in message.senders)
    return Database(
        paths=(table.path,),
        messages=tuple(messages),
        nodes=tuple(map(Node, names)),
        notes=tuple(sorted(notes, key=lambda note: note.line)),
    )


def _note(
    path: str, row: int, severity: Severity, text: str, hint: str, message: str = "", signal: str = ""
) -> LintNote:
    return LintNote("table", severity, message, signal, path, row, text, hint)


def _message(path: str, frame: Frame, base: int, readings: frozenset[str], notes: list[LintNote]) -> Message | None:
    said = frame.said
    try:
        identifier, extended = frame.identifier.value(base, frame.extended)
    except CellError as error:
        text = f"column id: {frame.identifier.digits!r} {error.wrong}; its message is left out"
        notes.append(_note(path, frame.row, Severity.FAULT, text, error.hint, said.get("message", "")))
        return None
    name = said.get("message") or f"ID_{identifier:X}"
    signals = []
    for entry in frame.entries:
        try:
            signals.append(signal_of(entry, readings))
        except CellError as error:
            text = f"{entry.signal.name}: {error.wrong}; the signal is left out"
            notes.append(_note(path, entry.row, Severity.FAULT, text, error.hint, name, entry.signal.name))
    signals = list(_selected(path, name, signals, frame, notes))
    needed = -(-max((signal.end_bit for signal in signals), default=0) // 8)
    length = int(said["message bytes"]) if "message bytes" in said else None
    protocol = said.get("protocol", "").upper()
    if length is None and signals:
        text = f"{name}: no length is given: {needed} bytes, as its signals need"
        notes.append(_note(path, frame.row, Severity.NOTE, text, "add a column DLC", name))
    j1939 = protocol == "J1939"
    bytes_ = needed if length is None else length
    return Message(
        name=name,
        id=identifier,
        extended=extended,
        length=bytes_,
        signals=tuple(signals),
        fd=protocol == "CAN FD" or (not j1939 and 8 < bytes_ <= 64),
        cycle_time_ms=float(said["period"]) if "period" in said else None,
        send_type=said.get("sent", ""),
        senders=tuple(filter(None, re.split(r"[,;]\s*", said.get("sender", "")))),
        protocol=J1939 if j1939 else "",
        comment=said.get("message comment", ""),
        attributes=MappingProxyType(cells.attributes(said.get("message attributes", ""))),
        path=path,
        line=frame.row,
    )


def _selected(path: str, name: str, signals: list[Signal], frame: Frame, notes: list[LintNote]) -> Iterator[Signal]:
    """Give multiplexed signals the signal that selects them."""
    named = {signal.multiplexer for signal in signals if signal.multiplexer}
    signals = [replace(signal, is_multiplexer=True) if signal.name in named else signal for signal in signals]
    selectors = [signal.name for signal in signals if signal.is_multiplexer]
    for signal in signals:
        if not signal.mux_values or signal.multiplexer in selectors:
            yield signal
            continue
        others = [each for each in selectors if each != signal.name]
        if signal.multiplexer is None and len(others) == 1:
            yield replace(signal, multiplexer=others[0])
            continue
        wrong = "no signal of its message selects it" if not others else f"{len(others)} signals could select it"
        hint = "write M as the multiplexer value of the signal that selects, or name it in a column multiplexer"
        row = next((entry.row for entry in frame.entries if entry.signal.name == signal.name), frame.row)
        text = f"{signal.name}: {wrong}; the signal is left out"
        notes.append(_note(path, row, Severity.FAULT, text, hint, name, signal.name))


class _Reader:
    def __init__(self, grid: Grid) -> None:
        self._grid = grid
        self._places = {head.column.name: place for place, head in grid.heads.items()}
        self._hints = {head.column.name: head.hint for head in grid.heads.values()}
        self._notes: list[LintNote] = []
        self._frames: dict[tuple[str, str], Frame] = {}
        self._renamed: set[str] = set()
        texts = [text for row in grid.rows if (text := self._cell(row, "bits"))]
        # "Bits" without any range, and nothing else that says how long a signal is: how many there are.
        self._bits_are_lengths = (
            "bits" in self._places
            and words.squeezed(grid.heads[self._places["bits"]].text) == "bits"
            and not {"length", "start bit"} & self._places.keys()
            and all(text.isdecimal() and text != "0" for text in texts)
        )

    def table(self) -> Table:
        grid = self._grid
        if grid.unknown:
            names = ", ".join(repr(name[:40]) for name in grid.unknown[:12])
            text = f"not used: columns {names}" + (f" and {len(grid.unknown) - 12} more" if grid.unknown[12:] else "")
            self._say(0, Severity.NOTE, text, "`buswright guide database` lists the columns that are read")
        if grid.passed_over:
            text = f"other sheets of the workbook are not read: {', '.join(grid.passed_over[:12])}"
            self._say(0, Severity.NOTE, text, "save each as a file of its own")
        current: Frame | None = None
        for row in grid.rows:
            current = self._frame(row, current)
            if current is not None:
                self._row(row, current)
        unmarked = [frame.identifier for frame in self._frames.values() if not frame.identifier.marked]
        hint = self._hints.get("id", "")
        base = 16 if hint.startswith("hex") or any(each.only_hex for each in unmarked) else 10
        return Table(grid.path, tuple(self._frames.values()), base, tuple(self._notes))

    def _say(self, row: int, severity: Severity, text: str, hint: str) -> None:
        self._notes.append(_note(self._grid.path, row, severity, text, hint))

    def _cell(self, row: Row, column: str) -> str:
        return row.cells.get(self._places.get(column, ""), "")

    def _wrong(self, row: Row, column: str, error: CellError, consequence: str) -> None:
        head = self._grid.heads[self._places[column]].text.strip()
        shown = self._cell(row, column)[:40]
        text = f"column {head!r}: {shown!r} {error.wrong}; {consequence}"
        self._say(row.number, Severity.FAULT, text, error.hint)

    def _read(self, row: Row, column: str, read: Callable[..., _T], *arguments: Any) -> _T | None:
        """Read a cell; None where it is empty; `_LeftOutError`, the cell reported, where it isn't understood."""
        text = self._cell(row, column)
        if not text or (text in ("-", "–", "—", "n/a", "N/A") and column != "sign"):
            return None
        try:
            return read(text, *arguments)
        except CellError as error:
            self._wrong(row, column, error, "the row is left out")
            raise _LeftOutError from None

    def _frame(self, row: Row, current: Frame | None) -> Frame | None:
        """Return the message that a row speaks of; None, the row reported, where that isn't known."""
        text, name = self._cell(row, "id"), self._cell(row, "message")
        named = self._named(name, row) if name else ""
        if not text:
            if name and (current is None or current.said.get("message", named) != named):
                known = [frame for frame in self._frames.values() if frame.said.get("message") == named]
                if known:
                    return known[0]
                self._say(row.number, Severity.FAULT, f"message {name[:40]!r} has no identifier; the row is left out",
                          "write the identifier into each message's first row")  # fmt: skip
                return None
            if current is None:
                self._say(row.number, Severity.FAULT, "no identifier is given; the row is left out",
                          "write the identifier into each message's first row")  # fmt: skip
            return current
        try:
            identifier = cells.identifier(text)
        except CellError as error:
            self._wrong(row, "id", error, "the row is left out")
            return None
        digits = identifier.digits.upper()
        goes_on = current is not None and current.identifier.digits.upper() == digits
        key = digits, named or (current.said.get("message", "") if current is not None and goes_on else "")
        if key not in self._frames:
            try:
                extended = self._read(row, "extended", cells.yes)
            except _LeftOutError:
                extended = None
            self._frames[key] = Frame(row.number, identifier, extended, {"message": named} if named else {})
        return self._frames[key]

    def _row(self, row: Row, frame: Frame) -> None:
        try:
            self._of_message(row, frame)
            if self._cell(row, "signal"):
                frame.entries.append(self._entry(row))
            elif any(self._cell(row, column) for column in ("start bit", "start byte", "bits", "length")):
                text = "a place in the payload without a signal's name; the row is left out"
                self._say(row.number, Severity.FAULT, text, "name the signal")
        except _LeftOutError:
            return

    def _of_message(self, row: Row, frame: Frame) -> None:
        found: dict[str, object] = {
            "message bytes": self._read(row, "message bytes", cells.whole, MAX_BYTES),
            "period": self._read(row, "period", cells.period_ms, self._hints.get("period", "") or
                                 ("hz" if self._is_rate() else "")),
        }  # fmt: skip
        for column in ("sender", "sent", "protocol", "message comment"):
            found[column] = self._cell(row, column) or None
        if self._read(row, "message attributes", cells.attributes):
            found["message attributes"] = self._cell(row, "message attributes")
        for column, value in found.items():
            if value is None:
                continue
            before = frame.said.setdefault(column, str(value))
            if before != str(value):
                text = f"{BY_NAME[column].name} {str(value)[:40]!r} differs from {before[:40]!r} in row {frame.row}"
                self._say(row.number, Severity.SUSPECT, f"{text}; the first is used", "correct one of them")

    def _is_rate(self) -> bool:
        head = self._grid.heads[self._places["period"]].text.lower() if "period" in self._places else ""
        return "rate" in head or "freq" in head

    def _named(self, text: str, row: Row) -> str:
        """Make a name that a DBC can hold, and say so once."""
        name = _NAME.sub("_", text.strip()).strip("_") if _NAME.search(text.strip()) else text.strip()
        if not name or name[0].isdigit():
            name = f"_{name}"
        if name != text.strip() and text not in self._renamed:
            self._renamed.add(text)
            self._say(row.number, Severity.NOTE, f"{text.strip()[:60]!r} is written {name}",
                      "names have letters, digits and _, no digit first")  # fmt: skip
        return name

    def _entry(self, row: Row) -> Entry:
        name = self._named(self._cell(row, "signal"), row)
        kind = self._read(row, "sign", cells.kind) or cells.Kind()
        order = self._read(row, "order", cells.big_endian)
        big = order if order is not None else bool(kind.big_endian)
        bytes_ = self._read(row, "start byte", cells.span, MAX_BYTES)
        start = self._read(row, "start bit", cells.span, _MOST_BIT)
        bits = self._read(row, "bits", cells.span, _MOST_BIT)
        is_range = False
        if start is not None and start[0] != start[1]:
            bits, start = start, None
        if start is None and bits is not None:
            start, is_range = bits, True
        length = self._length(row, kind)
        if is_range and bits is not None and self._bits_are_lengths:
            start, is_range, length = None, False, bits[0]
        if is_range and start is not None and start[0] == start[1] and length is not None:
            is_range = False  # one bit number beside a length is where it starts
        return Entry(
            row=row.number,
            signal=self._signal(row, name, kind, big=big),
            first_byte=bytes_[0] if bytes_ else None,
            last_byte=bytes_[1] if bytes_ and bytes_[1] != bytes_[0] else None,
            bits=start,
            is_range=is_range,
            length=length,
        )

    def _length(self, row: Row, kind: cells.Kind) -> int | None:
        length = self._read(row, "length", cells.whole, _MOST_BIT)
        if length is None:
            return kind.length
        in_bytes = self._hints.get("length") == "bytes" or "byte" in self._cell(row, "length").lower()
        return 8 * length if in_bytes else length

    def _signal(self, row: Row, name: str, kind: cells.Kind, *, big: bool) -> Signal:
        scale = self._read(row, "scale", cells.number)
        divisor = self._read(row, "divisor", cells.number)
        if scale is None and divisor is not None:
            if divisor == 0:
                self._wrong(row, "divisor", CellError("is 0", "write a number: 10"), "the row is left out")
                raise _LeftOutError
            scale = 1 / divisor
        span = self._read(row, "range", cells.limits) or (None, None)
        low, high = self._read(row, "minimum", cells.number), self._read(row, "maximum", cells.number)
        selects, values = self._read(row, "multiplexer value", cells.mux_values) or (False, ())
        initial = self._read(row, "initial", cells.number)
        multiplexer = self._cell(row, "multiplexer")
        return Signal(
            name=name,
            start=0,
            length=0,
            big_endian=big,
            signed=kind.signed,
            is_float=kind.is_float,
            scale=1 if scale is None else scale,
            offset=self._read(row, "offset", cells.number) or 0,
            minimum=span[0] if low is None else float(low),
            maximum=span[1] if high is None else float(high),
            unit=self._cell(row, "unit").replace('"', "'"),
            comment=self._cell(row, "comment"),
            choices=MappingProxyType(self._read(row, "values", cells.choices) or {}) or NO_CHOICES,
            initial=None if initial is None else float(initial),
            is_multiplexer=selects,
            multiplexer=self._named(multiplexer, row) if multiplexer else None,
            mux_values=values,
            receivers=tuple(filter(None, re.split(r"[,;]\s*|\s+", self._cell(row, "receivers")))),
            spn=self._read(row, "spn", cells.whole, 1 << 19),
            attributes=MappingProxyType(self._read(row, "signal attributes", cells.attributes) or {}),
            line=row.number,
        )


class _LeftOutError(Exception):
    """A row can't be used, and that was reported."""
