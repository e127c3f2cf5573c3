"""Two modules that send one identifier: two combs of arrivals, looked for in windows of at most 10 s.

Over longer stretches the combs smear, because two crystals differ: 60 ppm shift one comb by 0.04 periods (of 10 ms)
in 10 s, by 0.11 in 30 s.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import median
from buswright.frames.table import Bools, Int64s
from buswright.health.folds.histogram import Typical
from buswright.health.model.identifiers import TwoSenders

Float64s = npt.NDArray[np.float64]
UInt64s = npt.NDArray[np.uint64]

WINDOW_NS = 10_000_000_000
_SHORT_NS = 1_000_000_000
_EXACT = 0.9
"""One clock-driven sender has more of its spacings near the period than this."""
_CALMER = 0.5
"""Two combs near half a period apart: spacings over two frames spread less than this share of those over one. For one
sender that jitters both spread alike."""
_SAMPLE = 512
_PAIRED = 0.8
"""Share of the spacings over two frames that must be near their median."""
_NEAR = 0.1
_LEAST_FRAMES = 16
_CROWDED = 1.2
_EVEN = 0.02
_PHASES = 20
_APART = 0.12
"""Two combs closer than this share of the period can't be told from one that jitters."""
_WIDTH = 0.15
_MOST_SD = 0.1
_COVERED = 0.9
_LEAST_SHARE = 0.2


class _Split(NamedTuple):
    """Two clusters in one window: which frames belong to the second, and how they lie, in periods."""

    second: Bools
    covered: Bools
    separation: float
    sd: float


class SendersFold:
    """Folds the windows in which one identifier comes as if from two senders."""

    def __init__(self, declared_ns: float | None) -> None:
        self._declared_ns = declared_ns
        self._windows = self._split = 0
        self._first: tuple[int, float] | None = None
        self._last: tuple[int, float] | None = None
        self._last_ns: int | None = None
        self._period = self._sd = 0.0
        self._minority = self._clustered = 0
        self._within: list[int] = [0, 0]
        self._between: list[int] = [0, 0]

    def add(self, time_ns: Int64s, words: UInt64s, own: Typical | None) -> None:
        """Take a block.

        Parameters
        ----------
        time_ns : int64[n]
            Arrivals.
        words : uint64[n, w]
            Payloads without counter and checksum.
        own
            What the block's spacings look like.
        """
        if own is None or len(time_ns) < _LEAST_FRAMES:
            return
        if not self._suspicious(own) and not _alternating(time_ns[:_SAMPLE]) and not _crowded(time_ns, own):
            return
        number = time_ns // WINDOW_NS
        starts = np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1, [len(number)]])
        for start, stop in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
            if stop - start >= _LEAST_FRAMES:
                self._window(time_ns[start:stop], words[start:stop])

    def _window(self, time_ns: Int64s, words: UInt64s) -> None:
        """Judge one window: only where the spacings over two frames are steady and those over one aren't."""
        over_two = time_ns[2:] - time_ns[:-2]
        middle = median(over_two)
        near = np.abs(over_two - middle) <= _NEAR * middle
        if middle <= 0 or np.count_nonzero(near) < _PAIRED * len(over_two) or self._one_comb(time_ns, middle / 2):
            return
        self._windows += 1
        period = float(over_two[near].mean())
        found = _clusters((time_ns - time_ns[0]) / period)
        if found is not None:
            self._split += 1
            self._note(time_ns, words, period, found)
            return
        # Two clocks that differ by much smear the combs within ten seconds, but not within one.
        number = time_ns // _SHORT_NS
        starts = np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1, [len(number)]])
        pieces = [slice(a, b) for a, b in pairwise(starts.tolist()) if b - a >= _LEAST_FRAMES]
        splits = [_clusters((time_ns[piece] - time_ns[piece.start]) / period) for piece in pieces]
        if 2 * sum(split is not None for split in splits) > len(splits):
            self._split += 1
            for piece, split in zip(pieces, splits, strict=True):
                if split is not None:
                    self._note(time_ns[piece], words[piece], period, split)

    def _one_comb(self, time_ns: Int64s, spacing_ns: float) -> bool:
        """Whether every other spacing is as long as those between, and frames don't come twice as often as declared.

        Then one sender accounts for them.
        """
        if self._declared_ns is not None and abs(2 * spacing_ns / self._declared_ns - 1) < _NEAR:
            return False
        spacings = np.diff(time_ns)
        return abs(median(spacings[::2]) - median(spacings[1::2])) <= _EVEN * spacing_ns

    def _suspicious(self, own: Typical) -> bool:
        """Whether it comes irregularly, or twice as often as declared."""
        if own.exact < _EXACT:
            return True
        return self._declared_ns is not None and abs(2 * own.period_ns / self._declared_ns - 1) < _NEAR

    def _note(self, time_ns: Int64s, words: UInt64s, period_ns: float, found: _Split) -> None:
        place = (int(time_ns[0]), found.separation * period_ns)
        self._first = self._first or place
        self._last = place
        self._last_ns = int(time_ns[-1])
        self._period, self._sd = period_ns, found.sd * period_ns
        second = int(np.count_nonzero(found.second & found.covered))
        both = int(np.count_nonzero(found.covered))
        self._minority += min(second, both - second)
        self._clustered += both
        differing = np.bitwise_count(words[1:] ^ words[:-1]).sum(axis=1, dtype=np.int64)
        across = found.second[1:] != found.second[:-1]
        self._between[0] += int(differing[across].sum())
        self._between[1] += int(np.count_nonzero(across))
        for cluster in (words[~found.second], words[found.second]):
            if len(cluster) > 1:
                self._within[0] += int(np.bitwise_count(cluster[1:] ^ cluster[:-1]).sum(dtype=np.int64))
                self._within[1] += len(cluster) - 1

    def figures(self) -> TwoSenders | None:
        """Return what was seen; None where nothing pointed to two senders."""
        if not self._windows:
            return None
        drift = None
        if self._first and self._last and self._last[0] > self._first[0]:
            drift = (self._last[1] - self._first[1]) / (self._last[0] - self._first[0]) * 1e6
        return TwoSenders(
            windows=self._windows,
            split=self._split,
            first_ns=self._first[0] if self._first else None,
            last_ns=self._last_ns,
            period_ns=self._period,
            separation_ns=self._last[1] if self._last else 0.0,
            drift_ppm=drift,
            sd_ns=self._sd,
            minority=self._minority / self._clustered if self._clustered else 0.0,
            within_bits=self._within[0] / self._within[1] if self._within[1] else 0.0,
            between_bits=self._between[0] / self._between[1] if self._between[1] else 0.0,
        )


