"""Which known channel an unknown field follows: with which lag, scale and offset, and how well.

Both are laid on one grid of time. The lag is where the product-moment correlation r (Pearson) is largest, within half a
second either way; scale and offset are the straight line of least squares, so R² = r². Two channels that merely drift
the same way have a high r, too: so the changes over half a second must go together as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.units import Floats
from buswright.frames.table import Int64s
from buswright.survey.gather import Gathered
from buswright.survey.look import Field

STEP_NS = 50_000_000
"""Spacing of the grid."""
MOST_POINTS = 4_000
LONGEST_LAG_NS = 500_000_000
NEAREST = 24
"""Channels of which every lag is tried: those most like at a few lags."""
LEAST_R = 0.9
LEAST_CHANGES_R = 0.6
"""Correlation of the changes, below which two channels merely drift alike."""
CLEAR_R = 0.98
LEAST_POINTS = 100
_LEAST_TURNS = 3
"""How often the field must pass its middle: with fewer movements two channels are alike by chance, unless their changes
are, too (`_CHANGES_ALIKE`)."""
_CHANGES_ALIKE = 0.9
_CHANGES_NS = 500_000_000
_MOST_LIKE = 3


@dataclass(frozen=True, slots=True)
class Likeness:
    """A known channel that a field follows.

    Attributes
    ----------
    r, changes_r
        Correlation of the values, and of their changes over half a second.
    lag_ms
        How much later the field shows what the channel showed; negative: earlier. Good to half a step of the grid.
    scale, offset
        value = raw * scale + offset, `scale` rounded as far as the data can't tell the difference.
    error
        Standard deviation of what is left, in the channel's unit.
    points, turns
        Points compared, and how often the field passed its middle.
    """

    channel: str
    unit: str
    r: float
    changes_r: float
    lag_ms: float
    scale: float
    offset: float
    error: float
    points: int
    turns: int

    @property
    def clear(self) -> bool:
        """Whether the scale may be taken into a draft."""
        return abs(self.r) >= CLEAR_R and self.changes_r >= CLEAR_R - 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """The known channels on the grid: standardised values, one row a channel; those that never move are left out."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    start_ns: int
    step_ns: int
    value: Floats


