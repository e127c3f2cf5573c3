"""Captures that another program still writes: read line by whole line, and on from there when there is more.

Text alone can be followed: what is compressed, or has an index, is whole only once it is closed.
"""

from __future__ import annotations

import io
import os
import time
from collections.abc import Iterator
from typing import BinaryIO, Literal

import numpy as np

from buswright.errors import CaptureError, UserError
from buswright.frames.captures.capture import Capture, OrderWatch
from buswright.frames.captures.merge import MergedCapture
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of, take_sidecar
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.reading import LONGEST_LINE, Chunk, Reading, batches, read_chunks
from buswright.frames.formats.unpacking import opened_file
from buswright.frames.table import Event, Frames, Problems

QUIET_S = 2.0
"""The half line at the end of a file that nothing was written to for so long is taken for its last line."""
_LOOKED_BACK = 64
"""Bytes before the place reached that tell whether the file is still the one that was read."""

News = Literal["", "grown", "torn", "shorter", "replaced", "gone", "packed"]
"""Of a file: nothing; there is more to read. A half line that had been taken for the last one goes on. It was cut, or
written anew; another file has its name; no file has. It grows, and can't be followed. The last four end the following.
"""


class Followed:
    """One pass over a capture that goes on when there is more: iterate it for what is there, again for what came since.

    This one gives what was there at first and nothing more: all that can be done where the reader needs a whole file.

    Attributes
    ----------
    lost
        Whether it can't be followed any more.
    """

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._begun = self.lost = False

    def __iter__(self) -> Iterator[Frames]:
        """Yield what has not been given yet."""
        if not self._begun:
            self._begun = True
            yield from self._capture

    def rest(self) -> Iterator[Frames]:
        """Yield the half line at the end, too: it is not waited for."""
        return iter(self)

    @property
    def events(self) -> tuple[Event, ...]:
        """What is no frame."""
        return self._capture.events

    @property
    def problems(self) -> Problems:
        """What could not be taken."""
        return self._capture.problems

    def news(self) -> tuple[News, str]:
        """Say what happened to a file since, and to which; once what ends the following."""
        found = "" if self.lost else self._news()
        self.lost = self.lost or found in ("shorter", "replaced", "gone", "packed")
        return found, self._capture.paths[0].name

    def _news(self) -> News:
        try:
            size = self._capture.paths[0].stat().st_size
        except OSError:
            return ""
        return "packed" if self._begun and size > self._capture.size else ""


class FollowedFile(Followed):
    """A text file, of which whole lines are read."""

    def __init__(self, capture: Capture) -> None:
        super().__init__(capture)
        self._path = capture.paths[0]
        form, self._reading = capture.begin()
        assert form.reader is not None
        self._reader = form.reader(self._reading)
        self._beside = Reading(str(self._path))
        self._empty = not capture.size
        self._order = OrderWatch(self._reading)
        self._file: tuple[int, int] | None = None
        self._place, self._line, self._count = 0, 1, 0
        self._before = b""
        self._torn = False
        self._first_ns: int | None = None
        self._sidecar: tuple[int, int] | None = None

    @property
    def events(self) -> tuple[Event, ...]:
        """Those of the file beside it, then its own."""
        return (*self._beside.events, *self._reading.events)

    @property
    def problems(self) -> Problems:
        """Of both files."""
        together = Problems.of((self._reading.problems, self._beside.problems))
        if not self._place:
            together.add("the file is empty", self._reading.path, lost=False)
        return together

    def _news(self) -> News:
        try:
            stat = self._path.stat()
        except OSError:
            return "gone"
        if self._file is not None and (stat.st_dev, stat.st_ino) != self._file:
            return "replaced"
        if stat.st_size < self._place:
            return "shorter"
        if stat.st_size == self._place:
            return ""
        if self._torn:
            return "torn"
        with self._path.open("rb") as raw:
            raw.seek(self._place - len(self._before))
            return "grown" if raw.read(len(self._before)) == self._before else "shorter"

    def __iter__(self) -> Iterator[Frames]:
        """Yield what has not been given yet, up to the last line end."""
        yield from self._read(patient=True)

    def rest(self) -> Iterator[Frames]:
        """Yield the half line at the end, too."""
        yield from self._read(patient=False)

    def _read(self, *, patient: bool) -> Iterator[Frames]:
        if self.lost:
            return
        with self._path.open("rb") as raw:
            stat = os.fstat(raw.fileno())
            self._file = stat.st_dev, stat.st_ino
            if self._empty and not self._recognised(stat.st_size):
                return
            raw.seek(self._place)
            lines = _WholeLines(raw)
            yield from self._taken(lines, raw)
            if lines.rest and not (patient and time.time() - stat.st_mtime < QUIET_S):
                self._torn = True
                yield from self._taken(io.BytesIO(lines.rest), raw)
                lines.rest = b""
            self._place = raw.tell() - len(lines.rest)
            raw.seek(max(0, self._place - _LOOKED_BACK))
            self._before = raw.read(min(self._place, _LOOKED_BACK))
        self._reader.finish()
        self._take_sidecar()

    def _recognised(self, size: int) -> bool:
        """Whether what was written to a file that was empty tells its format."""
        try:
            form, _ = open_capture(self._path).begin()
        except CaptureError:
            return False
        if form.reader is not None and size:
            self._empty, self._reader = False, form.reader(self._reading)
        return not self._empty

    def _taken(self, stream: _WholeLines | io.BytesIO, raw: BinaryIO) -> Iterator[Frames]:
        chunks = read_chunks(stream, self._reading, line=self._line, at_start=self._line == 1)
        for frames in batches((self._columns(chunk) for chunk in chunks), self._reading):
            self._reading.bytes_read = raw.tell()
            self._count += len(frames)
            if self._first_ns is None:
                self._first_ns = frames.first_ns
                self._take_sidecar()
            self._order.watch(frames)
            yield frames
        self._reading.bytes_read = raw.tell()

    def _columns(self, chunk: Chunk) -> Columns:
        self._line += int(np.count_nonzero(chunk.data[: chunk.size] == 10))
        return self._reader.read(chunk)

    def _take_sidecar(self) -> None:
        """Read the events beside the file, where there are new ones."""
        try:
            stat = sidecar_of(self._path).stat()
        except OSError:
            return
        if (stat.st_size, stat.st_mtime_ns) != self._sidecar:
            self._sidecar = stat.st_size, stat.st_mtime_ns
            self._beside = Reading(str(self._path))
            take_sidecar(self._path, self._beside, self._first_ns, empty=not self._count)
            self._reading.stamped_by = self._beside.stamped_by


