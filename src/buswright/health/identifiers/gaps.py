"""Gaps of one identifier: what went before and came after each, measured where the gap is found.

A gap is judged when `AFTER` further arrivals are there (or the capture ends), so that a frame which was merely late
shows by those that catch up, and the phase after the gap doesn't hang on one arrival. A frame that is late by itself
catches up within a few arrivals. A host that stamps frames when it gets round to them may lag for longer; both are
measured, and which counts is known when the clock is.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Int64s
from buswright.health.folds.bounded import LongestAndLatest
from buswright.health.model.gaps import LOADED, SHORT_GAP, GapLimits, Gaps, Stretch
from buswright.health.model.health import LoadWindows

Float64s = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

BEFORE = 20
"""Arrivals before a gap that the phase of the grid rests on."""
AFTER = 256
"""Arrivals after a gap that are waited for: a host lags for no longer than over a second at 200 frames per second."""
_SOON = 8
"""Arrivals in which a frame that was late by itself has caught up."""
_RUSH = 0.7
_FEW_IN_A_RUSH = 2
_FETCH_NS = 250_000_000
"""No fetch of a host that keeps up at all is later (a choice)."""
_GAPS_AT_A_TIME = 4096
_PHASE_AFTER = 5
_LEAST_BEFORE = 3
_OWN_BEFORE = 5
"""With fewer arrivals since the gap before, those before that one count too."""
_DRIFT = 100e-6
_LEAST_TOLERANCE_NS = 300_000.0
_LEAST_ALIKE = 10
_ALIKE = 0.1
"""So many gaps in a row that differ by less than this part are a period of their own."""
_NOTICED_NS = 1_000_000_000
"""An adapter that is gone is noticed within a second, and frames arrive again within one of its return (a choice)."""

GAP = np.dtype(
    [
        ("start", np.int64),
        ("end", np.int64),
        ("length", np.int64),
        ("frames", np.int64),
        ("period", np.float64),
        ("residual", np.float64),
        ("tolerance", np.float64),
        ("lagging", np.int64),
        ("counter_before", np.int64),
        ("counter_after", np.int64),
        ("same_as_first", np.bool_),
        ("number", np.int64),
    ]
)


_NO_GAPS: npt.NDArray[np.void] = np.zeros(0, dtype=GAP)
_NO_TIMES: Int64s = np.zeros(0, dtype=np.int64)
_NO_VALUES: Float64s = np.zeros(0)
_NO_MARKS: Bools = np.zeros(0, dtype=np.bool_)


class KeptGaps:
    """Gaps of one identifier: all are counted, and of each kind the longest and the latest are kept.

    A computer that stamps frames when it gets round to them makes late ones without end, hundreds a second on a busy
    one. What only held a late frame is therefore a kind of its own, of which fewer are kept: 0 is late by any stamp,
    1 late if a host stamped it, 2 holds missing frames.
    """

    def __init__(self) -> None:
        self._kinds = [LongestAndLatest(GAP, size // 2) for size in (Gaps.KEPT_LATE, Gaps.KEPT_LATE, Gaps.KEPT)]
        self._frames = np.zeros((3, 2), dtype=np.int64)

    def __copy__(self) -> KeptGaps:
        other = KeptGaps()
        other._kinds, other._frames = [copy(kept) for kept in self._kinds], self._frames.copy()
        return other

    @property
    def count(self) -> int:
        """All of them."""
        return sum(kept.count for kept in self._kinds)

    @property
    def rows(self) -> npt.NDArray[np.void]:
        """What was kept, in order; `GAP` rows."""
        some = [kept.rows for kept in self._kinds if kept.count]
        if len(some) < 2:
            return some[0] if some else _NO_GAPS
        rows = np.concatenate(some)
        return rows[np.argsort(rows["number"], kind="stable")]

    def add(self, rows: npt.NDArray[np.void]) -> None:
        """Take rows in order; numbers them."""
        if not len(rows):
            return
        rows["number"] = self.count + np.arange(len(rows))
        kind = (rows["frames"] > 0).astype(np.intp) + (rows["lagging"] > 0)
        for number, kept in enumerate(self._kinds):
            own = rows[kind == number]
            kept.add(own)
            self._frames[number] += own["frames"].sum(), own["lagging"].sum()

    def silences(self, periods: float) -> KeptGaps:
        """Return those of over so many periods, of an identifier that has no grid: nothing is known of its phase."""
        found = KeptGaps()
        rows = self.rows
        long = rows[rows["length"] > periods * rows["period"]]
        long["residual"] = np.nan
        found.add(long)
        return found

    def left_out(self, *, host: bool) -> tuple[int, int]:
        """Count what isn't kept: gaps that only held a late frame, and the frames missing in the others."""
        late = missing = 0
        for number, kept in enumerate(self._kinds):
            if number < 1 + host:
                late += kept.count - len(kept.rows)
            else:
                frames = kept.rows["lagging" if host else "frames"].sum()
                missing += int(self._frames[number, int(host)] - frames)
        return late, missing


