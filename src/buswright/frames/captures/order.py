"""Time that goes backwards on a bus: a clock jump, where between buses it is mere interleaving."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Flag, Frames

BACKWARD_NS = 1_000
"""A bus's time may fall this far before it counts: stamps are only good to a microsecond."""


class BackwardStep(NamedTuple):
    """A row of a batch whose time lies before that of the same bus's frame before it, and by how much."""

    row: int
    bus: int
    back_ns: int


class BackwardSteps:
    """Finds where a bus's time goes backwards, from batch to batch.

    Receivers of several buses are read in turn, so that frames of different buses may stand out of order: that is
    no step. Frames without a time are left out.
    """

    def __init__(self) -> None:
        self._last: dict[int, int] = {}

    def of(self, frames: Frames) -> list[BackwardStep]:
        """Return the steps of the next batch, by row."""
        found = self._found(frames) if self._may_step(frames) else []
        for bus in range(len(frames.buses)):
            rows = _last_row(frames, bus)
            if len(rows):
                self._last[bus] = int(frames.time_ns[rows[-1]])
        return found

    def _may_step(self, frames: Frames) -> bool:
        """Whether any time falls at all, whatever the bus: two comparisons settle nearly every batch."""
        time_ns = frames.time_ns
        newest = max(self._last.values(), default=None)
        return bool((time_ns[1:] < time_ns[:-1]).any()) or (
            newest is not None and len(frames) > 0 and int(time_ns[0]) < newest
        )

    def _found(self, frames: Frames) -> list[BackwardStep]:
        found = []
        timed = ~frames.has(Flag.UNTIMED)
        for bus in range(len(frames.buses)):
            rows = np.flatnonzero((frames.bus == bus) & timed)
            if not len(rows):
                continue
            times = frames.time_ns[rows]
            steps = np.diff(times, prepend=self._last.get(bus, int(times[0])))
            back = np.flatnonzero(steps < -BACKWARD_NS).tolist()
            found += [BackwardStep(int(rows[at]), bus, -int(steps[at])) for at in back]
        return sorted(found)


def _last_row(frames: Frames, bus: int) -> npt.NDArray[np.intp]:
    """Return the last row of a bus, from the end of the batch first; empty if it has none."""
    for start in (max(0, len(frames) - 4096), 0):
        rows = np.flatnonzero(frames.bus[start:] == bus)
        if len(rows):
            return rows[-1:] + start
    return np.zeros(0, dtype=np.intp)
