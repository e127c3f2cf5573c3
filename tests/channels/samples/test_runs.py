"""Runs of samples without a gap, and the regular grid under them."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.samples.runs import (
    RegularGrid,
    longest_step_ns,
    read_between,
    regular_grid,
    run_lengths,
    run_starts,
    segment_of_rows,
)
from buswright.channels.samples.series import Quality, Series

MS = 1_000_000


def every(period_ms: float, count: int, nominal_ms: float = 100.0) -> Series:
    times = 1_780_000_000_000_000_000 + np.rint(np.arange(count) * period_ms * MS).astype(np.int64)
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


def test_a_silence_of_three_periods_and_a_tenth_is_no_gap() -> None:
    """Three periods of 10 ms, and a tenth of one for jitter: 31 ms; a nanosecond more is a gap."""
    assert longest_step_ns(0.01) == pytest.approx(31_000_000, rel=1e-12)
    time_ns = np.cumsum([0, 10 * MS, 30_999_999, 10 * MS, 31_000_002, 0, 10 * MS]).astype(np.int64)
    one, two = np.zeros(7, np.intp), np.array([0, 0, 1, 1, 1, 1, 3])
    assert run_starts(time_ns, one, 0.01).tolist() == [0, 4]
    assert run_starts(time_ns, two, 0.01).tolist() == [0, 2, 4, 6]
    assert run_starts(time_ns, two, np.nan).tolist() == [0, 2, 6]  # nothing is known of a gap
    assert run_starts(time_ns[:0], one[:0], 0.01).tolist() == []
    assert run_lengths(np.array([0, 4]), 7).tolist() == [4, 3]


def test_each_row_is_of_the_segment_that_began_last() -> None:
    times = np.array([0, 1, 2, 3], np.int64)
    series = Series("x", "", times, np.zeros(4), segments=np.array([0, 2, 2, 3, 4], np.int64))
    assert segment_of_rows(series).tolist() == [0, 0, 2, 3]


def test_a_column_is_read_between_its_points() -> None:
    column = np.array([0.0, 10.0, np.nan, 30.0])
    at = np.array([0.0, 0.25, 1.0, 0.9999999, 1.0000001, 1.5, 2.0, 3.0, 3.0000001])
    np.testing.assert_allclose(read_between(column, at), [0, 2.5, 10, 10, 10, np.nan, np.nan, 30, 30], atol=1e-9)
    assert read_between(column, np.array([3.0, 0.0])).tolist() == [30.0, 0.0]
    np.testing.assert_allclose(read_between(np.array([0.0, 10.0]), np.array([1.0, 1.5])), [10, 10])  # there is no third


@pytest.mark.parametrize(("count", "step_s"), [(20, 0.1), (21, 0.101)])
def test_twenty_steps_say_more_than_the_nominal_period(count: int, step_s: float) -> None:
    assert regular_grid(every(101.0, count)).step_s == pytest.approx(step_s, rel=1e-9)


def test_the_period_is_measured_by_steps_that_are_about_as_long() -> None:
    """Every fourth frame lost: the mean of all steps is 4/3 of a period, that of the single ones is the period."""
    series = every(102.0, 200)
    grid = regular_grid(series.take(np.flatnonzero(np.arange(200) % 4 < 3)))
    assert grid.step_s == pytest.approx(0.102, rel=1e-9)
    assert grid.position.tolist() == [n for n in range(199) if n % 4 < 3]


@pytest.mark.parametrize(("spread", "periodic"), [(0.7, True), (0.8, False)])
def test_arrivals_over_most_of_a_period_keep_no_period(spread: float, periodic: bool) -> None:
    """Phases spread evenly over a share w concentrate to sin(pi w) / (pi w): 0.37 for 0.7, 0.23 for 0.8."""
    number = np.arange(640)
    golden = number * 0.6180339887 % 1 - 0.5  # evenly spread, whatever part is looked at
    time_ns = np.rint((number + spread * golden) * 100 * MS).astype(np.int64)
    series = Series("level", "l", time_ns - time_ns[0], np.zeros(640), period_s=0.1)
    position = regular_grid(series).position
    assert bool((position == np.rint(position)).all()) is periodic
    if periodic:
        assert position.tolist() == number.tolist()


def test_runs_lie_side_by_side_on_the_grid_and_nothing_reaches_over() -> None:
    """Slots 0 to 4, one of them without a frame, then a gap, then 0 to 2 of the next run."""
    time_ns = np.array([0, 1, 2, 4, 50, 51, 52], np.int64) * 100 * MS
    bits = np.array([0, 0, 0, 0, int(Quality.TOO_FAST), 0, 0], np.uint16)
    value = np.array([0.0, 1, 2, 4, 7, 8, 9])
    grid = regular_grid(Series("x", "", time_ns, value, quality=bits, period_s=0.1))
    assert (grid.starts.tolist(), grid.size, grid.position.tolist()) == ([0, 5], 8, [0, 1, 2, 4, 5, 6, 7])
    assert grid.spread(value).tolist() == [0, 1, 2, 3, 4, 7, 8, 9]
    assert grid.gather(np.arange(8.0) * 10, 7).tolist() == [0, 10, 20, 40, 50, 60, 70]
    filled, fast = int(Quality.INTERPOLATED), int(Quality.TOO_FAST)
    assert grid.around(bits, 1).tolist() == [0, 0, filled, filled, fast, fast, 0]
    assert grid.around(bits, 2).tolist() == [0, filled, filled, filled, fast, fast, fast]
    assert grid.around(bits, 9).tolist() == [filled] * 4 + [fast] * 3


def test_a_column_without_lost_frames_is_laid_out_as_it_is() -> None:
    values = np.arange(30.0)
    assert regular_grid(every(100.0, 30)).spread(values) is values


def test_a_run_that_ends_between_two_slots_is_read_at_its_last() -> None:
    grid = RegularGrid(np.arange(3), np.array([0.0, 1.4, 2.0]), np.array([0, 2]), 3, 0.1)
    assert grid.gather(np.array([0.0, 10.0, 50.0]), 3).tolist() == [0, 10, 50]
    assert grid.gather(np.array([0.0, 10.0, 50.0]), 4)[:3].tolist() == [0, 10, 50]


def test_without_a_usable_sample_or_a_period_each_row_stands_alone() -> None:
    series = Series("x", "", np.array([0, MS], np.int64), np.array([np.nan, np.nan]))
    grid = regular_grid(series)
    assert (len(grid.rows), grid.size, np.isnan(grid.step_s)) == (0, 0, True)
    grid = regular_grid(Series("x", "", np.array([5], np.int64), np.array([1.0])))
    assert (grid.position.tolist(), grid.starts.tolist(), grid.size) == ([0.0], [0], 1)


def test_the_period_of_a_run_is_its_time_over_its_slots() -> None:
    """Under jitter of 0.15 of a period on either side, with every seventh frame lost: 199 slots from end to end."""
    jitter = np.random.default_rng(3).uniform(-0.15, 0.15, 200)
    time_ns = np.rint((np.arange(200) + jitter) * 100 * MS).astype(np.int64)
    series = Series("level", "l", time_ns, np.zeros(200), period_s=0.1).take(np.flatnonzero(np.arange(200) % 7 != 5))
    grid = regular_grid(series)
    assert grid.position[-1] == 199
    assert grid.step_s == pytest.approx((time_ns[-1] - time_ns[0]) / 199 * 1e-9, rel=1e-12)
