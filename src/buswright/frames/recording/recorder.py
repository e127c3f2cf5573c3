"""A recording that survives: files that open whatever happens, synced at least every second.

Frames go to a candump or ASC file, everything else to the sidecar beside it (see `sidecar`). Only whole lines are
written, each in one piece; a compressed file consists of parts that are complete in themselves, one a sync. So a
killed recorder loses what came since its last sync and nothing before.
"""

from __future__ import annotations

import contextlib
import errno
import gzip
import os
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO, cast

from buswright.errors import UserError
from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import CandumpWriter
from buswright.frames.formats.writing import Writer
from buswright.frames.sidecar import FORMAT, event_line, line_of, sidecar_of
from buswright.frames.table import Event, Frames

SYNC_S = 0.5
"""Half of the second that may be lost: a sync takes time of its own."""
SLOW_SYNC_S = 1.0
"""A disk that takes longer is noted among the events: it may be why frames were dropped."""
LEAST_FREE_BYTES = 16 << 20
"""With less than this left, a recording isn't begun."""
BYTES_PER_FRAME = 46
"""Of a candump line of eight bytes."""
FULL_BUS_FRAMES_PER_S = 8_000
"""About what 1 Mbit/s carries of 8-byte frames."""

ENDINGS: Mapping[str, str] = MappingProxyType({".log": "candump", ".asc": "ASC"})


class RecordingError(UserError):
    """A recording can't be begun, or had to end; what was written until then is whole."""


@dataclass(frozen=True, slots=True)
class Space:
    """Room on the disk.

    Attributes
    ----------
    free
        Bytes.
    seconds_full
        How long that lasts if all buses are full at 1 Mbit/s: the least it can be.
    """

    free: int
    seconds_full: float


def space_for(path: Path, buses: int) -> Space:
    """Estimate how long the disk will do.

    Raises
    ------
    RecordingError
        There is no room to speak of.
    """
    folder = path.absolute().parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError as fault:
        raise RecordingError(f"{folder}: {fault.strerror or fault}", hint="choose another --out") from None
    if free < LEAST_FREE_BYTES:
        raise RecordingError(f"{folder}: only {free:,} bytes are free", hint="make room, or choose another --out")
    return Space(free, free / (BYTES_PER_FRAME * FULL_BUS_FRAMES_PER_S * max(1, buses)))


def format_of(path: Path) -> tuple[str, bool]:
    """Return the format that a file name asks for, and whether it is to be compressed.

    Raises
    ------
    RecordingError
        Its ending is none of the known ones.
    """
    packed = path.suffix.lower() == ".gz"
    form = ENDINGS.get((Path(path.stem).suffix if packed else path.suffix).lower())
    if form is None:
        raise RecordingError(f"{path}: unknown file ending", hint="end it in .log (candump), .asc, .log.gz or .asc.gz")
    return form, packed


def part_path(path: Path, number: int) -> Path:
    """Name a part of a rotated recording: run.log.gz becomes run-002.log.gz."""
    ending = "".join(path.suffixes[-2:] if path.suffix.lower() == ".gz" else path.suffixes[-1:])
    return path.with_name(f"{path.name.removesuffix(ending)}-{number:03d}{ending}")


class SyncedFile:
    """A file of whole pieces, written when asked and synced to the disk.

    Parameters
    ----------
    path
        Created or overwritten; the folder must exist.
    packed
        Compress: every sync writes a gzip member, complete in itself.
    """

    def __init__(self, path: Path, *, packed: bool = False) -> None:
        self.path = path
        self._packed = packed
        self._pieces: list[bytes] = []
        try:
            self._raw = path.open("wb", buffering=0)
        except OSError as fault:
            raise _fault(path, fault, "can't be written") from fault
        self.size = 0

    def write(self, piece: bytes) -> int:
        """Keep a piece until the next `flush` or `sync`."""
        if piece:
            self._pieces.append(piece)
        return len(piece)

    def flush(self) -> None:
        """Hand over to the system what is complete: it survives this process. A packed file waits for `sync`."""
        if not self._packed:
            self._write_out()

    def sync(self) -> None:
        """Hand over everything and have it on the disk: then it survives a power cut."""
        self._write_out()
        try:
            os.fsync(self._raw.fileno())
        except OSError as fault:
            if fault.errno not in (errno.EINVAL, errno.ENOTSUP):  # pipes and some network disks can't
                raise _fault(self.path, fault, "can't be written any further") from fault

    def close(self) -> None:
        """Close; what was not synced is lost."""
        self._raw.close()

    def _write_out(self) -> None:
        if not self._pieces:
            return
        data = b"".join(self._pieces)
        if self._packed:
            data = gzip.compress(data, compresslevel=6, mtime=0)
        left = memoryview(data)
        try:
            while left:
                left = left[self._raw.write(left) :]
        except OSError as fault:
            with contextlib.suppress(OSError):
                self._raw.truncate(self.size)  # back to where it was whole
            raise _fault(self.path, fault, "can't be written any further") from fault
        self.size += len(data)
        self._pieces.clear()


