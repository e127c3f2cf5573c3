"""What every reader shares: the state of one pass over a capture, whole-line chunks, and slow-path rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

from buswright.frames.table import (
    FD_CODE_OF_LENGTH,
    MAX_BUSES,
    NO_LONG_PAYLOAD,
    NO_LONG_ROWS,
    Clock,
    Event,
    Flag,
    Frames,
    Int32s,
    Int64s,
    Problems,
    UInt8s,
    UInt32s,
)

CHUNK_BYTES = 1 << 20
"""Text is read in pieces of this size: small enough for the cache, large enough for NumPy."""
PAD = 160
"""Newlines after the valid bytes of a chunk, so that wide loads near the end stay inside the buffer."""
LEAD = 16
"""Newlines before them, for loads that end at a field."""
LONGEST_LINE = 1 << 20
"""A "line" longer than this is junk: it is reported once and passed over."""


@dataclass(slots=True)
class Reading:
    """The state of one pass over one capture; a reader fills it while it yields batches.

    Attributes
    ----------
    path
        As shown to the user.
    problems, events
        Collected in the order of the capture.
    buses
        Interface names in order of appearance; a frame's bus index points into it.
    clock
        Set by the reader once it knows.
    timezone
        Zone assumed for dates written without one: "UTC", "local", an IANA name, or "+02:00".
    metadata
        What the header says, for `contents`: format version, comment, date as written.
    stamped_by
        What put the stamps on the frames, where the recording says it beside its file; else empty.
    bytes_read
        Bytes of the file on disk consumed so far, for progress.
    """

    path: str
    problems: Problems = field(default_factory=Problems)
    events: list[Event] = field(default_factory=list)
    buses: list[str] = field(default_factory=list)
    clock: Clock = field(default_factory=Clock)
    timezone: str = "UTC"
    metadata: dict[str, str] = field(default_factory=dict)
    stamped_by: str = ""
    bytes_read: int = 0
    _bus_index: dict[str, int] = field(default_factory=dict)

    def bus(self, name: str) -> int:
        """Return the index of an interface name, giving it one when it is new.

        A capture of one car has a handful of names; names beyond the 254th (a damaged file invents them)
        share one bus called "(more)", and that is noted as a problem. What can't be printed in a name (it may
        steer a terminal) is spelled out.
        """
        index = self._bus_index.get(name)
        if index is None:
            if not name.isprintable():
                return self.bus(name.encode("unicode_escape").decode("ascii"))
            if len(self.buses) >= MAX_BUSES - 1:
                self.problems.add(f"more than {MAX_BUSES - 1} interface names", self.path, 0, name, lost=False)
                name = "(more)"
                if name in self._bus_index:
                    return self._bus_index[name]
            index = self._bus_index[name] = len(self.buses)
            self.buses.append(name)
        return index


@dataclass(slots=True)
class Chunk:
    """Whole lines of text as bytes.

    Attributes
    ----------
    data : uint8[size + PAD]
        The bytes; everything from `size` on is a newline. The last valid byte is a newline.
    size
        Valid bytes.
    first_line
        1-based number of the first line.
    unterminated
        The last line had no newline of its own: the file ends in mid-line.
    buffer : uint8[LEAD + size + PAD]
        What `data` is a view of: the same with newlines in front.
    """

    data: UInt8s
    size: int
    first_line: int
    unterminated: bool
    buffer: UInt8s


def read_chunks(stream: BinaryIO, reading: Reading, size: int = CHUNK_BYTES) -> Iterator[Chunk]:
    """Yield the stream as chunks of whole lines; a lone carriage return ends no line.

    A line longer than `LONGEST_LINE` is counted as a problem and passed over. A stream that breaks in the
    middle (a truncated gzip file) ends the capture with a problem; what came before it is kept.
    """
    rest = b""
    line = 1
    skipping = False
    at_start = True
    while True:
        try:
            block = stream.read(size)
        except (EOFError, OSError, ValueError) as fault:
            reading.problems.add(f"file breaks off: {_plain(fault)}", reading.path, line)
            block = b""
        if at_start:
            block, at_start = block.removeprefix(b"\xef\xbb\xbf"), False
        ended = not block
        text = rest + block
        if ended:
            if text and not skipping:
                yield _chunk(text + b"\n", line, unterminated=True)
            return
        cut = text.rfind(b"\n") + 1
        rest = text[cut:]
        if skipping and cut:
            first = text.find(b"\n") + 1
            text, cut, skipping = text[first:], cut - first, False
            line += 1
        if cut:
            chunk = _chunk(text[:cut], line)
            yield chunk
            line += int(np.count_nonzero(chunk.data[:cut] == 10))
        if len(rest) > LONGEST_LINE or (skipping and rest):
            if not skipping:
                reading.problems.add("line too long", reading.path, line, rest[:200])
            skipping, rest = True, b""


def _chunk(text: bytes, line: int, *, unterminated: bool = False) -> Chunk:
    buffer = np.empty(LEAD + len(text) + PAD, dtype=np.uint8)
    buffer[:LEAD] = 10
    buffer[LEAD : LEAD + len(text)] = np.frombuffer(text, dtype=np.uint8)
    buffer[LEAD + len(text) :] = 10
    return Chunk(buffer[LEAD:], len(text), line, unterminated, buffer)


def _plain(fault: BaseException) -> str:
    return str(fault).splitlines()[0] if str(fault) else type(fault).__name__


class Rows:
    """Frames collected one by one on a slow path, with the place of each among its chunk's lines."""

    def __init__(self) -> None:
        self.place: list[int] = []
        self._time_ns: list[int] = []
        self._bus: list[int] = []
        self._id: list[int] = []
        self._flags: list[int] = []
        self._dlc: list[int] = []
        self._payload: list[bytes] = []

    def __len__(self) -> int:
        return len(self.place)

    def add(self, place: int, time_ns: int, bus: int, identifier: int, flags: int, dlc: int, payload: bytes) -> None:
        """Append a frame; `payload` is at most 64 bytes."""
        self.place.append(place)
        self._time_ns.append(time_ns)
        self._bus.append(bus)
        self._id.append(identifier)
        self._flags.append(flags)
        self._dlc.append(dlc)
        self._payload.append(payload)

    def columns(self) -> Columns:
        """Return the rows as columns, in the order they were added."""
        n = len(self.place)
        columns = Columns.of_size(n)
        columns.time_ns[:] = self._time_ns
        columns.bus[:] = self._bus
        columns.id[:] = self._id
        columns.flags[:] = self._flags
        columns.dlc[:] = self._dlc
        columns.length[:] = [len(p) for p in self._payload]
        joined = b"".join(p[:8].ljust(8, b"\0") for p in self._payload)
        columns.payload[:] = np.frombuffer(joined, dtype=np.uint8).reshape(n, 8)
        long = [k for k, p in enumerate(self._payload) if len(p) > 8]
        if long:
            columns.long_row = np.array(long, dtype=np.int32)
            wide = b"".join(self._payload[k].ljust(64, b"\0") for k in long)
            columns.long_payload = np.frombuffer(wide, dtype=np.uint8).reshape(-1, 64).copy()
        return columns


