"""A series on another time grid: interpolated or held, low-passed before its rate is lowered, honest about gaps."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.filters import half_width, low_pass_at
from buswright.channels.samples.runs import longest_step_ns, run_starts, window_or
from buswright.channels.samples.series import (
    Bools,
    Floats,
    Int64s,
    Quality,
    Series,
    UInt16s,
    measured_period_s,
    unusable,
)

CUTOFF = 0.4
"""Cut-off of the low-pass before decimating, of the new rate. It has 70 dB from half the new rate on."""

_OVERSAMPLING = 4
"""Points of the fine grid per sample of the input. Straight lines between samples leave images of a tone around
multiples of the input rate; on this grid the low-pass removes those that would fold into what is kept."""
_OVERSAMPLING_WHOLE = 2
"""The same where the new rate divides the old one: images then fold onto the tone itself."""
_CHUNK = 1 << 16
"""Points of the fine grid worked on at once, unless the kernel is long: bounds the memory, and keeps to the cache."""
_TOGETHER = 8
"""Channels worked on at once, where they share their times."""
_TOGETHER_SAMPLES = 1 << 22
"""Samples of them all: 32 MB."""
_SAME_NS = 1_000
"""A grid point this near to a sample is that sample and not interpolated: captures count in microseconds."""

_SAME_POINT = 1e-6
"""Of a step of the fine grid: what lies nearer is the same point, whichever way its floats were rounded."""

_INTERPOLATED = np.uint16(Quality.INTERPOLATED)
_AFTER_GAP = np.uint16(Quality.AFTER_GAP)


class Resampled(NamedTuple):
    """Values float64[k], NaN where there is none, and quality uint16[k] (None: nothing to object to)."""

    value: Floats
    quality: UInt16s | None


class _Bracket(NamedTuple):
    """For each grid point the samples on either side of it, intp[k], and whether no data spans it, bool[k]."""

    before: npt.NDArray[np.intp]
    after: npt.NDArray[np.intp]
    silent: Bools


def grid(start_ns: int, stop_ns: int, rate_hz: float) -> Int64s:
    """Return times from start to stop, both included where they fall on the grid; int64[k], nanoseconds.

    Points are counted from `start_ns` rather than added up, so a rate of 30 Hz doesn't drift.
    """
    count = int(np.floor((stop_ns - start_ns) * 1e-9 * rate_hz + 1e-6)) + 1 if stop_ns >= start_ns else 0
    since_start: Int64s = np.rint(np.arange(count) * (1e9 / rate_hz)).astype(np.int64)
    return since_start + start_ns


def resample(series: Series, grid_ns: Int64s) -> Resampled:
    """Values of a series at the times of a grid.

    Continuous channels are interpolated linearly, after a zero-phase low-pass at 0.4 of the new rate where the new
    rate is lower than theirs; no value is beyond the usable samples within 1.25 steps of the grid (its main lobe), so
    that steps don't overshoot. States hold their value: for one period into a gap, without end if they are sent
    only on change (no period). Nothing crosses a gap of more than three periods or a segment; grid points there,
    and before and after the data, are NaN with AFTER_GAP. A grid point takes the objections to every sample that
    its value rests on (for the low-pass: within its main lobe), and is NaN if one of them is unusable.

    Parameters
    ----------
    series
        Any number of samples, evenly spaced or not. Where its segments overlap in time, the earlier one counts.
    grid_ns : int64[k]
        Ascending times, evenly spaced if the rate is to be lowered.
    """
    count = len(series.segments)
    if count <= 1:
        return _resample_segment(series, grid_ns)
    value = np.full(len(grid_ns), np.nan)
    quality = np.full(len(grid_ns), _AFTER_GAP)
    for number in reversed(range(count)):
        part = series.segment(number)
        if not len(part):
            continue
        covered = slice(*np.searchsorted(grid_ns, (part.time_ns[0], part.time_ns[-1] + 1)))
        part_value, part_quality = _resample_segment(part, grid_ns[covered])
        value[covered] = part_value
        quality[covered] = 0 if part_quality is None else part_quality
    return Resampled(value, quality if quality.any() else None)


def resample_each(many: Iterable[Series], grid_ns: Int64s) -> Iterator[Resampled]:
    """Yield what `resample` returns of each series; those that follow each other and share their times cost less."""
    waiting: list[Series] = []
    for series in many:
        most = min(_TOGETHER, _TOGETHER_SAMPLES // max(1, len(series)))
        if waiting and not (len(waiting) < most and _alike(waiting[0]) == _alike(series)):
            yield from _resample_alike(waiting, grid_ns)
            waiting = []
        waiting.append(series)
    yield from _resample_alike(waiting, grid_ns)


def _alike(series: Series) -> tuple[object, ...]:
    """Return what series have in common that are low-passed together; nothing is like one that has bad samples."""
    if series.kind == "state" or len(series.segments) != 1 or not series.valid.all():
        return (id(series),)
    return series.time_ns.__array_interface__["data"][0], len(series), series.period_s


def _resample_alike(many: Sequence[Series], grid_ns: Int64s) -> Sequence[Resampled]:
    if len(many) > 1 and len(grid_ns):
        step_ns = many[0].step_s() * 1e9
        new_step_ns = _lowered(many[0], grid_ns, step_ns)
        if new_step_ns is not None:
            with np.errstate(over="ignore", invalid="ignore"):
                return _decimate(many, grid_ns, new_step_ns, step_ns)
    return [resample(series, grid_ns) for series in many]


def align(series: Series, time_ns: Int64s, segments: Int64s) -> Resampled:
    """Values of a series at the times of another one, segment by segment.

    Segments pair by number when both have as many (channels of one session do); otherwise each takes the segment
    that overlaps it most.
    """
    if series.time_ns is time_ns:
        return Resampled(series.usable_value, series.quality)
    bounds = np.append(segments, len(time_ns))
    values: list[Floats] = []
    qualities: list[UInt16s] = []
    for number, (start, stop) in enumerate(pairwise(bounds)):
        part = time_ns[start:stop]
        if len(part):
            value, quality = _resample_segment(partner(series, number, len(segments), part), part)
            values.append(value)
            qualities.append(np.zeros(len(part), np.uint16) if quality is None else quality)
    joined = np.concatenate([np.zeros(0, np.uint16), *qualities])
    return Resampled(np.concatenate([np.zeros(0), *values]), joined if joined.any() else None)


def partner(series: Series, number: int, count: int, time_ns: Int64s) -> Series:
    """Return the segment of a series that belongs to segment `number` of `count` of another, with its times."""
    if len(series.segments) == count:
        return series.segment(number)
    parts = [part for each in range(len(series.segments)) if len(part := series.segment(each))]
    if not parts or not len(time_ns):
        return series.take(np.zeros(0, dtype=np.intp))
    return max(parts, key=lambda part: int(min(part.time_ns[-1], time_ns[-1])) - int(max(part.time_ns[0], time_ns[0])))


def _resample_segment(series: Series, grid_ns: Int64s) -> Resampled:
    """Resample where time never decreases."""
    if not len(series) or not len(grid_ns):
        return Resampled(np.full(len(grid_ns), np.nan), np.full(len(grid_ns), _AFTER_GAP) if len(grid_ns) else None)
    if np.array_equal(series.time_ns, grid_ns):
        return Resampled(series.usable_value, series.quality)
    step_ns = series.step_s() * 1e9
    if series.kind == "state":
        return _hold(series, grid_ns, step_ns if series.period_s else np.inf)
    with np.errstate(over="ignore", invalid="ignore"):  # values near the end of float64 are no reason to warn
        return _continuous(series, grid_ns, step_ns)


def _continuous(series: Series, grid_ns: Int64s, step_ns: float) -> Resampled:
    """Interpolate, after a low-pass where the rate is lowered."""
    new_step_ns = _lowered(series, grid_ns, step_ns)
    if new_step_ns is not None:
        return _decimate([series], grid_ns, new_step_ns, step_ns)[0]
    return _interpolate(series, grid_ns, step_ns)


def _lowered(series: Series, grid_ns: Int64s, step_ns: float) -> float | None:
    """Return the step of the grid, in nanoseconds, where it is a lower rate than the series'."""
    if np.array_equal(series.time_ns, grid_ns):
        return None
    new_step_ns = float(np.median(np.diff(grid_ns))) if len(grid_ns) > 1 else 0.0
    # Judged by what was measured too, so a sender slower than its nominal rate isn't filtered onto its own times.
    lower = new_step_ns > 1.01 * step_ns
    return new_step_ns if lower and (not series.period_s or new_step_ns > 1.01e9 * measured_period_s(series)) else None


