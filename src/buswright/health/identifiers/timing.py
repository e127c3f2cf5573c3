"""How regularly one identifier comes: period, jitter, gaps and what the arrivals looked like over time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.expectation import STEADY_TOLERANCE, contradicted
from buswright.channels.samples.series import median
from buswright.frames.table import Bools, Int64s
from buswright.health.folds.histogram import COARSE, FINE, Histogram, Typical, typical
from buswright.health.identifiers.bursts import BurstFold
from buswright.health.identifiers.crowding import Crowding
from buswright.health.identifiers.gaps import AFTER, BEFORE, Arrivals, KeptGaps, Periods, find_gaps
from buswright.health.model.gaps import SHORT_GAP
from buswright.health.model.identifiers import PeriodStrip

Float64s = npt.NDArray[np.float64]
UInt64s = npt.NDArray[np.uint64]

STEADY = 0.8
"""Share of spacings at the period or a whole multiple from which an identifier counts as sent by the clock."""
_OWN_STEADY = 0.9
_CLEAR = 0.9
_OWN_LEAST = 50
_LEAST_STEPS = 10
_SAME_RATE = 0.05
_SMEARED = 0.34
_SECOND_NS = 1_000_000_000
_MOST_ROWS = 100_000
"""Rows of the strip, 11 days; a clock that keeps jumping must not fill the memory."""
_PIECES = 32
_EARLY = 0.8
"""A frame that comes sooner than this part of its period after the one before is early."""
_ON_GRID = 0.05
_LEAST_EARLY = 20
_EARLY_CHANGED = 0.95
_KEPT_CHANGED = 0.5

_STAMPED_NS, _CLUMP = 1_000_000, 3.0
"""A spacing under a millisecond, at a rate of less than a third of that, comes from how frames were fetched (a choice:
no period of a car's message is so short)."""

_STRIP = np.dtype(
    [
        ("window", np.int64),
        ("frames", np.int64),
        ("spacings", np.int64),
        ("deviation", np.float64),
        ("longest", np.int64),
    ]
)


class Reference(NamedTuple):
    """What spacings are judged by: the period for gaps (None: don't judge), and the learned one for jitter."""

    judged_ns: float | None
    learned_ns: float | None


class TimingFold:
    """Folds the arrival times of one identifier, block by block.

    Parameters
    ----------
    declared_ns
        Period that somebody declared.
    change_driven
        Somebody declared that it has none.
    gap_periods
        A spacing over so many periods is a gap.
    """

    def __init__(self, declared_ns: float | None, change_driven: bool, gap_periods: float) -> None:
        self._gap_periods = gap_periods
        self.declared_ns = declared_ns
        self._change_driven = change_driven
        self.spacings = Histogram(FINE)
        self._known: tuple[int, Typical | None] = (0, None)
        self._deviations = Histogram(COARSE)
        self._jitter_count = 0
        self._jitter_sum = self._jitter_squares = 0.0
        self.shortest: int | None = None
        self.longest: int | None = None
        self.frames = self.backwards = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.elapsed_ns = 0
        self._rate_ns: float | None = None
        self._rate_steps = 0
        self.gaps = KeptGaps()
        self._pending: Arrivals | None = None
        self._strip: list[npt.NDArray[np.void]] = []
        self._strip_rows = 0
        self.crowding = Crowding()
        self.early_or_same: Int64s = np.zeros((2, 2), dtype=np.int64)
        self.bursts = BurstFold()

    def add(
        self, time_ns: Int64s, bits: npt.NDArray[np.int32], counter: Int64s | None, first_word: Bools, changed: Bools
    ) -> tuple[Bools, Reference, Typical | None]:
        """Take arrivals, not empty.

        Parameters
        ----------
        time_ns, bits : int64[n], int32[n]
        counter : int64[n] or None
            Counter values, -1 where missing.
        first_word : bool[n]
            Whether the payload is that of the very first frame.
        changed : bool[n]
            Whether the data are other than those of the frame before.

        Returns
        -------
        bool[n], whether a gap ends at the row; what the spacings were judged by; what this block alone looks like.
        """
        before = self.last_ns if self.last_ns is not None else int(time_ns[0])
        spacing = np.diff(time_ns, prepend=before)
        lead = 1 if self.last_ns is None else 0  # the very first frame has no spacing
        if self.first_ns is None:
            self.first_ns = int(time_ns[0])
        self.last_ns = int(time_ns[-1])
        self.frames += len(time_ns)
        forward = spacing >= 0
        forward[:lead] = False
        usable = spacing[forward]
        self.bursts.add(time_ns)
        self.backwards += len(spacing) - lead - len(usable)
        own = Histogram(FINE)
        own.add(usable)
        self.spacings.merge(own)
        if len(usable):
            low, high = int(usable.min()), int(usable.max())
            self.shortest = low if self.shortest is None else min(self.shortest, low)
            self.longest = high if self.longest is None else max(self.longest, high)
            self.elapsed_ns += int(usable.sum())
        self._learn_rate(time_ns)
        found = self._unclumped(typical(own, modes=False))
        reference = self._reference(found, own.total)
        limit = SHORT_GAP * reference.judged_ns if reference.judged_ns else np.inf
        in_gap: Bools = forward & (spacing > limit)
        core = forward & (spacing <= limit)
        deviation = self._jitter(spacing, core, reference.learned_ns)
        if reference.learned_ns is not None:
            self._tell_early(time_ns, core, spacing, changed, reference.learned_ns)
        self.crowding.add(time_ns, bits, self.declared_ns or reference.judged_ns)
        self._window(time_ns, spacing, forward, core, deviation)
        arrivals = Arrivals.of(time_ns, counter, first_word)
        # The block's columns are not ours: what is held back past this call is a copy.
        self._pending = arrivals.since(0, 0) if self._pending is None else self._pending.then(arrivals)
        self._judge_gaps(reference, final=False)
        return in_gap, reference, found

    def finish(self) -> None:
        """Judge the last arrivals, which so far waited for what comes after them; for a copy that is then dropped."""
        known = self.known
        self._judge_gaps(self._reference(known, 0), final=True)
        self.bursts.finish()

    def _reference(self, own: Typical | None, spacings: int) -> Reference:
        """Choose what to judge a block by: see `Period.judged_ns`; a block that is steady at a rate of its own counts.

        An identifier may change its period with the car's state; that is seen in the strip and in `exact`, and isn't
        a row of gaps.
        """
        known = self.known
        if known is None:
            return Reference(None if self._change_driven else self.declared_ns, None)
        settled = own is not None and spacings >= _OWN_LEAST and own.exact >= _OWN_STEADY
        learned = known.period_ns
        if known.exact < STEADY and known.steady < _CLEAR and not settled and self._rate_ns is not None:
            # Smeared stamps leave no clear spacing (lost frames leave multiples of one), and the most typical one may
            # be far off; the rate stays.
            if self.declared_ns is not None and abs(self._rate_ns / self.declared_ns - 1) < _SAME_RATE:
                learned = self.declared_ns
            elif abs(self._rate_ns / learned - 1) < _SMEARED:
                learned = self._rate_ns
        if settled and own is not None and contradicted(learned, own.period_ns):
            learned = own.period_ns
        if self._change_driven:
            return Reference(None, learned)
        if self.declared_ns is not None:
            conflict = contradicted(self.declared_ns, learned) and (settled or known.exact >= STEADY)
            return Reference(learned if conflict else self.declared_ns, learned)
        steady = settled or known.steady >= STEADY
        return Reference(learned if steady else None, learned)

    def _learn_rate(self, time_ns: Int64s) -> None:
        """Learn the period from frames far apart, over which the errors of stamps vanish.

        A median, so that stalls don't count; from a short block only where none was longer. None where the rate
        changed within the block.
        """
        steps = min(AFTER, len(time_ns) // 2)
        if steps < max(_LEAST_STEPS, self._rate_steps):
            return
        self._rate_steps = steps
        spans = time_ns[steps:] - time_ns[:-steps]
        low, high = spans.min(), spans.max()
        if not 0 < high <= (1 + STEADY_TOLERANCE) * low:  # the half in the middle may be steady all the same
            low, high = np.percentile(spans, (25, 75))
        self._rate_ns = median(spans) / steps if 0 < high <= (1 + STEADY_TOLERANCE) * low else None

    def _jitter(self, spacing: Int64s, core: Bools, learned_ns: float | None) -> Float64s:
        """Fold the deviations of what is no gap; float64[n], |dt - T| or 0."""
        if learned_ns is None:
            return np.zeros(len(spacing))
        off = np.where(core, spacing - learned_ns, 0.0)
        self._jitter_count += int(np.count_nonzero(core))
        self._jitter_sum += float(off.sum())
        self._jitter_squares += float(off @ off)
        size: Float64s = np.abs(off)
        self._deviations.add(size[core], summed=False)
        return size

    def _tell_early(self, time_ns: Int64s, core: Bools, spacing: Int64s, changed: Bools, period_ns: float) -> None:
        """Count early frames and those on time, with the data of the frame before and with other data.

        A frame that comes early after another early one, but on time after the last by the clock, is on time.
        """
        early = core & (spacing < _EARLY * period_ns)
        on_grid = np.zeros(len(time_ns), dtype=np.bool_)
        for steps in (2, 3):
            on_grid[steps:] |= np.abs(time_ns[steps:] - time_ns[:-steps] - period_ns) < _ON_GRID * period_ns
        for row, rows in enumerate((core & ~early, early & ~on_grid)):
            other = int(np.count_nonzero(rows & changed))
            self.early_or_same[row] += np.count_nonzero(rows) - other, other

    def _window(
        self,
        time_ns: Int64s,
        spacing: Int64s,
        forward: Bools,
        core: Bools,
        deviation: Float64s,
    ) -> None:
        second = time_ns // _SECOND_NS
        starts = np.concatenate([[0], np.flatnonzero(second[1:] != second[:-1]) + 1])
        frames = np.diff(starts, append=len(second))
        # Everything of a second lies in one window, so the coarser sums are made from the finer ones.
        window = second[starts] // (PeriodStrip.WIDTH_NS // _SECOND_NS)
        coarse = np.concatenate([[0], np.flatnonzero(window[1:] != window[:-1]) + 1])
        rows = np.zeros(len(coarse), dtype=_STRIP)
        at = starts[coarse]
        rows["window"] = window[coarse]
        rows["frames"] = np.add.reduceat(frames, coarse)
        rows["spacings"] = np.add.reduceat(core, at, dtype=np.int64)
        rows["deviation"] = np.maximum.reduceat(deviation, at)
        rows["longest"] = np.maximum.reduceat(np.where(forward, spacing, 0), at)
        if self._strip and self._strip[-1]["window"][-1] == rows["window"][0]:
            last, first = self._strip[-1], rows[0]
            for name in ("frames", "spacings"):
                last[name][-1] += first[name]
            for name in ("deviation", "longest"):
                last[name][-1] = max(last[name][-1], first[name])
            rows = rows[1:]
        if len(rows) and self._strip_rows < _MOST_ROWS:
            self._strip.append(rows)
            self._strip_rows += len(rows)
            if len(self._strip) >= _PIECES:
                self._strip = [np.concatenate(self._strip)]

    def _judge_gaps(self, reference: Reference, *, final: bool) -> None:
        """Judge the spacings that have enough arrivals behind them, and hold back the others."""
        pending = self._pending
        if pending is None:
            return
        stop = len(pending) - 1 if final else len(pending) - 1 - AFTER
        if stop <= pending.done:
            return
        if reference.judged_ns:
            judged = Periods(reference.judged_ns, reference.learned_ns or reference.judged_ns, self.sd_ns or 0.0)
            self.gaps.add(find_gaps(pending, pending.done, stop, judged, self._gap_periods))
        self._pending = pending.since(max(0, stop - BEFORE), stop)

    # What came out ------------------------------------------------------------------------------------------------

    @property
    def sd_ns(self) -> float | None:
        """Standard deviation of the spacings that are no gaps."""
        if self._jitter_count < 4:
            return None
        spread = self._jitter_squares - self._jitter_sum**2 / self._jitter_count
        return float(np.sqrt(max(0.0, spread) / (self._jitter_count - 1)))

    @property
    def known(self) -> Typical | None:
        """The most typical of all spacings."""
        total, found = self._known
        if total != self.spacings.total:
            found = typical(self.spacings)
            self._known = (self.spacings.total, found)
        return self._unclumped(found)

    def _unclumped(self, found: Typical | None) -> Typical | None:
        """Return the rate where a host fetched frames by the clump: then most spacings are those of its stamps.

        How steady the sender is nothing shows then.
        """
        rate, declared = self._rate_ns, self.declared_ns
        if rate is None:
            return found
        as_declared = declared is not None and abs(rate / declared - 1) < _SAME_RATE
        far = found is None or rate >= _CLUMP * found.period_ns
        if not far or not (found is None or as_declared or found.period_ns <= _STAMPED_NS):
            return found
        return Typical(rate, 0.0, 0.0)

    def deviations_ns(self, *shares: float) -> tuple[float | None, ...]:
        """Return what these shares of |dt - T| are under."""
        return self._deviations.quantiles(shares) if self._jitter_count >= 4 else (None,) * len(shares)

    @property
    def spread(self) -> float:
        """Spacing that nine of ten are under over the one that one of ten is under."""
        low, high = self.spacings.quantiles((0.1, 0.9))
        return high / low if low > 0 else np.inf

    @property
    def on_change_too(self) -> bool:
        """Whether early frames are those that something new made come, between frames by the clock that repeat it.

        Measured on two cars: 986 of 986 and 21 of 21 early frames carried something new. A sender that jitters sends
        as much news early as on time.
        """
        (kept, kept_changed), (same, changed) = self.early_or_same.tolist()
        if same + changed < _LEAST_EARLY or changed < _EARLY_CHANGED * (same + changed):
            return False
        return bool(kept_changed <= _KEPT_CHANGED * (kept + kept_changed))

    def strip(self) -> PeriodStrip:
        """Return the identifier over time."""
        rows = np.concatenate(self._strip) if self._strip else np.zeros(0, dtype=_STRIP)
        count = rows["spacings"]
        return PeriodStrip(
            rows["window"] * PeriodStrip.WIDTH_NS,
            rows["frames"].copy(),
            count.copy(),
            rows["deviation"].copy(),
            rows["longest"].copy(),
        )