@dataclass(slots=True)
class Columns:
    """Writable columns of a batch that is being built; see `Frames` for their meaning."""

    time_ns: Int64s
    bus: UInt8s
    id: UInt32s
    flags: UInt8s
    dlc: UInt8s
    length: UInt8s
    payload: UInt8s
    long_row: Int32s = field(default_factory=lambda: NO_LONG_ROWS)
    long_payload: UInt8s = field(default_factory=lambda: NO_LONG_PAYLOAD)

    @classmethod
    def of_size(cls, n: int) -> Columns:
        """Return uninitialised columns for n frames."""
        return cls(
            time_ns=np.empty(n, dtype=np.int64),
            bus=np.empty(n, dtype=np.uint8),
            id=np.empty(n, dtype=np.uint32),
            flags=np.empty(n, dtype=np.uint8),
            dlc=np.empty(n, dtype=np.uint8),
            length=np.empty(n, dtype=np.uint8),
            payload=np.empty((n, 8), dtype=np.uint8),
        )

    def __len__(self) -> int:
        return int(self.time_ns.shape[0])

    def take(self, rows: npt.NDArray[np.intp]) -> Columns:
        """Return some rows, in ascending order."""
        taken = Columns(*(getattr(self, name)[rows] for name in COLUMN_NAMES))
        if len(self.long_row):
            is_long = np.isin(self.long_row, rows)
            taken.long_row = np.searchsorted(rows, self.long_row[is_long]).astype(np.int32)
            taken.long_payload = self.long_payload[is_long]
        return taken

    def freeze(self, buses: list[str]) -> Frames:
        """Return the batch; the columns must not be written afterwards."""
        return Frames(
            self.time_ns,
            self.bus,
            self.id,
            self.flags,
            self.dlc,
            self.length,
            self.payload,
            tuple(buses),
            self.long_row,
            self.long_payload,
        )


