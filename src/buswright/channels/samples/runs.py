"""Runs: stretches of samples without a gap, and the regular time grid that lies under each of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Floats, Int64s, Quality, Series, UInt16s

GAP_PERIODS = 3.0
"""A silence longer than this many periods is a gap: nothing is computed across (common practice, no source)."""
_SLACK = 0.1
"""Periods by which a silence may exceed that and be no gap: three periods on a clock that runs fast, with jitter."""

_ENOUGH_STEPS = 20
"""A handful of steps says less about a sender's period than its nominal value; from here on they say more."""
_WINDOW = 64
"""Samples over which a sender's phase is taken as constant: 100 ppm of drift is then 0.6 % of a period."""
_REGULAR = 0.3
"""Mean concentration of the phases (1: no jitter, 0: any phase) above which samples are held for periodic.

Arrivals spread evenly over 0.7 of a period still reach 0.37; random ones stay near 1/sqrt(64) = 0.13.
"""


def run_starts(time_ns: Int64s, segment: npt.NDArray[np.intp], step_s: float) -> Int64s:
    """Rows where a run starts: the first, and those after a gap or in a new segment; int64[r].

    Parameters
    ----------
    time_ns, segment : int64[n]
        Time and number of the segment of each row.
    step_s
        Period of the channel in seconds; NaN knows no gaps.
    """
    if not len(time_ns):
        return np.zeros(0, dtype=np.int64)
    new = (np.diff(segment) != 0) | (np.diff(time_ns) > longest_step_ns(step_s))
    return np.concatenate(([0], np.flatnonzero(new) + 1)).astype(np.int64)


def longest_step_ns(step_s: float) -> float:
    """Return the longest time between samples that is no gap yet, in nanoseconds."""
    return (GAP_PERIODS + _SLACK) * step_s * 1e9


def segment_of_rows(series: Series) -> npt.NDArray[np.intp]:
    """Return the number of the segment that each row belongs to; intp[n]."""
    return np.searchsorted(series.segments, np.arange(len(series)), side="right") - 1


def run_lengths(starts: Int64s, size: int) -> Int64s:
    """Return the number of rows in each run; int64[r]."""
    return np.diff(np.append(starts, size))


def window_or(quality: UInt16s, first: npt.NDArray[np.intp], stop: npt.NDArray[np.intp]) -> UInt16s:
    """Join the objections within windows of rows first..stop, one window per result; uint16[k].

    Every bit that occurs is counted cumulatively, so wide windows cost no more than narrow ones.
    """
    joined = np.zeros(len(first), dtype=np.uint16)
    present = int(np.bitwise_or.reduce(quality)) if len(quality) else 0
    for bit in Quality:
        if present & bit:
            count = np.concatenate(([0], np.cumsum((quality & np.uint16(bit)) != 0)))
            joined[count[stop] > count[first]] |= np.uint16(bit)
    return joined


def read_between(column: Floats, position: Floats) -> Floats:
    """Read a column at positions that may lie between two of its points; a NaN costs only what lies beside it."""
    lower = np.floor(position + 1e-6).astype(np.intp)
    fraction = np.maximum(position - lower, 0.0)
    between = fraction > 1e-6
    if not between.any():
        return column[lower]
    upper = np.where(between, np.minimum(lower + 1, len(column) - 1), lower)
    value: Floats = column[lower] + fraction * (column[upper] - column[lower])
    return value


