"""Channels on a grid: means, extremes and noise of windows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.health.channels.grid import FINE_NS, grid_of

ONE = np.zeros(1, dtype=np.int64)


@given(st.integers(0, 400), st.integers(1, 40), st.integers(0, 2**31))
def test_windows_hold_what_a_loop_finds(count, step_ms, seed):
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.integers(1, step_ms + 1, count)).astype(np.int64) * 1_000_000
    value, usable = rng.normal(size=count), rng.random(count) < 0.9
    grid = grid_of(time, value, usable, ONE, FINE_NS)
    wanted: dict[int, list[float]] = {}
    for at, each, use in zip(time.tolist(), value.tolist(), usable.tolist(), strict=True):
        if use:
            wanted.setdefault(at // FINE_NS, []).append(each)
    assert grid.number.tolist() == list(wanted)
    assert grid.mean == pytest.approx([np.mean(each) for each in wanted.values()])
    assert grid.low.tolist() == [min(each) for each in wanted.values()]
    assert grid.high.tolist() == [max(each) for each in wanted.values()]
    assert grid.count.tolist() == [len(each) for each in wanted.values()]


def test_noise_is_that_of_white_noise_whatever_the_slope():
    time = np.arange(20_000, dtype=np.int64) * 2_000_000
    value = np.linspace(0, 50, 20_000) + np.random.default_rng(1).normal(0, 0.02, 20_000)
    grid = grid_of(time, value, np.ones(20_000, dtype=bool), ONE, 1_000_000_000)
    assert float(np.median(grid.noise)) == pytest.approx(0.02, rel=0.05)


def test_noise_is_not_measured_across_samples_left_out():
    time = np.arange(100, dtype=np.int64) * 1_000_000
    value = np.arange(100) % 2 * 1.0  # every second sample alone is constant
    grid = grid_of(time, value, np.arange(100) % 2 == 0, ONE, FINE_NS)
    assert np.isnan(grid.noise).all()


def test_a_clock_set_back_starts_a_window_of_its_own():
    time = np.array([0, 50, 10, 60], dtype=np.int64) * 1_000_000
    grid = grid_of(time, np.array([1.0, 1.0, 5.0, 5.0]), np.ones(4, dtype=bool), np.array([0, 2]), FINE_NS)
    assert grid.mean.tolist() == [1.0, 5.0]
    assert grid.at(np.array([0, 1])).tolist()[0] == 1.0
    assert np.isnan(grid.at(np.array([1]))[0])
    assert grid.held(np.array([5]), most=10).tolist() == [1.0]
    assert np.isnan(grid.held(np.array([11]), most=10)[0])
