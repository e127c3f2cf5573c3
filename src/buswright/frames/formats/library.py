"""Every other capture format, read through python-can's readers, in a process of their own, into the same columns."""

from __future__ import annotations

import json
import os
import re
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import BinaryIO, cast

import numpy as np

from buswright.errors import CaptureError
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.reading import Format, Reading
from buswright.frames.table import Clock

STILL_S = 2.0
"""Seconds of computing without a frame after which a reader is stopped."""

Kind = bytes
FRAMES, BUS, CLOCK, PROBLEM, REFUSED, END = (bytes([letter]) for letter in b"FBCPRE")
"""Messages of the reading process: a letter, the number of bytes that follow (uint32), these. FRAMES are `RECORD`s, the
others JSON lists: a bus name in the order of its index, the clock's origin, a problem, why nothing can be read."""

RECORD = np.dtype(
    [
        *(("time_ns", "<i8"), ("id", "<u4")),
        *((name, "u1") for name in ("bus", "flags", "dlc", "length")),
        ("payload", "u1", 64),
    ]
)


def _read(form: str, reading: Reading) -> Iterator[Columns]:
    """Yield what the reading process sends; what it says of the file goes to `reading`."""
    command = [sys.executable, "-m", f"{__package__}.library_process", form, reading.path]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    process = subprocess.Popen(  # noqa: S603  (this program's own module)
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
    )
    with process:
        try:
            yield from _received(form, cast("BinaryIO", process.stdout), reading)
        finally:
            process.kill()


def _received(form: str, stream: BinaryIO, reading: Reading) -> Iterator[Columns]:
    buses: list[int] = []
    kind = b""
    while kind != END:
        head = stream.read(5)
        kind = head[:1]
        data = stream.read(struct.unpack("<I", head[1:])[0]) if len(head) == 5 else b""
        if kind == FRAMES:
            yield _columns(data, buses)
        elif kind == BUS:
            buses.append(reading.bus(json.loads(data)[0]))
        elif kind == CLOCK:
            reading.clock = Clock(json.loads(data)[0], "unknown", 1000, "")
        elif kind == PROBLEM:
            reason, text, lost, line = json.loads(data)
            reading.problems.add(reason, reading.path, line, text, lost=lost)
        elif kind == REFUSED:
            raise CaptureError(
                f"{reading.path}: python-can can't read this {form}: {json.loads(data)[0]}",
                hint="is the file whole? Else convert it to candump or ASC where it was recorded",
            )
        elif kind != END:
            reading.problems.add("file breaks off: its reader failed", reading.path)
            return


def _columns(data: bytes, buses: list[int]) -> Columns:
    records = np.frombuffer(data, dtype=RECORD)
    columns = Columns.of_size(len(records))
    for name in ("time_ns", "id", "flags", "dlc", "length"):
        getattr(columns, name)[:] = records[name]
    columns.bus[:] = np.array(buses, dtype=np.uint8)[records["bus"]]
    columns.payload[:] = records["payload"][:, :8]
    columns.long_row = np.flatnonzero(columns.length > 8).astype(np.int32)
    columns.long_payload = records["payload"][columns.long_row]
    return columns


def _form(name: str, sniff: Callable[[bytes, str], bool]) -> Format:
    return Format(name, sniff, of_path=lambda reading: _read(name, reading))


def _begins(*magics: bytes) -> Callable[[bytes, str], bool]:
    return lambda head, name: any(head.startswith(magic) for magic in magics)  # noqa: ARG005


_TRC_LINE = re.compile(rb"^\s*\d+\)?\s+\d+\.\d+\s", re.MULTILINE)


def _is_trc(head: bytes, name: str) -> bool:  # noqa: ARG001  (content decides, not the name)
    return head.lstrip().startswith(b";") and (b";$FILEVERSION" in head[:2000] or _TRC_LINE.search(head) is not None)


FORMATS = (
    _form("BLF", _begins(b"LOGG")),
    _form("SQLite log", _begins(b"SQLite format 3\0")),
    _form("MF4", _begins(b"MDF     ", b"UnFinMF ")),
    _form("TRC", _is_trc),
    _form("CSV of python-can", _begins(b"timestamp,arbitration_id,extended,remote,error,dlc,data")),
)
