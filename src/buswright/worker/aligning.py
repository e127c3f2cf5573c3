"""Two runs on one time axis: by how much the second is moved so that the same event stands at the same place."""

from __future__ import annotations

import math

import numpy as np

from buswright.channels.samples.series import Floats, Series

ABOUT_NS = 250_000_000
"""The event is an edge: what the value does so long before and after it."""


def edge_at(series: Series, moment_ns: int) -> tuple[float, bool, int] | None:
    """Return level, direction (rising) and moment of the edge of a channel at a moment; None where it is level there.

    The level is half way between what the channel reads a quarter of a second before and after.
    """
    times, values = _usable(series)
    if len(times) < 2:
        return None
    before, after = np.interp([moment_ns - ABOUT_NS, moment_ns + ABOUT_NS], times, values)
    spread = float(np.ptp(values))
    if abs(after - before) < 0.01 * spread or spread == 0:
        return None
    level, rises = float(before + after) / 2, bool(after > before)
    crossings = crossings_of(series, level, rises=rises)
    if not len(crossings):
        return None
    return level, rises, int(crossings[np.argmin(np.abs(crossings - moment_ns))])


def crossings_of(series: Series, level: float, *, rises: bool) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Return the moments at which a channel goes through a level in one direction, between its samples; int64[k]."""
    times, values = _usable(series)
    height = values - level if rises else level - values
    at = np.flatnonzero((height[:-1] < 0) & (height[1:] >= 0))
    share = -height[at] / (height[at + 1] - height[at])
    return (times[at] + share * (times[at + 1] - times[at])).astype(np.int64)


def shift_to(first: Series, second: Series, moment_ns: int, after_ns: int | None = None) -> tuple[int, str] | None:
    """Return by how much to move the second so that its edge like the first one's at a moment stands there.

    Parameters
    ----------
    first, second
        The same channel of both runs, the second as it is shown now.
    moment_ns
        Near an edge of the first.
    after_ns
        Take the next edge of the second behind this moment; None: the one that is nearest.

    Returns
    -------
    Nanoseconds to move it by, and what was aligned, in words; None where either has no such edge.
    """
    edge = edge_at(first, moment_ns)
    if edge is None:
        return None
    level, rises, at = edge
    found = crossings_of(second, level, rises=rises)
    if after_ns is not None:
        found = found[found > after_ns] if (found > after_ns).any() else found[:1]
    if not len(found):
        return None
    chosen = int(found[0] if after_ns is not None else found[np.argmin(np.abs(found - at))])
    digits = max(0, 3 - (math.floor(math.log10(abs(level))) if level else 0))
    return at - chosen, f"{'rises' if rises else 'falls'} through {level:.{min(digits, 6)}f} {first.unit}".rstrip()


def _usable(series: Series) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Floats]:
    valid = series.valid
    return series.time_ns[valid], series.value[valid]
