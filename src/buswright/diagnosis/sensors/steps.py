"""Channels side by side on the fine grid, and how much each changed from just before a moment to just after it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools, Floats, Int64s
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS, Grid

WIDTH = 10
"""Windows of the fine grid, 1 s, that are averaged before and after."""
SLOW_HZ = 8.0
SLOW_GAP = 6
"""Windows left out behind the moment where a channel is slow: its next sample comes later."""

_COARSER = 0.1


def column(grid: Grid, number: Int64s, hz: float) -> Floats:
    """Return a channel's means at windows, held between the samples of a slow one; float64[k]."""
    return grid.at(number) if hz >= SLOW_HZ else grid.held(number)


def change(values: Floats, *, hz: float = np.inf, width: int = WIDTH) -> Floats:
    """Return the mean of `width` windows from each window on less that of as many before it; float64[k].

    Where a channel is slow, `SLOW_GAP` - 1 windows are left out between. NaN where fewer than half of either are known,
    and at the ends.
    """
    gap = 0 if hz >= SLOW_HZ else SLOW_GAP - 1
    known = np.isfinite(values)
    sums = np.concatenate(([0.0], np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate(([0], np.cumsum(known)))
    size = len(values)
    found = np.full(size, np.nan)
    at = np.arange(width, size - width - gap + 1)
    if not len(at):
        return found
    least = (width + 1) // 2
    before, n_before = sums[at] - sums[at - width], counts[at] - counts[at - width]
    after, n_after = (
        sums[at + gap + width] - sums[at + gap],
        counts[at + gap + width] - counts[at + gap],
    )
    whole = (n_before >= least) & (n_after >= least)
    found[at[whole]] = after[whole] / n_after[whole] - before[whole] / n_before[whole]
    return found


def scatter(changes: Floats) -> float:
    """Robust standard deviation of changes; NaN without any."""
    known = changes[np.isfinite(changes)]
    return float(np.quantile(np.abs(known), 0.683)) if len(known) else float("nan")


def peaks(changes: Floats, least: float, apart: int = 2 * WIDTH) -> npt.NDArray[np.intp]:
    """Return the windows of the largest changes, at least so large, and so far apart; ascending."""
    size = np.where(np.isfinite(changes), np.abs(changes), 0.0)
    order = np.argsort(-size, kind="stable")
    order = order[size[order] >= least]
    taken: list[int] = []
    free: Bools = np.ones(len(changes), dtype=np.bool_)
    for at in order.tolist():
        if free[at]:
            taken.append(at)
            free[max(0, at - apart) : at + apart + 1] = False
    return np.array(sorted(taken), dtype=np.intp)


def moment(number: Int64s, at: int) -> int:
    """When a window starts, nanoseconds."""
    return int(number[at]) * FINE_NS


def converter_step(each: ChannelEvidence) -> float:
    """Return the smallest usual change: a converter may have coarser steps than the signal that carries them."""
    changes = np.abs(np.diff(each.quantity[each.there & ~each.bad]))
    changes = changes[changes > 0]
    return float(np.quantile(changes, _COARSER)) if len(changes) else 0.0


def kinds(members: Sequence[ChannelEvidence]) -> int:
    """How many different kinds of sensors these are: what moves one kind may be real."""
    return len({each.sensor.name if each.sensor is not None else each.name for each in members})
