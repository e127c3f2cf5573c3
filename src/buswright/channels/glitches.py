"""Glitches of a channel as its samples come in: touches of a rail, spikes, gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from buswright.channels.expectation import believable
from buswright.channels.samples.running_median import RunningMedian
from buswright.channels.samples.series import Bools, Floats, Int64s, Quality, Series
from buswright.findings import THRESHOLDS

GlitchKind = Literal["rail", "spike", "gap"]

_LEARN = 16
"""Spacings that a channel's period is learned from."""

_AT_RAIL = np.uint16(Quality.ELECTRICAL_RAIL | Quality.SENDER_INVALID)
_NO_SAMPLE = np.uint16(Quality.SHORT_FRAME | Quality.MUX_ABSENT | Quality.BAD_CHECKSUM)


@dataclass(frozen=True, slots=True)
class Glitch:
    """One glitch: consecutive samples at a rail or off the running median count once.

    Attributes
    ----------
    channel, kind
        What happened where.
    time_ns, duration_ns
        Its first bad sample, and how long it lasted: to the next sound sample. Of a gap: the sample before it, and
        the silence after that.
    peak
        The worst value, in the electrical unit where the channel has one, else in its own; NaN for a gap.
    """

    channel: str
    kind: GlitchKind
    time_ns: int
    duration_ns: int
    peak: float


@dataclass(frozen=True, slots=True)
class Watched:
    """What is known of a channel, to tell a glitch from a value. "Its quantity" is the electrical one, else the value.

    Attributes
    ----------
    step, span
        One raw step and the whole range, in its quantity; a step of 0 and a span of None where unknown.
    ends
        The raw codes at its ends, where nobody says what healthy is; None: rails are known by quality alone.
    period_s
        Nominal time between samples; None: learned.
    by_clock
        Samples come by the clock, so that silence is a gap.
    spike_sd, spike_steps, spike_window_s, spike_s, spike_return, gap_periods, gap_s
        See `findings.THRESHOLDS`.
    """

    channel: str
    step: float = 0.0
    span: float | None = None
    ends: tuple[float, float] | None = None
    period_s: float | None = None
    by_clock: bool = True
    spike_sd: float = THRESHOLDS["spike_sd"].default
    spike_steps: float = THRESHOLDS["spike_steps"].default
    spike_window_s: float = THRESHOLDS["spike_window_s"].default
    spike_s: float = THRESHOLDS["spike_s"].default
    spike_return: float = THRESHOLDS["spike_return"].default
    gap_periods: float = THRESHOLDS["gap_periods"].default
    gap_s: float = THRESHOLDS["gap_s"].default


@dataclass(frozen=True, slots=True)
class _Run:
    """Bad samples in a row: `rail` once one stood at a rail, `end` at an end of the raw code.

    Not `counted` where the first sample of all was one of them.
    """

    start_ns: int
    last_ns: int
    base: float
    band: float
    peak: float
    rail: bool
    end: bool
    counted: bool


@dataclass(frozen=True, slots=True)
class _Samples:
    """A chunk judged sample by sample; each column [n]. `base` is the median before a sample, `band` around it."""

    time_ns: Int64s
    value: Floats
    base: Floats
    band: Floats
    railed: Bools
    ended: Bools
    bad: Bools