class FollowedFiles(Followed):
    """Several files, merged by time as they come."""

    def __init__(self, capture: MergedCapture) -> None:
        super().__init__(capture)
        self._merged = capture
        self._parts = [followed(part) for part in capture.parts]

    def __iter__(self) -> Iterator[Frames]:
        """Yield what has not been given yet of all of them."""
        begun, self._begun = self._begun, True
        yield from self._merged.merged(self._parts, go_on=begun)

    def rest(self) -> Iterator[Frames]:
        """Yield the half lines at their ends, too."""
        begun, self._begun = self._begun, True
        yield from self._merged.merged([part.rest() for part in self._parts], go_on=begun)

    @property
    def events(self) -> tuple[Event, ...]:
        """Of all files, by time."""
        return tuple(sorted((each for part in self._parts for each in part.events), key=lambda each: each.time_ns or 0))

    @property
    def problems(self) -> Problems:
        """Of the merging and of all files."""
        return Problems.of((self._merged.own_problems, *(part.problems for part in self._parts)))

    def news(self) -> tuple[News, str]:
        """Say what happened to one of them: first what ends its following."""
        found = [part.news() for part in self._parts]
        kinds = ("shorter", "replaced", "gone", "packed", "torn", "grown")
        return next((each for kind in kinds for each in found if each[0] == kind), ("", ""))


def followed(capture: Capture) -> Followed:
    """Return a pass over a capture that goes on when it has grown, where it can."""
    if isinstance(capture, MergedCapture):
        return FollowedFiles(capture)
    return FollowedFile(capture) if _is_plain_text(capture) else Followed(capture)


def _is_plain_text(capture: Capture) -> bool:
    if not capture.is_text or not capture.paths[0].is_file():
        return False
    try:
        with opened_file(capture.paths[0]) as (raw, stream):
            return stream is raw
    except (OSError, UserError):
        return False


class _WholeLines:
    """A stream up to its last line end.

    Attributes
    ----------
    rest
        What lies behind it, once the end was reached.
    """

    def __init__(self, raw: BinaryIO) -> None:
        self._raw = raw
        self.rest = b""

    def read(self, size: int) -> bytes:
        """Return whole lines; none at the end. A line that is too long comes in pieces: it is junk."""
        while True:
            block = self._raw.read(size)
            text = self.rest + block
            cut = text.rfind(b"\n") + 1 if len(text) <= LONGEST_LINE + size else len(text)
            self.rest = text[cut:]
            if cut or not block:
                return text[:cut]
