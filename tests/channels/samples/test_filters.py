"""Our filters against scipy.signal, and the regular grid they work on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from buswright.channels.samples import filters
from buswright.channels.samples.filters import half_width, low_pass, low_pass_at, low_pass_kernel, slope
from buswright.channels.samples.runs import regular_grid, window_or
from buswright.channels.samples.series import Quality, Series

ONE_RUN = np.zeros(1, np.int64)


@pytest.mark.parametrize("cutoff", [0.3, 0.1, 0.04, 0.004])
def test_kernel_is_scipys_kaiser_window_design(cutoff):
    half = half_width(cutoff)
    # scipy.signal.firwin takes the cut-off relative to half the sample rate, scipy.signal.kaiser_beta the same fit.
    expected = signal.firwin(2 * half + 1, 2 * cutoff, window=("kaiser", signal.kaiser_beta(70.0)))
    np.testing.assert_allclose(low_pass_kernel(cutoff, half), expected, atol=1e-12)


@pytest.mark.parametrize("cutoff", [0.2, 0.04, 0.01])
def test_frequency_response_by_scipy(cutoff):
    frequency, response = signal.freqz(low_pass_kernel(cutoff, half_width(cutoff)), worN=20_000, fs=1.0)
    gain = np.abs(response)
    assert np.abs(gain[frequency < 0.74 * cutoff] - 1).max() < 1e-3
    assert gain[frequency > 1.26 * cutoff].max() < 10 ** (-68 / 20)
    assert gain[np.searchsorted(frequency, cutoff)] == pytest.approx(0.5, abs=0.01)


def test_long_kernels_convolve_as_scipy_does():
    column = np.random.default_rng(1).normal(size=300_000)
    kernel = low_pass_kernel(0.01, half_width(0.01))
    half = len(kernel) // 2
    expected = signal.fftconvolve(column, kernel, "valid")
    np.testing.assert_allclose(low_pass(column, ONE_RUN, 0.01)[half:-half], expected, atol=1e-10)


def test_ends_are_continued_by_point_reflection_as_scipys_filtfilt_does():
    column = np.cumsum(np.random.default_rng(2).normal(size=500))
    kernel = low_pass_kernel(0.1, half_width(0.1))
    half = len(kernel) // 2
    padded = signal._arraytools.odd_ext(column, half)
    np.testing.assert_allclose(low_pass(column, ONE_RUN, 0.1), np.convolve(padded, kernel, "valid"), atol=1e-10)


def low_passed_by_scipy(column, cutoff):
    """One run, by scipy's window design, odd extension and NumPy's convolution.

    A run has to be longer than half the kernel, since that much of it is mirrored at each end: the full kernel from
    one sample more on, and for shorter runs one of the next lower power of two.
    """
    full = half_width(cutoff)
    half = full if len(column) > full else max(2**k for k in range(20) if 2**k < len(column))
    kernel = signal.firwin(2 * half + 1, 2 * cutoff, window=("kaiser", signal.kaiser_beta(70.0)))
    return np.convolve(signal._arraytools.odd_ext(column, half), kernel, "valid")


def test_half_a_kernel_is_kaisers_estimate():
    # (70 - 7.95) / (2.285 * 2 pi * 0.5 * 0.05) = 172.9 taps; scipy.signal.kaiserord counts one more, of both ends.
    assert half_width(0.05) == 87
    assert half_width(0.05) == -(-(signal.kaiserord(70.0, 2 * 0.5 * 0.05)[0] - 1) // 2)


@pytest.mark.parametrize("length", [2, 3, 4, 5, 8, 9, 16, 17, 33, 64, 65, 86, 87, 88, 89, 300])
def test_short_runs_have_the_longest_kernel_that_fits(length):
    """Half a kernel at a cut-off of 0.05 is 87 samples: at 87 it doesn't fit, at 88 it does."""
    column = np.random.default_rng(length).normal(size=length)
    expected = low_passed_by_scipy(column, 0.05)
    np.testing.assert_allclose(low_pass(column, ONE_RUN, 0.05), expected, atol=1e-12)
    rows = np.arange(length)
    lengths = np.array([length], np.int64)
    at = low_pass_at(np.stack([column, -2 * column]), ONE_RUN, lengths, 0.05, rows)
    np.testing.assert_allclose(at, [expected, -2 * expected], atol=1e-12)


