"""A capture as a tape: read from its start as often as needed, cut by time or by number of frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from buswright.frames.capture import Capture
from buswright.frames.table import Flag, Frames, Int64s, empty_frames

MEMORY_FRAMES = 1_500_000
"""A capture of no more than so many frames stays in memory once it has been read, some 50 MB."""
_NEVER = np.iinfo(np.int64).min
_BACK_FRAMES = 32
"""So many frames in a row tell that a clock was set back; fewer may be those of one of two buses with two clocks."""


class Tape:
    """The batches of a capture, from the start on; a short capture is read from the disk only once."""

    def __init__(self, capture: Capture) -> None:
        self._capture = capture
        self._in_memory: list[Frames] | None = []
        self._frames = 0
        self._whole = False

    def __iter__(self) -> Iterator[Frames]:
        """Yield the batches."""
        if self._whole and self._in_memory is not None:
            return iter(self._in_memory)
        return self._read()

    def _read(self) -> Iterator[Frames]:
        first_time = not self._whole
        for frames in self._capture:
            if first_time and self._in_memory is not None:
                self._frames += len(frames)
                if self._frames > MEMORY_FRAMES:
                    self._in_memory = None
                else:
                    self._in_memory.append(frames)
            yield frames
        self._whole = True


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
