"""Bars of one cell, an eighth of it more at each step; `cli/plain_signs.py` has others for terminals without them."""

from __future__ import annotations

import math

HEIGHTS = " ▁▂▃▄▅▆▇█"
"""Nothing, and one to eight eighths."""


def height_of(share: float) -> str:
    """Return the bar of a share: the lowest for the least, a full one for all and more."""
    return HEIGHTS[min(8, max(1, math.ceil(share * 8)))]
