"""The bit rate of a bus, read from how close its frames follow each other.

Frames that had to wait for the bus follow back to back, and then the spacing of two stamps is the length of the second
frame, to the bit and with its interframe space, over the bit rate. So at the true rate spacings pile up at the length
of each frame, and next to none is shorter. Schedules make piles too, say of frames 1 ms apart, but those don't move
with the length of the frame. Spacings are counted by length, and every standard rate is tried against them.

A computer that stamps frames when it fetches them smears the pile. Its middle stays where it was, because the spacing
gains the delay of one frame and loses that of the other. So there the middle of the pile must lie at the frame's
length. Where stamps are coarser than frames, nothing of this is left, and the answer is that the rate is not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Int64s
from buswright.frames.wire.rates import STANDARD_RATES
from buswright.health.folds.histogram import bins_of, value_of
from buswright.health.model.health import BitRate
from buswright.wording import bit_rate

TOLERANCE = 0.05
"""What a spacing may fall short of one frame time before it is called impossible: two crystals, and whole µs."""
_FIRST_BITS, _LAST_BITS = 44, 178
"""Lengths of classic frames with their interframe space, and a little more: 47 bits to 160 (trade.md, 6.2)."""
_BITS = 7
"""Spacings are counted in bins of 1/128 octave: 0.55 to 0.78 % wide."""
_SHORTEST_NS, _LONGEST_NS = 1 << 14, 1 << 26
"""16 µs, a third of the shortest frame at 1 Mbit/s, to 67 ms, four times the longest at 10 kbit/s."""
_LOW, _HIGH = (int(bins_of(np.array([value]), _BITS)[0]) for value in (_SHORTEST_NS, _LONGEST_NS))
_FEW = 5_000

_LEAST = 20
"""Fewer frames in a pile are no pile."""
_NARROW = 0.012
"""Half width of a pile of exact stamps: a bin and a half, two crystals."""
_BESIDE = 3.0
"""A pile holds this many times what lies beside it in as wide a range."""
_FOLLOWS = 1.05
"""A pile that moves with the length of the frame holds this many times what lies at the lengths of other frames; the
pile of a schedule holds no more than that."""
_CONTRADICTED = 0.5
"""Shorter spacings for each frame of an exact pile: echoes and bursts of a recorder make some."""
_COARSE = 0.12
"""Stamps whose step is a larger share of the frame make no exact pile."""

_FROM, _TO, _PLATEAU = 0.4, 1.4, 2.4
"""A smeared pile lies between the first two of these frame times; up to the third lies what didn't have to wait."""
_MIDDLE = 0.08
"""How far the middle of a smeared pile may lie from the frame time; standard rates are 17 % apart or more."""
_MIDDLE_OF_HALF = 0.1
"""The same for the shorter and for the longer half of the frames, of which there are fewer."""
_CAUGHT_UP = 0.25
"""Much shorter spacings for each frame of a smeared pile: frames that a computer fetched together."""
_WIDE = 0.3
"""Share of the frame time between the quarters of a smeared pile, from which its middle isn't known."""
_LEAST_SMEARED = 50
_TRANSFERS_NS, _TRANSFERS = (1_000_000, 2_000_000, 4_000_000), 8
"""Times between an adapter's transfers (common practice, no source), and how many of them are looked at."""
_ON_STEP, _MOSTLY = 0.15, 0.6
"""How near a spacing must be to a whole number of transfers, and the share of spacings that are; by chance 0.3 are."""
_PLACES = np.linspace(_FROM, _PLATEAU, 101)
_END = int(np.searchsorted(_PLACES, _TO - 1e-9))


class _Pile(NamedTuple):
    """Frames back to back at a rate, and whether the stamps are exact."""

    rate: int
    frames: int
    exact: bool


class _Smeared(NamedTuple):
    """Frames of a pile, much faster ones, and the middle of the pile and the way between its quarters, frame times."""

    frames: float
    faster: float
    middle: float
    spread: float


