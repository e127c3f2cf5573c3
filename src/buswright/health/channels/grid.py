"""A channel on a grid of time: mean, extremes and noise of every window, so that channels can be laid side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.channels.samples.series import Bools, Floats, Int64s

FINE_NS = 100_000_000
"""Windows in which channels are compared with each other."""
COARSE_NS = 1_000_000_000
"""Windows in which noise is measured: at 20 Hz there are still 18 second differences in it."""
LEAST_DIFFERENCES = 4
"""Second differences in a window below which its noise isn't measured."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """One row for each window that holds a usable sample; windows lie on multiples of their width.

    Attributes
    ----------
    width_ns
        Width of a window.
    number : int64[k]
        Start of each window over the width. Ascending within a segment; a clock set back may repeat numbers.
    count : int64[k]
        Usable samples.
    mean, low, high : float64[k]
        Of these samples.
    noise : float64[k]
        Standard deviation of what is fast: second differences over sqrt(6), which slow changes cancel from. NaN where
        a window holds under `LEAST_DIFFERENCES`.
    """

    width_ns: int
    number: Int64s
    count: Int64s
    mean: Floats
    low: Floats
    high: Floats
    noise: Floats

    def __len__(self) -> int:
        return len(self.number)

    @property
    def start_ns(self) -> Int64s:
        """Where each window starts; int64[k]."""
        starts: Int64s = self.number * self.width_ns
        return starts

    def at(self, numbers: Int64s, column: Floats | None = None) -> Floats:
        """Return a column (the mean) at given windows, NaN where the channel has none; float64[len(numbers)].

        Of a number that occurs twice the first counts.
        """
        column = self.mean if column is None else column
        found = np.full(len(numbers), np.nan)
        if len(self):
            own, rows = np.unique(self.number, return_index=True)
            places = np.minimum(np.searchsorted(own, numbers), len(own) - 1)
            same = own[places] == numbers
            found[same] = column[rows[places[same]]]
        return found

    def held(self, numbers: Int64s, most: int = 10) -> Floats:
        """Return the mean at given windows, where there is none that of up to `most` windows before it.

        For channels slower than the grid: a temperature sent once a second holds till its next sample.
        """
        found = np.full(len(numbers), np.nan)
        if len(self):
            own, rows = np.unique(self.number, return_index=True)
            places = np.searchsorted(own, numbers, side="right") - 1
            near = (places >= 0) & (numbers - own[np.maximum(places, 0)] <= most)
            found[near] = self.mean[rows[places[near]]]
        return found


def grid_of(time_ns: Int64s, values: Floats, usable: Bools, segments: Int64s, width_ns: int) -> Grid:
    """Lay samples on a grid.

    Parameters
    ----------
    time_ns : int64[n]
        Never decreasing within a segment.
    values : float64[n]
        What is averaged.
    usable : bool[n]
        Samples that count; what isn't finite never does.
    segments : int64[s]
        Rows where segments start.
    width_ns
        Width of a window.
    """
    rows = np.flatnonzero(usable & np.isfinite(values))
    nothing = np.zeros(0)
    if not len(rows):
        none = np.zeros(0, dtype=np.int64)
        return Grid(width_ns, none, none, nothing, nothing, nothing, nothing)
    kept, number = values[rows], time_ns[rows] // width_ns
    segment = np.searchsorted(segments, rows, side="right")
    starts = np.flatnonzero(np.concatenate(([True], (np.diff(number) != 0) | (np.diff(segment) != 0))))
    count = np.diff(np.append(starts, len(rows)))
    second = np.zeros(len(rows))
    counted = np.zeros(len(rows), dtype=np.int64)
    if len(rows) > 2:
        # Three samples in a row, of one segment, none left out between them.
        whole = (np.diff(rows, 2) == 0) & (rows[2:] - rows[:-2] == 2) & (segment[2:] == segment[:-2])
        second[1:-1] = np.where(whole, np.square(np.diff(kept, 2)), 0.0)
        counted[1:-1] = whole
    squares, differences = np.add.reduceat(second, starts), np.add.reduceat(counted, starts)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = np.where(differences >= LEAST_DIFFERENCES, np.sqrt(squares / differences / 6.0), np.nan)
    return Grid(
        width_ns,
        number[starts],
        count.astype(np.int64),
        np.add.reduceat(kept, starts) / count,
        np.minimum.reduceat(kept, starts),
        np.maximum.reduceat(kept, starts),
        noise,
    )