@pytest.mark.parametrize("small", ["_GROUP", "_GATHERED", "none"])
def test_runs_of_every_length_side_by_side_are_filtered_each_for_itself(small, monkeypatch):
    """However many are taken at once, and whichever rows are asked for; rows between runs belong to none."""
    if small != "none":
        monkeypatch.setattr(filters, small, 500)
    lengths = np.array([1, 30, 200, 87, 2, 88, 1, 250, 3])
    gaps = np.array([0, 4, 1, 0, 7, 0, 0, 2, 5])
    starts = (np.cumsum(gaps + np.append(0, lengths[:-1]))).astype(np.int64)
    column = np.random.default_rng(5).normal(size=int(starts[-1] + lengths[-1]))
    runs = [column[start : start + length] for start, length in zip(starts, lengths, strict=True)]
    expected = [run if len(run) == 1 else low_passed_by_scipy(run, 0.05) for run in runs]
    packed = np.append(0, np.cumsum(lengths)[:-1]).astype(np.int64)
    np.testing.assert_allclose(low_pass(np.concatenate(runs), packed, 0.05), np.concatenate(expected), atol=1e-12)
    rows = np.concatenate([np.arange(start, start + length) for start, length in zip(starts, lengths, strict=True)])
    wanted = np.random.default_rng(6).random(len(rows)) < 0.4
    found = low_pass_at(column[None], starts, lengths, 0.05, rows[wanted])
    np.testing.assert_allclose(found[0], np.concatenate(expected)[wanted], atol=1e-12)


def test_long_columns_are_convolved_block_by_block(monkeypatch):
    """Blocks of 1024 numbers and a kernel of 219: each block gives 806, and the last what is left."""
    monkeypatch.setattr(filters, "_BLOCK", 1024)
    kernel = low_pass_kernel(0.04, half_width(0.04))
    assert len(kernel) == 219
    for count in (219, 220, 1024, 1025, 218 + 2 * 806, 219 + 2 * 806, 5000):
        column = np.random.default_rng(count).normal(size=count)
        expected = np.convolve(column, kernel, "valid")
        np.testing.assert_allclose(filters._convolve(column, kernel), expected, atol=1e-12)


@pytest.mark.parametrize("cutoff", [0.5, 0.6])
def test_from_half_the_sample_rate_on_nothing_is_taken_out(cutoff):
    column = np.random.default_rng(1).normal(size=300)
    assert low_pass(column, ONE_RUN, cutoff) is column
    assert not np.array_equal(low_pass(column, ONE_RUN, 0.49), column)
    assert low_pass(column[:0], ONE_RUN[:0], 0.1).tolist() == []


@given(st.lists(st.integers(1, 90), min_size=1, max_size=12), st.floats(-5, 5), st.floats(-50, 50))
def test_a_ramp_passes_unchanged_whatever_the_runs(lengths, steepness, offset):
    column = np.concatenate([offset * n + steepness * np.arange(length) for n, length in enumerate(lengths)])
    starts = np.concatenate(([0], np.cumsum(lengths)[:-1])).astype(np.int64)
    np.testing.assert_allclose(low_pass(column, starts, 0.05), column, atol=1e-9 * (1 + np.abs(column).max()))


def test_nothing_passes_from_one_run_to_the_next():
    column = np.concatenate([np.zeros(300), np.full(300, 1000.0)])
    starts = np.array([0, 300], np.int64)
    np.testing.assert_allclose(low_pass(column, starts, 0.05), column, atol=1e-9)
    assert low_pass(column, ONE_RUN, 0.05)[299] > 100


@pytest.mark.parametrize("length", [5, 6, 7, 50, 1000])
def test_slope_is_scipys_savitzky_golay(length):
    column = np.random.default_rng(length).normal(size=length)
    expected = signal.savgol_filter(column, 5, 2, deriv=1, mode="interp")
    np.testing.assert_allclose(slope(column, ONE_RUN), expected, atol=1e-12)


