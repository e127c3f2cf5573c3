"""Our filters against scipy.signal, and the regular grid they work on."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from buswright.channels.samples.filters import half_width, low_pass, low_pass_kernel, slope
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
