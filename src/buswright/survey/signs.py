"""Whether a signal's numbers have a sign.

Published (CAN-D: Verma et al., IEEE TVT 70(10), 2021): the two highest bits of a signed signal are mostly equal. Here
the ring of its codes decides: a quantity doesn't jump over half its range from one frame to the next, so it passes the
place where its range begins and ends as little as it can. Signed numbers pass from all ones to zero, and unsigned ones
from the lower half to the upper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.table import Bools, Int64s

_LEAST_PASSES = 2
_EMPTY = 0.125
"""Part of the ring that must be empty on one side, for values that pass nowhere."""


@dataclass(frozen=True, slots=True)
class Sign:
    """Whether it is signed, and how sure that is.

    Attributes
    ----------
    signed
        What the numbers speak for; False where nothing does.
    confidence
        0.5 (nothing tells) to 1.
    """

    signed: bool
    confidence: float
    why: str


def sign_of(values: Int64s, follows: Bools, length: int) -> Sign:
    """Judge by values read without a sign, int64[n]; `follows` bool[n] says which come just after the row before."""
    if length < 2:
        return Sign(False, 1.0, "one bit has no sign")
    full, half = 1 << length, 1 << (length - 1)
    step = np.diff(values)[follows[1:]]
    before = values[:-1][follows[1:]]
    short = (step + half) % full - half
    after = before + short
    # The shorter way round leads out of 0 .. 2^length - 1 where the ends are passed, and over the half elsewhere.
    near = np.abs(short) < half // 2
    ends = int(np.count_nonzero(near & ((after < 0) | (after >= full))))
    middle = int(np.count_nonzero(near & ((before < half) != (after < half)) & (after >= 0) & (after < full)))
    if ends + middle >= _LEAST_PASSES and ends != middle:
        signed = ends > middle
        share = max(ends, middle) / (ends + middle)
        sure = min(1.0, 0.5 + 0.5 * share * (1 - 0.5 ** (ends + middle)))
        where = "from all ones to 0" if signed else "from the lower half to the upper"
        return Sign(signed, sure, f"it passes {where} {max(ends, middle)} times, the other way {min(ends, middle)}")
    low, high = int(values.min()), int(values.max())
    if high < half:
        return Sign(False, 0.6, "it never reaches the upper half, where a sign would show")
    if low >= half:
        if low >= full - full // 4:
            return Sign(True, 0.6, "it stays in the upper half, as small negative numbers do")
        return Sign(False, 0.6, "it stays in the upper half, far from its end")
    # Both halves without a way between: the wider gap is where no value ever is.
    lower, upper = values[values < half], values[values >= half]
    gap_middle = int(upper.min()) - int(lower.max())
    gap_ends = full - int(upper.max()) + int(lower.min())
    if abs(gap_middle - gap_ends) < _EMPTY * full:
        return Sign(False, 0.5, "nothing tells")
    signed = gap_middle > gap_ends
    return Sign(signed, 0.7, "no value lies around the half" if signed else "no value lies near the ends")
