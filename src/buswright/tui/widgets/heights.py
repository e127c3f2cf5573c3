"""Bars of one cell, an eighth more at each step; `terminal/plain_signs.py` has some for terminals without them."""

from __future__ import annotations

import math

HEIGHTS = " ▁▂▃▄▅▆▇█"
"""Nothing, and one to eight eighths."""


def height_of(share: float) -> str:
    """Return the bar of a share: the lowest for the least, a full one for all and more."""
    return HEIGHTS[min(8, max(1, math.ceil(share * 8)))]