class Periods(NamedTuple):
    """What gaps are judged by: T for finding them, T for the grid (the learned one), standard deviation of jitter."""

    period_ns: float
    grid_ns: float
    sd_ns: float


@dataclass(frozen=True, slots=True, eq=False)
class Arrivals:
    """Consecutive arrivals; the spacings after the first `done` of them have been periods.

    Attributes
    ----------
    time_ns, counter : int64[n]
        The counter is -1 where there is none.
    first_word : bool[n]
        The payload is that of the very first frame.
    """

    time_ns: Int64s
    counter: Int64s
    first_word: Bools
    done: int = 0

    @classmethod
    def of(cls, time_ns: Int64s, counter: Int64s | None, first_word: Bools) -> Arrivals:
        """Make them of a block."""
        return cls(time_ns, np.full(len(time_ns), -1) if counter is None else counter, first_word)

    def __len__(self) -> int:
        return len(self.time_ns)

    def then(self, more: Arrivals) -> Arrivals:
        """Return these and the following ones."""
        return Arrivals(
            np.concatenate([self.time_ns, more.time_ns]),
            np.concatenate([self.counter, more.counter]),
            np.concatenate([self.first_word, more.first_word]),
            self.done,
        )

    def since(self, start: int, done: int) -> Arrivals:
        """Return those from `start` on, copied; spacings before `done` are periods."""
        return Arrivals(
            self.time_ns[start:].copy(), self.counter[start:].copy(), self.first_word[start:].copy(), done - start
        )


def find_gaps(arrivals: Arrivals, start: int, stop: int, periods: Periods, most: float) -> npt.NDArray[np.void]:
    """Measure the gaps among spacings start..stop (spacing i lies between arrivals i and i + 1); `GAP` rows.

    A gap takes over `most` periods.
    """
    spacing = np.diff(arrivals.time_ns)
    at = np.flatnonzero(spacing[start:stop] > most * periods.period_ns) + start
    if not len(at):
        return _NO_GAPS
    rows = np.zeros(len(at), dtype=GAP)
    time_ns = arrivals.time_ns
    broken = (spacing > min(most, SHORT_GAP) * periods.period_ns) | (spacing < 0)
    part = np.concatenate([[0], np.cumsum(broken)])  # arrivals between the same two gaps have the same number
    rows["start"], rows["end"], rows["length"] = time_ns[at], time_ns[at + 1], spacing[at]
    rows["period"] = periods.period_ns
    rows["frames"] = _missing(time_ns, at, _SOON, periods.period_ns)
    rows["lagging"] = _missing_later(time_ns, at, rows["frames"], periods.grid_ns)
    before = _phase_before(time_ns, part, at, periods.grid_ns)
    rows["residual"] = _residual(time_ns, part, at, before, periods.grid_ns)
    rows["tolerance"] = np.maximum(np.maximum(4 * periods.sd_ns, _DRIFT * spacing[at]), _LEAST_TOLERANCE_NS)
    rows["counter_before"], rows["counter_after"] = arrivals.counter[at], arrivals.counter[at + 1]
    rows["same_as_first"] = arrivals.first_word[at + 1]
    return rows


def _missing(time_ns: Int64s, at: Ints, arrivals: int, period_ns: float) -> Int64s:
    """Frames missing in each gap: how far the arrivals are behind, so many following ones included; int64[k].

    After a frame that was late the next ones come early, and the deficit is gone; after a loss it stays.
    """
    step = np.arange(1, arrivals + 1)
    ahead = at[:, np.newaxis] + step
    there = ahead < len(time_ns)
    ahead = np.minimum(ahead, len(time_ns) - 1)
    periods = (time_ns[ahead] - time_ns[at][:, np.newaxis]) / period_ns
    deficit = np.where(there & (periods > 0), periods - step, np.inf)
    found: Int64s = np.maximum(0, np.rint(deficit.min(axis=1))).astype(np.int64)
    return found