class SpacingsByLength:
    """Counts spacings by the length of the second frame, in bins; any cutting into batches gives the same."""

    def __init__(self) -> None:
        self.pairs = 0
        self._counts: npt.NDArray[np.int32] = np.zeros((_LAST_BITS - _FIRST_BITS, _HIGH - _LOW), dtype=np.int32)

    def add(self, bits: npt.NDArray[np.int32], spacing_ns: Int64s) -> None:
        """Take frames: their bits at one rate, and their (positive) spacings from the frame before."""
        self.pairs += len(bits)
        usable = (spacing_ns < _LONGEST_NS) & (bits < _LAST_BITS) & (bits >= _FIRST_BITS)
        bits, spacing_ns = bits[usable], spacing_ns[usable]
        place = np.maximum(bins_of(spacing_ns, _BITS) - _LOW, 0) + (bits - _FIRST_BITS) * np.int64(_HIGH - _LOW)
        flat = self._counts.reshape(-1)
        if len(place) < _FEW:
            np.add.at(flat, place, 1)
        else:
            flat += np.bincount(place, minlength=len(flat)).astype(np.int32)

    def impossible(self, rate: int, resolution_ns: int) -> int:
        """Count spacings that a bus of that rate can't have, beyond what the stamps' resolution explains."""
        look = _Look(self._counts)
        return look.shorter(look.bits * ((1 - TOLERANCE) * 1e9 / rate) - resolution_ns)

    def back_to_back(self, rate: int, resolution_ns: int) -> int:
        """Count spacings that are one frame time, as near as the stamps tell."""
        look = _Look(self._counts)
        time = look.bits * (1e9 / rate)
        return look.between(time * (1 - TOLERANCE) - resolution_ns, time * (1 + TOLERANCE) + resolution_ns)

    def measure(self, resolution_ns: int, zero: int, least: float) -> BitRate:
        """Return the standard rate that the spacings show.

        Parameters
        ----------
        resolution_ns
            Step of the stamps.
        zero
            Frames with the stamp of the one before.
        least
            Bits that the bus carried in its busiest second.
        """
        look = _Look(self._counts)
        pairs = self.pairs + zero
        if not pairs:
            return _unknown("No two frames have a time.", 0.0)
        possible = [rate for rate in STANDARD_RATES if least <= rate]
        found = look.exact(possible, resolution_ns, zero) or look.smeared(possible, resolution_ns, zero)
        if len(found) == 1:
            return _measured(found[0], pairs)
        if found:
            words = " and ".join(bit_rate(pile.rate) for pile in found)
            return _unknown(f"{words} fit the spacings equally well.", least)
        if look.frames and resolution_ns > _COARSE * look.frame_time(possible):
            return _unknown(f"Stamps in steps of {resolution_ns / 1000:g} µs are too coarse to tell.", least)
        if zero > _LEAST or not look.frames:
            return _unknown("The computer stamped frames several at a time, so their spacings don't tell.", least)
        return _unknown("Too few frames followed back to back to tell.", least)


def _measured(pile: _Pile, pairs: int) -> BitRate:
    basis = f"guessed: {pile.frames:,} of {pairs:,} frame spacings fit {bit_rate(pile.rate)}"
    basis += "" if pile.exact else "; the time stamps are rough"
    return BitRate(pile.rate, None, "guessed", pile.frames / pairs, basis, exact=pile.exact)


def _unknown(why: str, least: float) -> BitRate:
    lowest = next((rate for rate in STANDARD_RATES if rate >= least), None)
    bound = f" It is {bit_rate(lowest)} or more: the busiest second took so much." if lowest and least > 1 else ""
    return BitRate(
        None,
        None,
        "unknown",
        0.0,
        f"not known. {why}{bound} A longer recording with the adapter's own stamps settles it; or give it",
    )


