"""What has come of one channel so far: extremes, counts, a trace, and the samples that may still change."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from buswright.channels.following.messages import Buffer
from buswright.channels.following.trace import Bins
from buswright.channels.samples.series import Bools, Series

_ONE_SEGMENT = np.zeros(1, dtype=np.int64)


class Stretch:
    """Settled samples of the recent seconds: time, value, quality."""

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

    def drop_before(self, time_ns: int) -> None:
        """Let go of samples older than that."""
        count = int(np.searchsorted(self.time_ns.since(0), time_ns))
        for column in (self.time_ns, self.value, self.quality):
            column.drop(count)

    def series(self, latest: Series, tail: Series | None, since_ns: int | None = None) -> Series:
        """Return the samples, from a time on, and those that may still change, as one segment.

        Parameters
        ----------
        latest
            The channel in the latest window: its name, unit, kind and period.
        tail
            Samples that may still change, if there are any.
        since_ns
            None: from the first kept one.
        """
        first = 0 if since_ns is None else int(np.searchsorted(self.time_ns.since(0), since_ns))
        time_ns, value, quality = self.time_ns.since(first), self.value.since(first), self.quality.since(first)
        if tail is not None and len(tail):
            time_ns, value = np.concatenate((time_ns, tail.time_ns)), np.concatenate((value, tail.value))
            end = np.zeros(len(tail), np.uint16) if tail.quality is None else tail.quality
            quality = np.concatenate((quality, end))
        # As measured where nobody says; only a state may have none: it then holds without end.
        measured_s = latest.step_s() if latest.kind == "continuous" and not latest.period_s else 0.0
        return Series(
            latest.name,
            latest.unit,
            time_ns,
            value,
            quality=quality,
            period_s=measured_s if measured_s > 0 else latest.period_s,
            kind=latest.kind,
            segments=_ONE_SEGMENT,
            effective_hz=latest.effective_hz,
        )


@dataclass(slots=True)
class Extremes:
    """Usable extremes and counts; a fold, so the cutting doesn't matter."""

    minimum: float = math.nan
    maximum: float = math.nan
    samples: int = 0
    bad: int = 0

    def add(self, series: Series, usable: Bools) -> None:
        """Count samples."""
        self.samples += len(series)
        good = series.value[usable]
        self.bad += len(series) - len(good)
        if len(good):
            self.minimum = float(np.fmin(self.minimum, good.min()))
            self.maximum = float(np.fmax(self.maximum, good.max()))


class Account:
    """One channel, taken in window by window.

    Windows overlap. Where a channel looks at others, the samples of a window's later part (the tail) may still
    change, since filters and alignment look ahead; they are counted for good once the next window's trusted part
    begins behind them.

    Parameters
    ----------
    keeps
        Whether the settled samples of the recent stretch are kept: for limits, and where they can't be had again.

    Attributes
    ----------
    tail
        Samples of the latest segment that may still change; None where none can.
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

    def take_final(self, series: Series, first: int) -> None:
        """Take a window in whose samples can't change any more.

        `series`: the channel in the window; `first`: row of the first sample that is new.
        """
        self.error = ""
        starts = series.segments.tolist() if len(series.segments) > 1 else []
        # Times only compare within a segment; those between the first and the last are done in one go.
        self._settle(_rows(series, first, starts[1] if starts else len(series)))
        for start, stop in ((starts[1], starts[-1]), (starts[-1], len(series))) if starts else ():
            self._begin()
            self._settle(_rows(series, max(first, start), stop))
        self._look_at(series)

    def take(self, series: Series, trusted_ns: int | None) -> None:
        """Take a window in whose later samples may still change.

        Parameters
        ----------
        series
            The channel in the window.
        trusted_ns
            From here on the window's first segment does not depend on where it was cut; None: it is a whole one.
        """
        self.error = ""
        starts = series.segments.tolist() if len(series.segments) > 1 else []
        first = 0
        if trusted_ns is not None:
            # What came later than anyone waits for counts too, e.g. of a bus that is read late.
            since = trusted_ns if self._end_ns is None else min(trusted_ns, self._end_ns + 1)
            first = int(np.searchsorted(series.time_ns[: starts[1] if starts else len(series)], since))
            if self.tail is not None:
                self._settle(_rows(self.tail, 0, int(np.searchsorted(self.tail.time_ns, trusted_ns))))
        if starts:
            self._settle(_rows(series, first, starts[1]))
            self._begin()
            self._settle(_rows(series, starts[1], starts[-1]))
            self._begin()
            first = starts[-1]
        self.tail = _rows(series, first, len(series))
        if len(self.tail):
            self._end_ns = int(self.tail.time_ns[-1])
        self._look_at(series)

    def end_segment(self) -> None:
        """Count the tail for good: a new segment of the capture has begun."""
        if self.tail is not None:
            self._settle(self.tail)
            self.tail = None
        self.stale = True
        self._begin()

    def _look_at(self, series: Series) -> None:
        """Keep the latest segment that has samples."""
        if len(series.segments) <= 1:
            if len(series):
                self.series, self.stale = series, False
            return
        there = np.flatnonzero(np.diff(series.segments, append=len(series)) > 0)
        if len(there):
            self.series = series.segment(int(there[-1]))
            self.stale = int(there[-1]) < len(series.segments) - 1

    def counted(self) -> Extremes:
        """Return extremes and counts with the tail."""
        if self.tail is None or not len(self.tail):
            return self.extremes
        together = replace(self.extremes)
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
        usable = series.valid
        if self._reset_ns is None:
            self.extremes.add(series, usable)
        else:
            self._count(self.extremes, series)
        self.bins.add(series.time_ns, series.value, usable)
        if self.stretch is not None:
            self.stretch.add(series)

    def _count(self, extremes: Extremes, series: Series) -> None:
        if self._reset_ns is not None:
            series = _rows(series, int(np.searchsorted(series.time_ns, self._reset_ns, side="right")), len(series))
        extremes.add(series, series.valid)


def _rows(series: Series, first: int, stop: int) -> Series:
    """View some rows as one segment."""
    if first == 0 and stop == len(series) and len(series.segments) == 1:
        return series
    return series.rows(slice(first, max(first, stop)))


def no_samples(name: str) -> Series:
    """Return a channel without samples."""
    return Series(name, "", np.zeros(0, dtype=np.int64), np.zeros(0))
