"""Runs of samples without a gap, and the regular grid under them."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.samples.runs import regular_grid
from buswright.channels.samples.series import Series

MS = 1_000_000


def every(period_ms: float, count: int, nominal_ms: float = 100.0) -> Series:
    times = np.rint(np.arange(count) * period_ms * MS).astype(np.int64)
    return Series("level", "l", times, np.zeros(count), period_s=nominal_ms / 1000)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_too_few_samples_have_the_period_they_are_said_to_have(count: int) -> None:
    grid = regular_grid(every(101.0, count))
    assert grid.step_s == 0.1
    assert grid.position.tolist() == list(range(count))


@pytest.mark.parametrize("period_ms", [99.0, 101.0])
def test_many_samples_have_the_period_that_is_measured(period_ms: float) -> None:
    grid = regular_grid(every(period_ms, 200))
    assert grid.step_s == pytest.approx(period_ms / 1000, rel=1e-9)
    assert grid.position.tolist() == list(range(200))


def test_a_missing_sample_leaves_its_slot_free_and_a_long_gap_ends_the_run() -> None:
    series = every(100.0, 60)
    kept = np.ones(60, dtype=np.bool_)
    kept[[20, 40, 41, 42, 43, 44, 45, 46, 47, 48, 49]] = False
    grid = regular_grid(series.take(kept))
    first_run = [n for n in range(40) if n != 20]
    assert grid.position.tolist() == [*first_run, *range(40, 50)]
    assert grid.starts.tolist() == [0, 40]