class _Look:
    """The counts with their running totals, to ask for what is shorter than a limit that differs by length."""

    def __init__(self, counts: npt.NDArray[np.int32]) -> None:
        self._rows = np.flatnonzero(counts.any(axis=1))
        self.bits = (self._rows + _FIRST_BITS).astype(np.float64)
        self._counts = counts[self._rows]
        self._totals = np.zeros((len(self._rows), counts.shape[1] + 1), dtype=np.int64)
        np.cumsum(self._counts, axis=1, out=self._totals[:, 1:])
        self._of_length = self._totals[:, -1]
        self.frames = int(self._of_length.sum())

    def frame_time(self, rates: Sequence[int]) -> float:
        """Return how long the mean frame takes at the slowest of some rates, ns."""
        return float(np.average(self.bits, weights=self._of_length)) * 1e9 / rates[0] if rates else 0.0

    def _upto(self, limits: npt.NDArray[np.float64], rows: npt.NDArray[np.intp] | None = None) -> Int64s:
        """Count spacings below limits, one for each length (or for the given rows); within a bin in proportion."""
        rows = np.arange(len(self.bits)) if rows is None else rows
        clipped = np.clip(limits, _SHORTEST_NS, _LONGEST_NS - 1)
        bins = bins_of(clipped, _BITS)
        edges = value_of(np.stack([bins, bins + 1]), _BITS)
        inside = (clipped - edges[0]) / (edges[1] - edges[0])
        at = bins - _LOW
        below, above = self._totals[rows, at], self._totals[rows, at + 1]
        found: Int64s = below + np.rint(inside * (above - below)).astype(np.int64)
        return found

    def shorter(self, limits: npt.NDArray[np.float64]) -> int:
        """Count spacings below a limit for each length."""
        return int(self._upto(limits).sum())

    def between(self, low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> int:
        """Count spacings between two limits for each length."""
        return int((self._upto(high) - self._upto(low)).sum())

    # Exact stamps -----------------------------------------------------------------------------------------------------

    def exact(self, rates: Sequence[int], resolution_ns: int, zero: int) -> list[_Pile]:
        """Return the rates at which spacings pile up at the exact length of each frame; the best of those that do."""
        found = []
        for rate in rates:
            time = self.bits * (1e9 / rate)
            wide = _NARROW * time + resolution_ns
            if not len(time) or resolution_ns > _COARSE * self.frame_time([rate]):
                continue
            at = self.between(time - wide, time + wide)
            if (
                at >= _LEAST
                and at >= _BESIDE * self.between(time + wide, time + 3 * wide)
                and self.shorter(time - wide) + zero <= _CONTRADICTED * at
                and at >= _FOLLOWS * self._elsewhere(time, wide)
            ):
                found.append(_Pile(rate, at, exact=True))
        return sorted(found, key=lambda pile: -pile.frames)[:1]

    def _elsewhere(self, time: npt.NDArray[np.float64], wide: npt.NDArray[np.float64]) -> float:
        """Count what would be in the pile if it didn't move with the length of the frame."""
        rows = np.repeat(np.arange(len(time)), len(time))
        low, high = (np.tile(time + side * wide, len(time)) for side in (-1, 1))
        inside = (self._upto(high, rows) - self._upto(low, rows)).reshape(len(time), len(time))
        in_pile = np.diagonal(inside)
        return float((inside * (in_pile / max(1, in_pile.sum()))).sum())

    # Stamps of a computer ---------------------------------------------------------------------------------------------

    def smeared(self, rates: Sequence[int], resolution_ns: int, zero: int) -> list[_Pile]:
        """Return the rates at whose frame time the middle of a smeared pile lies."""
        return [pile for rate in rates if (pile := self._smeared_at(rate, resolution_ns, zero)) is not None]

    def _smeared_at(self, rate: int, resolution_ns: int, zero: int) -> _Pile | None:
        time = self.bits * (1e9 / rate)
        if not len(time) or resolution_ns > _FROM * time.min() or self._in_transfers(self.frame_time([rate])):
            return None
        both = self._pile_of(time, np.ones(len(time), dtype=np.bool_))
        if both.frames < _LEAST_SMEARED or both.faster + zero > _CAUGHT_UP * both.frames or both.spread > _WIDE:
            return None
        # Frames of a schedule are as far apart whether they are short or long; nothing tells where all are of a length.
        short = self._shorter_half(time)
        halves = [self._pile_of(time, half) for half in (short, ~short)]
        if abs(both.middle - 1) > _MIDDLE or any(
            pile.frames < _LEAST or abs(pile.middle - 1) > _MIDDLE_OF_HALF for pile in halves
        ):
            return None
        return _Pile(rate, round(both.frames), exact=False)

    def _in_transfers(self, frame_ns: float) -> bool:
        """Whether spacings are whole multiples of the time between transfers, which is about that of a frame."""
        counts = self._counts.sum(axis=0)
        middle = value_of(np.arange(_LOW, _HIGH), _BITS) * (1 + 0.5 / (1 << _BITS))
        for step in _TRANSFERS_NS:
            far = (middle > step / 2) & (middle < _TRANSFERS * step)
            off = np.abs(middle[far] / step - np.rint(middle[far] / step))
            if step / 2 < frame_ns < 2 * step and counts[far][off < _ON_STEP].sum() > _MOSTLY * counts[far].sum():
                return True
        return False

    def _shorter_half(self, time: npt.NDArray[np.float64]) -> Bools:
        """Mark the lengths that half of the frames around one frame time don't exceed, and at least the shortest."""
        near = np.cumsum(self._upto(_TO * time) - self._upto(_FROM * time))
        half: Bools = near <= max(near[-1] / 2, near[0])
        return half

    def _pile_of(self, time: npt.NDArray[np.float64], rows: Bools) -> _Smeared:
        """Measure what lies around one frame time and didn't come by chance, for some of the lengths."""
        chosen = np.flatnonzero(rows)
        upto = self._upto(_PLACES[:, None] * time[chosen], chosen).sum(axis=1).astype(np.float64)
        faster = float(upto[0])
        upto -= faster
        plateau = (upto[-1] - upto[_END]) / (_PLATEAU - _TO)
        waited = (upto - plateau * np.maximum(_PLACES - 1, 0))[: _END + 1]
        frames = float(waited[-1])
        if frames <= 0:
            return _Smeared(0.0, faster, 0.0, 0.0)
        quarters = np.interp(np.array([0.25, 0.5, 0.75]) * frames, np.maximum.accumulate(waited), _PLACES[: _END + 1])
        return _Smeared(frames, faster, float(quarters[1]), float(quarters[2] - quarters[0]))
