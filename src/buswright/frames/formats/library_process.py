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
import struct
import sys
import threading
import time
from collections.abc import Iterable, Iterator
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
from buswright.frames.message import DamagedMessageError, row_of
from buswright.frames.unpacking import opened_file

if TYPE_CHECKING:
    import can

_BUNDLE = 5_000
_LOOK_S = 0.2
_LARGEST = {"MF4": 2 << 30}
_LARGE = 256 << 20
"""Bytes that a reader may take beyond what Python and the libraries have."""
_LATEST_S = 9.2e9
"""int64 nanoseconds end in the year 2262."""
EARLIEST_EPOCH_S = 1e8
"""Stamps before the year 1973 count from the start of a capture."""
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
            outlet.say(PROBLEM, f"file breaks off: {why}: stopped", f"record {count + 1}")
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


def _source(form: str, path: Path, stream: BinaryIO | None) -> Iterable[can.Message]:
    """Open python-can's reader: the content has been recognised, the name says nothing."""
    import can

    if form in ("SQLite log", "MF4"):
        if stream is not None:
            raise ValueError("compressed; decompress it first")
        return can.SqliteReader(path) if form == "SQLite log" else can.MF4Reader(path)
    file = cast("BinaryIO", io.BufferedReader(cast("Any", stream))) if stream is not None else path.open("rb")
    if form == "BLF":
        return can.BLFReader(file)
    text: TextIO = io.TextIOWrapper(file, encoding="utf-8", errors="replace")
    return can.TRCReader(text) if form == "TRC" else can.CSVReader(text)


def _pass_all_on(form: str, records: Iterator[can.Message], outlet: _Outlet) -> None:
    number = 0
    while True:
        number += 1
        try:
            message = next(records)
        except StopIteration:
            return
        except Exception as fault:  # noqa: BLE001  (python-can's readers raise anything on damaged files)
            outlet.say(PROBLEM, f"file breaks off: {type(fault).__name__}: {fault}", f"record {number}")
            return
        try:
            _pass_on(form, message, outlet)
        except DamagedMessageError as fault:
            outlet.say(PROBLEM, str(fault), f"record {number}: {message}"[:200])
        except (ValueError, TypeError, OverflowError, struct.error) as fault:
            outlet.say(PROBLEM, "record can't be a frame", f"record {number}: {fault}"[:200])


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
        try:
            source = _source(form, path, cast("BinaryIO | None", packed))
            records = iter(source)
        except Exception as fault:  # noqa: BLE001  (as above)
            outlet.say(REFUSED, str(fault) or type(fault).__name__)
            return
        _pass_all_on(form, records, outlet)
        if packed is not None and packed.fault:
            outlet.say(PROBLEM, f"file breaks off: {packed.fault}", "")
    counted = int(getattr(source, "object_count", 0))  # a BLF header counts its objects
    if counted > outlet.count:
        text = f"the header counts {counted:,} objects, {outlet.count:,} frames were read"
        outlet.say(PROBLEM, "fewer frames than objects", text, False)
    outlet.say(END)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.stdout.buffer)
    sys.stdout.flush()
    os._exit(0)  # nothing here is worth waiting for
