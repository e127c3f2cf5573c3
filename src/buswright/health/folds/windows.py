"""Sums over windows, in whole numbers: any cutting into batches gives the same ones."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Int64s

FAST_NS: Final = 100_000_000
"""Width of a window, 100 ms; ten make a slow one."""
SLOW: Final = 10
"""Fast windows in a slow one."""

_CHUNK = 25 * SLOW
"""Windows held together: 25 s. A jump of the clock costs one chunk, not the windows in between."""

_MOST_CHUNKS = 20_000
"""Chunks kept, 139 hours of traffic or 160 MB a bus; what comes later is counted in no window."""

BACK_NS = 1_000
"""Time may go back this far between two frames of a bus without the clock having jumped."""
_STEP_NS = 1_000

_HEAD = 4
"""One window of so many is always summed; a car's windows are so alike that with more hardly any could be left out."""

LANES = 4
"""Sums in every window: frames, error frames, bits at the nominal rate, bits at the data rate."""


Float64s = npt.NDArray[np.float64]


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

    def sums(self, group: int) -> tuple[Int64s, Int64s]:
        """Return starts, int64[k], and sums, int64[4, k], of windows of so many times 100 ms: 1 or `SLOW`."""
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


class Busy(NamedTuple):
    """A window: its weight in bit times, the first frame in it, and the bits at either rate."""

    weight: float
    start_ns: int
    bits: int
    data_bits: int


class SlidingPeaks:
    """The busiest 100 ms and the busiest second of one bus, wherever they begin.

    Of all windows that end with a frame, and hold the frames that ended in them; so a frame that began before the
    window counts whole. Times count in whole microseconds, and memory is what came in the last second: at most 24 MB
    for stamps that no bus can have, 0.5 MB on a full bus. No window reaches over a jump of the clock.

    Parameters
    ----------
    data_weight
        Time of a bit at the data rate over one at the nominal rate.
    """

    WIDTHS_NS: Final = (FAST_NS, FAST_NS * SLOW)

    def __init__(self, data_weight: float = 1.0) -> None:
        self.best: dict[int, Busy] = {}
        self._data_weight = data_weight
        self._last_ns: int | None = None
        self._behind = 0
        self._at: Int64s = np.zeros(0, dtype=np.int64)  # steps before the latest frame, which is at 0
        self._bits: Int64s = np.zeros((2, 0), dtype=np.int64)

    def add(self, time_ns: Int64s, bits: npt.NDArray[np.int32], data_bits: npt.NDArray[np.int32] | None) -> None:
        """Add frames in the order of the capture, not empty; `data_bits` None for zeros."""
        before = int(time_ns[0]) if self._last_ns is None else self._last_ns
        self._last_ns = int(time_ns[-1])
        beyond = self.WIDTHS_NS[-1] // _STEP_NS + 1
        step = np.diff(time_ns // _STEP_NS, prepend=before // _STEP_NS)
        # What is further apart than a window may be anything: so sums stay small, whatever the stamps.
        if self._behind == 0 and step.min() >= 0:
            latest = np.cumsum(np.minimum(step, beyond))
        else:
            jump = np.diff(time_ns, prepend=before) < -BACK_NS
            position = np.cumsum(np.where(jump, beyond, np.minimum(step, beyond))) + self._behind
            latest = np.maximum.accumulate(np.maximum(position, 0))  # a little backwards is no earlier
            self._behind = int(position[-1] - latest[-1])
        at = np.concatenate([self._at, latest])
        # Classic frames have no bits at the data rate.
        own = [bits] if data_bits is None and not self._bits[1].any() else [bits, data_bits]
        total = np.zeros((len(own), len(at) + 1), dtype=np.int64)
        for lane, column in enumerate(own):
            total[lane, 1 : len(self._at) + 1] = self._bits[lane]
            total[lane, len(self._at) + 1 :] = 0 if column is None else column
        np.cumsum(total, axis=1, out=total)
        for width in self.WIDTHS_NS:
            self._slide(width, at, total, time_ns, len(self._at))
        kept = np.searchsorted(at, latest[-1] - self.WIDTHS_NS[-1] // _STEP_NS, side="right")
        distinct = kept + np.flatnonzero(np.diff(at[kept:], prepend=-1 - beyond * len(at)))
        self._at, self._bits = at[distinct] - latest[-1], np.zeros((2, len(distinct)), dtype=np.int64)
        self._bits[: len(own)] = np.diff(total[:, distinct], append=total[:, -1:], axis=1)

    def _slide(self, width: int, at: Int64s, total: Int64s, time_ns: Int64s, known: int) -> None:
        """Look at the windows that end with a frame, of which the first `known` were looked at before.

        Of every few frames the first is looked at, and the others only where all of their bits together with its
        window would be more than the best: none of their windows begins sooner than its own.
        """
        heads = np.arange(known, len(at), _HEAD)
        first = at.searchsorted(at[heads] - width // _STEP_NS, side="right")
        weight = self._weight(total, heads, first)
        best = max(float(weight.max()), self.best[width].weight if width in self.best else 0.0)
        tails = np.minimum(heads + _HEAD, len(at)) - 1
        more = heads[self._weight(total, tails, first) >= best]
        rows = (more[:, np.newaxis] + np.arange(_HEAD)).ravel()
        rows = rows[: np.searchsorted(rows, len(at))]
        first = at.searchsorted(at[rows] - width // _STEP_NS, side="right")
        weight = self._weight(total, rows, first)
        k = int(np.argmax(weight)) if len(rows) else 0
        if len(rows) and (width not in self.best or weight[k] > self.best[width].weight):
            start = int(time_ns[rows[k] - known]) - int(at[rows[k]] - at[first[k]]) * _STEP_NS
            own_bits, own_data = (int(lane[rows[k] + 1] - lane[first[k]]) for lane in (total[0], total[-1]))
            self.best[width] = Busy(float(weight[k]), start, own_bits, own_data if len(total) > 1 else 0)

    def _weight(self, total: Int64s, last: npt.NDArray[np.intp], first: npt.NDArray[np.intp]) -> Float64s:
        """Weigh the frames from `first` to `last`, in bit times; float64[k]."""
        sums = total[:, 1:].take(last, axis=1) - total.take(first, axis=1)
        weight: Float64s = sums[0] * 1.0 if len(sums) == 1 else sums[0] + sums[1] * self._data_weight
        return weight
