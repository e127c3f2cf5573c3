"""Changes from just before a moment to just after it, on columns of which every figure is known."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.steps import change, column, converter_step, kinds, moment, peaks, scatter

from .synthetic import PRESSURE, STEP_V, TRAVEL, made, sensor


def test_a_change_is_the_mean_from_a_window_on_less_that_before_it():
    values = np.array([1.0, 2.0, 3.0, 10.0, 20.0, 30.0, 40.0])
    # Two windows before and two from it on: at row 2 (3+10)/2 - (1+2)/2.
    np.testing.assert_array_equal(change(values, width=2), [np.nan, np.nan, 5.0, 12.5, 18.5, 20.0, np.nan])


def test_behind_a_slow_channels_moment_five_windows_are_left_out():
    values = np.arange(12.0)
    quick, slow = change(values, hz=8.0, width=2), change(values, hz=7.9, width=2)
    # A ramp of one a window: from the mean of rows k-2, k-1 to that of k, k+1, or of k+5, k+6.
    assert np.flatnonzero(np.isfinite(quick)).tolist() == [2, 3, 4, 5, 6, 7, 8, 9, 10]
    assert set(quick[2:11].tolist()) == {2.0}
    assert np.flatnonzero(np.isfinite(slow)).tolist() == [2, 3, 4, 5]
    assert set(slow[2:6].tolist()) == {7.0}


def test_half_of_the_windows_on_each_side_must_be_known():
    values = np.arange(20.0)
    values[3] = np.nan
    found = change(values, width=3)
    assert np.isfinite(found[3:18]).all()
    np.testing.assert_allclose(found[4], (4 + 5 + 6) / 3 - (1 + 2) / 2)
    values[2] = np.nan
    # Before rows 4 and 5 one of three windows is known, from rows 1 and 2 on as well: these have none before them.
    assert np.flatnonzero(np.isnan(change(values, width=3))[3:18]).tolist() == [1, 2]
    values[10] = values[11] = np.nan
    assert np.flatnonzero(np.isnan(change(values, width=3))[6:18]).tolist() == [3, 4, 6, 7]
    assert np.isnan(change(np.arange(3.0), width=2)).all()
    assert np.isfinite(change(np.arange(4.0), width=2)).sum() == 1


def test_by_default_a_second_on_each_side_is_averaged():
    values = np.where(np.arange(40) >= 20, 1.0, 0.0)
    found = change(values)
    assert np.flatnonzero(found == 1.0).tolist() == [20]
    assert np.flatnonzero(np.isfinite(found)).tolist() == list(range(10, 31))


def test_scatter_is_what_two_of_three_changes_lie_within():
    assert scatter(np.array([np.nan, *range(-500, 501)])) == pytest.approx(342, abs=1)  # 68.3 % of 0 to 500
    assert np.isnan(scatter(np.array([np.nan])))


def test_peaks_are_the_largest_first_and_twenty_windows_apart():
    values = np.zeros(100)
    values[[10, 30, 31, 52, 90]] = [3.0, -5.0, 4.0, 2.0, 1.9]
    # 31 and 10 are within 20 windows of the largest, 52 is not; what is below 2 is none.
    assert peaks(values, 2.0).tolist() == [30, 52]
    assert peaks(values, 2.0, apart=19).tolist() == [10, 30, 52]
    assert peaks(values, 2.01).tolist() == [30]
    late = np.zeros(100)
    late[[50, 70, 71, 30, 29]] = [9.0, 3.0, 2.0, 3.0, 2.0]
    assert peaks(late, 1.0).tolist() == [29, 50, 71]
    first = np.zeros(100)
    first[[3, 0]] = [9.0, 3.0]
    assert peaks(first, 1.0).tolist() == [3]
    values[5] = np.nan
    assert peaks(values, 1.0, apart=0).tolist() == [10, 30, 31, 52, 90]


def test_a_moment_is_the_start_of_its_window():
    assert moment(np.array([7, 31]), 1) == 3_100_000_000


def test_a_column_of_a_slow_channel_is_held_and_that_of_a_quick_one_is_not():
    slow = made("s", np.array([1.0, 2.0, 3.0]), hz=2.0)
    number = np.arange(10)
    np.testing.assert_array_equal(column(slow.grid, number, 8.0), slow.grid.at(number))
    np.testing.assert_array_equal(column(slow.grid, number, 7.9), slow.grid.held(number))
    assert np.isfinite(column(slow.grid, number, 8.0)).sum() == 2


def test_the_step_of_a_converter_is_the_smallest_usual_change():
    volts = STEP_V * np.array([0, 0, 16, 16, 32, 16, 16, 48, 32, 32] * 5, dtype=float)
    each = made("a", volts, kind=sensor())
    assert converter_step(each) == pytest.approx(16 * STEP_V)
    fine = np.where(np.arange(50) < 30, 16 + np.arange(50) % 2, volts / STEP_V) * STEP_V
    bad = np.where(np.arange(50) < 30, Quality.ELECTRICAL_RAIL, 0)
    assert converter_step(made("a", fine, kind=sensor(), quality=bad)) == pytest.approx(16 * STEP_V)
    assert converter_step(made("a", np.full(50, 2.0), kind=sensor())) == 0.0


def test_kinds_are_told_by_sensor_and_channels_without_one_are_each_their_own():
    with_sensors = [made("a", np.ones(3), kind=sensor(PRESSURE)), made("b", np.ones(3), kind=sensor(PRESSURE)),
                    made("c", np.ones(3), kind=sensor(TRAVEL))]  # fmt: skip
    assert kinds(with_sensors) == 2
    assert kinds([*with_sensors, made("d", np.ones(3)), made("e", np.ones(3))]) == 4
