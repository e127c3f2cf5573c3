"""A process of its own that reads one file through python-can: `python -m ... FORMAT PATH`.

Those readers may loop for ever or eat the memory on a damaged file, so they run where they can be stopped. What is
read goes to standard output as messages (see `messages`); a watching thread sends what there is and ends the process
when the reader brings nothing for long, or has grown too large.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sqlite3
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, TextIO, cast

from buswright.frames.formats.library import (
    BUS,
    CLOCK,
    END,
    FRAMES,
    PROBLEM,
    RECORD,
    REFUSED,
    STILL_S,
    Kind,
)
from buswright.frames.formats.reading import LONGEST_LINE
from buswright.frames.formats.unpacking import opened_file
from buswright.frames.message import EARLIEST_EPOCH_S, DamagedMessageError, row_of
from buswright.frames.table import Problems

if TYPE_CHECKING:
    import can

_BUNDLE = 5_000
_LOOK_S = 0.2
_LARGEST = {"MF4": 2 << 30}
_LARGE = 256 << 20
"""Bytes that a reader may take beyond what Python and the libraries have."""
_LATEST_S = 9.2e9
"""int64 nanoseconds end in the year 2262."""
_LONGEST_CELL = 1 << 20
_NO_FRAME = "record can't be a frame"
_PACK = struct.Struct("<qIBBBB64s")


class _AsFile(io.RawIOBase):
    """Decompressed content as a file; where it breaks off, that is its end."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.fault = ""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            data = self._stream.read(len(buffer))
        except (EOFError, OSError, ValueError) as fault:
            self.fault = str(fault)
            return 0
        buffer[: len(data)] = data
        return len(data)


class _Outlet:
    """Sends messages, frames in bundles; used by the reader and by the thread that watches it."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self._lock = threading.RLock()
        self._frames = bytearray()
        self._buses: dict[str, int] = {}
        self.count = 0

    def frame(self, time_ns: int, identifier: int, bus: str, flags: int, dlc: int, payload: bytes) -> None:
        with self._lock:
            index = self._buses.get(bus)
            if index is None:
                self.say(BUS, bus)
                index = self._buses[bus] = len(self._buses) if len(self._buses) < 255 else 254
            self._frames += _PACK.pack(time_ns, identifier, index, flags, dlc, len(payload), payload)
        self.count += 1
        if len(self._frames) >= _BUNDLE * RECORD.itemsize:
            self.flush()

    def flush(self) -> None:
        with self._lock:
            if self._frames:
                self._write(FRAMES, bytes(self._frames))
                self._frames.clear()

    def say(self, kind: Kind, *said: object) -> None:
        with self._lock:
            self.flush()
            self._write(kind, json.dumps(said).encode())

    def problem(self, reason: str, text: str = "", *, lost: bool = True, line: int = 0) -> None:
        self.say(PROBLEM, reason, text[: Problems.TEXT_LIMIT], lost, line)

    def _write(self, kind: Kind, data: bytes) -> None:
        self._stream.write(kind + struct.pack("<I", len(data)) + data)
        self._stream.flush()


def _watch(outlet: _Outlet, largest: int) -> None:
    """Send what there is, and end a reader that computes for long without bringing a frame, or grows too large."""
    count, since = outlet.count, time.process_time()
    while True:
        time.sleep(_LOOK_S)
        outlet.flush()
        if outlet.count != count:
            count, since = outlet.count, time.process_time()
        still = time.process_time() - since > STILL_S
        if still or _resident() > largest:
            why = f"no frame in {STILL_S:g} s of reading" if still else f"reading took more than {largest >> 20} MB"
            outlet.problem(f"file breaks off: {why}: stopped", f"record {count + 1}")
            outlet.say(END)
            os._exit(0)


def _resident() -> int:
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
    except (OSError, ValueError, IndexError):
        return 0


def _limit_memory(bytes_more: int) -> None:
    """Let allocations beyond the limit fail, where the system can do that."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        now = int(Path("/proc/self/statm").read_text().split()[5]) * 4096
        resource.setrlimit(resource.RLIMIT_DATA, (now + bytes_more, now + bytes_more))


