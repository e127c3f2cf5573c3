"""Every other capture format, read through python-can's readers into the same columns."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from buswright.errors import CaptureError
from buswright.frames.formats.columns import Rows
from buswright.frames.formats.reading import Format, Reading
from buswright.frames.message import flags_of, microseconds_ns
from buswright.frames.table import FD_CODE_OF_LENGTH, Clock, Frames

if TYPE_CHECKING:
    import can

BATCH_FRAMES = 100_000


def _read(stream: BinaryIO, reading: Reading) -> Iterator[Frames]:  # noqa: ARG001  (python-can opens the path itself)
    import can

    path = Path(reading.path)
    try:
        source = can.LogReader(path)
    except (ValueError, OSError, ImportError, NotImplementedError) as fault:
        raise CaptureError(
            f"{path}: python-can can't open it: {fault}", hint="convert it to candump or ASC where it was recorded"
        ) from fault
    rows = Rows()
    number = 0
    with source:
        records = iter(source)
        while True:
            number += 1
            try:
                message = next(records)
            except StopIteration:
                break
            except Exception as fault:  # noqa: BLE001  (python-can's readers raise anything on damaged files)
                reading.problems.add(
                    f"file breaks off: {type(fault).__name__}: {fault}", reading.path, 0, f"record {number}"
                )
                break
            if isinstance(source, can.BLFReader) and isinstance(message.channel, int):
                message.channel += 1  # python-can counts from 0 here, the file and all its other formats from 1
            _add(message, number, reading, rows)
            if len(rows) >= BATCH_FRAMES:
                yield rows.columns().freeze(reading.buses)
                rows = Rows()
    counted = int(getattr(source, "object_count", 0))  # a BLF header counts its objects
    if counted > number - 1:
        text = f"the header counts {counted:,} objects, {number - 1:,} frames were read"
        reading.problems.add("fewer frames than objects", reading.path, 0, text, lost=False)
    if len(rows):
        yield rows.columns().freeze(reading.buses)


def _add(message: can.Message, number: int, reading: Reading, rows: Rows) -> None:
    payload = bytes(message.data)
    if len(payload) > (64 if message.is_fd else 8):
        reading.problems.add("payload too long", reading.path, 0, f"record {number}: {message}")
        return
    time_ns = microseconds_ns(message.timestamp)
    if number == 1:
        reading.clock = Clock("epoch" if message.timestamp > 1e8 else "capture", "unknown", 1000, "")
    flags = flags_of(message)
    dlc = int(FD_CODE_OF_LENGTH[len(payload)]) if message.is_fd else min(int(message.dlc), 15)
    bus = reading.bus("can" if message.channel is None else str(message.channel))
    rows.add(number, time_ns, bus, message.arbitration_id & 0x1FFFFFFF, flags, dlc, payload)


def _begins(*magics: bytes) -> Callable[[bytes, str], bool]:
    return lambda head, name: any(head.startswith(magic) for magic in magics)  # noqa: ARG005


def _trc(head: bytes, name: str) -> bool:
    return name.lower().endswith(".trc") and (head.lstrip().startswith(b";") or b";$" in head[:2000])


def _csv(head: bytes, name: str) -> bool:  # noqa: ARG001
    return head.startswith(b"timestamp,arbitration_id,extended,remote,error,dlc,data")


FORMATS = (
    Format("BLF", _begins(b"LOGG"), _read, needs_path=True),
    Format("SQLite log", _begins(b"SQLite format 3\0"), _read, needs_path=True),
    Format("MF4", _begins(b"MDF     ", b"UnFinMF "), _read, needs_path=True),
    Format("TRC", _trc, _read, needs_path=True),
    Format("CSV of python-can", _csv, _read, needs_path=True),
)