def _missing_later(time_ns: Int64s, at: Ints, soon: Int64s, period_ns: float) -> Int64s:
    """Frames that are missing even after `AFTER` arrivals, at most those missing `soon`; int64[k].

    `period_ns` is the learned one: over so many arrivals a declared one that is a little off adds up. Where the
    capture ends while they still come in a rush, the rest would have come too; and where it ends at once, no more is
    missing than one fetch of a busy host may be late.
    """
    found = soon.copy()
    unsettled = np.flatnonzero(soon)
    for some in np.array_split(unsettled, len(unsettled) // _GAPS_AT_A_TIME + 1):
        found[some] = np.minimum(found[some], _missing(time_ns, at[some], AFTER, period_ns))
    after = len(time_ns) - 2 - at
    rushing = (time_ns[-1] - time_ns[at + 1]) / period_ns < _RUSH * after
    at_once = (after < AFTER) & (time_ns[-1] - time_ns[at + 1] < _FETCH_NS) & (found * period_ns < _FETCH_NS)
    found[(after >= _FEW_IN_A_RUSH) & (after < AFTER) & rushing | at_once] = 0
    return found


def _phase_before(time_ns: Int64s, part: Int64s, at: Ints, period_ns: float) -> Float64s:
    """Median phase of the arrivals before each gap, relative to the last of them."""
    behind = at[:, np.newaxis] - np.arange(BEFORE)
    there = behind >= 0
    behind = np.maximum(behind, 0)
    own = there & (part[behind] == part[at][:, np.newaxis])
    enough = np.count_nonzero(own, axis=1) >= _OWN_BEFORE
    there = np.where(enough[:, np.newaxis], own, there)
    phase = _wrapped(time_ns[behind] - time_ns[at][:, np.newaxis], period_ns)
    return _median(phase, there)


def _residual(time_ns: Int64s, part: Int64s, at: Ints, before: Float64s, period_ns: float) -> Float64s:
    """How far the arrivals after each gap are off the grid of those before; NaN where that isn't known."""
    after = at[:, np.newaxis] + np.arange(1, _PHASE_AFTER + 1)
    there = after < len(time_ns)
    after = np.minimum(after, len(time_ns) - 1)
    there &= part[after] == part[at + 1][:, np.newaxis]
    phase = _wrapped((time_ns[after] - time_ns[at][:, np.newaxis]) - before[:, np.newaxis], period_ns)
    first = phase[:, :1]
    spread = _wrapped(phase - first, period_ns)
    residual = _wrapped(first[:, 0] + _median(spread, there), period_ns)
    known = np.minimum(at + 1, BEFORE) >= _LEAST_BEFORE
    return np.where(known, residual, np.nan)


def _wrapped(difference: Int64s | Float64s, period_ns: float) -> Float64s:
    """Bring into -T/2 .. T/2."""
    found: Float64s = difference - period_ns * np.rint(difference / period_ns)
    return found


def _median(values: Float64s, there: Bools) -> Float64s:
    """Median of each row over the marked columns, of which there is at least one; float64[k]."""
    ordered = np.sort(np.where(there, values, np.inf), axis=1)
    count = np.count_nonzero(there, axis=1)
    rows = np.arange(len(values))
    low, high = ordered[rows, (count - 1) // 2], ordered[rows, count // 2]
    found: Float64s = (low + high) / 2
    return found


def as_gaps(
    kept: KeptGaps,
    loads: LoadWindows,
    counter: Any,
    limits: GapLimits,
    deaf: Sequence[tuple[int, int]],
    *,
    host: bool,
    counted: bool,
    declared: bool,
) -> Gaps:
    """Make the figures: which gaps hold missing frames at the load that the bus had.

    Parameters
    ----------
    kept
        The gaps.
    loads
        Load of the bus in windows of 1 s; that of the window in which a gap begins counts.
    counter
        The `CounterField`, or None.
    limits
        Above `LOADED` a gap holds missing frames only when it is longer than `limits.loaded` periods.
    deaf
        From when to when the recorder itself did not hear the bus.
    host
        A host stamped the frames: what catches up at all was not missing, however long the host lagged.
    counted
        Frames that are missing are counted. Otherwise a gap is a silence, and no frame in it was due.
    declared
        Somebody declares the period, so that another one is no rhythm.
    """
    if not kept.count:  # most identifiers, whenever a screen looks
        whole, real, whether = _NO_TIMES, _NO_VALUES, _NO_MARKS
        return Gaps(
            0, 0, 0, limits.short_rule, whole, whole, whole, whether, whether, real, real, real, real, whether, whole,
            whether, real,
        )  # fmt: skip
    rows: Any = kept.rows
    step = _counter_steps(rows, counter)
    slower: tuple[Stretch, ...] = ()
    left_out = 0
    if not declared:
        slower, own = _slower(rows, step, 0 if counter is None else counter.modulus)
        left_out = int(np.count_nonzero(own))
        rows, step = rows[~own], step[~own]
    frames = rows["lagging"] if host else rows["frames"]
    load = loads.load_at(rows["start"])
    busy = load > LOADED
    unheard = _unheard(rows, deaf)
    missing = (frames > 0) & (~busy | (rows["length"] > limits.loaded * rows["period"])) & ~unheard & counted
    late, lost = kept.left_out(host=host)
    return Gaps(
        total=kept.count - left_out,
        missing=int(frames[missing].sum()) + lost if counted else 0,
        late=int(np.count_nonzero(~missing & ~unheard)) + late if counted else 0,
        rule=limits.rule(busy),
        start_ns=rows["start"].copy(),
        end_ns=rows["end"].copy(),
        frames=frames.copy(),
        is_missing=missing,
        unheard=unheard,
        period_ns=rows["period"].copy(),
        excess_ns=rows["length"] - rows["period"],
        residual_ns=rows["residual"].copy(),
        tolerance_ns=rows["tolerance"].copy(),
        caught_up=(frames == 0) & counted,
        counter_step=step,
        same_as_first=rows["same_as_first"].copy(),
        load=load,
        slower=slower,
    )


def _counter_steps(rows: Any, counter: Any) -> Int64s:
    """How far the counter went over each gap, in units of its own step; -1 where there is none; int64[k]."""
    step = np.full(len(rows), -1, dtype=np.int64)
    if counter is not None:
        before, after = rows["counter_before"], rows["counter_after"]
        there = (before >= 0) & (after >= 0)
        step[there] = (after[there] - before[there]) * counter.inverse % counter.modulus
    return step


def _slower(rows: Any, step: Int64s, modulus: int) -> tuple[tuple[Stretch, ...], Bools]:
    """Find gaps that follow each other directly and are alike: a longer period, unless a counter counted on.

    Returns
    -------
    tuple of Stretch, bool[k]
        The stretches, and which gaps lie in them.
    """
    inside = np.zeros(len(rows), dtype=np.bool_)
    length = rows["length"].astype(np.float64)
    follows = rows["start"][1:] == rows["end"][:-1]
    alike = np.abs(length[1:] / length[:-1] - 1) < _ALIKE
    begins = np.concatenate([[0], np.flatnonzero(~(follows & alike)) + 1, [len(rows)]])
    found = []
    for first, last in zip(begins[:-1].tolist(), begins[1:].tolist(), strict=True):
        own = slice(first, last)
        counted = modulus and np.mean(step[own] == (rows["frames"][own] + 1) % modulus) > 0.5
        if last - first >= _LEAST_ALIKE and not counted:
            inside[own] = True
            found.append(Stretch(int(rows["start"][first]), int(rows["end"][last - 1]), float(np.median(length[own]))))
    return tuple(found), inside


def _unheard(rows: Any, deaf: Sequence[tuple[int, int]]) -> Bools:
    """Tell which gaps are the recorder's own: they begin and end with a stretch in which it did not hear; bool[k].

    A module that fell silent long before, or stayed so long after, has a gap of its own.
    """
    found = np.zeros(len(rows), dtype=np.bool_)
    slack = _NOTICED_NS + 2 * rows["period"].astype(np.int64)
    for begun, ended in deaf:
        found |= (np.abs(begun - rows["start"]) <= slack) & (np.abs(rows["end"] - ended) <= slack)
    return found