class GlitchCounter:
    """Finds one channel's glitches, chunk after chunk, the same however the samples are cut into chunks.

    Samples without a value of their own (short frame, wrong checksum) are left out: if they are many, that is a gap.
    A sample is at a rail where its quality says so or the sender calls it invalid. Where no healthy band is known, an
    end of the raw code that is reached by a jump is a rail too, but counts only when it is left for the same value
    again: a pressure rests at zero, and a pump that is switched off has no current. A sample is off where it
    differs from the median of the last half second by more than eight robust standard deviations, three raw steps and
    2 % of the span. Bad samples in a row are one glitch: a touch of the rail if one of them was there, counted at
    once; else a spike, if it was back within these 2 % in a tenth of a second, counted when it was. (Without the 2 %,
    noise about a clipped zero would be spikes: most of it is one value, so that its robust deviation is none.) What
    stands at a rail from the first sample on is none until it has left it. Common practice, no source.
    """

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        self._median = RunningMedian(round(watched.spike_window_s * 1e9))
        self._gaps = _Gaps(watched)
        self._last_ns: int | None = None
        self._run: _Run | None = None
        self._base = float("nan")
        self._sound = False
        self._at_end = self._end_is_bad = False

    @property
    def open(self) -> tuple[Glitch, ...]:
        """The touch of a rail that lasts; its end isn't known yet."""
        run = self._run
        if run is None or not (run.rail and run.counted):
            return ()
        return (Glitch(self.watched.channel, "rail", run.start_ns, run.last_ns - run.start_ns, run.peak),)

    @property
    def standing(self) -> bool:
        """Whether it stands at a rail."""
        return self._run is not None and self._run.rail

    def silent(self, now_ns: int) -> Glitch | None:
        """Return the gap that lasts at a moment, if it is already one."""
        return self._gaps.silent(now_ns)

    def add(self, series: Series) -> list[Glitch]:
        """Take the channel's next samples; return the glitches that ended in them, by the time they ended."""
        bounds = [*series.segments.tolist(), len(series)]
        found: list[Glitch] = []
        for start, stop in pairwise(bounds):
            if stop > start:
                found += self._segment(series, slice(start, stop))
        return found

    def _segment(self, series: Series, part: slice) -> list[Glitch]:
        time_ns = series.time_ns[part]
        value = (series.volts if series.volts is not None else series.value)[part]
        raw = None if series.raw is None else series.raw[part]
        railed = np.zeros(len(time_ns), dtype=np.bool_)
        if series.quality is not None:
            quality = series.quality[part]
            railed = (quality & _AT_RAIL) != 0
            there = ((quality & _NO_SAMPLE) == 0) & (np.isfinite(value) | railed)
        else:
            there = np.isfinite(value)
        if not there.all():
            time_ns, value, railed = time_ns[there], value[there], railed[there]
            raw = None if raw is None else raw[there]
        if not len(time_ns):
            return []
        found = []
        if self._last_ns is not None and time_ns[0] < self._last_ns:
            found += self._set_back()
        self._last_ns = int(time_ns[-1])
        found += self._gaps.add(time_ns)
        found += self._judge(time_ns, value, raw, railed)
        return sorted(found, key=lambda glitch: glitch.time_ns + glitch.duration_ns)

    def _set_back(self) -> list[Glitch]:
        """Begin anew, for time went backwards: what is open ends."""
        ended = list(self.open)
        self._median.clear()
        self._gaps.restart()
        self._run, self._base, self._sound = None, float("nan"), False
        self._at_end = self._end_is_bad = False
        return ended

    def _judge(
        self, time_ns: Int64s, value: Floats, raw: npt.NDArray[np.generic] | None, railed: Bools
    ) -> list[Glitch]:
        watched, n = self.watched, len(time_ns)
        sound = np.flatnonzero(~railed)
        # The tolerance is for volts that were made of raw codes: 3 steps must stay 3 steps.
        least = max(watched.spike_steps * watched.step * (1 - 1e-9), watched.spike_return * (watched.span or 0.0))
        base, spread, off = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=np.bool_)
        base[sound], spread[sound] = self._median.add(time_ns[sound], value[sound], least)
        with np.errstate(invalid="ignore"):
            off[sound] = np.abs(value[sound] - base[sound]) > watched.spike_sd * spread[sound]
        known = np.concatenate(([self._base], base))
        # A sample at a rail has no window of its own: the median before the latest sound one stands for it.
        latest = known[np.maximum.accumulate(np.where(np.isfinite(known), np.arange(n + 1), 0))][1:]
        ended = self._jumped_to_end(raw, off, railed)
        band = (
            np.full(n, watched.spike_return * watched.span)
            if watched.span is not None
            else np.maximum(watched.spike_sd * spread, least)
        )
        found = self._runs(_Samples(time_ns, value, latest, band, railed, ended, off | railed | ended))
        self._base = float(latest[-1])
        return found

    def _jumped_to_end(self, raw: npt.NDArray[np.generic] | None, off: Bools, railed: Bools) -> Bools:
        """Tell which samples are at an end of the raw code that was reached by a jump, until it is left; bool[n]."""
        if self.watched.ends is None or raw is None:
            return np.zeros(len(off), dtype=np.bool_)
        low, high = self.watched.ends
        at_end: Bools = ((raw == low) | (raw == high)) & ~railed
        begins = at_end & ~np.concatenate(([self._at_end], at_end[:-1]))
        jumped = np.concatenate(([self._end_is_bad], off[begins]))
        bad: Bools = at_end & jumped[np.cumsum(begins)]
        self._at_end, self._end_is_bad = bool(at_end[-1]), bool(bad[-1])
        return bad

    def _runs(self, these: _Samples) -> list[Glitch]:
        """Join bad samples in a row, with the run that the last chunk left open."""
        found, bad = [], these.bad
        edges = np.diff(np.concatenate(([False], bad, [False])).astype(np.int8))
        if self._run is not None and not bad[0]:
            found += self._ended(self._run, int(these.time_ns[0]), float(these.value[0]))
            self._run = None
        for start, stop in zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True):
            self._run = self._grown(these, slice(start, stop))
            if stop < len(bad):
                found += self._ended(self._run, int(these.time_ns[stop]), float(these.value[stop]))
                self._run = None
        self._sound = self._sound or not bad.all()
        return found

    def _grown(self, these: _Samples, part: slice) -> _Run:
        """Take further bad samples into the open run, or open one."""
        first, run = part.start, self._run
        if run is None:
            run = _Run(
                start_ns=int(these.time_ns[first]),
                last_ns=0,
                base=float(these.base[first]),
                band=float(these.band[first]),
                peak=math.nan,
                rail=False,
                end=False,
                counted=self._sound or first > 0,
            )
        peaks = np.concatenate(([run.peak], these.value[part]))
        away = np.abs(peaks - (run.base if math.isfinite(run.base) else 0.0))
        return replace(
            run,
            last_ns=int(these.time_ns[part.stop - 1]),
            peak=float(peaks[int(np.argmax(np.where(np.isfinite(away), away, -1.0)))]),
            rail=run.rail or bool(these.railed[part].any()),
            end=run.end or bool(these.ended[part].any()),
        )

    def _ended(self, run: _Run, time_ns: int, value: float) -> list[Glitch]:
        """Judge a run that a sound sample has ended."""
        back = abs(value - run.base) <= run.band
        brief = run.last_ns - run.start_ns < self.watched.spike_s * 1e9
        kind: GlitchKind = "rail" if run.rail or run.end else "spike"
        counts = run.counted if run.rail else back and (run.end or brief)
        return [Glitch(self.watched.channel, kind, run.start_ns, time_ns - run.start_ns, run.peak)] if counts else []


