"""The bit rate of a bus: as given, else guessed from how close frames follow each other."""

from __future__ import annotations

import numpy as np

from buswright.health.histogram import Histogram
from buswright.health.model import BitRate

COMMON_RATES = (10_000, 20_000, 33_333, 50_000, 83_333, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""Bit rates met in practice, bit/s (common practice, no source)."""

TOLERANCE = 0.05
"""Two crystals and stamps of whole microseconds: the shortest frame lasts 47 µs at 1 Mbit/s, one microsecond 2 %."""
_SHORTEST_BITS = 47
"""Bits of the shortest classic frame with its interframe space."""
_SHARP = (TOLERANCE, 0.005, "back to back at")
"""How near a spacing must be to one frame time, the share of spacings that may be shorter, and words for it."""
_SMEARED = (0.3, 0.025, "(smeared, so the stamps may be a host's) at about")
_LEAST_SUPPORT = 20


class Rates:
    """Apparent bit rates: bits of each frame over its spacing from the one before, in bits per nanosecond.

    No frame can follow faster than the wire carries it, and back-to-back frames stand exactly at the bit rate.
    """

    def __init__(self, apparent: Histogram) -> None:
        self._values = apparent.edges[:-1] * 1e9 if apparent.total else np.zeros(0)
        self._above = apparent.total - np.concatenate([[0], np.cumsum(apparent.counts)])
        self.pairs = apparent.total

    def faster(self, rate: float) -> int:
        """Spacings whose apparent bit rate is above `rate`."""
        return int(self._above[np.searchsorted(self._values, rate)])

    def impossible(self, rate: int, resolution_ns: int) -> int:
        """Spacings that a bus of that rate can't have, beyond what the stamps' resolution explains."""
        margin = TOLERANCE + resolution_ns * rate / 1e9 / _SHORTEST_BITS
        return self.faster(rate * (1 + margin))

    def back_to_back(self, rate: int) -> int:
        """Spacings that are one frame time within 5 %."""
        return self.faster(rate * (1 - TOLERANCE)) - self.faster(rate * (1 + TOLERANCE))

    def guess(self) -> BitRate:
        """Return the slowest common rate that hardly any spacing contradicts, and how many support it.

        Stamps of a host smear the spacings, and then twice as many contradict; such a guess says so.
        """
        if not self.pairs:
            return BitRate(None, None, "unknown", 0.0, "no two frames with a time")
        for width, most_above, words in (_SHARP, _SMEARED):
            for rate in COMMON_RATES:
                above = self.faster(rate * (1 + width))
                at = self.faster(rate * (1 - width)) - above
                if above <= most_above * self.pairs and at >= max(_LEAST_SUPPORT, 3 * above):
                    basis = f"guessed: {at} of {self.pairs} frames follow {words} {rate / 1000:g} kbit/s"
                    return BitRate(rate, None, "guessed", at / self.pairs, basis)
        return BitRate(None, None, "unknown", 0.0, "no common bit rate fits the spacings of the frames; give it")