COLUMN_NAMES = ("time_ns", "bus", "id", "flags", "dlc", "length", "payload")


def join(parts: list[Columns]) -> Columns:
    """Put column sets behind one another."""
    if len(parts) == 1:
        return parts[0]
    joined = Columns(*(np.concatenate([getattr(part, name) for part in parts]) for name in COLUMN_NAMES))
    starts = np.cumsum([0, *(len(part) for part in parts[:-1])])
    joined.long_row = np.concatenate(
        [part.long_row + start for part, start in zip(parts, starts, strict=True)], dtype=np.int32, casting="same_kind"
    )
    joined.long_payload = np.concatenate([part.long_payload for part in parts])
    return joined


def interleave(parts: list[tuple[Columns, npt.NDArray[np.int64]]], n_lines: int) -> Columns:
    """Merge column sets by their place among the lines of a chunk.

    Parameters
    ----------
    parts
        Pairs of columns and the line number (0-based in the chunk, int) of each of their rows; no line
        occurs twice.
    n_lines
        Lines in the chunk.
    """
    parts = [part for part in parts if len(part[0])]
    if len(parts) == 1:
        return parts[0][0]
    row_of_line = np.full(n_lines, -1, dtype=np.int64)
    for _, place in parts:
        row_of_line[place] = 0
    row_of_line[row_of_line >= 0] = np.arange(np.count_nonzero(row_of_line >= 0))
    total = sum(len(columns) for columns, _ in parts)
    merged = Columns.of_size(total)
    long_rows, long_payloads = [], []
    for columns, place in parts:
        rows = row_of_line[place]
        for name in COLUMN_NAMES:
            getattr(merged, name)[rows] = getattr(columns, name)
        if len(columns.long_row):
            long_rows.append(rows[columns.long_row])
            long_payloads.append(columns.long_payload)
    if long_rows:
        where = np.concatenate(long_rows)
        order = np.argsort(where, kind="stable")
        merged.long_row = where[order].astype(np.int32)
        merged.long_payload = np.concatenate(long_payloads)[order]
    return merged


def fd_length_code(length: int) -> int:
    """Return the CAN FD length code for a payload of `length` bytes; the next larger one if it has none."""
    return int(FD_CODE_OF_LENGTH[length])


SniffFunction = Callable[[bytes, str], bool]
"""(first bytes after decompression, file name) -> whether the file looks like this format."""
ReadFunction = Callable[[BinaryIO, Reading], Iterator[Frames]]
"""(stream, state) -> batches in the order of the file."""


@dataclass(frozen=True, slots=True)
class Format:
    """A capture format: how to recognise it and how to read it.

    Attributes
    ----------
    name
        As the user sees it.
    needs_path
        The reader opens `reading.path` by itself (formats read through another library).
    """

    name: str
    sniff: SniffFunction
    read: ReadFunction
    needs_path: bool = False


REMOTE_OR_ERROR = np.uint8(Flag.REMOTE | Flag.ERROR)
"""Frames that carry no signals."""
