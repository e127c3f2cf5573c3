"""Cautions and warnings: where a channel was beyond its limits, for how long, and how far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from buswright.channels.samples.resample import align
from buswright.channels.samples.runs import run_starts, segment_of_rows
from buswright.channels.samples.series import Bools, Floats, Int64s, Series

if TYPE_CHECKING:
    from buswright.channels.carfile.model import Level, Limits, Side


@dataclass(frozen=True, slots=True)
class Exceedance:
    """A stretch of time in which a channel was beyond one limit.

    Attributes
    ----------
    channel, level, side
        Which limit of which channel.
    limit, unit
        The limit itself and its unit.
    start_ns, end_ns
        First and last sample of it; `hold_s` is waited out within, not before.
    peak, peak_ns
        Worst value, and when it was first reached.
    samples
        Usable samples in it.
    """

    channel: str
    level: Level
    side: Side
    limit: float
    unit: str
    start_ns: int
    end_ns: int
    peak: float
    peak_ns: int
    samples: int

    @property
    def duration_s(self) -> float:
        """Time from the first to the last sample."""
        return (self.end_ns - self.start_ns) * 1e-9


def exceedances(series: Series, limits: Limits, level: Level, *, gate: Series | None = None) -> tuple[Exceedance, ...]:
    """Find every stretch in which a series is beyond its limits, in order of time within each segment.

    It begins when the value has been beyond the limit (not at it) for `hold_s` without a break, counted from the
    first sample beyond it; it ends with the last sample before the value comes back by `hysteresis`, before the
    gate closes, or before a gap of more than three periods. Unusable samples don't count: they neither begin, nor
    prolong, nor end one.

    Parameters
    ----------
    limits
        Low, high (None: no such limit), hold in seconds, hysteresis in the channel's unit.
    level
        "caution" or "warning", for the results.
    gate
        `limits.when` evaluated; its last value counts at each sample. Where it is 0 or has no value, nothing counts.
        None: always open, also if `limits.when` is set: evaluating it is the caller's part.
    """
    rows = np.flatnonzero(series.valid)
    time_ns, value = series.time_ns[rows], series.value[rows]
    starts = run_starts(time_ns, segment_of_rows(series)[rows], series.step_s())
    is_open = np.ones(len(rows), dtype=np.bool_) if gate is None else _is_open(gate, series)[rows]
    found: list[Exceedance] = []
    for side, limit in limits.ends:
        excess = value - limit if side == "high" else limit - value
        for first, last in _stretches(excess, time_ns, starts, is_open, limits):
            peak = first + int(np.argmax(excess[first : last + 1]))
            found.append(
                Exceedance(
                    series.name,
                    level,
                    side,
                    float(limit),
                    series.unit,
                    int(time_ns[first]),
                    int(time_ns[last]),
                    float(value[peak]),
                    int(time_ns[peak]),
                    last - first + 1,
                )
            )
    return tuple(sorted(found, key=lambda each: each.start_ns))


def _is_open(gate: Series, series: Series) -> Bools:
    """Whether the gate is open at each sample of the series; bool[n]."""
    value, _ = align(replace(gate, kind="state"), series.time_ns, series.segments)
    is_open: Bools = np.isfinite(value) & (value != 0)
    return is_open


def _stretches(
    excess: Floats, time_ns: Int64s, starts: Int64s, is_open: Bools, limits: Limits
) -> list[tuple[int, int]]:
    """First and last row of each exceedance.

    Every row says "on" (it belongs to an unbroken stretch beyond the limit that lasts long enough), "off" (back by
    the hysteresis, gate closed, or a new run) or nothing; a row without a word of its own follows the last one.
    """
    n = len(excess)
    beyond = (excess > 0) & is_open
    new_run = np.zeros(n, dtype=np.bool_)
    new_run[starts] = True
    firsts, lasts = _true_stretches(beyond, new_run)
    long_enough = time_ns[lasts] - time_ns[firsts] >= round(limits.hold_s * 1e9)
    word = np.where((excess <= -limits.hysteresis) | ~is_open | new_run, -1, 0).astype(np.int8)
    word[beyond] = 0
    word[new_run & beyond] = -1
    for first, last in zip(firsts[long_enough], lasts[long_enough], strict=True):
        word[first : last + 1] = 1
    speaker = np.maximum.accumulate(np.where(word != 0, np.arange(n), 0))
    on = word[speaker] > 0
    firsts, lasts = _true_stretches(on, new_run)
    return list(zip(firsts.tolist(), lasts.tolist(), strict=True))


def _true_stretches(mask: Bools, new_run: Bools) -> tuple[Int64s, Int64s]:
    """First and last row of each unbroken stretch of True within a run; int64[k] each."""
    before = np.concatenate(([False], mask[:-1]))
    after = np.concatenate((mask[1:], [False]))
    next_is_new = np.concatenate((new_run[1:], [True]))
    firsts = np.flatnonzero(mask & (~before | new_run))
    lasts = np.flatnonzero(mask & (~after | next_is_new))
    return firsts, lasts
