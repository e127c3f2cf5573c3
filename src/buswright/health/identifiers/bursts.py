"""Bursts: the same number of frames again and again, each followed by a pause; and those of which some are missing.

How many come together, and from which spacing on it is a pause, is read from the first spacings; all are counted by
that. A burst is judged where the ones before and after it were seen whole: a capture may begin within one.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from buswright.frames.table import Int64s
from buswright.health.folds.bounded import FirstAndLast
from buswright.health.model.identifiers import Bursts

_LEAST_BURSTS = 5
_OPENING = 1024
"""Spacings, the first ones, by which bursts are told."""
_ALIKE = 0.9
_PAUSE = 3.0
"""A pause is this many times longer than any spacing within a burst."""
_FEW_TOGETHER = 32
_ON_THE_WIRE_NS = 50_000
"""Frames cannot follow each other sooner: stamped closer together, they were fetched together."""
_KEPT = 500
_CUT = -(1 << 40)
"""Never a whole burst, whatever follows."""

_BURST = np.dtype([("start", np.int64), ("end", np.int64), ("frames", np.int64)])
"""First and last frame, and how many there were; how many are missing in those that are kept."""


class Rule(NamedTuple):
    """How many frames come together, and the spacing beyond which it is a pause, nanoseconds."""

    size: int
    pause_ns: int


class BurstFold:
    """Folds the arrival times of one identifier."""

    def __init__(self) -> None:
        self._opening: Int64s = np.zeros(0, dtype=np.int64)
        self._rule: Rule | None = None
        self._open = np.zeros(0, dtype=_BURST)  # the last two whole bursts, and the one that is under way
        self._short = FirstAndLast(_BURST, _KEPT)
        self._missing = 0

    def add(self, time_ns: Int64s) -> None:
        """Take arrivals, not empty."""
        if len(self._opening) <= _OPENING:
            room = _OPENING + 1 - len(self._opening)
            self._opening = np.concatenate([self._opening, time_ns[:room]])
            if len(self._opening) <= _OPENING:
                return
            self._rule = burst_rule(self._opening)
            self._count(self._opening)
            time_ns = time_ns[room:]
        self._count(time_ns)

    def finish(self) -> None:
        """Judge a run that was too short so far to tell; for a copy that is then dropped."""
        if len(self._opening) <= _OPENING:
            self._rule = burst_rule(self._opening)
            self._count(self._opening)

    def figures(self) -> Bursts | None:
        """Return what came out; None where it doesn't come in bursts."""
        if self._rule is None:
            return None
        rows = self._short.rows
        return Bursts(
            self._rule.size,
            self._short.count,
            self._missing,
            rows["start"].copy(),
            rows["end"].copy(),
            rows["frames"].copy(),
        )

    def _count(self, time_ns: Int64s) -> None:
        if self._rule is None or not len(time_ns):
            return
        before = self._open["end"][-1:]
        spacing = np.diff(time_ns, prepend=before)
        begins = np.flatnonzero((spacing > self._rule.pause_ns) | (spacing < 0)) + (0 if len(before) else 1)
        edges = np.concatenate([[0], begins, [len(time_ns)]])
        rows = np.zeros(len(edges) - 1, dtype=_BURST)
        rows["frames"] = np.diff(edges)
        rows["start"], rows["end"] = time_ns[np.minimum(edges[:-1], len(time_ns) - 1)], time_ns[edges[1:] - 1]
        if len(before):  # what comes first goes on with the burst that is under way
            if rows["frames"][0]:
                self._open["end"][-1] = rows["end"][0]
                self._open["frames"][-1] += rows["frames"][0]
            rows = rows[1:]
        else:
            rows["frames"][0] = _CUT  # it may have begun before the capture
        rows = np.concatenate([self._open, rows])
        self._judge(rows)
        self._open = rows[-3:].copy()

    def _judge(self, rows: np.ndarray[tuple[int], np.dtype[np.void]]) -> None:
        """Judge bursts that have a whole one on either side; one with a pause in it is two short ones side by side."""
        assert self._rule is not None
        size, frames = self._rule.size, rows["frames"]
        own, previous, following = frames[1:-2], frames[:-3], frames[2:-1]
        short = (own < size) & (previous > 0) & (own + previous != size) & (own + following != size)
        found = rows[1:-2][short]
        found["frames"] = size - found["frames"]
        self._missing += int(found["frames"].sum())
        self._short.add(found)


def burst_rule(time_ns: Int64s) -> Rule | None:
    """Return the rule by which frames come together; None where spacings are no two heaps or the number isn't constant.

    Few frames may be followed by a pause of any length; many by one that is longer than they take: a recorder that
    loses something at a steady rate leaves long runs too.
    """
    spacing = np.diff(time_ns)
    spacing = spacing[spacing >= 0]
    ordered = np.sort(spacing[spacing > 0])
    if len(ordered) <= 2 * _LEAST_BURSTS:
        return None
    inner = ordered[_LEAST_BURSTS - 1 : 1 - _LEAST_BURSTS]
    jump = inner[1:] / inner[:-1]
    at = int(np.argmax(jump))
    if jump[at] < _PAUSE or np.median(ordered[: _LEAST_BURSTS + at]) < _ON_THE_WIRE_NS:
        return None
    pauses = spacing > inner[at]
    sizes = np.diff(np.flatnonzero(pauses))
    usual = int(np.median(sizes)) if len(sizes) >= _LEAST_BURSTS else 0
    if usual < 2 or np.count_nonzero(sizes == usual) < _ALIKE * len(sizes):
        return None
    if usual > _FEW_TOGETHER and spacing[pauses].sum() <= spacing[~pauses].sum():
        return None
    return Rule(usual, int(inner[at]))
