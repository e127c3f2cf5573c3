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
import stat
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO, cast

from buswright.errors import UserError
from buswright.frames.captures.sidecar import FORMAT, event_line, line_of, sidecar_of
from buswright.frames.formats.asc.writer import AscWriter
from buswright.frames.formats.candump.writer import CandumpWriter
from buswright.frames.formats.writing import Writer
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

_FAR = 1 << 40

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


def packed(data: bytes) -> bytes:
    """Compress what one sync writes: a gzip member, complete in itself."""
    return gzip.compress(data, compresslevel=6, mtime=0)


def part_path(path: Path, number: int) -> Path:
    """Name a part of a rotated recording: run.log.gz becomes run-002.log.gz."""
    ending = "".join(path.suffixes[-2:] if path.suffix.lower() == ".gz" else path.suffixes[-1:])
    return path.with_name(f"{path.name.removesuffix(ending)}-{number:03d}{ending}")


def _opened(path: str, flags: int) -> int:
    """Open a file that may be overwritten, but not before it is known that nobody else records to it."""
    file = os.open(path, flags & ~(os.O_TRUNC | os.O_WRONLY) | os.O_RDWR, 0o666)
    try:
        if stat.S_ISREG(os.fstat(file).st_mode):  # a device is nobody's
            _lock(file)
            os.ftruncate(file, 0)
    except OSError:
        os.close(file)
        raise
    return file


def _lock(file: int) -> None:
    """Lock an open file for this process; where a file can't be locked it goes without.

    Raises
    ------
    BlockingIOError
        Another process holds the lock.
    """
    if sys.platform == "win32":
        import msvcrt

        os.lseek(file, _FAR, os.SEEK_SET)  # what is locked can't be read by others, so it lies beyond the content
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError as fault:
            raise BlockingIOError(errno.EWOULDBLOCK, "locked") from fault
        finally:
            os.lseek(file, 0, os.SEEK_SET)
        return
    import fcntl

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError:
        return


class SyncedFile:
    """A file of whole pieces, written when asked and synced to the disk, and locked: only one process records to it.

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
        self.size = 0
        try:
            self._raw = open(path, "ab", buffering=0, opener=_opened)  # noqa: SIM115  (closed by `close`)
        except BlockingIOError:
            raise RecordingError(
                f"{path}: another program is recording to this file", hint="end that recording, or choose another --out"
            ) from None
        except OSError as fault:
            raise _fault(path, fault, "can't be written") from fault
        self._is_file = stat.S_ISREG(os.fstat(self._raw.fileno()).st_mode)

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

    @property
    def changed(self) -> str:
        """What others did to the file since it was opened: "moved", "deleted", "written to"; empty if nothing."""
        if not self._is_file:
            return ""
        mine = os.fstat(self._raw.fileno())
        if mine.st_nlink == 0:
            return "deleted"
        try:
            there = self.path.stat()
        except OSError:
            return "moved"
        if not os.path.samestat(mine, there):
            return "moved"
        return "" if mine.st_size == self.size else "written to"

    def rescue(self, path: Path) -> None:
        """Write what the file holds to another place, where its own is gone.

        Raises
        ------
        RecordingError
            That can't be written.
        """
        try:
            with open(self._raw.fileno(), "rb", closefd=False) as source, path.open("xb") as target:
                source.seek(0)
                shutil.copyfileobj(source, target, 1 << 20)
        except OSError as fault:
            raise _fault(path, fault, "can't be written") from fault

    def close(self) -> None:
        """Close; what was not synced is lost."""
        self._raw.close()

    def _write_out(self) -> None:
        if not self._pieces:
            return
        data = b"".join(self._pieces)
        if self._packed:
            data = packed(data)
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
        self.notes: list[str] = []
        self._stored = 0
        self._number = 1
        self._open(path if rotate_bytes is None and rotate_s is None else part_path(path, 1))

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
                self._open(self._next_path())
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
        if not self._packed:
            self._stored = self._part_frames
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
        self._stored = self._part_frames
        self._next_sync = self._clock() + SYNC_S
        if changed := self._file.changed:
            self._go_on(changed)

    def close(self, end: Mapping[str, Any]) -> None:
        """End the recording; `end` is what the sidecar's last line says: at least `why`."""
        self._finish(end)

    def abandon(self, why: str) -> None:
        """End it after a fault, saying so where that is still possible; frames that no file holds aren't counted."""
        self.frames -= self._part_frames - self._stored
        self._part_frames = self._stored
        with contextlib.suppress(RecordingError, OSError, ValueError):  # ValueError: closed, when no next part opened
            self._end_events({"why": why})
        self._file.close()
        self._events.close()

    def _part_is_full(self) -> bool:
        return (self._rotate_bytes is not None and self._file.size >= self._rotate_bytes) or (
            self._rotate_s is not None and self._clock() - self._begun >= self._rotate_s
        )

    def _go_on(self, changed: str) -> None:
        """Leave a file that is no longer this recorder's own, and go on in a new one."""
        path = self.paths.pop()
        self._end({"why": f"the file was {changed} while it was recorded to"})
        kept = path
        if changed == "deleted":
            kept = self._next_path(free=True)
            self._file.rescue(kept)
            self._events.rescue(sidecar_of(kept))
        if changed != "moved":  # then nobody here knows where it is
            self.paths.append(kept)
        self._file.close()
        self._events.close()
        if kept != path:
            sidecar_of(path).unlink(missing_ok=True)
        following = self._next_path(free=True)
        said = f"{path.name} was {changed} while it was recorded to; the recording goes on in {following.name}"
        if kept != path:
            said += f", and {kept.name} has what came before"
        self.notes.append(said)
        self._open(following)
        self._events.write(event_line(Event(time.time_ns() // 1000 * 1000, None, "note", MappingProxyType({}), said)))

    def _next_path(self, *, free: bool = False) -> Path:
        """Name the next part; a free one is no file that is there already."""
        self._number += 1
        path = part_path(self._path, self._number)
        return self._next_path(free=True) if free and (path.exists() or sidecar_of(path).exists()) else path

    def _open(self, path: Path) -> None:
        self._file = SyncedFile(path, packed=self._packed)
        try:
            self._events = SyncedFile(sidecar_of(path))
        except RecordingError:
            self._file.close()
            raise
        stream = cast("BinaryIO", self._file)
        self._writer: Writer = CandumpWriter(stream) if self._form == "candump" else AscWriter(stream)
        self.paths.append(path)
        self._part_frames = self._stored = 0
        self._first_ns = None
        self._begun = self._clock()
        started = {"format": FORMAT, "file": path.name, "part": len(self.paths), "started_ns": time.time_ns()}
        self._events.write(line_of(started | self._header))
        self.sync()

    def _finish(self, end: Mapping[str, Any]) -> None:
        self._end(end)
        self._file.close()
        self._events.close()

    def _end(self, end: Mapping[str, Any]) -> None:
        self._writer.close()
        for reason, count in self._writer.losses.items():
            self.losses[reason] = self.losses.get(reason, 0) + count
        self._file.sync()
        self._end_events(end)

    def _end_events(self, end: Mapping[str, Any]) -> None:
        told = {"ended_ns": time.time_ns(), "first_ns": self._first_ns, "frames": self._part_frames}
        self._events.write(line_of(told | dict(end)))
        self._events.sync()
