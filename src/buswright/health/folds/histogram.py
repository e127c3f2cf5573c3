"""Histograms with bins of constant relative width, and the most typical value of spacings held in one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Int64s

Float64s = npt.NDArray[np.float64]
Values = npt.NDArray[np.int64] | npt.NDArray[np.float32] | npt.NDArray[np.float64]

FINE = 8
"""Bins of 1/256 octave: 0.27 to 0.39 % wide."""
COARSE = 6
"""Bins of 1/64 octave: 1.1 to 1.6 % wide."""


def bins_of(values: Values, bits: int) -> Int64s:
    """Bin of positive values: exponent and first `bits` bits of the mantissa of the 32-bit float; int64[n].

    Zero has bin 0. Taking the bits of a float as they are costs a fraction of a logarithm, and gives the same bin
    on every machine.
    """
    return values.astype(np.float32).view(np.int32).astype(np.int64) >> (23 - bits)


def value_of(bins: Int64s, bits: int) -> Float64s:
    """Lower edge of bins; float64[n]."""
    return (bins.astype(np.int32) << (23 - bits)).view(np.float32).astype(np.float64)


class Histogram:
    """Counts, and the sum of the values, for every bin between the lowest and the highest that was met.

    Values under 1 share a bin: from zero, which frames with one stamp are apart, to 1 there are 32,000 others.
    """

    __slots__ = ("bits", "counts", "low", "sums", "total", "under")

    def __init__(self, bits: int) -> None:
        self.bits = bits
        self.under = (127 << bits) - 1  # 127 is the exponent of 1 as a 32-bit float has it
        self.low = 0
        self.counts: Int64s = np.zeros(0, dtype=np.int64)
        self.sums: Float64s = np.zeros(0)
        self.total = 0

    def add(self, values: Values, *, summed: bool = True) -> None:
        """Count values that are not negative; `summed`: and add them up by bin."""
        if not len(values):
            return
        bins = np.maximum(bins_of(values, self.bits), self.under)
        low = int(bins.min())
        bins -= low
        counts = np.bincount(bins)
        self._cover(low, len(counts))
        place = slice(low - self.low, low - self.low + len(counts))
        self.counts[place] += counts
        if summed:
            self.sums[place] += np.bincount(bins, weights=values)
        self.total += len(values)

    def merge(self, other: Histogram) -> None:
        """Add another histogram of the same bins."""
        if other.total:
            self._cover(other.low, len(other.counts))
            place = slice(other.low - self.low, other.low - self.low + len(other.counts))
            self.counts[place] += other.counts
            self.sums[place] += other.sums
            self.total += other.total

    def _cover(self, low: int, size: int) -> None:
        """Make room for `size` bins from `low` on."""
        if not len(self.counts):
            self.low = low
        first, last = min(low, self.low), max(low + size, self.low + len(self.counts))
        if first < self.low or last > self.low + len(self.counts):
            counts, sums = np.zeros(last - first, dtype=np.int64), np.zeros(last - first)
            place = slice(self.low - first, self.low - first + len(self.counts))
            counts[place], sums[place] = self.counts, self.sums
            self.low, self.counts, self.sums = first, counts, sums

    @property
    def edges(self) -> Float64s:
        """Lower edges of the bins and the upper edge of the last; float64[k + 1]."""
        edges = value_of(np.arange(self.low, self.low + len(self.counts) + 1), self.bits)
        if self.low == self.under:
            edges[0] = 0.0
        return edges

    def quantiles(self, shares: Sequence[float]) -> tuple[float, ...]:
        """Values below which these shares lie, linear within a bin; NaN while empty."""
        if not self.total:
            return (float("nan"),) * len(shares)
        below, found = self.counts.cumsum(), []
        for share in shares:
            wanted = share * self.total
            at = min(int(below.searchsorted(wanted)), len(below) - 1)
            if self.low + at == self.under:
                found.append(0.0)
                continue
            low, high = value_of(np.array([self.low + at, self.low + at + 1]), self.bits).tolist()
            count = int(self.counts[at])
            inside = (wanted - (int(below[at]) - count)) / max(1, count)
            found.append(low + (high - low) * min(1.0, max(0.0, inside)))
        return tuple(found)


class Typical(NamedTuple):
    """The most typical spacing.

    Attributes
    ----------
    period_ns
        Mean of the spacings within 20 % of it.
    exact
        Share of the spacings within 20 %.
    steady
        Share within 20 % of it, or as near to a whole multiple up to `MULTIPLES`.
    """

    period_ns: float
    exact: float
    steady: float


NEAR = 0.2
MULTIPLES = 10
_LEAST = 3
_CLEAR = 0.5
_MODE = 0.15
_MODE_WIDTH = 0.1


def typical(spacings: Histogram, *, modes: bool = True) -> Typical | None:
    """Find the period in a histogram of spacings: their median where most are near it, else their clearest mode.

    Lost frames make multiples of the period, so where the median isn't clear the candidate counts whose whole
    multiples explain most; `modes` False takes the median as it is. None for fewer than three spacings, or where
    nearly all are zero.
    """
    if spacings.total < _LEAST:
        return None
    look = _Look(spacings)
    found = look.around(spacings.quantiles((0.5,))[0])
    if modes and (found is None or found.exact < _CLEAR):
        found = max(
            (each for each in (found, *look.modes()) if each is not None),
            key=lambda t: (t.steady, t.period_ns),
            default=None,
        )
    return found


class _Look:
    """A histogram with its running totals, to ask for what lies in a range."""

    def __init__(self, spacings: Histogram) -> None:
        self.edges = spacings.edges
        self.count = np.concatenate([[0], np.cumsum(spacings.counts)])
        self.sum = np.concatenate([[0.0], np.cumsum(spacings.sums)])
        self.total = spacings.total

    def around(self, center: float) -> Typical | None:
        if not center > 0:
            return None
        mean = center
        for _ in range(2):
            first, last = np.searchsorted(self.edges[:-1], (mean * (1 - NEAR), mean * (1 + NEAR)))
            inside = int(self.count[last] - self.count[first])
            if inside == 0:
                return None
            mean = float(self.sum[last] - self.sum[first]) / inside
        whole = np.arange(1, MULTIPLES + 1) * mean
        starts, stops = np.searchsorted(self.edges[:-1], [whole - NEAR * mean, whole + NEAR * mean])
        steady = int((self.count[stops] - self.count[starts]).sum())
        return Typical(mean, inside / self.total, steady / self.total)

    def modes(self) -> list[Typical | None]:
        """Candidates from the strongest mode down to shorter ones."""
        values = self.edges[:-1]
        starts, stops = np.searchsorted(values, [values * (1 - _MODE_WIDTH), values * (1 + _MODE_WIDTH)])
        mass = self.count[stops] - self.count[starts]
        found, limit = [], len(values)
        while limit:
            at = int(np.argmax(mass[:limit]))
            if mass[at] < _MODE * self.total:
                break
            found.append(self.around(float(values[at])))
            limit = int(np.searchsorted(values, values[at] * 0.75))
        return found