def _bracket(time_ns: Int64s, grid_ns: Int64s, step_ns: float) -> _Bracket:
    """Find the samples around each grid point; one at that very time, to a microsecond, is both."""
    before = np.maximum(np.searchsorted(time_ns, grid_ns + _SAME_NS, side="right") - 1, 0)
    same = grid_ns - time_ns[before] <= _SAME_NS
    after = np.where(same, before, np.minimum(before + 1, len(time_ns) - 1))
    outside = (grid_ns < time_ns[0] - _SAME_NS) | (grid_ns > time_ns[-1] + _SAME_NS)
    silent = outside | ((time_ns[after] - time_ns[before]) > longest_step_ns(step_ns * 1e-9))
    return _Bracket(before, after, silent)


def _finish(value: Floats, quality: UInt16s) -> Resampled:
    return Resampled(value, quality if quality.any() else None)


def _interpolate(series: Series, grid_ns: Int64s, step_ns: float) -> Resampled:
    """Straight lines between neighbours."""
    time_ns, usable = series.time_ns, series.usable_value
    before, after, silent = _bracket(time_ns, grid_ns, step_ns)
    span = time_ns[after] - time_ns[before]
    since = grid_ns - time_ns[before]
    fraction = np.divide(since, span, out=np.zeros(len(since)), where=(before != after))
    value = usable[before] + fraction * (usable[after] - usable[before])
    value[silent] = np.nan
    quality = np.where(before != after, _INTERPOLATED, np.uint16(0))
    if series.quality is not None:
        quality |= series.quality[before] | series.quality[after]
    quality[silent] = _AFTER_GAP
    return _finish(value, quality)


