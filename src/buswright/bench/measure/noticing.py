"""Did the step happen, and has it settled? The same answer for a bus that goes on and for a capture.

A level is looked at on a grid of tenths of a second from the beginning of its step, and only at what came before each
point: so the first point at which it is settled doesn't depend on how much more came later. What still means here is
the plan's to say (`still_span`, `settle_s`); `channels.fits.rest` has no plan, and judges one stretch by its own noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.bench.measure.samples import Sampled
from buswright.channels.samples.series import Floats, Int64s

GRID_NS = 100_000_000
BEFORE_NS = 300_000_000
"""What came so soon after the beginning of a step is how the input was before anything was done."""
_HOME = 0.3
"""A channel is back at an end of its travel within this share of it."""
FEWEST = 4
"""Samples in each half of the stretch in which a level must be still."""

Bools = npt.NDArray[np.bool_]


class Noticed(NamedTuple):
    """When a step happened, and from when to when its level was still; nanoseconds, None: not yet.

    `elsewhere`: it is back and still, but at the end of its travel where it should not be.
    """

    happened_ns: int | None = None
    still_ns: tuple[int, int] | None = None
    elsewhere: bool = False


class _Looked(NamedTuple):
    """One channel on the grid: at each point the mean of the last stretch, and whether it was still there."""

    points_ns: Int64s
    level: Floats
    still: Bools
    before: float
    least: float
    stretch_ns: int


def notice_level(sampled: Sampled, begin_ns: int, end_ns: int, *, settle_s: float, still_share: float) -> Noticed:
    """Notice that a channel went to another level in the step so far, and is still there.

    `settle_s` is how long it must be still, `still_share` the share of its span that it may move in that time.
    """
    looked = _look(sampled, begin_ns, end_ns, settle_s, still_share)
    if looked is None:
        return Noticed()
    away = np.abs(looked.level - looked.before) > looked.least
    if not away.any():
        return Noticed()
    first = int(np.argmax(away))
    happened = int(looked.points_ns[first])
    settled = np.flatnonzero(away & looked.still & (np.arange(len(away)) >= first))
    settled = settled[looked.points_ns[settled] - looked.stretch_ns >= happened - looked.stretch_ns]
    if not len(settled):
        return Noticed(happened)
    at = int(looked.points_ns[settled[0]])
    return Noticed(happened, (at - looked.stretch_ns, at))


def last_stretch(sampled: Sampled, begin_ns: int, end_ns: int, settle_s: float) -> tuple[int, int]:
    """Return the last stretch of a step, long enough for a level, where none was noticed to be still."""
    return max(begin_ns, end_ns - _stretch_ns(sampled, settle_s)), end_ns


def notice_travel(
    samples: Mapping[str, Sampled],
    begin_ns: int,
    end_ns: int,
    *,
    channel: str,
    begin: Literal["low", "high"],
    settle_s: float,
    still_share: float,
    moved: float,
) -> Noticed:
    """Notice that some input went over its travel and back: the channel that moved most decides.

    Where that is the one under test it must be back at the end where the step begins. At the other end either it works
    the wrong way round, or it was there when the step began: only whoever moves it can tell.

    `channel` is moved, `begin` the end of its travel that comes first and last, `moved` the share of its span that a
    channel must go to have moved.
    """
    shares = {name: travelled(each, begin_ns, end_ns) for name, each in samples.items()}
    most = max(shares, key=lambda name: shares[name], default="")
    if not most or shares[most] < moved:
        return Noticed()
    looked = _look(samples[most], begin_ns, end_ns, settle_s, still_share)
    if looked is None:
        return Noticed()
    gone = np.maximum.accumulate(looked.level) - np.minimum.accumulate(looked.level)
    span = samples[most].evidence.span or float(gone[-1]) or 1.0
    begun = gone > moved * span
    if not begun.any():
        return Noticed()
    happened = int(looked.points_ns[int(np.argmax(begun))])
    turned = _turns(looked.level, moved * span) >= 1
    rested = np.flatnonzero(looked.still & begun & turned).tolist()
    home = _home(samples[most], begin_ns, end_ns, begin) if most == channel else 0
    back = [at for at in rested if _is_home(looked.level[: at + 1], home)]
    if not back:
        return Noticed(happened, elsewhere=any(_is_home(looked.level[: at + 1], -home) for at in rested[-1:] if home))
    at = int(looked.points_ns[back[0]])
    return Noticed(happened, (at - looked.stretch_ns, at))


def ends_visited(values: Floats) -> tuple[int, ...]:
    """Return the ends of its travel that a channel came to, in order: -1 the low one, 1 the high one."""
    low, high = float(values.min()), float(values.max())
    near = _HOME * (high - low)
    ends = np.where(values <= low + near, -1, np.where(values >= high - near, 1, 0))
    ends = ends[ends != 0]
    return tuple(ends[np.flatnonzero(np.diff(ends, prepend=0))].tolist())


def _home(sampled: Sampled, begin_ns: int, end_ns: int, begin: Literal["low", "high"]) -> int:
    """Return at which end of the electrical level the channel is at the end that comes first; 0 where nobody knows."""
    rows = sampled.between(begin_ns, end_ns)
    quantity, value = sampled.quantity[rows], sampled.value[rows]
    known = np.isfinite(value)
    if not known.any():
        return 0
    rising = value[known][np.argmax(quantity[known])] > value[known][np.argmin(quantity[known])]
    return 1 if rising == (begin == "high") else -1


def _is_home(level: Floats, home: int) -> bool:
    """Whether a level went from an end of its travel to the other and back: -1 the low end, 1 the high one, 0 any."""
    ends = ends_visited(level)
    home = home or ends[0]
    low, high = float(level.min()), float(level.max())
    away = level[-1] - low if home < 0 else high - level[-1]
    return ends[-3:] == (home, -home, home) and bool(away <= _HOME * (high - low))


def _turns(level: Floats, least: float) -> Int64s:
    """Count at each point how often a level has turned back by more than `least`."""
    turns, way, extreme, count = [], 0, float(level[0]), 0
    for each in level.tolist():
        if (way >= 0 and each > extreme) or (way <= 0 and each < extreme):
            way = way or (1 if each > extreme else -1)
            extreme = each
        elif abs(each - extreme) > least:
            count, way, extreme = count + (way != 0), -way, each
        turns.append(count)
    return np.array(turns, dtype=np.int64)


def travelled(sampled: Sampled, begin_ns: int, end_ns: int) -> float:
    """Return the share of its span that a channel went; 0 where nobody knows its span."""
    quantity = sampled.quantity[sampled.between(begin_ns, end_ns)]
    span = sampled.evidence.span
    return float(np.ptp(quantity)) / span if len(quantity) and span else 0.0


def _stretch_ns(sampled: Sampled, settle_s: float) -> int:
    period = sampled.series.step_s()
    return round(1e9 * max(settle_s, 2 * FEWEST * period if period > 0 else 0.0))


def _look(sampled: Sampled, begin_ns: int, end_ns: int, settle_s: float, still_share: float) -> _Looked | None:
    rows = sampled.between(begin_ns, end_ns)
    time, quantity = sampled.time_ns[rows], sampled.quantity[rows]
    stretch = _stretch_ns(sampled, settle_s)
    points = np.arange(begin_ns + GRID_NS, end_ns + 1, GRID_NS, dtype=np.int64)
    if len(time) < 2 * FEWEST or not len(points):
        return None
    middles, starts = points - stretch // 2, points - stretch
    edges = np.searchsorted(time, np.stack((starts, middles, points)), side="right")
    edges[0] = np.maximum(edges[0], 0)
    sums = np.concatenate(([0.0], np.cumsum(quantity)))
    counts = edges[1:] - edges[:-1]
    enough = (counts >= FEWEST).all(axis=0) & (starts >= begin_ns)
    safe = np.maximum(counts, 1)
    halves = (sums[edges[1:]] - sums[edges[:-1]]) / safe
    # Noise by the middle of the differences from sample to sample: the tail of a movement doesn't count as noise.
    leaps = np.abs(np.diff(quantity, prepend=quantity[0]))
    noise = np.array([np.median(leaps[first:last]) if last > first else 0.0 for first, last in edges[[0, 2]].T])
    error = 1.05 * noise / np.sqrt(np.maximum(counts.sum(axis=0), 1))
    early = quantity[time <= begin_ns + BEFORE_NS]
    early = early if len(early) >= FEWEST else quantity[:FEWEST]
    before, span = float(np.median(early)), sampled.evidence.span or 0.0
    least = max(2 * still_share * span, 3 * sampled.evidence.step, 4 * float(early.std()))
    allowed = np.maximum(max(still_share * span, sampled.evidence.step), 8 * error)
    still = enough & (np.abs(halves[1] - halves[0]) <= allowed)
    level = np.where(counts[1] > 0, halves[1], before)
    return _Looked(points, level, still, before, least, stretch)
