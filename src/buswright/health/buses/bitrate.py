"""The bit rate of a bus: as given, else guessed from how close frames follow each other.

No frame can follow faster than the wire carries it, and frames that had to wait for the bus follow exactly back to
back: their spacing is their own length. So the apparent bit rates (bits of a frame over its spacing from the one
before) end at the bit rate, with a pile there. A regular schedule makes piles too, say of frames 1 ms apart, but
there the spacing doesn't grow with the length of the frame.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Int64s
from buswright.health.folds.histogram import FINE, bins_of
from buswright.health.model.health import BitRate

COMMON_RATES = (50_000, 83_333, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates met in practice, bit/s (common practice, no source)."""

TOLERANCE = 0.05
"""Two crystals and stamps of whole microseconds: the shortest frame lasts 47 µs at 1 Mbit/s, one microsecond 2 %."""
_SHORTEST_BITS = 47
"""Bits of the shortest classic frame with its interframe space."""
_SHARP = (TOLERANCE, 0.005, "back to back at")
"""How near a spacing must be to one frame time, the share of spacings that may be shorter, and words for it."""
_SMEARED = (0.3, 0.025, "(smeared, so the stamps may be a host's) at about")
_LEAST_SUPPORT = 20
_PILE = 3
"""The pile must be this many times what is faster."""
_EDGE = 0.015
_LEAST_SHARP = 0.7
"""Of the spacings within 5 % of one frame time at least this share must be within 1.5 %: a pile, not a slope."""
_LEAST_SLOPE = 0.5
"""A bit more must lengthen the spacing by at least this many bit times."""
_LEAST_SPREAD = 0.5
"""Variance of the frame lengths, in bits squared, below which that can't be seen."""

_LOW, _HIGH = (int(bins_of(np.array([value]), FINE)[0]) for value in (1e-9, 1e3))
"""Bins from 1 bit/s to a bit every 10⁻³ ns."""
_SUMMED_FROM = int(bins_of(np.array([COMMON_RATES[0] * (1 - _SMEARED[0]) * 1e-9]), FINE)[0]) - _LOW
_COUNT, _BITS, _SQUARES, _TIME, _PRODUCT = range(5)


class ApparentRates:
    """Counts spacings by apparent bit rate; for the fast ones also how the spacing goes with the length.

    All sums are of whole numbers and stay below 2⁵³ for some 10⁷ frames in one bin, so batches don't matter.
    """

    def __init__(self) -> None:
        self._all: Int64s = np.zeros(_HIGH - _LOW, dtype=np.int64)
        self._sums: npt.NDArray[np.float64] = np.zeros((5, _HIGH - _LOW - _SUMMED_FROM))

    def add(self, bits: npt.NDArray[np.int32], spacing_ns: Int64s, other: Bools) -> None:
        """Take frames: their bits, their (positive) spacings, and whether the one before has another identifier."""
        rate = np.divide(bits, spacing_ns, dtype=np.float32, casting="same_kind")
        bins = np.clip(bins_of(rate, FINE) - _LOW, 0, len(self._all) - 1)
        self._all += np.bincount(bins, minlength=len(self._all))
        fast = np.flatnonzero((bins >= _SUMMED_FROM) & other)
        if len(fast):
            own = bins[fast] - _SUMMED_FROM
            length, time = bits[fast].astype(np.float64), spacing_ns[fast].astype(np.float64)
            weights = (None, length, length * length, time, length * time)
            for row, weight in enumerate(weights):
                self._sums[row] += np.bincount(own, weights=weight, minlength=self._sums.shape[1])

    @property
    def pairs(self) -> int:
        """All spacings."""
        return int(self._all.sum())

    def _range(self, low: float, high: float) -> slice:
        """Bins of the sums from one rate to another, bit/s."""
        first, last = bins_of(np.array([low * 1e-9, high * 1e-9]), FINE) - _LOW - _SUMMED_FROM
        return slice(max(0, int(first)), max(0, int(last)))

    def faster(self, rate: float) -> int:
        """Spacings whose apparent bit rate is above `rate`, bit/s."""
        return int(self._all[int(bins_of(np.array([rate * 1e-9]), FINE)[0]) - _LOW :].sum())

    def impossible(self, rate: int, resolution_ns: int) -> int:
        """Spacings that a bus of that rate can't have, beyond what the stamps' resolution explains."""
        margin = TOLERANCE + resolution_ns * rate / 1e9 / _SHORTEST_BITS
        return self.faster(rate * (1 + margin))

    def back_to_back(self, rate: int, width: float = TOLERANCE) -> int:
        """Spacings between different identifiers that are one frame time, within 5 %."""
        return int(self._sums[_COUNT, self._range(rate * (1 - width), rate * (1 + width))].sum())

    def slope(self, rate: int, width: float) -> float:
        """How many bit times the spacing grows with each bit of the frame, around that rate; 0 if it can't be told."""
        place = self._range(rate * (1 - width), rate * (1 + width))
        count, bits, squares, time, product = self._sums[:, place].sum(axis=1)
        if count < _LEAST_SUPPORT or squares / count - (bits / count) ** 2 < _LEAST_SPREAD:
            return 0.0
        return float((product - bits * time / count) / (squares - bits**2 / count) * rate * 1e-9)

    def guess(self) -> BitRate:
        """Return the slowest common rate that hardly any spacing contradicts, and how many support it.

        Stamps of a host smear the spacings, and then more of them contradict; such a guess says so.
        """
        pairs = self.pairs
        if not pairs:
            return BitRate(None, None, "unknown", 0.0, "no two frames with a time")
        for width, most_above, words in (_SHARP, _SMEARED):
            for rate in COMMON_RATES:
                above, at = self.faster(rate * (1 + width)), self.back_to_back(rate, width)
                if above > most_above * pairs or at < max(_LEAST_SUPPORT, _PILE * above):
                    continue
                sharp = width == _SMEARED[0] or self.back_to_back(rate, _EDGE) >= _LEAST_SHARP * at
                if sharp and self.slope(rate, width) >= _LEAST_SLOPE:
                    basis = f"guessed: {at} of {pairs} frames follow {words} {rate / 1000:g} kbit/s"
                    return BitRate(rate, None, "guessed", at / pairs, basis)
        return BitRate(None, None, "unknown", 0.0, "no common bit rate fits the spacings of the frames; give it")
