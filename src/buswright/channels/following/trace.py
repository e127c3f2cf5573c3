"""A channel second by second: smallest and largest value of each of the latest seconds, in constant memory."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from buswright.channels.following.model import TRACE_S
from buswright.channels.samples.series import Bools, Floats, Int64s

_S = 1_000_000_000


class Bins:
    """Low, high and "any unusable" of the latest seconds of the capture's clock, whole seconds each.

    Attributes
    ----------
    first_s
        The second of the first bin; None before there was a sample.
    low, high, bad : float32[k], float32[k], bool[k]
    """

    __slots__ = ("bad", "first_s", "high", "low")

    def __init__(self) -> None:
        self.first_s: int | None = None
        self.low = np.full(TRACE_S, np.nan, dtype=np.float32)
        self.high = self.low.copy()
        self.bad = np.zeros(TRACE_S, dtype=np.bool_)

    def copy(self) -> Bins:
        """Return one to go on with while this one stays."""
        other = Bins()
        other.first_s = self.first_s
        other.low, other.high, other.bad = self.low.copy(), self.high.copy(), self.bad.copy()
        return other

    def add(self, time_ns: Int64s, value: Floats, usable: Bools) -> None:
        """Put samples into their seconds; those that are too old by now are left out."""
        first, last = int(time_ns[0]) // _S, int(time_ns[-1]) // _S
        if first == last:  # as it nearly always is while frames come in
            good = value if usable.all() else value[usable]
            self.put(last, good, len(good) < len(value))
            return
        second = time_ns // _S
        for start, stop in pairwise([*np.flatnonzero(np.diff(second, prepend=-1)).tolist(), len(second)]):
            good = value[start:stop][usable[start:stop]]
            self.put(int(second[start]), good, len(good) < stop - start)

    def put(self, second: int, good: Floats, bad: bool) -> None:
        """Put the usable values of one second into it, and whether there were others."""
        if self.first_s is None:
            self.first_s = second - TRACE_S + 1
        elif second >= self.first_s + TRACE_S:
            self._move(second - TRACE_S + 1)
        index = second - self.first_s
        if index < 0:
            return
        if bad:
            self.bad[index] = True
        if len(good):
            with np.errstate(over="ignore"):  # beyond float32 is infinite, which a trace may show
                low, high = np.float32(good.min()), np.float32(good.max())
            if not self.low[index] <= low:
                self.low[index] = low
            if not self.high[index] >= high:
                self.high[index] = high

    def at(self, first_s: int) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32], Bools]:
        """Return the bins from a second on: low, high and bad of `TRACE_S` seconds."""
        moved = self.copy()
        if self.first_s is not None:
            moved._move(first_s)
        return moved.low, moved.high, moved.bad

    def _move(self, first_s: int) -> None:
        """Begin with another second; what falls out is gone."""
        assert self.first_s is not None
        by = first_s - self.first_s
        self.first_s = first_s
        if by == 0:
            return
        for column in (self.low, self.high, self.bad):
            empty = column.dtype.type(False if column.dtype == np.bool_ else np.nan)
            if abs(by) >= TRACE_S:
                column[:] = empty
            elif by > 0:
                column[:-by] = column[by:].copy()
                column[-by:] = empty
            else:
                column[-by:] = column[:by].copy()
                column[:-by] = empty
