"""Captures: opened by content, read as often as wanted, one file or many merged by time."""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np

from buswright.errors import CaptureError
from buswright.frames import asc, candump, library
from buswright.frames.order import BackwardSteps
from buswright.frames.reading import Format, Reading
from buswright.frames.sidecar import is_sidecar, read_sidecar, without_times
from buswright.frames.table import Clock, Event, Flag, Frames, Problems

FORMATS: tuple[Format, ...] = (candump.FORMAT, asc.FORMAT, *library.FORMATS)
"""In the order in which they are asked."""

HEAD_BYTES = 1 << 16
_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
_READ_BUFFER = 1 << 18

PathLike = str | Path


class Capture:
    """Recorded frames: iterate it for batches (`Frames`), as often as wanted.

    `buses`, `events`, `problems`, `clock` and `metadata` describe the latest pass; they are complete once an
    iteration has come to its end.

    Attributes
    ----------
    paths
        The files, in the order in which they are read.
    format
        "candump", "ASC", ...; for several files the names joined.
    size
        Bytes on disk.
    """

    def __init__(self, path: Path, form: Format, timezone: str) -> None:
        self._form = form
        self._timezone = timezone
        self.paths: tuple[Path, ...] = (path,)
        self.format = form.name
        self.size = path.stat().st_size
        self._reading = Reading(str(path), timezone=timezone)

    @property
    def buses(self) -> tuple[str, ...]:
        """Interface names seen so far."""
        return tuple(self._reading.buses)

    @property
    def events(self) -> tuple[Event, ...]:
        """What the capture holds that is not a frame."""
        return tuple(self._reading.events)

    @property
    def problems(self) -> Problems:
        """What could not be taken as it stood; falsy if nothing."""
        return self._reading.problems

    @property
    def clock(self) -> Clock:
        """Where the time stamps come from."""
        clock, said = self._reading.clock, self._reading.stamped_by
        return replace(clock, source=said) if said and clock.origin == "epoch" else clock

    @property
    def metadata(self) -> dict[str, str]:
        """What the header says."""
        return dict(self._reading.metadata)

    @property
    def position(self) -> int:
        """Bytes of the files on disk that the latest pass has consumed."""
        return self._reading.bytes_read

    def __iter__(self) -> Iterator[Frames]:
        reading = self._reading = Reading(str(self.paths[0]), timezone=self._timezone)
        if self.paths[0].stat().st_size == 0:
            reading.problems.add("the file is empty", reading.path, lost=False)
        read_sidecar(self.paths[0], reading)
        beside = len(reading.events)
        order = _OrderWatch(reading)
        if self._form.needs_path:
            for frames in self._form.read(io.BytesIO(), reading):
                beside = without_times(reading, beside)
                order.watch(frames)
                yield frames
            reading.bytes_read = self.size
            return
        with _opened(self.paths[0]) as (raw, stream):
            for frames in self._form.read(stream, reading):
                reading.bytes_read = raw.tell()
                beside = without_times(reading, beside)
                order.watch(frames)
                yield frames
            reading.bytes_read = raw.tell()

    def first_time_ns(self) -> int | None:
        """Time of the first frame, from the first bytes alone; None where they hold no timed frame."""
        probe = Reading(str(self.paths[0]), timezone=self._timezone)
        if self._form.needs_path:
            batches = self._form.read(io.BytesIO(), probe)
        else:
            with _opened(self.paths[0]) as (_, stream):
                head = stream.read(HEAD_BYTES)
            batches = self._form.read(io.BytesIO(head), probe)
        for frames in batches:
            timed = np.flatnonzero(~frames.has(Flag.UNTIMED))
            if len(timed):
                self._reading.clock = probe.clock
                return int(frames.time_ns[timed[0]])
        self._reading.clock = probe.clock
        return None