@dataclass(frozen=True, slots=True)
class _NoFrame:
    """A record that gives no frame: why, what it says, and its line in a text (else 0)."""

    reason: str
    text: str
    line: int = 0
    lost: bool = True


class _Lines:
    """The lines of a text, for a reader that ends at the first bad one: another can begin anew behind it.

    Blank lines are left out. What is too long is cut off.

    Attributes
    ----------
    given
        Number and text of the lines behind the head that were given since the last frame.
    """

    def __init__(self, stream: TextIO, is_head: Callable[[int, str], bool]) -> None:
        self._stream, self._is_head = stream, is_head
        self._number = 0
        self._head: list[str] = []
        self._again: Iterator[str] = iter(())
        self._in_head = False
        self.given: list[tuple[int, str]] = []

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        for line in self._again:
            return line
        while line := self._stream.readline(LONGEST_LINE):
            self._number += 1
            rest = line
            while not rest.endswith("\n") and rest:
                rest = self._stream.readline(LONGEST_LINE)
            self._in_head = self._number == len(self._head) + 1 and self._is_head(self._number, line)
            if self._in_head:
                self._head.append(line)
            elif line.strip():
                self.given.append((self._number, line))
            else:
                continue
            return line
        self._in_head = False
        raise StopIteration

    def close(self) -> None:
        """Readers close what they have read."""

    def begin_again(self) -> tuple[int, str] | None:
        """Let the next reader see the head of the file, then what is still unread; return the line that was bad."""
        bad = self.given[-1] if self.given else None
        if self._in_head:
            bad, self._head[-1] = (self._number, self._head[-1]), _COMMENT
        self._in_head = False
        self.given.clear()
        self._again = iter(self._head)
        return bad


_BAD_LINE = "line gives no frame"
_COMMENT = ";\n"
_KINDS_OF_LINES = frozenset(("Warng", "Error", "FFFFFFFF", "ST", "EC", "ER", "EV"))
"""What a TRC line holds that tells of the state of the bus, or of an event."""


def _records_of_text(
    reader: Callable[[TextIO], Iterable[can.Message]], lines: _Lines
) -> Iterator[can.Message | _NoFrame]:
    """Read a text to its end, whatever lines the reader ends at."""
    bad: tuple[int, str] | None = (0, "")
    while bad:
        records = iter(reader(cast("TextIO", lines)))
        while True:
            try:
                message = next(records)
            except StopIteration:
                yield from _passed_over(lines.given)
                return
            except Exception:  # noqa: BLE001  (readers raise anything on a bad line)
                break
            yield from _passed_over(lines.given[:-1])
            lines.given.clear()
            yield message
        yield from _passed_over(lines.given[:-1])
        if bad := lines.begin_again():
            yield _NoFrame(_BAD_LINE, bad[1].strip(), bad[0])


def _passed_over(lines: Iterable[tuple[int, str]]) -> Iterator[_NoFrame]:
    for number, line in lines:
        if _KINDS_OF_LINES.intersection(line.split()[:6]):
            yield _NoFrame("line of another kind than a frame", line.strip(), number, lost=False)
        elif not line.lstrip().startswith(_COMMENT[0]):
            yield _NoFrame(_BAD_LINE, line.strip(), number)


def _records_of_table(path: Path, outlet: _Outlet) -> Iterator[can.Message | _NoFrame]:
    """Read the table that python-can writes; the file is a stranger's, so nothing in it is computed, or written."""
    import can

    connection = sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)
    connection.text_factory = bytes
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_CELL)
    kept = connection.execute("SELECT type, rootpage FROM sqlite_master WHERE name = 'messages'").fetchall()
    if len(kept) != 1 or kept[0][0] != b"table" or not kept[0][1]:
        raise sqlite3.DatabaseError("no table of messages in it")
    if any(path.with_name(path.name + ending).exists() for ending in ("-journal", "-wal")):
        outlet.problem("its journal was not taken: frames at its end may be missing", lost=False)
    rows = connection.execute("SELECT * FROM messages")
    for number, row in enumerate(rows, 1):
        try:
            stamp, identifier, extended, remote, error, dlc, data = row
            if not isinstance(data, bytes | None):
                raise TypeError("its payload is no bytes")
            yield can.Message(
                timestamp=stamp,
                arbitration_id=identifier,
                is_extended_id=bool(extended),
                is_remote_frame=bool(remote),
                is_error_frame=bool(error),
                dlc=dlc,
                data=data,
            )
        except (ValueError, TypeError, OverflowError) as fault:
            yield _NoFrame(_NO_FRAME, f"record {number}: {fault}")


