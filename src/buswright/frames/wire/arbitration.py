"""Who gets the bus when: frames handed over by their senders, put one behind the other as arbitration does it."""

from __future__ import annotations

import heapq

import numpy as np
import numpy.typing as npt

Int64s = npt.NDArray[np.int64]
Rows = npt.NDArray[np.intp]


def rank(identifier: int, extended: bool) -> int:
    """Order of arbitration: the lower one wins.

    Bits are compared as they are sent: the 11 base bits, then SRR and IDE, recessive for a 29-bit identifier, so
    that a base frame wins against an extended one of the same base (ISO 11898-1).
    """
    return identifier >> 18 << 19 | 1 << 18 | identifier & 0x3FFFF if extended else identifier << 19


def arbitrate(released: Int64s, ranks: Int64s, duration: Int64s) -> tuple[Rows, Int64s]:
    """Serialise frames on one bus.

    Most frames find the bus free, so the first-come order is computed in one sweep and only the stretches where
    a later frame overtakes a waiting one are played through one by one.

    Parameters
    ----------
    released
        Nanoseconds when each frame was handed to its bus controller, ascending; int64[n].
    ranks
        Order of arbitration, from `rank`; int64[n].
    duration
        Nanoseconds that each frame takes, interframe space included; int64[n].

    Returns
    -------
    order, start
        Rows in the order in which they are sent, and when each of these starts; intp[n], int64[n].
    """
    count = len(released)
    order = np.arange(count, dtype=np.intp)
    if count == 0:
        return order, np.zeros(0, dtype=np.int64)
    total = np.cumsum(duration)
    before = total - duration
    start = np.maximum.accumulate(released - before) + before
    overtaken = np.flatnonzero((ranks[1:] < ranks[:-1]) & (released[1:] <= start[:-1]))
    if len(overtaken) == 0:
        return order, start
    idle = np.append(np.flatnonzero(released[1:] > (start + duration)[:-1]) + 1, count)
    stops = idle[np.searchsorted(idle, overtaken, side="right")]
    # The frame that overtakes competes from the first start that is not before its release.
    firsts = np.searchsorted(start, released[overtaken + 1], side="left")
    done = 0
    for first, stop in zip(firsts.tolist(), stops.tolist(), strict=True):
        if first >= done:
            _play(first, stop, released, ranks, duration, order, start)
            done = stop
    return order, start


def _play(first: int, stop: int, released: Int64s, ranks: Int64s, duration: Int64s, order: Rows, start: Int64s) -> None:
    """Play rows first..stop of one busy stretch; before `first` the order is right as it stands."""
    times, keys, lengths = (column[first:stop].tolist() for column in (released, ranks, duration))
    now = int(start[first])
    waiting: list[tuple[int, int]] = []
    rows, starts = [], []
    coming = 0
    for _ in range(stop - first):
        while coming < len(times) and times[coming] <= now:
            heapq.heappush(waiting, (keys[coming], coming))
            coming += 1
        _, row = heapq.heappop(waiting)
        rows.append(first + row)
        starts.append(now)
        now += lengths[row]
    order[first:stop] = rows
    start[first:stop] = starts
