"""Frames that came twice: the same identifier and payload within a millisecond, on one bus or on two."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Bools, Flag, Frames, Int64s
from buswright.health.model.health import Duplicates

UInt64s = npt.NDArray[np.uint64]

WITHIN_NS = 1_000_000
LOOK_BACK = 8
"""Frames of the capture that are looked back over: a copy comes within a millisecond, so few come in between."""
_SPREAD = np.uint64(0x9E3779B97F4A7C15)
_EXTENDED = np.uint64(1 << 32)


class RepeatedFrames:
    """Folds the frames of a whole capture in order."""

    def __init__(self) -> None:
        self._key: UInt64s = np.zeros(0, dtype=np.uint64)
        self._time: Int64s = np.zeros(0, dtype=np.int64)
        self._lane: npt.NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        self._found: dict[tuple[int, int], list[int]] = {}
        self._copies: dict[int, int] = {}

    def add(self, frames: Frames, lane: npt.NDArray[np.uint8], words: UInt64s) -> None:
        """Take a batch; `lane` uint8[n] numbers the buses by name, `words` uint64[n] are the payloads."""
        if not len(frames):
            return
        key = frames.id * _SPREAD
        key ^= words
        aside = int(np.bitwise_or.reduce(frames.flags))
        if aside & Flag.EXTENDED:
            key[frames.has(Flag.EXTENDED)] += _EXTENDED
        key = np.concatenate([self._key, key])
        time_ns = np.concatenate([self._time, frames.time_ns])
        lane = np.concatenate([self._lane, lane])
        skip = frames.has(Flag.ERROR | Flag.REMOTE | Flag.UNTIMED) if aside & (4 | 2 | 128) else None
        fresh = len(self._key)
        if skip is not None and skip.any():
            # Each its own key, so that none equals another.
            rows = np.flatnonzero(skip) + fresh
            lane = lane.copy()
            lane[rows] = 255
        taken = np.zeros(len(key), dtype=np.bool_)
        for back in range(1, min(LOOK_BACK, len(key) - 1) + 1):
            start = max(fresh, back)
            rows = np.flatnonzero(key[start:] == key[start - back : len(key) - back]) + start
            if len(rows):
                rows = rows[~taken[rows] & (lane[rows] != 255) & (lane[rows - back] != 255)]
                apart = time_ns[rows] - time_ns[rows - back]
                rows = rows[(apart >= 0) & (apart < WITHIN_NS)]
                taken[rows] = True
                self._count(rows, rows - back, time_ns, lane)
                again = rows[lane[rows] == lane[rows - back]]
                self._count_identifiers(frames, again - fresh, lane[again])
        self._key, self._time, self._lane = (
            key[-LOOK_BACK:].copy(),
            time_ns[-LOOK_BACK:].copy(),
            lane[-LOOK_BACK:].copy(),
        )

    def _count(
        self, rows: npt.NDArray[np.intp], first: npt.NDArray[np.intp], time_ns: Int64s, lane: npt.NDArray[np.uint8]
    ) -> None:
        pairs = lane[rows].astype(np.int64) << 8 | lane[first]
        for pair in np.unique(pairs).tolist():
            some = time_ns[rows[pairs == pair]]
            low, high = int(some.min()), int(some.max())
            old = self._found.get((pair >> 8, pair & 255), [0, low, high])
            self._found[pair >> 8, pair & 255] = [old[0] + len(some), min(old[1], low), max(old[2], high)]

    def _count_identifiers(self, frames: Frames, rows: npt.NDArray[np.intp], lane: npt.NDArray[np.uint8]) -> None:
        keys = _key(lane.astype(np.int64), frames.id[rows].astype(np.int64), frames.has(Flag.EXTENDED)[rows])
        for key, count in zip(*(column.tolist() for column in np.unique(keys, return_counts=True)), strict=True):
            self._copies[key] = self._copies.get(key, 0) + count

    def copies_on(self, lane: int) -> int:
        """Count the second copies on one bus of frames on the same bus."""
        found = self._found.get((lane, lane))
        return found[0] if found else 0

    def copies_of(self, lane: int, name: FrameName) -> int:
        """Count the second copies of one identifier on the same bus."""
        return self._copies.get(int(_key(lane, name.id, name.extended)), 0)

    def figures(self, buses: Sequence[str], data_frames: Sequence[int]) -> tuple[Duplicates, ...]:
        """Return the counts by pair of buses, in the order of their names; `data_frames` of each bus."""
        found = [
            Duplicates(buses[bus], buses[other], count, count / max(1, data_frames[bus]), first, last)
            for (bus, other), (count, first, last) in self._found.items()
        ]
        return tuple(sorted(found, key=lambda pair: (pair.bus, pair.other)))


def _key(lane: Int64s | int, identifier: Int64s | int, extended: Bools | bool) -> Int64s | int:
    """Return the number of an identifier of a bus."""
    return lane << 30 | identifier << 1 | extended