@settings(deadline=1000)
@given(st.lists(st.integers(1, 20), min_size=1, max_size=10))
def test_slope_works_run_by_run(lengths):
    column = np.random.default_rng(7).normal(size=sum(lengths))
    starts = np.concatenate(([0], np.cumsum(lengths)[:-1])).astype(np.int64)
    together = slope(column, starts)
    alone = [slope(part, ONE_RUN) for part in np.split(column, starts[1:])]
    np.testing.assert_allclose(together, np.concatenate(alone), atol=1e-12)
    assert np.isnan(together).sum() == lengths.count(1)


@pytest.mark.parametrize("length", [2, 3, 4])
def test_slope_of_short_runs_is_exact_for_what_they_can_hold(length):
    at = np.arange(length)
    column = 3.0 + 2.0 * at + (0.5 * at**2 if length > 2 else 0)
    np.testing.assert_allclose(slope(column, ONE_RUN), 2.0 + (at if length > 2 else 0), atol=1e-12)


def _arrivals(number, period_ns, jitter, seed=0):
    rng = np.random.default_rng(seed)
    return np.rint(number * period_ns + rng.uniform(-jitter, jitter, len(number)) * period_ns).astype(np.int64)


@settings(max_examples=40, deadline=2000)
@given(
    st.floats(0, 0.3),
    st.floats(-0.02, 0.02),
    st.sets(st.integers(1, 1990), max_size=60),
    st.integers(0, 2**32 - 1),
)
def test_slots_are_found_under_jitter_drift_and_lost_frames(jitter, drift, lost, seed):
    number = np.setdiff1d(np.arange(2000), list(lost))
    period = 10_000_000 * (1 + drift)
    time_ns = _arrivals(number, period, jitter, seed)
    grid = regular_grid(Series("a", "", time_ns, number * 1.0, period_s=0.01))
    assert grid.step_s * 1e9 == pytest.approx(period, rel=1e-3)
    # Within a run every sample has the slot that it was sent in; longer silences start a new run.
    run = np.searchsorted(grid.starts, grid.position, side="right") - 1
    wrong = np.diff(grid.position)[np.diff(run) == 0] != np.diff(number)[np.diff(run) == 0]
    # Two neighbours jittered by 0.3 periods in opposite directions lie 1.6 apart: then a few can't be told.
    assert wrong.mean() <= (0 if jitter < 0.2 else 0.01)


def test_slots_follow_the_drift_of_the_sender():
    # 100 ppm over 10 minutes are six periods: a grid fixed at the nominal period would be lost.
    number = np.arange(60_000.0)
    time_ns = _arrivals(number, 10_001_000, 0.1)
    grid = regular_grid(Series("a", "", time_ns, number * 1.0, period_s=0.01))
    assert np.array_equal(grid.position, number)


def test_samples_without_a_period_keep_their_own_places():
    time_ns = np.cumsum(np.random.default_rng(3).integers(1_000_000, 20_000_000, 400))
    grid = regular_grid(Series("a", "", time_ns, np.arange(400.0), period_s=0.01))
    assert not np.array_equal(grid.position, np.rint(grid.position))
    column = grid.spread((time_ns - time_ns[0]) * 1e-9)
    np.testing.assert_allclose(column, np.arange(grid.size) * grid.step_s, atol=1e-9)
    back = grid.gather(column, 400)
    assert np.abs(back - (time_ns - time_ns[0]) * 1e-9).max() < grid.step_s


@given(st.lists(st.integers(0, 8191), min_size=1, max_size=60), st.data())
def test_window_or_joins_exactly_the_window(bits, data):
    quality = np.array(bits, np.uint16)
    edge = st.integers(0, len(bits))
    windows = data.draw(st.lists(st.tuples(edge, edge).map(sorted), min_size=1, max_size=10))
    first, stop = np.array(windows, np.intp).T
    expected = [int(np.bitwise_or.reduce(quality[a:b])) if b > a else 0 for a, b in windows]
    assert window_or(quality, first, stop).tolist() == expected


def test_filled_slots_are_marked_beside_them_only():
    number = np.array([0, 1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13])
    whole = Series("a", "", number * 10_000_000, number * 1.0, period_s=0.01)
    quality = regular_grid(whole).around(np.zeros(13, np.uint16), 2)
    assert number[quality == Quality.INTERPOLATED].tolist() == [5, 6, 8, 9]
