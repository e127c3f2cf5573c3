"""A capture as a tape: read from its start as often as needed, cut by time or by number of frames."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np

from buswright.frames.captures.capture import Capture
from buswright.frames.captures.growing import Followed, followed
from buswright.frames.table import Flag, Frames, Int64s, empty_frames

MEMORY_FRAMES = 1_500_000
"""A capture of no more than so many frames stays in memory once it has been read, some 50 MB."""
_NEVER = np.iinfo(np.int64).min
_BACK_FRAMES = 32
"""So many frames in a row tell that a clock was set back; fewer may be those of one of two buses with two clocks."""


class Tape:
    """The batches of a capture, from the start on; a short capture is read from the disk only once.

    Attributes
    ----------
    followed
        The pass that reads it first, and on when it grows.
    count
        Frames that it has read.
    whole
        Whether it has come to the end.
    in_memory
        Its batches; None where there are too many.
    """

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self.followed = followed(capture)
        self.count = 0
        self.whole = False
        self.in_memory: list[Frames] | None = []
        self._first = iter(self.followed)

    def __iter__(self) -> Reel:
        """Return the batches so far, and those that are read for the first time meanwhile."""
        return Reel(self)

    def read(self) -> Frames | None:
        """Read the next batch for the first time; None at the end."""
        frames = next(self._first, None)
        if frames is None:
            self.whole = True
        else:
            self._add(frames)
        return frames

    def grow(self, reel: Reel, *, rest: bool = False) -> list[Frames]:
        """Read what has come since; `rest`: a half line at the end, too. A reel that was at the end goes on with it."""
        before, new = self.count, []
        for frames in self.followed.rest() if rest else self.followed:
            self._add(frames)
            new.append(frames)
        reel.hand(new, before)
        return new

    def so_far(self) -> Iterable[Frames]:
        """Return what has been read, apart from this tape: another thread may go through it."""
        return tuple(self.in_memory) if self.in_memory is not None else _Beginning(self.capture, self.count)

    def _add(self, frames: Frames) -> None:
        self.count += len(frames)
        if self.in_memory is not None:
            self.in_memory.append(frames)
            if self.count > MEMORY_FRAMES:
                self.in_memory = None


class _Beginning:
    """So many frames of a capture, read from the disk whenever they are iterated."""

    def __init__(self, capture: Capture, count: int) -> None:
        self._capture, self._count = capture, count

    def __iter__(self) -> Iterator[Frames]:
        left = self._count
        for frames in followed(self._capture):
            yield frames.slice(0, min(left, len(frames)))
            left -= len(frames)
            if left <= 0:
                return


class Reel:
    """The batches of a tape one after the other; it may go on after its end."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape
        self._given = self._batches = 0
        self._handed: deque[Frames] = deque()
        self._own: Followed | None = None
        self._from_disk: Iterator[Frames] = iter(())

    def __iter__(self) -> Reel:
        return self

    def __next__(self) -> Frames:
        tape = self._tape
        frames: Frames | None = None
        if self._handed:
            frames = self._handed.popleft()
        elif self._given < tape.count:
            frames = tape.in_memory[self._batches] if tape.in_memory is not None else self._read_again()
        elif not tape.whole:
            frames = tape.read()
        if frames is None:
            raise StopIteration
        self._given += len(frames)
        self._batches += 1
        return frames

    def hand(self, batches: Iterable[Frames], before: int) -> None:
        """Take what was read from the disk, if all `before` it has been given or handed already."""
        if self._tape.in_memory is None and self._given + sum(map(len, self._handed)) == before:
            self._handed.extend(batches)

    def _read_again(self) -> Frames | None:
        """Read from the disk what is known to be there, behind what has been given."""
        skip = 0
        if self._own is None:
            self._own, skip = followed(self._tape.capture), self._given
            self._from_disk = iter(self._own)
        for again in (False, True):
            if again:
                self._from_disk = iter(self._own)
            for frames in self._from_disk:
                if skip < len(frames):
                    return frames.slice(skip, min(len(frames), skip + self._tape.count - self._given))
                skip -= len(frames)
        return None


class Cursor:
    """A place in a capture: so many frames lie before it.

    Its clock never falls: a frame whose time goes back, or that has none, comes with the one before it.

    Attributes
    ----------
    count
        Frames before it.
    time_ns
        Latest time of those; None before there is any.
    first_ns
        Time of the capture's first frame that has one; None before it has been met.
    behind_ns
        How far the stamps of the latest frames lie before `time_ns`, all of them: the capture's clock was set back.
    """

    def __init__(self, batches: Iterable[Frames]) -> None:
        self._batches = iter(batches)
        self._frames = empty_frames()
        self._clock: Int64s = np.zeros(0, dtype=np.int64)
        self._stamps: Int64s = np.zeros(0, dtype=np.int64)
        self._at = 0
        self._latest = _NEVER
        self._ended = False
        self.count = 0
        self.time_ns: int | None = None
        self.first_ns: int | None = None
        self.behind_ns = 0

    @property
    def ended(self) -> bool:
        """Whether there is nothing behind it; reads on if need be."""
        self._fill()
        return self._ended

    @property
    def next_ns(self) -> int | None:
        """When the next frame is due; None at the end."""
        return None if self.ended else int(self._clock[self._at])

    def go_on(self) -> None:
        """Look again whether there is something behind it."""
        self._ended = False

    def up_to(self, time_ns: int | None, most: int) -> Frames:
        """Move on to a time (None: to the end) but by no more than `most` frames; return what was passed over.

        It may be less than asked for, and is empty only where nothing more is due.
        """
        if self.ended:
            return empty_frames(self._frames.buses)
        stop = min(self._at + most, len(self._clock))
        if time_ns is not None:
            stop = min(stop, int(np.searchsorted(self._clock, time_ns, side="right")))
        return self._take(stop)

    def skip(self, most: int) -> None:
        """Move on by up to `most` frames, at least by one where there is one."""
        if not self.ended:
            self._take(min(self._at + most, len(self._clock)))

    def _take(self, stop: int) -> Frames:
        stop = max(stop, self._at)
        passed = self._frames.slice(self._at, stop)
        if stop > self._at:
            self.count += stop - self._at
            latest = int(self._clock[stop - 1])
            self.time_ns = latest if latest != _NEVER else None
            newest = int(self._stamps[max(0, stop - _BACK_FRAMES) : stop].max())
            if newest != _NEVER:
                self.behind_ns = latest - newest
            self._at = stop
        return passed

    def _fill(self) -> None:
        while self._at >= len(self._frames) and not self._ended:
            frames = next(self._batches, None)
            if frames is None:
                self._ended = True
                return
            if not len(frames):
                continue
            time_ns = frames.time_ns
            untimed = frames.has(Flag.UNTIMED)
            if untimed.any():
                time_ns = np.where(untimed, _NEVER, time_ns)
            self._frames, self._stamps, self._at = frames, time_ns, 0
            self._clock = np.maximum.accumulate(np.maximum(time_ns, self._latest))
            self._latest = int(self._clock[-1])
            if self.first_ns is None and self._latest != _NEVER:
                self.first_ns = int(self._clock[np.argmax(self._clock != _NEVER)])
