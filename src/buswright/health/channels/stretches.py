"""Stretches of samples: bad ones in a row, short excursions that come back, one value held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools, Floats, Int64s

Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """k stretches of rows, none overlapping, ascending.

    Attributes
    ----------
    first, stop : intp[k]
        First row of each, and the row behind its last.
    """

    first: Rows
    stop: Rows

    def __len__(self) -> int:
        return len(self.first)

    @property
    def rows(self) -> int:
        """How many rows all of them have."""
        return int((self.stop - self.first).sum())

    def take(self, which: Bools | Rows) -> Stretches:
        """Keep some."""
        return Stretches(self.first[which], self.stop[which])

    def windows(self, time_ns: Int64s) -> list[tuple[int, int]]:
        """First time of each, and the time of the row behind it (the last row's own at the end of the run)."""
        last = np.minimum(self.stop, len(time_ns) - 1)
        ends = np.maximum(time_ns[last], time_ns[self.stop - 1])
        return list(zip(time_ns[self.first].tolist(), ends.tolist(), strict=True))

    def mask(self, size: int) -> Bools:
        """Tell which rows lie in one of them; bool[size]."""
        edges = np.zeros(size + 1, dtype=np.int8)
        edges[self.first] += 1
        edges[self.stop] -= 1
        inside: Bools = np.cumsum(edges[:-1]) > 0
        return inside


def stretches_of(chosen: Bools, segments: Int64s | None = None) -> Stretches:
    """Find rows in a row that are chosen; a segment's start ends one.

    Parameters
    ----------
    chosen : bool[n]
        Which rows.
    segments : int64[s]
        Rows where segments start.
    """
    edges = np.diff(np.concatenate(([False], chosen, [False])).astype(np.int8))
    first, stop = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if segments is not None and len(segments) > 1 and len(first):
        cuts = segments[(segments > 0) & (segments < len(chosen))]
        cuts = np.unique(cuts[chosen[cuts] & chosen[cuts - 1]])
        first, stop = np.sort(np.concatenate((first, cuts))), np.sort(np.concatenate((stop, cuts)))
    return Stretches(first, stop)


def held_values(raw: npt.NDArray[np.generic], segments: Int64s, least: int, there: Bools) -> Stretches:
    """Find where one raw value came at least `least` times in a row; what isn't there is no value, and ends a row."""
    if not len(raw):
        return Stretches(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))
    new = np.concatenate(([True], (raw[1:] != raw[:-1]) | (there[1:] != there[:-1])))
    new[segments[(segments > 0) & (segments < len(raw))]] = True
    first = np.flatnonzero(new)
    stop = np.append(first[1:], len(raw))
    long = (stop - first >= least) & there[first]
    return Stretches(first[long], stop[long])


def excursions(
    time_ns: Int64s, value: Floats, segments: Int64s, *, least: float, back: float, longest_ns: int
) -> Stretches:
    """Find short departures that return: the value jumps away by more than `least`, and is soon back.

    An excursion begins where a sample differs from the one before it by more than `least`, and ends with the first
    sample within `back` of that one, at most `longest_ns` after its start. What stays away is a step, not an
    excursion. Work is done only where there are jumps, so that a quiet channel costs one difference.

    Parameters
    ----------
    time_ns : int64[n]
        Ascending within a segment.
    value : float64[n]
        The quantity; NaN counts as away from everything.
    segments : int64[s]
        Rows where segments start.
    least, back
        How far it jumps, and how close it must return, in the unit of the value.
    longest_ns
        Time from the first sample that is away to the first one that is back.
    """
    size = len(value)
    if size < 3:
        return Stretches(np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))
    with np.errstate(invalid="ignore"):
        near = np.abs(np.diff(value)) <= least
    jumps = np.flatnonzero(~near) + 1
    ends = np.append(segments[(segments > 0) & (segments < size)], size)
    jumps = jumps[np.isfinite(value[jumps - 1]) & ~np.isin(jumps, ends)]
    ends = ends[np.searchsorted(ends, jumps, side="right")]
    first: list[int] = []
    stop: list[int] = []
    behind = -1
    with np.errstate(invalid="ignore"):
        for at, end in zip(jumps.tolist(), ends.tolist(), strict=True):
            if at <= behind:
                continue  # at `behind` it jumps back
            reach = at + int(time_ns[at:end].searchsorted(time_ns[at] + longest_ns, side="right"))
            returned = np.abs(value[at:reach] - value[at - 1]) <= back
            if returned.any():
                behind = at + int(returned.argmax())
                first.append(at)
                stop.append(behind)
    return Stretches(np.array(first, dtype=np.intp), np.array(stop, dtype=np.intp))