def known_of(series: Mapping[str, tuple[Int64s, Floats, str]]) -> Known | None:
    """Lay channels on a grid; None where there are none that move.

    Parameters
    ----------
    series
        By name: times int64[n], values float64[n] (NaN where there is none), unit.
    """
    spans = [(time[0], time[-1]) for time, _, _ in series.values() if len(time)]
    if not spans:
        return None
    start, stop = int(min(first for first, _ in spans)), int(max(last for _, last in spans))
    step = max(STEP_NS, (stop - start) // MOST_POINTS + 1)
    grid = np.arange(start, stop + 1, step)
    names, units, rows = [], [], []
    for name, (time, value, unit) in series.items():
        held = held_on(grid, time, value, 20 * step)
        there = np.isfinite(held)
        if there.sum() >= LEAST_POINTS and np.ptp(held[there]) > 0:
            names.append(name)
            units.append(unit)
            rows.append(held)
    if not rows:
        return None
    return Known(tuple(names), tuple(units), start, step, np.array(rows))


def held_on(grid: Int64s, time: Int64s, value: Floats, longest_ns: int) -> Floats:
    """Return the last value at or before each point; NaN where it is older than `longest_ns`."""
    if not len(time):
        return np.full(len(grid), np.nan)
    if np.any(time[1:] < time[:-1]):
        order = np.argsort(time, kind="stable")
        time, value = time[order], value[order]
    at = np.searchsorted(time, grid, side="right") - 1
    held: Floats = np.where((at >= 0) & (grid - time[at] <= longest_ns), value[at], np.nan)
    return held


def alike(gathered: Gathered, rows: npt.NDArray[np.bool_], field: Field, known: Known) -> tuple[Likeness, ...]:
    """Return the channels that a field follows, the most similar first; `rows` bool[n] are those that have it."""
    raw = field.read(gathered.payload[rows]).astype(np.float64)
    grid = known.start_ns + known.step_ns * np.arange(known.value.shape[1])
    own = held_on(grid, gathered.time_ns[rows], raw, 4 * known.step_ns)
    if np.isfinite(own).sum() < LEAST_POINTS:
        return ()
    turns = _turns(own[np.isfinite(own)])
    most = max(2, LONGEST_LAG_NS // known.step_ns)
    coarse = [np.abs(_correlations(_shifted(own, lag), known.value)) for lag in (-most // 2, 0, most // 2)]
    near = np.argsort(-np.max(coarse, axis=0))[:NEAREST]
    best_r, best_lag = np.zeros(len(known.names)), np.zeros(len(known.names), dtype=np.int64)
    for lag in range(-most, most + 1):
        r = _correlations(_shifted(own, lag), known.value[near])
        better = np.abs(r) > np.abs(best_r[near])
        best_r[near[better]], best_lag[near[better]] = r[better], lag
    order = np.argsort(-np.abs(best_r))[: 3 * _MOST_LIKE]
    found = [
        each
        for row in order.tolist()
        if abs(best_r[row]) >= LEAST_R and (each := _fitted(own, known, row, int(best_lag[row]), turns)) is not None
    ]
    return tuple(sorted(found, key=lambda each: -(abs(each.r) + each.changes_r))[:_MOST_LIKE])


def _shifted(values: Floats, lag: int) -> Floats:
    """Return values as they come `lag` points later, NaN where there are none."""
    shifted = np.full(len(values), np.nan)
    if lag >= 0:
        shifted[: len(values) - lag] = values[lag:]
    else:
        shifted[-lag:] = values[:lag]
    return shifted


def _turns(values: Floats) -> int:
    """Count how often values pass from one quarter of their range to the opposite one."""
    low, high = np.percentile(values, [5, 95])
    place = np.where(values > low + 0.75 * (high - low), 1, np.where(values < low + 0.25 * (high - low), -1, 0))
    place = place[place != 0]
    return int(np.count_nonzero(np.diff(place))) if high > low else 0


def _correlations(own: Floats, others: Floats) -> Floats:
    """Correlate one row with many, over the points that both have."""
    there = np.isfinite(own) & np.isfinite(others)
    count = np.maximum(there.sum(axis=1), 1)
    x = np.where(there, np.nan_to_num(own), 0.0)
    y = np.where(there, np.nan_to_num(others), 0.0)
    x = np.where(there, x - (x.sum(axis=1) / count)[:, np.newaxis], 0.0)
    y = np.where(there, y - (y.sum(axis=1) / count)[:, np.newaxis], 0.0)
    spread = np.sqrt((x * x).sum(axis=1) * (y * y).sum(axis=1))
    r: Floats = np.divide((x * y).sum(axis=1), spread, out=np.zeros(len(spread)), where=spread > 0)
    return np.where(there.sum(axis=1) >= LEAST_POINTS, np.clip(r, -1, 1), 0.0)


def _fitted(own: Floats, known: Known, row: int, lag: int, turns: int) -> Likeness | None:
    x, y = _shifted(own, lag), known.value[row]
    there = np.isfinite(x) & np.isfinite(y)
    wide = max(1, _CHANGES_NS // known.step_ns)
    changes = _correlations(x[wide:] - x[:-wide], (y[wide:] - y[:-wide])[np.newaxis])
    x, y = x[there], y[there]
    mean_x, mean_y = x.mean(), y.mean()
    spread = float(((x - mean_x) ** 2).sum())
    slope = float(((x - mean_x) * (y - mean_y)).sum()) / spread
    r = float(np.corrcoef(x, y)[0, 1])
    left = y - mean_y - slope * (x - mean_x)
    # Neighbouring points aren't independent: as many are as the field turned.
    doubt = float(left.std()) / np.sqrt(spread / len(x)) / np.sqrt(max(turns, 1))
    scale = rounded(slope, max(doubt, 0.002 * abs(slope)))
    offset = mean_y - scale * mean_x
    offset = rounded(offset, max(float(left.std()) / np.sqrt(max(turns, 1)), abs(scale) / 2))
    changes_r = abs(float(changes[0]))
    few = turns < _LEAST_TURNS and not (changes_r >= _CHANGES_ALIKE and abs(r) >= CLEAR_R)
    if changes_r < LEAST_CHANGES_R or few:
        return None
    return Likeness(
        known.names[row], known.units[row], r, changes_r, lag * known.step_ns / 1e6, scale, offset,
        float(left.std()), len(x), turns,
    )  # fmt: skip


def rounded(value: float, doubt: float) -> float:
    """Return the number with the fewest digits within a doubt; 0 where that is one."""
    if not np.isfinite(value) or abs(value) <= doubt:
        return 0.0
    for digits in range(1, 7):
        short = float(f"{value:.{digits}g}")
        if abs(short - value) <= doubt:
            return short
    return float(f"{value:.6g}")