class _OrderWatch:
    """Notes time that goes backwards among a reader's problems."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._steps = BackwardSteps()
        self._count = 0

    def watch(self, frames: Frames) -> None:
        for step in self._steps.of(frames):
            where = f"frame {self._count + step.row + 1} on {frames.buses[step.bus]}"
            text = f"{where}: {step.back_ns / 1e9:.6f} s back"
            self._reading.problems.add("time goes backwards", self._reading.path, 0, text, lost=False)
        self._count += len(frames)


def open_capture(source: PathLike | Sequence[PathLike], *, timezone: str = "UTC") -> Capture:
    """Open a capture file, several, or a folder of them (merged by time).

    Parameters
    ----------
    source
        candump or ASC text, plain or compressed (gzip, zstd), or any format that python-can reads. The
        content decides, not the name.
    timezone
        Assumed for dates that a file writes without one: "UTC", "local", "+02:00", or an IANA name.

    Raises
    ------
    CaptureError
        Missing, unreadable, or of no known format; the message lists what was tried.
    """
    from buswright.frames.merge import MergedCapture

    several = [source] if isinstance(source, str | Path) else list(source)
    paths = [found for item in several for found in _expand(Path(item))]
    if not paths:
        raise CaptureError("no capture was named", hint="name a capture file or a folder of them")
    captures = [_open_file(path, timezone) for path in paths]
    return captures[0] if len(captures) == 1 else MergedCapture(captures)


def _expand(path: Path) -> Iterable[Path]:
    if not path.is_dir():
        return [] if is_sidecar(path) else [path]
    found = []
    for item in sorted(path.iterdir()):
        if item.is_file() and not item.name.startswith("."):
            try:
                _recognise(item)
            except CaptureError:
                continue
            found.append(item)
    if not found:
        raise CaptureError(f"{path}: a folder without a capture in it", hint="name a capture file")
    return found


def _open_file(path: Path, timezone: str) -> Capture:
    return Capture(path, _recognise(path), timezone)


def _recognise(path: Path) -> Format:
    try:
        with _opened(path) as (_, stream):
            try:
                head = stream.read(HEAD_BYTES)
            except (EOFError, OSError, ValueError) as fault:
                raise CaptureError(f"{path}: can't be decompressed: {fault}", hint="is the file whole?") from fault
    except FileNotFoundError:
        raise CaptureError(f"{path}: no such file", hint="check the name and the folder") from None
    except PermissionError:
        raise CaptureError(f"{path}: no permission to read it", hint=f"chmod u+r {path}") from None
    except IsADirectoryError:
        raise CaptureError(f"{path}: is a folder", hint="name the capture file in it") from None
    except OSError as fault:
        raise CaptureError(f"{path}: can't be opened: {fault.strerror or fault}", hint="check the file") from None
    for form in FORMATS:
        if form.sniff(head, path.name):
            return form
    if not head.strip():
        return candump.FORMAT  # an empty file is a capture of nothing, and is said to be
    tried = ", ".join(form.name for form in FORMATS)
    shown = head[:60].decode("utf-8", "backslashreplace")
    raise CaptureError(
        f"{path}: not a capture of a known format (tried {tried}); it begins {shown!r}",
        hint="record with `candump -L` or as ASC, or name another file",
    )


class _UpToTheBreak:
    """A compressed stream that gives what it holds before it fails: a killed recorder may leave a torn end."""

    def __init__(self, stream: gzip.GzipFile) -> None:
        self._stream = stream
        self._fault: Exception | None = None

    def read(self, size: int) -> bytes:
        pieces: list[bytes] = []
        left = size
        while left and self._fault is None:
            try:
                piece = self._stream.read1(left)
            except (EOFError, OSError, zlib.error) as fault:
                self._fault = EOFError(str(fault))
                break
            if not piece:
                break
            pieces.append(piece)
            left -= len(piece)
        if not pieces and self._fault is not None:
            raise self._fault
        return b"".join(pieces)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BinaryIO, BinaryIO]]:
    """Yield the raw file and the stream of its decompressed content."""
    with path.open("rb", buffering=_READ_BUFFER) as raw:
        magic = raw.read(4)
        raw.seek(0)
        if magic.startswith(_GZIP):
            with gzip.GzipFile(fileobj=raw) as stream:
                yield raw, cast("BinaryIO", _UpToTheBreak(stream))
        elif magic == _ZSTD:
            try:
                import zstandard
            except ImportError:
                raise CaptureError(
                    f"{path}: compressed with zstd, which needs one more package",
                    hint="pip install 'buswright[zstd]', or decompress it with `zstd -d` first",
                ) from None
            with zstandard.ZstdDecompressor().stream_reader(raw, read_across_frames=True) as reader:
                yield raw, reader
        else:
            yield raw, raw