def _alternating(time_ns: Int64s) -> bool:
    """Whether spacings over two frames spread much less than those over one."""
    return bool((time_ns[2:] - time_ns[:-2]).std() <= _CALMER * np.diff(time_ns).std())


def _crowded(time_ns: Int64s, own: Typical) -> bool:
    """Whether some window holds many more frames than the period allows: a second sender that came on the way."""
    number = time_ns // WINDOW_NS
    if own.period_ns <= 0 or number[-1] <= number[0]:
        return False
    # By runs of the same window: a clock that is set leaves out years of them.
    starts = np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1, [len(number)]])
    return bool((np.diff(starts) > _CROWDED * WINDOW_NS / own.period_ns).any())


def _clusters(position: Float64s) -> _Split | None:
    """Split arrivals, in periods, into two clusters by phase; None unless both are tight and cover nearly all."""
    phase = position % 1.0
    counts = np.bincount((phase * _PHASES).astype(np.intp) % _PHASES, minlength=_PHASES)
    smooth = counts + np.roll(counts, 1) + np.roll(counts, -1)
    first = _center(phase, (int(np.argmax(smooth)) + 0.5) / _PHASES)
    away = np.abs(_around(np.arange(_PHASES) / _PHASES + 0.5 / _PHASES - first)) > _WIDTH
    second = _center(phase, (int(np.argmax(np.where(away, smooth, -1))) + 0.5) / _PHASES)
    separation = abs(float(_around(np.array([second - first]))[0]))
    if separation < _APART:
        return None
    to_first, to_second = _around(phase - first), _around(phase - second)
    nearer = np.abs(to_second) < np.abs(to_first)
    off = np.where(nearer, to_second, to_first)
    covered = np.abs(off) <= _WIDTH
    sizes = [int(np.count_nonzero(covered & side)) for side in (nearer, ~nearer)]
    if sum(sizes) < _COVERED * len(phase) or min(sizes) < _LEAST_SHARE * len(phase):
        return None
    sd = max(float(off[covered & side].std()) for side in (nearer, ~nearer))
    return _Split(nearer, covered, separation, sd) if sd < _MOST_SD else None


def _center(phase: Float64s, guess: float) -> float:
    """Mean phase of what lies near a guess."""
    off = _around(phase - guess)
    near = off[np.abs(off) <= _WIDTH]
    return (guess + (float(near.mean()) if len(near) else 0.0)) % 1.0


def _around(difference: Float64s) -> Float64s:
    """Bring into -1/2 .. 1/2."""
    found: Float64s = difference - np.rint(difference)
    return found
