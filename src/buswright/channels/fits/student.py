"""Student's t: how wide an interval is, without a statistics library."""

from __future__ import annotations

import math
from functools import lru_cache

CONFIDENCE = 0.95
"""Of every interval that is given."""


@lru_cache(maxsize=256)
def quantile(share: float, freedom: int) -> float:
    """Return the t below which a share of Student's distribution lies.

    `share`: 0.5 to below 1; `freedom`: degrees of freedom, at least 1.
    """
    low, high = 0.0, 1.0
    while _within(high, freedom) < 2.0 * share - 1.0:
        low, high = high, 2.0 * high
    for _ in range(80):  # halving can't miss, and is done once for each number of degrees of freedom
        middle = 0.5 * (low + high)
        if _within(middle, freedom) < 2.0 * share - 1.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def half_width(freedom: int) -> float:
    """Return by how many standard errors an interval of `CONFIDENCE` reaches to each side; infinite without freedom."""
    return quantile(0.5 + 0.5 * CONFIDENCE, freedom) if freedom > 0 else math.inf


def _within(t: float, freedom: int) -> float:
    """Share of the distribution between -t and t, for whole degrees (Abramowitz and Stegun, 26.7.3 and 26.7.4)."""
    angle = math.atan2(t, math.sqrt(freedom))
    sine, square = math.sin(angle), math.cos(angle) ** 2
    odd = freedom % 2
    term = math.cos(angle) if odd else 1.0
    total = 0.0
    for step in range(freedom // 2):
        total += term
        term *= square * (2 * step + (2 if odd else 1)) / (2 * step + (3 if odd else 2))
    return 2.0 / math.pi * (angle + sine * total) if odd else sine * total
