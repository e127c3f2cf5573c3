"""What has come of one channel so far: extremes, counts, a trace, and the samples that may still change."""

from __future__ import annotations

import numpy as np

from buswright.channels.following_trace import Bins
from buswright.channels.held import Buffer
from buswright.channels.series import Bools, Series


class Stretch:
    """Settled samples of the held seconds: time, value, quality."""

    __slots__ = ("quality", "time_ns", "value")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Let go of everything."""
        self.time_ns, self.value, self.quality = Buffer(np.int64), Buffer(np.float64), Buffer(np.uint16)

    def add(self, series: Series) -> None:
        """Append samples."""
        self.time_ns.add(series.time_ns)
        self.value.add(series.value)
        self.quality.add(np.zeros(len(series), np.uint16) if series.quality is None else series.quality)

    def drop(self, count: int) -> None:
        """Let go of the first samples."""
        for column in (self.time_ns, self.value, self.quality):
            column.drop(count)

    def drop_before(self, time_ns: int) -> None:
        """Let go of samples older than that."""
        self.drop(int(np.searchsorted(self.time_ns.since(0), time_ns)))

    def series(self, tail: Series, since_ns: int | None = None) -> Series:
        """Return the samples, from a time on, and those that may still change, as one segment."""
        first = 0 if since_ns is None else int(np.searchsorted(self.time_ns.since(0), since_ns))
        quality = np.zeros(len(tail), np.uint16) if tail.quality is None else tail.quality
        step = tail.step_s()
        return Series(
            tail.name,
            tail.unit,
            np.concatenate((self.time_ns.since(first), tail.time_ns)),
            np.concatenate((self.value.since(first), tail.value)),
            quality=np.concatenate((self.quality.since(first), quality)),
            # As measured where nobody says; only a state may have none: it then holds without end.
            period_s=step if tail.kind == "continuous" and step > 0 else tail.period_s,
            kind=tail.kind,
            segments=np.zeros(1, dtype=np.int64),
            effective_hz=tail.effective_hz,
        )


class Extremes:
    """Usable extremes and counts; a fold, so the cutting doesn't matter."""

    __slots__ = ("bad", "maximum", "minimum", "samples")

    def __init__(self) -> None:
        self.minimum = self.maximum = float("nan")
        self.samples = self.bad = 0

    def add(self, series: Series, usable: Bools) -> None:
        """Count samples."""
        self.samples += len(series)
        good = series.value[usable]
        self.bad += len(series) - len(good)
        if len(good):
            self.minimum = float(np.fmin(self.minimum, good.min()))
            self.maximum = float(np.fmax(self.maximum, good.max()))

    def copy(self) -> Extremes:
        """Return one to go on with while this one stays."""
        other = Extremes()
        other.minimum, other.maximum = self.minimum, self.maximum
        other.samples, other.bad = self.samples, self.bad
        return other


class Account:
    """One channel, taken in window by window.

    Windows overlap. The samples of a window's later part (the tail) may still change, since filters and alignment
    look ahead; they are counted for good once the next window's trusted part begins behind them.

    Parameters
    ----------
    keeps
        Whether the settled samples of the held stretch are kept: for limits, and where they can't be had again.

    Attributes
    ----------
    tail
        Samples of the latest segment that may still change, with raw and volts; None before there were any.
    series
        The latest segment's samples of the latest window.
    stale
        The latest samples are of an earlier segment.
    error
        Why the channel could not be computed; "" if it could.
    """

    __slots__ = ("_end_ns", "_reset_ns", "bins", "error", "extremes", "series", "stale", "stretch", "tail")

    def __init__(self, *, keeps: bool) -> None:
        self.extremes = Extremes()
        self.bins = Bins()
        self.stretch = Stretch() if keeps else None
        self.tail: Series | None = None
        self.series: Series | None = None
        self.error = ""
        self.stale = False
        self._reset_ns: int | None = None
        self._end_ns: int | None = None

    def take(self, series: Series, trusted_ns: int | None) -> None:
        """Take a window in.

        Parameters
        ----------
        series
            The channel in the window.
        trusted_ns
            From here on the window's first segment does not depend on where it was cut; None: it is a whole one.
        """
        self.error = ""
        last = int(series.segments[-1]) if len(series.segments) else 0
        fresh = np.ones(len(series), dtype=np.bool_)
        if trusted_ns is not None and len(series):
            head = slice(0, int(series.segments[1]) if len(series.segments) > 1 else len(series))
            fresh[head] = series.time_ns[head] >= trusted_ns
            if self._end_ns is not None:  # what came later than anyone waits for, e.g. of a bus read late
                fresh[head] |= series.time_ns[head] > self._end_ns
            if self.tail is not None:
                self._settle(self.tail.take(self.tail.time_ns < trusted_ns))
        if len(series.segments) > 1:
            second = int(series.segments[1])
            self._settle(series.take(np.flatnonzero(fresh[:second])))
            self._begin()
            if last > second:
                self._settle(series.take(np.arange(second, last)))
                self._begin()
        rows = last + np.flatnonzero(fresh[last:])
        self._look_at(series)
        if len(rows) or self.tail is not None:
            tail = series.take(rows)
            self.tail = Series(**{name: getattr(tail, name) for name in _KEPT}, segments=np.zeros(1, dtype=np.int64))
        if len(rows):
            self._end_ns = int(series.time_ns[rows].max())

    def end_segment(self) -> None:
        """Count the tail for good: a new segment of the capture has begun."""
        if self.tail is not None:
            self._settle(self.tail)
            self.tail = self.tail.take(np.zeros(0, dtype=np.intp))
        self.stale = True
        self._begin()

    def _look_at(self, series: Series) -> None:
        """Keep the latest segment that has samples."""
        bounds = np.append(series.segments, len(series))
        there = np.flatnonzero(np.diff(bounds) > 0)
        if len(there):
            self.series = series.segment(int(there[-1]))
            self.stale = int(there[-1]) < len(series.segments) - 1

    def counted(self) -> Extremes:
        """Return extremes and counts with the tail."""
        if self.tail is None or not len(self.tail):
            return self.extremes
        together = self.extremes.copy()
        self._count(together, self.tail)
        return together

    def trace(self) -> Bins:
        """Return the seconds with the tail."""
        if self.tail is None or not len(self.tail):
            return self.bins
        together = self.bins.copy()
        together.add(self.tail.time_ns, self.tail.value, self.tail.valid)
        return together

    def reset(self) -> None:
        """Begin extremes and counts anew, with the next sample."""
        self.extremes = Extremes()
        self._reset_ns = self._end_ns

    def _begin(self) -> None:
        """Begin a segment: times start over."""
        self._end_ns = self._reset_ns = None
        self.bins = Bins()
        if self.stretch is not None:
            self.stretch.clear()

    def _settle(self, series: Series) -> None:
        if not len(series):
            return
        self._count(self.extremes, series)
        self.bins.add(series.time_ns, series.value, series.valid)
        if self.stretch is not None:
            self.stretch.add(series)

    def _count(self, extremes: Extremes, series: Series) -> None:
        if self._reset_ns is not None:
            if int(series.time_ns[-1]) <= self._reset_ns:
                return
            series = series.take(series.time_ns > self._reset_ns)
        extremes.add(series, series.valid)


_KEPT = ("name", "unit", "time_ns", "value", "raw", "volts", "quality", "period_s", "kind", "effective_hz")


def no_samples(name: str) -> Series:
    """Return a channel without samples."""
    return Series(name, "", np.zeros(0, dtype=np.int64), np.zeros(0))
