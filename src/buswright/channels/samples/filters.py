"""Filters on evenly spaced columns, run by run: low-pass and slope. Neither shifts anything in time."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from buswright.channels.samples.runs import run_lengths
from buswright.channels.samples.series import Floats, Int64s

STOP_BAND_DB = 70.0
"""Attenuation of the stop band; the pass band then ripples by as little: 0.03 %."""
TRANSITION = 0.5
"""Width of the transition, of the cut-off frequency: from 0.75 to 1.25 times the cut-off."""
SLOPE_POINTS = 5
"""Points of the slope filter, the fewest that smooth at all."""

_BLOCK = 1 << 16
_GROUP = 1 << 20
_GATHERED = 1 << 18
"""Numbers of a channel that are gathered at once to be weighed: 2 MB, which a cache takes, in half the time of 8 MB."""


def half_width(cutoff: float) -> int:
    """Taps on either side of the middle for a low-pass with this cut-off, in cycles per sample.

    Kaiser's estimate for the length of a windowed sinc: (A - 7.95) / (2.285 * transition in rad/sample).
    (J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window function", 1974; from memory.)
    """
    taps = (STOP_BAND_DB - 7.95) / (2.285 * 2 * np.pi * TRANSITION * cutoff)
    return int(np.ceil(taps / 2))


@lru_cache(maxsize=64)
def low_pass_kernel(cutoff: float, half: int) -> Floats:
    """Windowed-sinc kernel, symmetric, so it delays nothing; sum 1; float64[2 * half + 1].

    `cutoff`: where half of the amplitude is left, in cycles per sample; `half`: taps on either side of the middle.
    """
    beta = 0.1102 * (STOP_BAND_DB - 8.7)  # Kaiser's fit for more than 50 dB
    tap = np.arange(-half, half + 1)
    kernel: Floats = np.sinc(2 * cutoff * tap) * np.kaiser(2 * half + 1, beta)
    kernel /= kernel.sum()
    kernel.flags.writeable = False
    return kernel


def low_pass(column: Floats, starts: Int64s, cutoff: float) -> Floats:
    """Take out what is faster than `cutoff` from each run of a column without NaN; float64[n].

    The ends of a run are continued by point reflection, which keeps a ramp a ramp. A run shorter than the kernel is
    filtered with a shorter and so less steep one.

    Parameters
    ----------
    column : float64[n]
        Evenly spaced values.
    starts : int64[r]
        Rows where runs start; nothing passes from one run to the next.
    cutoff
        Cycles per sample; at 0.5 and beyond there is nothing to take out.
    """
    if not len(column) or cutoff >= 0.5:
        return column
    lengths = run_lengths(starts, len(column))
    full = half_width(cutoff)
    halves = np.where(lengths > full, full, 1 << np.log2(np.maximum(lengths - 1, 1)).astype(np.int64))
    filtered = column.copy()
    for half in np.unique(halves[lengths > 1]):
        kernel = low_pass_kernel(cutoff, int(half))
        runs = np.flatnonzero((halves == half) & (lengths > 1))
        # Many short runs are filtered as one column: a few large convolutions instead of many small ones.
        group = np.cumsum(lengths[runs] + 2 * half) // _GROUP
        for part in np.split(runs, np.flatnonzero(np.diff(group)) + 1):
            _filter_runs(column, filtered, starts[part], lengths[part], kernel)
    return filtered


def low_pass_at(columns: Floats, starts: Int64s, lengths: Int64s, cutoff: float, rows: Int64s) -> Floats:
    """Low-pass as `low_pass` does, but only at some rows: where the rate is lowered, most are not wanted.

    Parameters
    ----------
    columns : float64[m, n]
        Evenly spaced values of m channels.
    starts, lengths : int64[r]
        Runs, ascending; rows between them belong to none.
    cutoff
        Cycles per sample, below 0.5.
    rows : int64[k]
        Those wanted, ascending, each in a run.

    Returns
    -------
    float64[m, k]
    """
    run = np.searchsorted(starts, rows, side="right") - 1
    found: Floats = columns.take(rows, axis=1)
    full = half_width(cutoff)
    long = lengths[run]
    halves = np.where(long > full, full, 1 << np.log2(np.maximum(long - 1, 1)).astype(np.int64))
    halves[long < 2] = 0
    for half in np.unique(halves[halves > 0]).tolist():
        kernel = low_pass_kernel(cutoff, half)
        places = np.flatnonzero(halves == half)
        for part in np.array_split(places, -(-len(places) * len(kernel) // _GATHERED)):
            begins = np.flatnonzero(np.diff(run[part], prepend=-1))  # of each run's own among the wanted rows
            runs, which = run[part][begins], np.repeat(np.arange(len(begins)), run_lengths(begins, len(part)))
            begin = rows[part][begins] - half  # what the windows reach, beyond the run's ends too
            last = rows[part][np.append(begins[1:], len(part)) - 1] + half
            extended, at = _extended(columns, starts[runs], starts[runs] + lengths[runs] - 1, begin, last)
            windows = np.lib.stride_tricks.sliding_window_view(extended, len(kernel), axis=1)
            found[:, part] = windows[:, at[which] + rows[part] - half - begin[which]] @ kernel
    return found


def _extended(columns: Floats, first: Int64s, last: Int64s, begin: Int64s, end: Int64s) -> tuple[Floats, Int64s]:
    """Lay stretches of runs one behind the other, their ends continued by point reflection; and where each begins."""
    size = end - begin + 1
    at = np.cumsum(size) - size
    laid = columns.take(_ranges(begin, size), axis=1, mode="clip")
    before, after = np.maximum(first - begin, 0), np.maximum(end - last, 0)
    for edge, row, where, count in ((first, begin, at, before), (last, end - after + 1, at + size - after, after)):
        out, mirror = _ranges(where, count), np.repeat(edge, count)
        laid[:, out] = 2 * columns.take(mirror, axis=1) - columns.take(2 * mirror - _ranges(row, count), axis=1)
    return laid, at


def _ranges(start: Int64s, count: Int64s) -> Int64s:
    """Count from each start, so many numbers each, one behind the other."""
    counted: Int64s = np.arange(int(count.sum())) + np.repeat(start - (np.cumsum(count) - count), count)
    return counted


def _filter_runs(column: Floats, filtered: Floats, starts: Int64s, lengths: Int64s, kernel: Floats) -> None:
    half = len(kernel) // 2
    pieces: list[Floats] = []
    spans = [(int(start), int(start + length)) for start, length in zip(starts, lengths, strict=True)]
    for start, stop in spans:
        run = column[start:stop]
        pieces += [2 * run[0] - run[half:0:-1], run, 2 * run[-1] - run[-2 : -2 - half : -1]]
    smooth = _convolve(np.concatenate(pieces), kernel)
    at = 0
    for start, stop in spans:
        filtered[start:stop] = smooth[at : at + stop - start]
        at += stop - start + 2 * half


def _convolve(column: Floats, kernel: Floats) -> Floats:
    """Convolve where the kernel lies whole within the column; by blocks in the frequency domain if it is long."""
    if len(kernel) <= 128 or len(column) <= len(kernel):
        return np.convolve(column, kernel, "valid")
    size = max(_BLOCK, 1 << int(np.ceil(np.log2(4 * len(kernel)))))
    spectrum = np.fft.rfft(kernel, size)
    count = len(column) - len(kernel) + 1
    result = np.empty(count)
    step = size - len(kernel) + 1
    for start in range(0, count, step):
        block = np.fft.irfft(np.fft.rfft(column[start : start + size], size) * spectrum, size)
        stop = min(start + step, count)
        result[start:stop] = block[len(kernel) - 1 : len(kernel) - 1 + stop - start]
    return result


@lru_cache(maxsize=8)
def _slope_matrix(points: int) -> Floats:
    """Row i: weights that give the slope at point i of a parabola fitted to that many points; float64[n, n]."""
    at = np.arange(points) - (points - 1) / 2
    powers = np.vander(at, min(3, points), increasing=True)
    slope_of_power = np.stack([np.zeros(points), np.ones(points), 2 * at][: powers.shape[1]], axis=1)
    matrix: Floats = slope_of_power @ np.linalg.pinv(powers)
    return matrix


def slope(column: Floats, starts: Int64s) -> Floats:
    """Slope per sample of each run of a column without NaN; float64[n], NaN in runs of a single sample.

    Savitzky-Golay: a parabola is fitted to five points and its slope taken in the middle; at the ends of a run, and
    in runs of fewer points, it is taken where it is wanted on the nearest such fit (A. Savitzky, M. J. E. Golay,
    "Smoothing and differentiation of data by simplified least squares procedures", 1964).
    """
    lengths = run_lengths(starts, len(column))
    result = np.full(len(column), np.nan)
    weights = _slope_matrix(SLOPE_POINTS)
    half = SLOPE_POINTS // 2
    if len(column) >= SLOPE_POINTS:
        result[half:-half] = np.convolve(column, weights[half][::-1], "valid")
    for length in range(1, SLOPE_POINTS):
        rows = starts[lengths == length][:, None] + np.arange(length)
        result[rows] = column[rows] @ _slope_matrix(length).T if length > 1 else np.nan
    long = lengths >= SLOPE_POINTS
    head = starts[long][:, None] + np.arange(SLOPE_POINTS)
    tail = (starts + lengths)[long][:, None] - np.arange(SLOPE_POINTS, 0, -1)
    result[head[:, :half]] = column[head] @ weights[:half].T
    result[tail[:, -half:]] = column[tail] @ weights[-half:].T
    return result
