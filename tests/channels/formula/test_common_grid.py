"""The grid on which channels of different rates meet: its rate, its ends, its segments and pauses."""

import numpy as np
import pytest

from buswright.channels.formula import common_grid as module
from buswright.channels.formula.common_grid import common_grid, common_rate_hz, same_base
from buswright.channels.formula.parse import parse_formula
from buswright.channels.samples.series import Series
from buswright.errors import FormulaError

MS = 1_000_000
FORMULA = parse_formula("a + b")


def at(times_ms, *, period_ms=None, kind="continuous", **more):
    times = np.asarray(np.array(times_ms, dtype=np.float64) * MS).astype(np.int64)
    period_s = None if period_ms is None else period_ms / 1000
    return Series("x", "", times, np.zeros(len(times)), period_s=period_s, kind=kind, **more)


def every(step_ms, first_ms, last_ms, **more):
    return at(np.arange(first_ms, last_ms + 1e-6, step_ms), period_ms=step_ms, **more)


def points(*inputs, rate_hz=None, origin_ns=None):
    """The grid's times in milliseconds."""
    return (common_grid(FORMULA, list(inputs), rate_hz, origin_ns=origin_ns).time_ns / MS).tolist()


@pytest.mark.parametrize(
    ("inputs", "rate"),
    [
        ([every(10, 0, 100), every(50, 0, 100)], 20.0),
        ([every(10, 0, 100), every(50, 0, 100, kind="state")], 100.0),
        ([every(20, 0, 100, kind="state"), every(50, 0, 100, kind="state")], 50.0),
        ([at([0, 7, 14, 21])], 1000 / 7),  # measured
        ([at([5])], 1.0),
        ([at([5], kind="state"), every(20, 0, 100)], 50.0),
        ([at([]), at([1])], 1.0),
    ],
)
def test_the_slowest_continuous_input_sets_the_rate_or_the_fastest_state(inputs, rate):
    assert common_rate_hz(inputs) == pytest.approx(rate, rel=1e-12)


def test_a_grid_lies_where_every_input_has_data_both_ends_included():
    assert points(every(10, 0, 100), every(20, 30, 150)) == [30, 50, 70, 90]
    assert points(every(10, 0, 110), every(20, 30, 150)) == [30, 50, 70, 90, 110]
    assert points(every(10, 0, 30), every(20, 30, 150)) == [30]  # they touch
    assert points(every(10, 0, 29), every(20, 30, 150)) == []
    assert points(every(10, 0, 40), at([])) == []


def test_a_rate_that_is_asked_for_and_an_origin_that_was_earlier_move_the_points():
    assert points(every(10, 0, 100), every(20, 30, 150), rate_hz=25.0) == [30, 70]
    # Points lie every 20 ms from the origin: 5, 25, 45, ...
    assert points(every(10, 0, 100), every(20, 30, 150), origin_ns=5 * MS) == [45, 65, 85]
    assert points(every(10, 0, 100), every(20, 30, 150), origin_ns=10 * MS) == [30, 50, 70, 90]
    grid = common_grid(FORMULA, [every(10, 0, 100), every(20, 30, 150)], 25.0)
    assert (grid.period_s, grid.effective_hz, grid.kind) == (0.04, 25.0, "continuous")
    assert np.isnan(grid.value).all()


def test_a_state_has_something_to_say_for_a_period_more_and_one_sent_on_change_without_end():
    """Its last sample at 40 ms holds until 60 ms; a continuous channel ends with its last sample."""
    fast = every(10, 0, 200)
    assert points(fast, every(20, 0, 40, kind="state"))[-1] == 60
    assert points(fast, every(20, 0, 40))[-1] == 40
    assert points(fast, at([35], kind="state")) == list(np.arange(35, 201, 10.0))
    # If nothing but such states is there, the last sample of all ends it.
    on_change = [at([0, 500], kind="state"), at([250, 1750, 2250], kind="state")]
    assert points(*on_change, rate_hz=2.0) == [250, 750, 1250, 1750, 2250]