def _hold(series: Series, grid_ns: Int64s, step_ns: float) -> Resampled:
    """Take the last sample at or before each grid point; within a gap and after the end for one period only."""
    before = np.searchsorted(series.time_ns, grid_ns + _SAME_NS, side="right") - 1
    none = before < 0
    before = np.maximum(before, 0)
    until = np.append(series.time_ns[1:], np.iinfo(np.int64).max)[before]
    age = grid_ns - series.time_ns[before]
    silent = none | ((until - series.time_ns[before] > longest_step_ns(step_ns * 1e-9)) & (age > step_ns))
    value = np.where(silent, np.nan, series.usable_value[before])
    quality = np.zeros(len(grid_ns), np.uint16) if series.quality is None else series.quality[before]
    quality[silent] = _AFTER_GAP
    return _finish(value, quality)


def _decimate(many: Sequence[Series], grid_ns: Int64s, new_step_ns: float, step_ns: float) -> list[Resampled]:
    """Low-pass, then take what is left at the grid points; several series have the same times and no bad sample."""
    series = many[0]
    values = _low_passed(many, grid_ns, new_step_ns, step_ns)
    before, after, silent = _bracket(series.time_ns, grid_ns, step_ns)
    wide = series.time_ns[after] - series.time_ns[before] > 1.5 * step_ns
    reach = round(new_step_ns / (2 * CUTOFF))
    first = np.minimum(np.searchsorted(series.time_ns, grid_ns - reach), before)
    stop = np.maximum(np.searchsorted(series.time_ns, grid_ns + reach, side="right"), after + 1)
    windows = np.column_stack((first, stop)).ravel()
    found = []
    for each, low_passed in zip(many, values, strict=True):
        quality = np.where(wide, _INTERPOLATED, np.uint16(0))
        if each.quality is not None:
            quality |= window_or(each.quality, first, stop)
        # A steep low-pass overshoots at a step by 9 %: a throttle beyond 100 %. The samples around say what can be.
        samples = np.append(each.usable_value, np.nan)  # the end may be a bound
        low, high = (bound.reduceat(samples, windows)[::2] for bound in (np.fmin, np.fmax))
        value = np.clip(low_passed, low, high)
        quality[silent] = _AFTER_GAP
        value[silent | unusable(quality)] = np.nan
        found.append(_finish(value, quality))
    return found


