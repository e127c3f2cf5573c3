"""How often one identifier came within a second, wherever that second begins."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Int64s
from buswright.health.model.identifiers import Busiest

BUSY: Final = 3.0
"""More frames in a second than this many times what the period allows make it a busy one."""
_SECOND_NS = 1_000_000_000
_MOST_HELD = 20_000
"""Frames of the last second that are held: more than any bus can carry."""


class Crowding:
    """Folds the arrivals of one identifier into its busiest second and the number of its busy ones.

    Of all seconds that end with a frame, and hold the frames that came in them. A second doesn't reach over a jump of
    the clock; busy ones don't overlap, and are counted from the first on.
    """

    def __init__(self) -> None:
        self.busiest: Busiest | None = None
        self.busy_seconds = 0
        self._time_ns: Int64s = np.zeros(0, dtype=np.int64)
        self._bits: Int64s = np.zeros(0, dtype=np.int64)
        self._free_ns: int | None = None  # the next busy second begins here or later; None: anywhere

    def add(self, time_ns: Int64s, bits: npt.NDArray[np.int32], period_ns: float | None) -> None:
        """Take arrivals, not empty; `period_ns` is how often they may come, None where nobody knows."""
        back = np.flatnonzero(time_ns[1:] < time_ns[:-1]) + 1
        for start, stop in zip([0, *back.tolist()], [*back.tolist(), len(time_ns)], strict=True):
            self._add_ascending(time_ns[start:stop], bits[start:stop], period_ns)

    def _add_ascending(self, time_ns: Int64s, bits: npt.NDArray[np.int32], period_ns: float | None) -> None:
        if len(self._time_ns) and time_ns[0] < self._time_ns[-1]:  # the clock was set back
            self._time_ns, self._bits, self._free_ns = self._time_ns[:0], self._bits[:0], None
        held = len(self._time_ns)
        at, own = np.concatenate([self._time_ns, time_ns]), np.concatenate([self._bits, bits])
        self._look_for_more(at, own, held)
        if period_ns:
            self._count_busy(at, held, period_ns)
        first = max(int(np.searchsorted(at, at[-1] - _SECOND_NS, side="right")), len(at) - _MOST_HELD)
        self._time_ns, self._bits = at[first:].copy(), own[first:].copy()

    def _look_for_more(self, at: Int64s, bits: Int64s, held: int) -> None:
        """Find the first second with more frames than any before; usually one look tells that there is none."""
        most = 0 if self.busiest is None else self.busiest.frames
        if most and not (len(at) > most and np.any(at[most:] - at[:-most] < _SECOND_NS)):
            return
        ends = np.arange(held, len(at))
        first = np.searchsorted(at, at[held:] - _SECOND_NS, side="right")
        k = int(np.argmax(ends - first))
        begin, end = int(first[k]), int(ends[k]) + 1
        if end - begin > most:
            self.busiest = Busiest(int(at[begin]), end - begin, int(bits[begin:end].sum()))

    def _count_busy(self, at: Int64s, held: int, period_ns: float) -> None:
        """Count the seconds that are known to be busy by a new frame, and begin with frames close together."""
        least = int(BUSY * _SECOND_NS / period_ns + 1) + 1
        if len(at) < least:
            return
        begin = at[: len(at) - least + 1]
        found = at[least - 1 :] - begin < _SECOND_NS
        found[: max(0, held - least + 1)] = False
        if not found.any():
            return
        found &= BUSY * (at[1 : len(begin) + 1] - begin) < period_ns
        for start in begin[found].tolist():
            if self._free_ns is None or start >= self._free_ns:
                self.busy_seconds += 1
                self._free_ns = start + _SECOND_NS
