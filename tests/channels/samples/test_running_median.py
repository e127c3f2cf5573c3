"""The running median and spread, against pandas and scipy, and however samples are cut into chunks."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import median_abs_deviation

from buswright.channels.samples import running_median as module
from buswright.channels.samples.running_median import LEAST, MOST, RunningMedian

WINDOW_NS = 500_000_000


def samples(rate_hz: float, n: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    time_ns = np.cumsum(rng.uniform(0.5, 1.5, n) * 1e9 / rate_hz).astype(np.int64)
    return time_ns, np.cumsum(rng.normal(size=n)).round(1)


def test_the_median_is_that_of_the_half_second_before():
    """Against pandas' rolling median over a time window that leaves the sample itself out."""
    time_ns, value = samples(200, 1500)
    median, _ = RunningMedian(WINDOW_NS).add(time_ns, value, np.inf)
    rolling = pd.Series(value, index=pd.to_datetime(time_ns)).rolling("500ms", closed="left")
    full = rolling.count().to_numpy() >= LEAST
    assert full.sum() > 1400
    assert np.array_equal(median[full], rolling.median().to_numpy()[full])
    assert np.isnan(median[:LEAST]).all()
    assert np.isfinite(median[LEAST:]).all()


@pytest.mark.parametrize(("rate_hz", "size"), [(10, LEAST), (5000, MOST)])
def test_a_window_is_never_shorter_or_longer_than_so_many_samples(rate_hz, size):
    """Against pandas' rolling median over a number of samples."""
    time_ns, value = samples(rate_hz, 1500)
    median, _ = RunningMedian(WINDOW_NS).add(time_ns, value, np.inf)
    expected = pd.Series(value).rolling(size).median().shift(1).to_numpy()
    assert np.array_equal(median[size:], expected[size:])


def test_the_spread_is_the_median_absolute_deviation_as_a_standard_deviation():
    """Against scipy's; only where a sample is far enough away to matter."""
    time_ns, value = samples(10, 300)
    median, spread = RunningMedian(WINDOW_NS).add(time_ns, value, 1.0)
    far = np.abs(value - median) >= 1.0
    assert 50 < far[LEAST:].sum() < 275
    for row in range(LEAST, 300):
        if far[row]:
            expected = 1.4826 * median_abs_deviation(value[row - LEAST : row])
            assert spread[row] == pytest.approx(expected, rel=1e-12)
        else:
            assert np.isnan(spread[row])


@pytest.mark.parametrize("seed", range(5))
def test_cutting_makes_no_difference(seed):
    time_ns, value = samples(300, 2000, seed)
    whole = RunningMedian(WINDOW_NS).add(time_ns, value, 0.0)
    cuts = np.sort(np.random.default_rng(seed).integers(0, 2000, 60))
    cut = RunningMedian(WINDOW_NS)
    parts = [cut.add(t, v, 0.0) for t, v in zip(np.split(time_ns, cuts), np.split(value, cuts), strict=True)]
    for column in (0, 1):
        assert np.array_equal(np.concatenate([part[column] for part in parts]), whole[column], equal_nan=True)


def test_a_sample_as_old_as_the_window_is_in_it():
    """Every 10 ms, so that one is exactly half a second old; against pandas, whose window holds it, too."""
    time_ns = np.arange(200, dtype=np.int64) * 10_000_000
    value = np.random.default_rng(2).normal(size=200)
    median, _ = RunningMedian(WINDOW_NS).add(time_ns, value, np.inf)
    rolling = pd.Series(value, index=pd.to_datetime(time_ns)).rolling("500ms", closed="left")
    assert rolling.count().iloc[-1] == 50
    assert np.array_equal(median[LEAST:], rolling.median().to_numpy()[LEAST:])


def test_small_blocks_and_a_new_start_change_nothing(monkeypatch):
    time_ns, value = samples(200, 300)
    whole = RunningMedian(WINDOW_NS).add(time_ns, value, 0.5)
    monkeypatch.setattr(module, "_CELLS", 700)
    again = RunningMedian(WINDOW_NS)
    again.add(time_ns, -value, 0.0)
    again.clear()
    for one, other in zip(again.add(time_ns, value, 0.5), whole, strict=True):
        assert np.array_equal(one, other, equal_nan=True)


def test_the_spread_is_worked_out_from_the_least_distance_on_and_never_at_the_median():
    time_ns = np.arange(LEAST + 4, dtype=np.int64)
    value = np.array([*np.resize([0.0, 2.0, 1.0], LEAST), 1.0, 1.5, 1.49, 0.5])
    median, spread = RunningMedian(WINDOW_NS).add(time_ns, value, 0.5)
    assert median[LEAST:].tolist() == [1, 1, 1, 1]
    assert np.isfinite(spread[LEAST:]).tolist() == [False, True, False, True]
    _, spread = RunningMedian(WINDOW_NS).add(time_ns, value, 0.0)
    assert np.isfinite(spread[LEAST:]).tolist() == [False, True, True, True]
    # 25 samples of 0, 2, 1: 16 of them 1 away from the median and 9 at it, so half are at least 1 away.
    assert spread[LEAST + 1] == pytest.approx(1.4826)