def _fault(path: Path, fault: OSError, what: str) -> RecordingError:
    hints = {
        errno.ENOSPC: "the disk is full: make room",
        errno.EDQUOT: "your share of the disk is used up: make room",
        errno.EACCES: "you may not write there: choose another --out",
        errno.EROFS: "that disk can only be read: choose another --out",
        errno.ENOENT: "its folder does not exist",
    }
    hint = hints.get(fault.errno or 0, "check the disk, or choose another --out")
    return RecordingError(f"{path}: {what}: {fault.strerror or fault}", hint=hint)


class Recorder:
    """Writes batches and events to a recording, part by part if it is to be rotated.

    Parameters
    ----------
    path
        Its ending chooses the format: `.log`, `.asc`, `.gz` behind either.
    header
        What the sidecar's first line says beside format, file and start: JSON values by name.
    rotate_bytes, rotate_s
        Begin a new part after so many bytes on disk, or seconds; None for one file.
    clock
        For tests: seconds that only rise.

    Raises
    ------
    RecordingError
        It can't be written.
    """

    def __init__(
        self,
        path: Path,
        header: Mapping[str, Any],
        *,
        rotate_bytes: int | None = None,
        rotate_s: float | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._path = path
        self._form, self._packed = format_of(path)
        self._header = dict(header)
        self._rotate_bytes, self._rotate_s = rotate_bytes, rotate_s
        self._clock = clock
        self._begun = self._next_sync = 0.0
        self.paths: list[Path] = []
        self.frames = self._part_frames = 0
        self._first_ns: int | None = None
        self.losses: dict[str, int] = {}
        self._open()

    @property
    def size(self) -> int:
        """Bytes on the disk of the part that is being written."""
        return self._file.size

    def write(self, frames: Frames, events: Sequence[Event] = ()) -> None:
        """Add a batch and the events that came with it; sync and rotate when it is time.

        Raises
        ------
        RecordingError
            The disk is full, or can't be written on any more. What was synced is whole; `close` still works.
        """
        if len(frames):
            if self._part_is_full():
                self._finish({"why": "the next part follows"})
                self._open()
            if not self._part_frames:
                self._first_ns = int(frames.time_ns[0])
                self._events.write(line_of({"first_ns": self._first_ns}))
            self._writer.write(frames)
            self.frames += len(frames)
            self._part_frames += len(frames)
        for event in events:
            self._events.write(event_line(event))
        self._events.flush()  # first, so that frames are never without the line that ties them to their events
        self._file.flush()
        now = self._clock()
        if now >= self._next_sync:
            self.sync()
            took = self._clock() - now
            if took > SLOW_SYNC_S:
                text = f"the disk took {took:.1f} s to store the recording"
                slow = Event(time.time_ns() // 1000 * 1000, None, "note", MappingProxyType({"seconds": took}), text)
                self._events.write(event_line(slow))

    def sync(self) -> None:
        """Have everything on the disk."""
        self._events.sync()
        self._file.sync()
        self._next_sync = self._clock() + SYNC_S

    def close(self, end: Mapping[str, Any]) -> None:
        """End the recording; `end` is what the sidecar's last line says: at least `why`."""
        self._finish(end)

    def abandon(self, why: str) -> None:
        """End it after a fault, saying so where that is still possible."""
        with contextlib.suppress(RecordingError, OSError, ValueError):  # ValueError: closed, when no next part opened
            self._end_events({"why": why})
        self._file.close()
        self._events.close()

    def _part_is_full(self) -> bool:
        return (self._rotate_bytes is not None and self._file.size >= self._rotate_bytes) or (
            self._rotate_s is not None and self._clock() - self._begun >= self._rotate_s
        )

    def _open(self) -> None:
        rotating = self._rotate_bytes is not None or self._rotate_s is not None
        number = len(self.paths) + 1
        path = part_path(self._path, number) if rotating else self._path
        self._file = SyncedFile(path, packed=self._packed)
        try:
            self._events = SyncedFile(sidecar_of(path))
        except RecordingError:
            self._file.close()
            raise
        stream = cast("BinaryIO", self._file)
        self._writer: Writer = CandumpWriter(stream) if self._form == "candump" else AscWriter(stream)
        self.paths.append(path)
        self._part_frames = 0
        self._first_ns = None
        self._begun = self._clock()
        started = {"format": FORMAT, "file": path.name, "part": number, "started_ns": time.time_ns()}
        self._events.write(line_of(started | self._header))
        self.sync()

    def _finish(self, end: Mapping[str, Any]) -> None:
        self._writer.close()
        for reason, count in self._writer.losses.items():
            self.losses[reason] = self.losses.get(reason, 0) + count
        self._file.sync()
        self._end_events(end)
        self._file.close()
        self._events.close()

    def _end_events(self, end: Mapping[str, Any]) -> None:
        told = {"ended_ns": time.time_ns(), "first_ns": self._first_ns, "frames": self._part_frames}
        self._events.write(line_of(told | dict(end)))
        self._events.sync()