@pytest.mark.parametrize(("pause_ms", "parts"), [(10_000, 1), (10_001, 2)])
def test_a_pause_of_more_than_ten_seconds_has_no_points(pause_ms, parts):
    one = at([0, 500, 1000, 1000 + pause_ms, 1500 + pause_ms], period_ms=500)
    assert points(one, rate_hz=2.0) == (
        list(np.arange(0, 1501 + pause_ms, 500.0)) if parts == 1 else [0, 500, 1000, 11500]
    )


def test_a_channel_slower_than_that_has_a_pause_after_three_of_its_periods():
    """With a period of 8 s a silence of 24 s, and a tenth of a period for jitter, is none."""
    slow = np.array([0, 8, 16, 16 + 24.8, 16 + 24.8 + 24.9]) * 1000
    grid = points(at(slow, period_ms=8000), rate_hz=0.125)
    assert grid == [0, 8000, 16000, 24000, 32000, 40000]


def test_each_segment_has_points_of_its_own():
    a = at([0, 10, 20, 30, 5, 15, 25], period_ms=10)
    b = at([0, 20, 40, 10, 30], period_ms=20)
    grid = common_grid(FORMULA, [a, b], None)
    assert (grid.time_ns / MS).tolist() == [0, 20, 10]
    assert grid.segments.tolist() == [0, 2]
    # With one segment against two, the one belongs to the segment that it overlaps; the origin is of the first.
    single = at([0, 20, 40], period_ms=20)
    grid = common_grid(FORMULA, [single, a], None, origin_ns=-10 * MS)
    assert (grid.time_ns / MS).tolist() == [10, 30, 5, 25]
    assert grid.segments.tolist() == [0, 2]


def test_a_grid_has_as_many_points_as_memory_is_for(monkeypatch):
    """1 s at 100 Hz counts as 100 points, over all segments together."""
    monkeypatch.setattr(module, "GRID_LIMIT", 200)
    twice = [np.append(np.arange(0, 1001, 100), np.arange(0, 1001, 100))] * 2
    inputs = [at(times, period_ms=100) for times in twice]
    assert len(common_grid(FORMULA, inputs, 100.0).time_ns) == 202
    with pytest.raises(FormulaError, match="at 101 Hz this would have more than 200 samples") as refused:
        common_grid(FORMULA, inputs, 101.0)
    assert (refused.value.column, refused.value.hint) == (0, "check expected_hz, or give a rate")


def test_an_epoch_time_is_exact_to_the_nanosecond():
    epoch = 1_780_000_000_123_456_789
    a = Series("a", "", epoch + np.arange(5) * 10 * MS, np.zeros(5), period_s=0.01)
    assert (common_grid(FORMULA, [a], 30.0).time_ns - epoch).tolist() == [0, 33_333_333]


def test_two_series_have_one_base_if_times_and_segments_are_the_same():
    a = at([0, 10, 5])
    assert same_base(a, at([0, 10, 5]))
    assert not same_base(a, at([0, 10, 6]))
    assert not same_base(a, at([0, 10, 5], segments=np.array([0, 2, 3], np.int64)))
    assert not same_base(a, Series("y", "", a.time_ns, a.value, segments=np.array([0], np.int64)))


@pytest.mark.parametrize(
    ("ones", "others", "both"),
    [
        ([(0, 10)], [(5, 20)], [(5, 10)]),
        ([(0, 10), (20, 30)], [(5, 25)], [(5, 10), (20, 25)]),
        ([(0, 10), (20, 30)], [(10, 20)], [(10, 10), (20, 20)]),
        ([(0, 9)], [(10, 20)], []),
        ([(0, 100)], [(1, 2), (3, 4), (99, 101)], [(1, 2), (3, 4), (99, 100)]),
        ([(0, 10), (12, 14)], [(0, 10), (11, 15)], [(0, 10), (12, 14)]),
        ([], [(0, 1)], []),
    ],
)
def test_stretches_overlap_where_both_are(ones, others, both):
    assert module._overlap(ones, others) == both
    assert module._overlap(others, ones) == both
