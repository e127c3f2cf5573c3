"""How often boundaries, byte orders, signs, counters and checksums are found right: ours beside published methods.

A boundary lies between two neighbouring bits that belong to different signals, or of which one never moved. Neighbours
are bits of one byte, and the facing ends of two bytes: a signal that goes on over a byte's end joins these, in either
byte order, so methods that know one order only lose nothing by that. Bits that never moved are set apart for every
method alike: no method can see where they belong.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass
class Tally:
    """Right and wrong, counted."""

    hits: int = 0
    false: int = 0
    missed: int = 0

    def add(self, found: npt.NDArray[np.bool_], true: npt.NDArray[np.bool_]) -> None:
        """Count what was found against what is."""
        self.hits += int((found & true).sum())
        self.false += int((found & ~true).sum())
        self.missed += int((~found & true).sum())

    @property
    def precision(self) -> float:
        """Share of what was found that is right."""
        return self.hits / max(1, self.hits + self.false)

    @property
    def recall(self) -> float:
        """Share of what is that was found."""
        return self.hits / max(1, self.hits + self.missed)

    @property
    def f1(self) -> float:
        """Harmonic mean of both."""
        return 2 * self.hits / max(1, 2 * self.hits + self.false + self.missed)


def cuts(owners: Iterable[Iterable[int]], moving: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return where boundaries lie, bool[8 * L - 1], along the places in which bits are sent.

    Parameters
    ----------
    owners
        For each signal its bits; bit 0 is the lowest of byte 0.
    moving : bool[8 * L]
        Which bits ever moved, counted alike.
    """
    size = len(moving)
    owner = np.zeros(size, dtype=np.int64)
    for number, bits in enumerate(owners, start=1):
        own = sorted(bits)
        owner[own] = number
    owner[~moving] = -1
    sent = owner[np.arange(size) ^ 7]
    # At a byte's end the two bytes are joined where one signal has moving bits in both.
    cut: npt.NDArray[np.bool_] = (sent[1:] != sent[:-1]) & ~((sent[1:] == -1) & (sent[:-1] == -1))
    for place in range(7, size - 1, 8):
        here, there = (set(owner[8 * byte : 8 * byte + 8].tolist()) - {-1, 0} for byte in (place // 8, place // 8 + 1))
        still = not (here or there)
        cut[place] = not (here & there) and not still
    return cut


def bits_sent(spans: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Turn spans of places into bits counted from the lowest of byte 0."""
    return [[place ^ 7 for place in range(first, last + 1)] for first, last in spans]