def _records(
    form: str, path: Path, file: BinaryIO, outlet: _Outlet, *, packed: bool
) -> tuple[Iterator[can.Message | _NoFrame], object]:
    """Open python-can's reader, and return what it reads with: the content is recognised, the name says nothing."""
    import can

    if form in ("SQLite log", "MF4"):
        if packed:
            raise ValueError("compressed; decompress it first")
        if form == "SQLite log":
            return _records_of_table(path, outlet), None
        source: Any = can.MF4Reader(path)
        return iter(source), source
    if form == "BLF":
        source = can.BLFReader(file)
        return iter(source), source
    text = io.TextIOWrapper(file, encoding="utf-8-sig", errors="replace", newline="\n")
    if form == "TRC":
        return _records_of_text(can.TRCReader, _Lines(text, lambda _, line: line.lstrip().startswith(";"))), text
    return _records_of_text(can.CSVReader, _Lines(text, lambda number, _: number == 1)), text


def _pass_all_on(form: str, records: Iterator[can.Message | _NoFrame], outlet: _Outlet) -> None:
    number = 0
    while True:
        number += 1
        try:
            message = next(records)
        except StopIteration:
            return
        except Exception as fault:  # noqa: BLE001  (python-can's readers raise anything on damaged files)
            outlet.problem(f"file breaks off: {type(fault).__name__}: {fault}", f"record {number}")
            return
        if isinstance(message, _NoFrame):
            outlet.problem(message.reason, message.text, lost=message.lost, line=message.line)
            continue
        try:
            _pass_on(form, message, outlet)
        except DamagedMessageError as fault:
            outlet.problem(str(fault), f"record {number}: {message}")
        except (ValueError, TypeError, OverflowError, struct.error) as fault:
            outlet.problem(_NO_FRAME, f"record {number}: {fault}")


def _pass_on(form: str, message: can.Message, outlet: _Outlet) -> None:
    if not abs(message.timestamp) < _LATEST_S:
        raise ValueError(f"its time is {message.timestamp}")
    time_ns, identifier, flags, dlc, payload = row_of(message)
    if not outlet.count:
        outlet.say(CLOCK, "epoch" if message.timestamp > EARLIEST_EPOCH_S else "capture")
    channel = message.channel
    if form == "BLF" and isinstance(channel, int):
        channel += 1  # python-can counts from 0 here, the file and all its other formats from 1
    outlet.frame(time_ns, identifier, "can" if channel is None else str(channel), flags, dlc, payload)


def main(form: str, name: str, out: BinaryIO) -> None:
    """Read a file and send what is in it."""
    import can  # noqa: F401  (before memory is limited)

    outlet, path, largest = _Outlet(out), Path(name), _LARGEST.get(form, _LARGE)
    _limit_memory(largest)
    threading.Thread(target=_watch, args=(outlet, _resident() + largest), daemon=True).start()
    with opened_file(path) as (raw, stream):
        packed = None if stream is raw else _AsFile(stream)
        file = raw if packed is None else cast("BinaryIO", io.BufferedReader(packed))
        try:
            records, source = _records(form, path, file, outlet, packed=packed is not None)
        except Exception as fault:  # noqa: BLE001  (as above)
            outlet.say(REFUSED, str(fault) or type(fault).__name__)
            return
        _pass_all_on(form, records, outlet)
        if packed is not None and packed.fault:
            outlet.problem(f"file breaks off: {packed.fault}")
    counted = int(getattr(source, "object_count", 0))  # a BLF header counts its objects
    if counted > outlet.count:
        text = f"the header counts {counted:,} objects, {outlet.count:,} frames were read"
        outlet.problem("fewer frames than objects", text, lost=False)
    outlet.say(END)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.stdout.buffer)
    sys.stdout.flush()
    os._exit(0)  # nothing here is worth waiting for
