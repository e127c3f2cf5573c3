"""Stillness: when a channel has come to rest, and what it showed meanwhile."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from buswright.channels.calibration.kind import Floats
from buswright.channels.samples.series import Int64s

HOLD_S = 2.0
"""A reading is the mean over this time (common practice)."""
_BLOCKS = 8
_LEAST = 8
"""Samples below which nothing can be said of stillness."""
_MOVES = 0.001
"""A still value drifts by less than this part of the span while it is held (common practice)."""
_NOISES = 4.0
"""... or by less than so many standard errors of that drift: noise alone moves the ends so far."""
_WOBBLES = 0.005
"""Means of blocks of a still value scatter by less than this part of the span (common practice)."""
_TRIES = 200


@dataclass(frozen=True, slots=True)
class Rest:
    """What a channel showed over a short time.

    Attributes
    ----------
    mean
        Of the samples.
    scatter
        Standard error of the mean, from the means of blocks: noise of an input is seldom independent.
    deviation
        Standard deviation of a sample.
    drift
        Mean of the last quarter less that of the first.
    samples
        How many.
    start_ns, end_ns
        First and last of them.
    still
        Whether the drift is small beside the span or the noise, and it doesn't wobble.
    """

    mean: float
    scatter: float
    deviation: float
    drift: float
    samples: int
    start_ns: int
    end_ns: int
    still: bool


def rest_of(time_ns: Int64s, values: Floats, span: float) -> Rest | None:
    """Judge samples; None if there are too few.

    Parameters
    ----------
    time_ns, values
        int64[n] and float64[n]; bad samples left out by the caller.
    span
        Of the quantity, for what counts as still.
    """
    good = np.isfinite(values)
    time_ns, values = time_ns[good], values[good]
    if len(values) < _LEAST:
        return None
    blocks = np.array_split(values, _BLOCKS)
    means = np.array([float(block.mean()) for block in blocks])
    quarter = max(_BLOCKS // 4, 1)
    drift = float(means[-quarter:].mean() - means[:quarter].mean())
    deviation = float(values.std(ddof=1))
    trend = np.polyval(np.polyfit(np.arange(_BLOCKS), means, 1), np.arange(_BLOCKS))
    wobble = math.sqrt(float(np.sum((means - trend) ** 2)) / (_BLOCKS - 2))
    # Successive differences hold the noise and next to nothing of a movement (von Neumann 1941).
    noise_of_block = math.sqrt(float(np.mean(np.diff(values) ** 2)) / 2.0 * _BLOCKS / len(values))
    noises = _NOISES * noise_of_block * math.sqrt(2.0 / quarter)
    still = abs(drift) <= max(_MOVES * span, noises) and wobble <= _WOBBLES * span
    return Rest(
        float(values.mean()),
        float(means.std(ddof=1)) / math.sqrt(_BLOCKS),
        deviation,
        drift,
        len(values),
        int(time_ns[0]),
        int(time_ns[-1]),
        still,
    )


def settled(time_ns: Int64s, values: Floats, span: float, *, hold_s: float = HOLD_S) -> Rest | None:
    """Judge the last `hold_s` seconds; None while there aren't so many."""
    if not len(time_ns) or time_ns[-1] - time_ns[0] < hold_s * 0.95e9:
        return None
    first = int(np.searchsorted(time_ns, time_ns[-1] - round(hold_s * 1e9)))
    return rest_of(time_ns[first:], values[first:], span)


def stillest(time_ns: Int64s, values: Floats, span: float, *, hold_s: float = HOLD_S) -> Rest | None:
    """Find the first still `hold_s` seconds; where there are none, a half or a quarter of them.

    Where nothing is still it is the stretch of `hold_s` with the smallest drift.
    """
    tried = [_stillest(time_ns, values, span, hold_s * part) for part in (1.0, 0.5, 0.25)]
    return next((rest for rest in tried if rest is not None and rest.still), tried[0])


def _stillest(time_ns: Int64s, values: Floats, span: float, hold_s: float) -> Rest | None:
    if not len(time_ns):
        return None
    width = round(hold_s * 1e9)
    last = int(time_ns[-1]) - width
    if last <= time_ns[0]:
        return rest_of(time_ns, values, span)
    best: Rest | None = None
    for start in np.linspace(int(time_ns[0]), last, _TRIES).astype(np.int64).tolist():
        low, high = np.searchsorted(time_ns, [start, start + width])
        found = rest_of(time_ns[low:high], values[low:high], span)
        if found is not None and found.still:
            return found
        if found is not None and (best is None or abs(found.drift) < abs(best.drift)):
            best = found
    return best