@dataclass(frozen=True, slots=True, eq=False)
class RegularGrid:
    """The usable samples of a series on the regular grid that their sender keeps.

    Time stamps mark arrivals; a sender samples on its own clock, and what lies between (other traffic, a late task)
    is jitter. A derivative taken over arrival times turns 1 ms of jitter at 200 Hz into 20 % of error, so filters
    and derivatives work on a dense column: one slot a period, lost frames filled in by a straight line.

    Attributes
    ----------
    rows : intp[k]
        The usable rows of the series.
    position : float64[k]
        Their slots; whole numbers unless the samples follow no period.
    starts : int64[r]
        Slots where runs start.
    size
        Number of slots.
    step_s
        Time between slots: the sender's period as measured, in seconds.
    """

    rows: npt.NDArray[np.intp]
    position: Floats
    starts: Int64s
    size: int
    step_s: float

    def spread(self, values: Floats) -> Floats:
        """Lay the values of the usable rows, float64[k], out in slots; float64[size]."""
        if self.size == len(self.position):
            return values
        return np.interp(np.arange(self.size), self.position, values)

    def gather(self, column: Floats, count: int) -> Floats:
        """Read slots back to the `count` rows of the series, NaN where the row wasn't usable; float64[count]."""
        values = np.full(count, np.nan)
        values[self.rows] = read_between(column, self._within_run())
        return values

    def around(self, quality: UInt16s, reach: int) -> UInt16s:
        """Join what is objected to within `reach` slots of each row, in its run; filled slots are INTERPOLATED."""
        slot = self._within_run().astype(np.int64)
        column = np.full(self.size, np.uint16(Quality.INTERPOLATED))
        column[slot] = 0
        np.bitwise_or.at(column, slot, quality[self.rows])
        run = np.searchsorted(self.starts, slot, side="right") - 1
        ends = np.append(self.starts[1:], self.size)
        joined = quality.copy()
        joined[self.rows] |= window_or(
            column, np.maximum(slot - reach, self.starts[run]), np.minimum(slot + reach + 1, ends[run])
        )
        return joined

    def _within_run(self) -> Floats:
        """Positions, none beyond the last slot of its run (irregular samples may end between two slots)."""
        run = np.searchsorted(self.starts, self.position, side="right") - 1
        inside: Floats = np.minimum(self.position, np.append(self.starts[1:], self.size)[run] - 1)
        return inside


def regular_grid(series: Series) -> RegularGrid:
    """Find the regular grid under the usable samples of a series."""
    rows = np.flatnonzero(series.valid)
    time_ns = series.time_ns[rows]
    nominal = series.step_s()
    starts = run_starts(time_ns, segment_of_rows(series)[rows], nominal)
    step = _mean_step(time_ns, nominal)
    if not len(rows) or not step > 0:
        return RegularGrid(rows, np.arange(len(rows), dtype=np.float64), np.arange(len(rows)), len(rows), np.nan)
    position = _slots(time_ns, starts, step * 1e9)
    last = np.append(starts[1:], len(rows)) - 1
    elapsed, periods = (time_ns[last] - time_ns[starts]).sum() * 1e-9, position[last].sum()
    if periods >= _ENOUGH_STEPS:
        step = float(elapsed / periods)
    slots = np.floor(position[last]).astype(np.int64) + 1
    offset = np.concatenate(([0], np.cumsum(slots)))
    position = position + np.repeat(offset[:-1], run_lengths(starts, len(rows)))
    return RegularGrid(rows, np.maximum.accumulate(position), offset[:-1], int(offset[-1]), step)


def _mean_step(time_ns: Int64s, nominal: float) -> float:
    """Period as this clock measures it, in seconds, good enough to find the slots by.

    It is the mean of the steps within half a period of the nominal one; heavy jitter biases it by some tenths of a
    per cent, which the elapsed time over the number of slots then does away with.
    """
    steps = np.diff(time_ns) * 1e-9
    steps = steps[np.abs(steps - nominal) < 0.5 * nominal]
    return float(steps.mean()) if len(steps) >= _ENOUGH_STEPS else nominal


def _slots(time_ns: Int64s, starts: Int64s, step_ns: float) -> Floats:
    """Position of each row from the start of its run, in periods.

    The phase of the sender is the circular mean over a window of arrivals; it follows drift, which a grid fixed
    for a whole run would not (100 ppm over 10 min are 6 periods of 10 ms). Each arrival then takes the nearest slot.
    """
    n = len(time_ns)
    in_run = np.arange(n) - np.repeat(starts, run_lengths(starts, n))
    heads = np.flatnonzero(in_run % _WINDOW == 0)
    window = np.repeat(np.arange(len(heads)), run_lengths(heads, n))
    cycles = (time_ns - time_ns[heads][window]) / step_ns
    mean = np.add.reduceat(np.exp(2j * np.pi * (cycles % 1.0)), heads)
    if np.abs(mean).sum() < _REGULAR * n:
        since_start: Floats = (time_ns - np.repeat(time_ns[starts], run_lengths(starts, n))) / step_ns
        return since_start
    phase = np.angle(mean) / (2 * np.pi)
    ahead = np.zeros(len(heads))
    ahead[1:] = np.rint(np.diff(time_ns[heads]) / step_ns + np.diff(phase))
    slot: Floats = np.rint(cycles - phase[window]) + np.cumsum(ahead)[window]
    from_start: Floats = slot - np.repeat(slot[starts], run_lengths(starts, n))
    return from_start