def _low_passed(many: Sequence[Series], grid_ns: Int64s, new_step_ns: float, step_ns: float) -> Floats:
    """Low-pass the runs of usable samples and read them at the grid points; float64[m, k].

    The runs are laid on a fine, even grid that the wanted points are part of, and filtered there. The work goes by
    chunks of wanted points, with a margin on either side that is wider than the kernel.
    """
    valid = many[0].valid
    usable = np.flatnonzero(valid)
    time_ns, values = many[0].time_ns[usable], np.stack([series.value[usable] for series in many])
    # An unusable sample ends a run as a gap does, or its neighbours would speak for it.
    starts = run_starts(time_ns, np.cumsum(~valid, dtype=np.int64)[usable], step_ns * 1e-9)
    ratio = new_step_ns / step_ns
    parts = int(np.ceil(ratio * (_OVERSAMPLING_WHOLE if abs(ratio - round(ratio)) < 0.02 else _OVERSAMPLING)))
    fine_ns = new_step_ns / parts
    cutoff = CUTOFF / parts
    margin = 2 * (half_width(cutoff) + 2)
    value = np.full((len(many), len(grid_ns)), np.nan)
    # Chunks of time, not of points: a grid may leave out a night between two runs.
    chunk = (grid_ns - grid_ns[0]) // max(1, round(max(_CHUNK, 8 * margin) * fine_ns))
    bounds = [0, *(np.flatnonzero(np.diff(chunk)) + 1).tolist(), len(grid_ns)]
    for start, stop in pairwise(bounds):
        part = slice(start, stop)
        origin = int(grid_ns[start])
        wanted = (grid_ns[part] - origin) / fine_ns
        fine = np.arange(-margin, int(np.ceil(wanted[-1])) + margin + 1, dtype=np.float64) * np.float64(fine_ns)
        value[:, part] = _low_passed_at(_laid_out(time_ns, values, starts, origin, fine), cutoff, wanted + margin)
    return value


class _LaidOut(NamedTuple):
    """Values on a fine grid, float64[m, n], and the rows where its runs start and how long they are, int64[r]."""

    columns: Floats
    starts: Int64s
    lengths: Int64s


def _laid_out(time_ns: Int64s, values: Floats, starts: Int64s, origin: int, fine: Floats) -> _LaidOut:
    """Interpolate onto a fine grid (nanoseconds from `origin`) within runs."""
    low = max(0, int(np.searchsorted(time_ns, origin + int(fine[0]))) - 1)
    high = int(np.searchsorted(time_ns, origin + int(fine[-1]), side="right")) + 1
    since = (time_ns[low:high] - origin).astype(np.float64)
    if not len(since):
        return _LaidOut(np.full((len(values), len(fine)), np.nan), starts[:0], starts[:0])
    # The fine grid is looked through for the samples, and not the samples for each of its many points.
    points = np.diff(np.searchsorted(fine, since), prepend=0, append=len(fine))
    before = np.maximum(np.repeat(np.arange(-1, len(since)), points), 0)
    after = np.minimum(before + 1, len(since) - 1)
    span = since[after] - since[before]
    fraction = np.divide(fine - since[before], span, out=np.zeros(len(fine)), where=span > 0)
    np.clip(fraction, 0.0, 1.0, out=fraction)
    there = values[:, low:high]
    columns, further = there.take(before, axis=1), there.take(after, axis=1)
    further -= columns
    further *= fraction
    columns += further
    runs = slice(max(0, int(np.searchsorted(starts, low, side="right")) - 1), int(np.searchsorted(starts, high)))
    ends = np.append(starts[1:], len(time_ns))[runs] - 1
    step = fine[1] - fine[0]
    first, last = ((time_ns[each] - origin - fine[0]) / step for each in (starts[runs], ends))
    same = _SAME_NS / step + _SAME_POINT
    begins = np.clip(np.ceil(first - same).astype(np.int64), 0, len(fine))
    stops = np.clip(np.floor(last + same).astype(np.int64) + 1, 0, len(fine))
    some = stops > begins
    return _LaidOut(columns, begins[some], (stops - begins)[some])


def _low_passed_at(laid: _LaidOut, cutoff: float, position: Floats) -> Floats:
    """Low-pass each run, and read it at positions that may lie between two of its points; NaN outside of runs."""
    lower = np.floor(position + _SAME_POINT).astype(np.int64)
    fraction = np.maximum(position - lower, 0.0)
    value = _filtered(laid, cutoff, lower)
    between = np.flatnonzero(fraction > _SAME_POINT)
    if len(between):
        upper = _filtered(laid, cutoff, np.minimum(lower[between] + 1, laid.columns.shape[1] - 1))
        value[:, between] += fraction[between] * (upper - value[:, between])
    return value


def _filtered(laid: _LaidOut, cutoff: float, rows: Int64s) -> Floats:
    value = np.full((len(laid.columns), len(rows)), np.nan)
    if not len(laid.starts):
        return value
    run = np.searchsorted(laid.starts, rows, side="right") - 1
    inside = np.flatnonzero((run >= 0) & (rows < (laid.starts + laid.lengths)[run]))
    value[:, inside] = low_pass_at(laid.columns, laid.starts, laid.lengths, cutoff, rows[inside])
    return value
