"""The functions of formulas that look at more than one sample: series in, series on the same time base out.

None of them looks across a gap or a segment, and none makes quality better than that of the samples it rests on.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from buswright.channels.formula.past import last_before
from buswright.channels.samples.filters import low_pass as low_pass_column
from buswright.channels.samples.filters import slope
from buswright.channels.samples.resample import align
from buswright.channels.samples.runs import RegularGrid, regular_grid, run_starts, segment_of_rows
from buswright.channels.samples.series import BAD, Floats, Int64s, Quality, Series, UInt16s

SLOPE_REACH = 2
"""Samples on either side that a rate of change rests on."""


def rate_of_change(series: Series) -> Series:
    """Change per second: Savitzky-Golay, second order over five points, on the nominal time grid; float64[n].

    The grid is the sender's own period, not the times of arrival: 1 ms of jitter at 200 Hz would be 20 % of error.
    Lost frames within a run are bridged by a straight line. It needs two samples in a run, and one alone is NaN.
    """
    grid = regular_grid(series)
    column = slope(grid.spread(series.value[grid.rows]), grid.starts) / grid.step_s
    return replace(
        series,
        value=grid.gather(column, len(series)),
        quality=_quality_around(series, grid, SLOPE_REACH),
        kind="continuous",
    )


def low_pass(series: Series, hz: float) -> Series:
    """Take out what is faster than `hz` (where half of the amplitude is left), without delay; float64[n].

    A symmetric windowed sinc, 70 dB down from 1.25 hz on. At half the sample rate and above nothing is taken out.
    """
    grid = regular_grid(series)
    cutoff = hz * grid.step_s
    if not cutoff < 0.5:
        return replace(series, kind="continuous")
    column = low_pass_column(grid.spread(series.value[grid.rows]), grid.starts, cutoff)
    return replace(
        series,
        value=grid.gather(column, len(series)),
        quality=_quality_around(series, grid, int(np.ceil(0.5 / cutoff))),
        kind="continuous",
        effective_hz=min(2 * hz, effective_hz(series)),
    )


def accumulate(series: Series, before: Series | None = None, trusted_ns: int | None = None) -> Series:
    """Integral over time by trapezoids, in unit times second; float64[n].

    It starts at zero, adds nothing for the time of a gap, and starts again with a new segment. What it rests on
    stays with it: after a gap every later value carries AFTER_GAP, after a bridged unusable sample INTERPOLATED,
    and so do doubts about the samples summed up.

    Parameters
    ----------
    before
        The usable samples of the integral over earlier stretches of the first segment: it goes on from there.
    trusted_ns
        Up to here the earlier stretch is final, and from here on this one is.
    """
    rows = np.flatnonzero(series.valid)
    segment = segment_of_rows(series)[rows]
    time_ns, value = series.time_ns[rows], series.value[rows]
    total = np.full(len(series), np.nan)
    if not len(rows):
        return replace(series, value=total, kind="continuous")
    starts = run_starts(time_ns, segment, series.step_s())
    added = np.zeros(len(rows))
    added[1:] = 0.5 * (value[1:] + value[:-1]) * (np.diff(time_ns) * 1e-9)
    added[starts] = 0.0
    first = np.flatnonzero(np.diff(segment, prepend=-1))
    known = _known(before, time_ns[: int(np.count_nonzero(segment == 0))], trusted_ns)
    if known is not None:
        added[: len(known.value)] = 0.0
        added[len(known.value) - 1] = known.value[-1]
    stretches = list(pairwise([*first.tolist(), len(rows)]))
    running = np.concatenate([np.cumsum(added[start:stop]) for start, stop in stretches])
    if known is not None:
        running[: len(known.value)] = known.value
    total[rows] = running
    doubts = np.zeros(len(rows), np.uint16) if series.quality is None else series.quality[rows] & ~np.uint16(BAD)
    doubts[1:] |= np.where(np.diff(rows) > 1, np.uint16(Quality.INTERPOLATED), np.uint16(0))
    doubts[starts] = doubts[starts] & ~np.uint16(Quality.INTERPOLATED) | np.uint16(Quality.AFTER_GAP)
    doubts[first] &= ~np.uint16(Quality.AFTER_GAP)
    if known is not None:
        doubts[: len(known.doubts)] = known.doubts
    for start, stop in stretches:
        doubts[start:stop] = np.bitwise_or.accumulate(doubts[start:stop])
    quality = np.zeros(len(series), np.uint16) if series.quality is None else series.quality.copy()
    quality[rows] |= doubts
    return replace(series, value=total, quality=_or_none(quality), kind="continuous")


class _Known(NamedTuple):
    """What an integral and its doubts were at the first samples of a stretch; float64[k], uint16[k], k > 0."""

    value: Floats
    doubts: UInt16s


def _known(before: Series | None, time_ns: Int64s, trusted_ns: int | None) -> _Known | None:
    """Look the first samples of a stretch up in the integral over an earlier one; None if there was none.

    Where the two have no sample in common, the stretch goes on from the last one before it, after a gap.
    """
    if before is None or not len(time_ns) or not len(before):
        return None
    quality = np.zeros(len(before), np.uint16) if before.quality is None else before.quality & ~np.uint16(BAD)
    early = time_ns if trusted_ns is None else time_ns[: np.searchsorted(time_ns, trusted_ns)]
    rows = np.maximum(np.searchsorted(before.time_ns, early, side="right") - 1, 0)
    same = np.flatnonzero(before.time_ns[rows] == early)
    if not len(same):
        last = last_before(before, int(time_ns[0]))
        if last is None:
            return None
        return _Known(before.value[[last]], quality[[last]] | np.uint16(Quality.AFTER_GAP))
    rows = rows[: same[-1] + 1]
    return _Known(before.value[rows], quality[rows])


def lagged(series: Series, seconds: float) -> Series:
    """Return the series as it was `seconds` before (as it will be, if negative), at its own times.

    Values between samples are interpolated (states held); before the first sample there is none.
    """
    moved = replace(series, time_ns=series.time_ns + round(seconds * 1e9))
    value, quality = align(moved, series.time_ns, series.segments)
    return replace(series, value=value, quality=quality)


def usable_so_far(series: Series, before: Series | None) -> Series:
    """Return the usable samples of the latest segment, after those of an earlier stretch of it that it lacks."""
    last = series.segment(len(series.segments) - 1) if len(series.segments) else series
    last = last.take(last.valid)
    if before is None or not len(before) or len(series.segments) > 1:
        return last
    older = before.take(before.time_ns < series.time_ns[0]) if len(series) else before
    if not len(older):
        return last
    older = older.take(np.array([len(older) - 1]))
    quality = None
    if older.quality is not None or last.quality is not None:
        quality = np.concatenate(
            [np.zeros(len(each), np.uint16) if each.quality is None else each.quality for each in (older, last)]
        )
    return Series(
        last.name,
        last.unit,
        np.concatenate((older.time_ns, last.time_ns)),
        np.concatenate((older.value, last.value)),
        quality=quality,
        kind=last.kind,
        segments=np.zeros(1, dtype=np.int64),
    )


def keep_last(series: Series, before: Series | None = None) -> Series:
    """Fill in the last usable value of the segment where there is none.

    A filled sample is INTERPOLATED and keeps what was objected to: a broken wire stays a broken wire.

    `before`: usable samples of the first segment from before the series begins.
    """
    valid = series.valid
    last = np.maximum.accumulate(np.where(valid, np.arange(len(series)), -1))
    segment = segment_of_rows(series)
    filled = ~valid & (last >= 0)
    filled[filled] = segment[last[filled]] == segment[filled]
    led = (last < 0) & (segment == 0)
    old = None if before is None or not led.any() else last_before(before, int(series.time_ns[0]))
    if not filled.any() and old is None:
        return series
    value = series.value.copy()
    value[filled] = value[last[filled]]
    quality = np.zeros(len(series), np.uint16) if series.quality is None else series.quality.copy()
    quality[filled] |= quality[last[filled]] | np.uint16(Quality.INTERPOLATED)
    if before is not None and old is not None:
        value[led] = before.value[old]
        quality[led] |= np.uint16(Quality.INTERPOLATED)
        if before.quality is not None:
            quality[led] |= before.quality[old]
    return replace(series, value=value, quality=quality)


def effective_hz(series: Series) -> float:
    """Return the rate of new information; infinite where nothing is known of it."""
    if series.effective_hz is not None:
        return series.effective_hz
    step = series.step_s()
    return 1.0 / step if step > 0 else float("inf")


def _quality_around(series: Series, grid: RegularGrid, reach: int) -> UInt16s | None:
    if series.quality is None and grid.size == len(grid.rows):
        return None
    quality = np.zeros(len(series), np.uint16) if series.quality is None else series.quality
    return _or_none(grid.around(quality, reach))


def _or_none(quality: UInt16s) -> UInt16s | None:
    return quality if quality.any() else None


def no_value(value: Floats) -> Floats:
    """Turn infinities (a division by zero, an overflow) into NaN; the same array if there are none."""
    infinite = np.isinf(value)
    return np.where(infinite, np.nan, value) if infinite.any() else value
