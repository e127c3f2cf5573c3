"""Several captures read as one, merged by time."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from buswright.errors import CaptureError
from buswright.frames.captures.capture import Capture
from buswright.frames.formats.reading import Reading
from buswright.frames.table import Clock, Event, Frames, Int64s, Problems, concatenate

_LONG_AGO = np.iinfo(np.int64).min


class MergedCapture(Capture):
    """Captures merged by time; within a file the order stays. Memory holds one batch of each that overlaps."""

    def __init__(self, captures: list[Capture]) -> None:  # each part knows the rest
        first = {id(capture): capture.first_time_ns() for capture in captures}
        origins = {capture.clock.origin for capture in captures if first[id(capture)] is not None}
        if len(origins) > 1:
            raise CaptureError(
                "these captures can't be merged: some have epoch time, others count from their own start",
                hint="read them one by one, or give all of them the same time base with `buswright cut --start`",
            )
        timed = [capture for capture in captures if first[id(capture)] is not None]
        timed.sort(key=lambda capture: first[id(capture)] or 0)
        self.parts = [*timed, *(capture for capture in captures if first[id(capture)] is None)]
        self._first = [first[id(capture)] for capture in self.parts]
        self.paths = tuple(path for part in self.parts for path in part.paths)
        self.format = " + ".join(dict.fromkeys(part.format for part in self.parts))
        self.size = sum(part.size for part in self.parts)
        self._reading = Reading(", ".join(str(path) for path in self.paths))

    @property
    def own_problems(self) -> Problems:
        """Of the merging alone."""
        return self._reading.problems

    @property
    def problems(self) -> Problems:
        """Of the merging and of every part."""
        return Problems.of((self.own_problems, *(part.problems for part in self.parts)))

    @property
    def events(self) -> tuple[Event, ...]:
        """Of every part, by time."""
        together = [event for part in self.parts for event in part.events]
        return tuple(sorted(together, key=lambda event: event.time_ns or 0))

    @property
    def clock(self) -> Clock:
        """Of the first part, with the coarsest resolution."""
        clocks = [part.clock for part in self.parts]
        coarsest = max(clock.resolution_ns for clock in clocks)
        source = clocks[0].source if len({clock.source for clock in clocks}) == 1 else "unknown"
        return Clock(clocks[0].origin, source, coarsest, clocks[0].timezone)

    @property
    def metadata(self) -> dict[str, str]:
        """Of every part; the first that says something is kept."""
        together: dict[str, str] = {}
        for part in reversed(self.parts):
            together |= part.metadata
        return together

    @property
    def position(self) -> int:
        """Bytes consumed over all parts."""
        return sum(part.position for part in self.parts)

    def first_time_ns(self) -> int | None:
        """Time of the first frame of the part that begins first; None where no part has a timed frame."""
        return self._first[0]

    def beginnings(self) -> tuple[tuple[Path, int | None], ...]:
        """Return the files of all parts, each with the time of its first frame."""
        return tuple(each for part in self.parts for each in part.beginnings())

    def __iter__(self) -> Iterator[Frames]:
        return self.merged(self.parts)

    def merged(self, batches: Sequence[Iterable[Frames]], *, go_on: bool = False) -> Iterator[Frames]:
        """Merge the batches of each part.

        Parameters
        ----------
        go_on
            They are what has come since the last time.
        """
        if not go_on:
            self._reading = Reading(self._reading.path)
        first = [_LONG_AGO] * len(self.parts) if go_on else self._first
        waiting = list(zip(self.parts, batches, first, strict=True))
        active: list[_Source] = []
        while waiting or active:
            if not active or (waiting and waiting[0][2] is not None and waiting[0][2] <= _horizon(active)):
                part, frames, _ = waiting.pop(0)
                source = _Source(part, frames, self._reading)
                if source.ended:
                    continue
                if active and not go_on:
                    names = " and ".join(str(s.part.paths[0]) for s in (active[-1], source))
                    self._reading.problems.add("files overlap in time", names, lost=False)
                active.append(source)
                continue
            limit = _horizon(active)
            batch = _merge([source.up_to(limit) for source in active])
            active = [source for source in active if not source.ended]
            if len(batch):
                yield batch


class _Source:
    """One capture's current batch and how much of it has been given out."""

    def __init__(self, part: Capture, batches: Iterable[Frames], reading: Reading) -> None:
        self.part = part
        self._batches = iter(batches)
        self._reading = reading
        self._latest = _LONG_AGO
        self.ended = False
        self._next()

    def _next(self) -> None:
        for frames in self._batches:
            if len(frames):
                index = np.array([self._reading.bus(name) for name in frames.buses], dtype=np.uint8)
                self._frames = replace(frames, bus=index[frames.bus], buses=tuple(self._reading.buses))
                # Time that goes backwards is kept within its file: the sort key never falls.
                self._key: Int64s = np.maximum.accumulate(np.maximum(frames.time_ns, self._latest))
                self._latest = int(self._key[-1])
                self._at = 0
                return
        self.ended = True

    @property
    def last_key(self) -> int:
        return int(self._key[-1])

    def up_to(self, limit: int) -> tuple[Frames, Int64s]:
        stop = int(np.searchsorted(self._key, limit, side="right"))
        part, key = self._frames.slice(self._at, stop), self._key[self._at : stop]
        self._at = stop
        if stop == len(self._key):
            self._next()
        return part, key


def _horizon(active: list[_Source]) -> int:
    """Up to this time every active source has all its frames in hand."""
    return min(source.last_key for source in active)


def _merge(parts: list[tuple[Frames, Int64s]]) -> Frames:
    parts = [part for part in parts if len(part[0])]
    if len(parts) == 1:
        return parts[0][0]
    together = concatenate([frames for frames, _ in parts])
    order = np.argsort(np.concatenate([key for _, key in parts]), kind="stable") if parts else np.zeros(0, np.intp)
    return together.take(order)
