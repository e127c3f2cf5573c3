"""Sums over windows of a fixed grid, in whole numbers: any cutting into batches gives the same ones."""

from __future__ import annotations

from typing import Final

import numpy as np

from buswright.frames.table import Int64s

FAST_NS: Final = 100_000_000
"""Width of a window, 100 ms; ten make a slow one."""
SLOW: Final = 10
"""Fast windows in a slow one."""

_CHUNK = 25 * SLOW
"""Windows held together: 25 s. A jump of the clock costs one chunk, not the windows in between."""

_MOST_CHUNKS = 20_000
"""Chunks kept, 139 hours of traffic or 160 MB a bus; what comes later is counted in no window."""

LANES = 4
"""Sums in every window: frames, error frames, bits at the nominal rate, bits at the data rate."""


class WindowSums:
    """Frames, error frames and bits of one bus for every 100 ms: 32 bytes a window, 1.2 MB an hour."""

    def __init__(self) -> None:
        self._chunks: dict[int, Int64s] = {}
        self.left_out = 0

    def add(self, time_ns: Int64s, ascending: bool, columns: tuple[Int64s | None, ...]) -> None:
        """Add frames.

        Parameters
        ----------
        time_ns : int64[n]
            Times, not empty.
        ascending
            Whether they are.
        columns
            For each lane int64[n]; None for zeros. The first lane counts frames and is not given.
        """
        if ascending:
            first, last = int(time_ns[0]) // FAST_NS, int(time_ns[-1]) // FAST_NS
            if last - first <= max(len(time_ns), _CHUNK):
                edges = np.arange(first + 1, last + 1) * FAST_NS
                at = np.concatenate([[0], np.searchsorted(time_ns, edges), [len(time_ns)]])
                sums = np.zeros((LANES, last - first + 1), dtype=np.int64)
                sums[0] = np.diff(at)
                for lane, column in enumerate(columns, 1):
                    if column is not None:
                        sums[lane] = np.diff(np.concatenate([[0], np.cumsum(column, dtype=np.int64)])[at])
                self._add_run(first, sums)
                return
        numbers, place = np.unique(time_ns // FAST_NS, return_inverse=True)
        sums = np.zeros((LANES, len(numbers)), dtype=np.int64)
        sums[0] = np.bincount(place)
        for lane, column in enumerate(columns, 1):
            if column is not None:
                np.add.at(sums[lane], place, column)
        breaks = np.flatnonzero(np.diff(numbers) > 1) + 1
        starts, stops = [0, *breaks.tolist()], [*breaks.tolist(), len(numbers)]
        for start, stop in zip(starts, stops, strict=True):
            self._add_run(int(numbers[start]), sums[:, start:stop])

    def _add_run(self, first: int, sums: Int64s) -> None:
        """Add to consecutive windows."""
        done = 0
        while done < sums.shape[1]:
            number, inside = divmod(first + done, _CHUNK)
            size = min(_CHUNK - inside, sums.shape[1] - done)
            part = sums[:, done : done + size]
            done += size
            chunk = self._chunks.get(number)
            if chunk is None:
                if not part.any():
                    continue
                if len(self._chunks) >= _MOST_CHUNKS:
                    self.left_out += int(part[0].sum())
                    continue
                chunk = self._chunks[number] = np.zeros((LANES, _CHUNK), dtype=np.int64)
            chunk[:, inside : inside + size] += part

    def fast(self) -> tuple[Int64s, Int64s]:
        """Return starts, int64[k], and sums, int64[4, k], of the 100 ms windows."""
        return self._joined(1)

    def slow(self) -> tuple[Int64s, Int64s]:
        """Return starts, int64[k], and sums, int64[4, k], of the 1 s windows."""
        return self._joined(SLOW)

    def _joined(self, group: int) -> tuple[Int64s, Int64s]:
        if not self._chunks:
            return np.zeros(0, dtype=np.int64), np.zeros((LANES, 0), dtype=np.int64)
        numbers = sorted(self._chunks)
        size = _CHUNK // group
        sums = np.concatenate(
            [self._chunks[number].reshape(LANES, size, group).sum(axis=2) for number in numbers], axis=1
        )
        starts = (np.array(numbers)[:, np.newaxis] * size + np.arange(size)).ravel() * (FAST_NS * group)
        used = np.flatnonzero(sums[0])
        inside = slice(int(used[0]), int(used[-1]) + 1)
        return starts[inside], sums[:, inside]