class _Gaps:
    """Silences of a channel that are longer than its period explains."""

    def __init__(self, watched: Watched) -> None:
        self._watched = watched
        self._limit_ns: float | None = None
        self._times: Int64s = np.zeros(0, dtype=np.int64)

    def restart(self) -> None:
        """Forget the samples, not the period."""
        self._times = self._times[:0]

    def add(self, time_ns: Int64s) -> list[Glitch]:
        """Take further samples; return the gaps that ended with them."""
        if not self._watched.by_clock:
            return []
        self._times = np.concatenate((self._times, time_ns))
        steps = np.diff(self._times)
        if self._limit_ns is None:
            self._learn(steps)
        if self._limit_ns is None:
            return []
        late = np.flatnonzero(steps > self._limit_ns).tolist()
        found = [self._gap(int(self._times[row]), int(steps[row])) for row in late]
        self._times = self._times[-1:]
        return found

    def silent(self, now_ns: int) -> Glitch | None:
        """Return the gap that lasts, if there is one."""
        if self._limit_ns is None or not len(self._times):
            return None
        silence = now_ns - int(self._times[-1])
        return self._gap(int(self._times[-1]), silence) if silence > self._limit_ns else None

    def _learn(self, steps: Int64s) -> None:
        """Learn the period of the first spacings; a nominal one is only believed if they are about that."""
        first = steps[steps > 0][:_LEARN]
        if len(first) < _LEARN:
            return
        period, nominal = float(np.median(first)), (self._watched.period_s or 0.0) * 1e9
        if believable(nominal, period):
            period = nominal
        self._limit_ns = max(self._watched.gap_periods * period, self._watched.gap_s * 1e9)

    def _gap(self, time_ns: int, duration_ns: int) -> Glitch:
        return Glitch(self._watched.channel, "gap", time_ns, duration_ns, float("nan"))
