"""Series on other time grids: accuracy, anti-aliasing, gaps, segments, quality."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import interpolate, signal

from buswright.channels.samples import resample as module
from buswright.channels.samples.resample import align, grid, partner, resample, resample_each
from buswright.channels.samples.series import BAD, Quality, Series, unusable

EPOCH = 1_780_000_000_000_000_000
MS = 1_000_000


def make(function, rate, duration=20.0, *, start=0.0, jitter=0.0, seed=0, **more):
    """Sample a function of seconds; `jitter` moves the samples by up to so much of a period."""
    second = start + np.arange(round(duration * rate)) / rate
    second = second + np.random.default_rng(seed).uniform(-jitter, jitter, len(second)) / rate
    time_ns = EPOCH + np.rint(second * 1e9).astype(np.int64)
    value = np.asarray(function((time_ns - EPOCH) * 1e-9), dtype=np.float64)
    return Series("x", "", time_ns, value, period_s=1 / rate, **more)


def sine(hz):
    return lambda second: np.sin(2 * np.pi * hz * second)


def seconds(time_ns):
    return (time_ns - EPOCH) * 1e-9


def at(series, *second):
    value, quality = resample(series, EPOCH + np.rint(np.array(second) * 1e9).astype(np.int64))
    return value, np.zeros(len(value), np.uint16) if quality is None else quality


def test_grid_has_both_ends_and_does_not_drift():
    assert grid(0, 100 * MS, 50).tolist() == [0, 20 * MS, 40 * MS, 60 * MS, 80 * MS, 100 * MS]
    assert grid(5, 5, 100).tolist() == [5]
    assert grid(6, 5, 100).tolist() == []
    hours = grid(EPOCH, EPOCH + 7200 * 10**9, 30)
    assert len(hours) == 7200 * 30 + 1
    assert hours[-1] - EPOCH == 7200 * 10**9
    assert set(np.diff(hours)) == {33_333_333, 33_333_334}


@pytest.mark.parametrize(("rate", "new", "hz"), [(500, 50, 1.0), (500, 100, 2.0), (100, 60, 1.0), (333, 100, 2.0)])
@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_a_slow_sine_is_preserved_to_a_tenth_of_a_per_cent(rate, new, hz, jitter):
    series = make(sine(hz), rate, jitter=jitter)
    points = grid(int(series.time_ns[0]), int(series.time_ns[-1]), new)
    value, quality = resample(series, points)
    assert quality is None
    assert np.abs(value - sine(hz)(seconds(points))).max() < 1e-3


@pytest.mark.parametrize(("rate", "new"), [(500, 50), (500, 100), (100, 60), (333, 100), (1000, 7)])
def test_what_would_alias_is_removed_by_forty_decibels(rate, new):
    points = grid(EPOCH, EPOCH + 20 * 10**9 - 10**9 // rate, new)
    inner = slice(len(points) // 10, -len(points) // 10)
    for hz in np.linspace(0.51 * new, 0.49 * rate, 23):
        value, _ = resample(make(sine(hz), rate), points)
        assert np.abs(value[inner]).max() < 0.01, f"{hz} Hz comes through"


def test_the_step_of_a_filtered_channel_is_not_moved_in_time():
    series = make(lambda second: (second >= 10.0) * 1.0, 500)
    points = grid(EPOCH, int(series.time_ns[-1]), 50)
    value, _ = resample(series, points)
    middle = np.interp(0.5, value[480:520], seconds(points)[480:520])
    assert middle == pytest.approx(10.0, abs=0.002)


def test_to_a_higher_rate_neighbours_are_joined_by_straight_lines():
    series = make(sine(1.0), 50, jitter=0.2)
    points = grid(int(series.time_ns[0]), int(series.time_ns[-1]), 400)
    value, quality = resample(series, points)
    expected = interpolate.interp1d(seconds(series.time_ns), series.value)(seconds(points))
    np.testing.assert_allclose(value, expected, atol=1e-5)  # a point within 1 µs of a sample takes its value
    assert quality is not None
    on_sample = np.isin(points, series.time_ns)
    assert (quality[~on_sample & (value != 0)] == Quality.INTERPOLATED).mean() > 0.99
    assert not quality[on_sample].any()


def test_own_times_give_the_own_values_back():
    series = make(sine(1.0), 50, jitter=0.2)
    value, quality = resample(series, series.time_ns)
    assert np.array_equal(value, series.value)
    assert quality is None


def test_a_sample_a_few_nanoseconds_away_is_no_interpolation():
    series = make(sine(1.0), 30)
    value, quality = resample(series, grid(EPOCH, int(series.time_ns[-1]), 30) + 3)
    assert quality is None
    np.testing.assert_allclose(value, series.value, atol=1e-6)


def gappy(kind, missing_from=5.0, missing_to=6.0, rate=100):
    series = make(lambda second: second, rate, 10.0, kind=kind)
    second = seconds(series.time_ns)
    return series.take((second <= missing_from + 1e-9) | (second >= missing_to - 1e-9))


@pytest.mark.parametrize("kind", ["continuous", "state"])
@pytest.mark.parametrize("new", [20, 100, 400])
def test_nothing_crosses_a_gap(kind, new):
    series = gappy(kind)
    points = grid(EPOCH, int(series.time_ns[-1]), new)
    value, quality = resample(series, points)
    second = seconds(points)
    in_gap = (second > 5.0 + 0.011) & (second < 6.0 - 1e-6)
    assert np.isnan(value[in_gap]).all()
    assert quality is not None
    assert (quality[in_gap] == Quality.AFTER_GAP).all()
    outside = (second <= 5.0) | (second >= 6.0)
    tolerance = 0.011 if kind == "state" else 1e-6
    np.testing.assert_allclose(value[outside], second[outside], atol=tolerance)


def test_three_periods_are_bridged_and_four_are_not():
    bridged, _ = at(gappy("continuous", 5.0, 5.03), 5.01, 5.02)
    np.testing.assert_allclose(bridged, [5.01, 5.02], atol=1e-6)
    refused, quality = at(gappy("continuous", 5.0, 5.04), 5.01, 5.03)
    assert np.isnan(refused).all()
    assert (quality == Quality.AFTER_GAP).all()


def test_before_and_after_the_data_is_nothing():
    value, quality = at(make(lambda second: second, 100, 1.0, start=1.0), 0.5, 1.0, 1.99, 1.995, 3.0)
    assert np.isnan(value).tolist() == [True, False, False, True, True]
    assert (quality[np.isnan(value)] == Quality.AFTER_GAP).all()
    assert np.isnan(resample(make(sine(1), 100, 0.0), np.array([EPOCH])).value).all()


def test_a_state_holds_and_is_never_between_two_values():
    gear = make(np.floor, 10, 6.0, kind="state")
    value, quality = resample(gear, grid(EPOCH, int(gear.time_ns[-1]), 77))
    assert set(value) <= {0.0, 1.0, 2.0, 3.0, 4.0, 5.0}
    assert quality is None
    assert at(gear, 2.999)[0] == [2.0]
    assert at(gear, 3.0)[0] == [3.0]
    # Below its own rate too: a state isn't low-passed.
    assert set(resample(gear, grid(EPOCH, int(gear.time_ns[-1]), 2)).value) <= {0.0, 1.0, 2.0, 3.0, 4.0, 5.0}


def test_a_state_without_a_period_holds_until_it_changes():
    time_ns = EPOCH + np.array([0, 5, 3600]) * 10**9
    fan = Series("fan", "", time_ns, np.array([0.0, 1.0, 0.0]), kind="state")
    value, quality = at(fan, 4.0, 3000.0, 4000.0)
    assert value.tolist() == [0.0, 1.0, 0.0]
    assert not quality.any()


def test_nothing_crosses_a_segment():
    first, second = make(lambda t: t * 0 + 1, 100, 2.0), make(lambda t: t * 0 + 9, 100, 2.0, start=1.0)
    time_ns = np.concatenate([first.time_ns, second.time_ns])
    both = Series("x", "", time_ns, np.concatenate([first.value, second.value]), period_s=0.01)
    assert len(both.segments) == 2
    value, _ = at(both, *np.arange(0.005, 2.98, 0.02))
    assert set(value[np.isfinite(value)].round(9)) == {1.0, 9.0}
    value, _ = align(both, time_ns + 5 * MS, both.segments)
    assert value[:199].tolist() == [1.0] * 199
    assert np.isnan(value[199])
    assert value[200:399].tolist() == [9.0] * 199


def test_segments_pair_by_overlap_when_counts_differ():
    whole = make(lambda second: second, 100, 4.0)
    cut = np.concatenate([whole.time_ns[:200], whole.time_ns[190:]])
    value, _ = align(whole, cut, np.array([0, 200], np.int64))
    np.testing.assert_allclose(value, seconds(cut), atol=1e-9)


@pytest.mark.parametrize("new", [20, 100, 300])
@pytest.mark.parametrize("bit", list(Quality))
def test_an_objection_reaches_the_points_that_rest_on_the_sample(new, bit):
    quality = np.zeros(1000, np.uint16)
    quality[500] = bit
    clean = make(lambda second: second, 100, 10.0)
    marked = Series("x", "", clean.time_ns, clean.value, quality=quality, period_s=0.01)
    points = grid(EPOCH, int(clean.time_ns[-1]), new)
    value, found = resample(marked, points)
    assert found is not None
    nearest = np.argmin(np.abs(seconds(points) - 5.0))
    assert found[nearest] & bit
    far = np.abs(seconds(points) - 5.0) > max(0.011, 1.3 / new)
    assert not (found[far] & np.uint16(bit) & ~np.uint16(Quality.INTERPOLATED)).any()
    assert np.isnan(value[nearest]) == bool(bit & BAD)
    # The low-pass leaves out what is unusable, so it doesn't smear it over its kernel.
    np.testing.assert_allclose(value[far], seconds(points)[far], atol=1e-6)


@settings(max_examples=60, deadline=2000)
@given(st.data())
def test_quality_never_improves(data):
    count = data.draw(st.integers(2, 120))
    steps = data.draw(st.lists(st.integers(-30, 60), min_size=count, max_size=count))
    time_ns = EPOCH + np.cumsum(np.array(steps, np.int64)) * MS
    quality = np.array(data.draw(st.lists(st.sampled_from([0, *Quality]), min_size=count, max_size=count)), np.uint16)
    value = np.where(quality & 8, np.nan, np.arange(count) * 1.0)
    kind = data.draw(st.sampled_from(["continuous", "state"]))
    whole = Series("x", "", time_ns, value, quality=quality, period_s=0.01, kind=kind)
    part = whole.segment(0)
    points = grid(int(part.time_ns[0]), int(part.time_ns[-1]), data.draw(st.sampled_from([7, 40, 100, 250])))
    found_value, found = resample(part, points)
    found = np.zeros(len(points), np.uint16) if found is None else found
    assert np.isnan(found_value[unusable(found)]).all()
    assert found[np.isnan(found_value)].all()  # no value without a reason
    before = np.searchsorted(part.time_ns, points, side="right") - 1
    assert part.quality is not None
    known = np.isfinite(found_value)
    if kind == "state":
        assert (found[known] == part.quality[before][known]).all()
    else:
        exact = part.time_ns[before] == points
        assert (found[known & exact] & part.quality[before][known & exact] == part.quality[before][known & exact]).all()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=2000)
def test_values_stay_within_their_neighbours_when_interpolated(seed):
    rng = np.random.default_rng(seed)
    time_ns = EPOCH + np.cumsum(rng.integers(1, 20 * MS, 60))
    series = Series("x", "", time_ns, rng.normal(size=60), period_s=0.01)
    points = np.sort(rng.integers(time_ns[0], time_ns[-1], 500))
    points[1:] = np.maximum(points[1:], points[:-1])
    value, _ = module._interpolate(series, points, 1e7)
    known = np.isfinite(value)
    after = np.searchsorted(time_ns, points, side="right")[known]
    low, high = np.sort([series.value[after - 1], series.value[after]], axis=0)
    assert ((value[known] >= low - 1e-12) & (value[known] <= high + 1e-12)).all()


def test_chunks_join_without_a_seam(monkeypatch):
    rng = np.random.default_rng(4)
    series = make(lambda second: rng.normal(size=len(second)), 500, 60.0, jitter=0.1)
    series = series.take(rng.random(len(series)) > 0.01)
    points = grid(int(series.time_ns[0]), int(series.time_ns[-1]), 40)
    whole, _ = resample(series, points)
    monkeypatch.setattr(module, "_CHUNK", 1000)
    pieces, _ = resample(series, points)
    np.testing.assert_allclose(pieces, whole, atol=1e-12)


def test_a_grid_that_leaves_out_a_night_costs_no_memory_for_it():
    day = make(sine(0.5), 100, 20.0)
    night = 10 * 3600 * 10**9
    time_ns = np.concatenate([day.time_ns, day.time_ns + night])
    series = Series("x", "", time_ns, np.tile(day.value, 2), period_s=0.01)
    points = grid(EPOCH, int(day.time_ns[-1]), 20)
    value, _ = resample(series, np.concatenate([points, points + night]))
    np.testing.assert_allclose(value[: len(points)], value[len(points) :], atol=1e-9)
    assert np.isfinite(value).all()


def test_a_shifted_time_stamp_is_seen():
    series = make(sine(1.0), 100)
    moved = Series("x", "", series.time_ns + 10 * MS, series.value, period_s=0.01)
    points = grid(EPOCH + 10**9, EPOCH + 10 * 10**9, 50)
    assert np.abs(resample(moved, points).value - resample(series, points).value).max() > 0.05


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 99), st.floats(1.05, 40), st.booleans())
def test_steps_do_not_overshoot(shift, ratio, bad):
    """No value is beyond the usable samples within 1.25 steps: a low-pass alone gave a throttle of -9 to 109 %."""
    time_ns = np.arange(1_000, dtype=np.int64) * 10_000_000
    value = np.where((np.arange(1_000) + shift) // 150 % 2, 100.0, 0.0)
    quality = np.zeros(1_000, np.uint16)
    if bad:
        value[500], quality[500] = 1e6, Quality.IMPLAUSIBLE
    step = int(ratio * 10_000_000)
    points = np.arange(0, time_ns[-1], step, dtype=np.int64)
    got = resample(Series("throttle", "%", time_ns, value, quality=quality, period_s=0.01), points).value
    usable = np.where(quality > 0, np.nan, value)
    for point, each in zip(points[np.isfinite(got)], got[np.isfinite(got)], strict=True):
        near = usable[np.abs(time_ns - point) <= max(1.25 * step + 1, 10_000_000)]
        assert np.nanmin(near) <= each <= np.nanmax(near)


@pytest.mark.parametrize("end", ["first", "last"])
def test_a_run_that_ends_on_a_point_of_the_fine_grid_has_that_point(end):
    """A sample within 1 us of a point is that point, whatever its floats round to; computed again with scipy.

    Each run begins (or ends) 1 us inside of the 23rd of the 46 fine steps between two points of the table. Without
    the fine point there, its mirrored end lay 2 ms off, and noise read 4 % of its range differently.
    """
    period, step, parts, edge = 8_780_000, 100 * MS, 46, 50 * MS - 1_000
    points = np.arange(1, 120, dtype=np.int64) * 10 * step
    run = -edge + period * np.arange(16, dtype=np.int64)
    run = run if end == "first" else -run[::-1]
    time_ns = (points[:, None] + run).ravel()
    value = np.random.default_rng(11).uniform(-100, 100, len(time_ns))
    table_ns = np.arange(0, time_ns[-1], step)
    found = resample(Series("x", "", time_ns, value, period_s=period / 1e9), table_ns).value[10::10]

    fine = np.array([n for n in range(-100, 100) if run[0] - 1_000 <= n * step / parts <= run[-1] + 1_000])
    half = 1 << (len(fine) - 1).bit_length() - 1
    kernel = signal.firwin(2 * half + 1, 2 * 0.4 / parts, window=("kaiser", signal.kaiser_beta(70.0)))
    for got, samples in zip(found, value.reshape(len(points), len(run)), strict=True):
        mirrored = signal._arraytools.odd_ext(np.interp(fine * step / parts, run, samples), half)
        expected = np.convolve(mirrored, kernel, "valid")[-fine[0]]
        assert got == pytest.approx(np.clip(expected, samples.min(), samples.max()), abs=0.01)


@pytest.mark.parametrize("rate", [7, 20, 400])
def test_channels_of_one_time_base_come_out_as_each_does_alone(rate):
    rng = np.random.default_rng(5)
    time_ns = make(sine(1), 100, jitter=0.2).time_ns[rng.random(2_000) > 0.05]
    quality = np.zeros(len(time_ns), np.uint16)
    quality[700:720] = Quality.IMPLAUSIBLE
    many = [Series(f"c{n}", "", time_ns, rng.normal(size=len(time_ns)), period_s=0.01) for n in range(20)]
    many[3] = Series("bad", "", time_ns, many[3].value, quality=quality, period_s=0.01)
    many[5] = Series("warned", "", time_ns, many[5].value, quality=quality // 64 * 32, period_s=0.01)
    many[6] = Series("state", "", time_ns, np.round(many[6].value), period_s=0.01, kind="state")
    many.append(many[0].take(np.arange(900)))
    points = grid(EPOCH, int(time_ns[-1]), rate)
    together = list(resample_each(iter(many), points))
    assert len(together) == len(many)
    for series, (value, objections) in zip(many, together, strict=True):
        expected = resample(series, points)
        np.testing.assert_allclose(value, expected.value, atol=1e-12)
        np.testing.assert_array_equal(objections, expected.quality)
    assert list(resample_each([], points)) == []


# --- borders, on a few samples each ---------------------------------------------------------------------------------

FILLED, GAP, FAST, RAIL = (
    int(bit) for bit in (Quality.INTERPOLATED, Quality.AFTER_GAP, Quality.TOO_FAST, Quality.ELECTRICAL_RAIL)
)


def few(times_ms, values, quality=None, *, period_s=0.01, **more):
    bits = None if quality is None else np.array(quality, np.uint16)
    times = np.rint(np.array(times_ms, np.float64) * MS).astype(np.int64)
    return Series("x", "", times, np.array(values, np.float64), quality=bits, period_s=period_s, **more)


def read(series, times_ms):
    """Values and bits at these times, in milliseconds."""
    value, quality = resample(series, np.rint(np.array(times_ms, np.float64) * MS).astype(np.int64))
    return value.tolist(), [0] * len(value) if quality is None else quality.tolist()


@pytest.mark.parametrize(
    ("stop_ns", "rate", "count"),
    [(10**9, 10.0, 11), (10**9 - 1, 10.0, 11), (10**9 - 200, 10.0, 10), (0, 10.0, 1), (-1, 10.0, 0), (10**9, 3.0, 4)],
)
def test_a_grid_ends_with_its_last_point_up_to_a_rounding(stop_ns, rate, count):
    """A millionth of a step, 100 ns here, is no more than rounding."""
    assert len(grid(0, stop_ns, rate)) == count


def test_a_point_takes_a_sample_within_a_microsecond_and_a_line_between_two():
    """Before a gap and at the ends of the data, too; the silence of 40 ms is a gap."""
    series = few([0, 10, 20, 60], [0, 10, 40, 80], [0, FAST, 0, RAIL])
    us = 0.001
    for times, values, bits in (
        ([0, us, 2 * us, 10 - us, 10 - 2 * us, 15], [0, 0, 2 * us, 10, 10 - 2 * us, 25], [0, 0] + [FILLED | FAST] * 4),
        ([-us, -2 * us, 20 + us, 20 + 2 * us, 40], [0, np.nan, 40, np.nan, np.nan], [0, GAP, 0, GAP, GAP]),
        ([60 - 2 * us, 60 - us, 60 + us, 60 + 2 * us], [np.nan] * 4, [GAP, RAIL, RAIL, GAP]),
        ([10, 20], [10, 40], [FAST, 0]),
    ):
        points = np.rint(np.array(times) * MS).astype(np.int64)
        value, quality = module._interpolate(series, points, 1e7)
        np.testing.assert_allclose(value, values, atol=1e-9)
        expected = [FAST if time == 10 - us else bit for time, bit in zip(times, bits, strict=True)]
        assert quality.tolist() == expected


def test_a_state_holds_into_a_gap_for_one_period_and_from_a_microsecond_before():
    """With 10 ms a silence of 31 ms is none, and one of 32 ms is: there a value holds for 10 ms."""
    us = 0.001
    series = few([0, 10, 41, 73], [1, 2, 3, 4], [0, FAST, 0, 0], kind="state")
    assert read(series, [-us, 0, 9.999, 10, 40.9, 41 - us])[0] == [1, 1, 2, 2, 2, 3]
    assert read(series, [5, 15, 45]) == ([1, 2, 3], [0, FAST, 0])
    value, bits = read(series, [-2 * us, 51, 51.1, 72.9, 73, 83, 83.1])
    np.testing.assert_array_equal(value, [np.nan, 3, np.nan, np.nan, 4, 4, np.nan])
    assert bits == [GAP, 0, GAP, GAP, 0, 0, GAP]
    on_change = few([0, 10, 9000], [1, 2, 3], period_s=None, kind="state")
    assert read(on_change, [5, 8999, 10**6]) == ([1, 2, 3], [0, 0, 0])


def test_where_segments_overlap_the_earlier_one_counts():
    series = few([0, 10, 20, 30, 15, 25, 35], [1, 1, 1, 1, 5, 5, 5], [0, 0, 0, 0, FAST, FAST, FAST])
    assert read(series, [0, 20, 29, 30, 35]) == ([1, 1, 1, 1, 5], [0, 0, FILLED, 0, FAST])
    value, bits = read(series, [31, 36])
    assert (value[0], bits) == (5, [FILLED | FAST, GAP])
    empty = few([0, 10, 5], [1, 2, 3], segments=np.array([0, 2, 2], np.int64))
    assert read(empty, [0, 10]) == ([1, 2], [0, 0])


@pytest.mark.parametrize("count", [1, 2, 3])
def test_the_partner_of_a_segment_has_its_number_or_overlaps_it_most(count):
    series = few([0, 10, 20, 30, 5, 15], [1, 2, 3, 4, 5, 6])
    times = np.array([4, 16]) * MS
    found = partner(series, count - 1, count, times)
    # With as many segments the number counts; else 12 of 16 ms, against 10.
    assert found.value.tolist() == ([5, 6] if count == 2 else [1, 2, 3, 4])
    late = partner(few([0, 10, 5, 15], [1, 2, 3, 4]), 0, 1, np.array([6, 20]) * MS)
    assert late.value.tolist() == [3, 4]
    assert len(partner(series, 0, 1, times[:0])) == 0
    assert len(partner(few([], []), 0, 1, times)) == 0
    assert len(partner(few([], []), 0, 2, times)) == 0


def test_a_series_at_its_own_times_is_itself_and_at_others_it_is_read_segment_by_segment():
    series = few([0, 10, 5, 15], [1, 2, 5, 6], [0, RAIL, 0, FAST])
    same = align(series, series.time_ns, series.segments)
    np.testing.assert_array_equal(same.value, [1, np.nan, 5, 6])
    assert same.quality is series.quality
    other = align(few([0, 10, 5, 15], [1, 2, 5, 6]), np.array([5, 5, 10]) * MS, np.array([0, 1], np.int64))
    np.testing.assert_allclose(other.value, [1.5, 5, 5.5])
    assert other.quality.tolist() == [FILLED, 0, FILLED]
    assert align(series, np.zeros(0, np.int64), np.zeros(0, np.int64)).quality is None


@pytest.mark.parametrize(
    ("step_ms", "lowered"), [(10.0, False), (10.1, False), (10.2, True), (20.0, True), (5.0, False)]
)
def test_a_rate_is_lowered_by_more_than_a_hundredth(step_ms, lowered):
    points = np.rint(np.arange(0, 500, step_ms) * MS).astype(np.int64) + 3000
    series = few(np.arange(0, 1000, 10), np.zeros(100))
    assert module._lowered(series, points, 1e7) == (step_ms * MS if lowered else None)
    assert module._lowered(series, points[:1], 1e7) is None
    # A sender that is slower than it is said to be isn't filtered onto its own times.
    slow = few(np.arange(0, 1000, 20), np.zeros(50))
    assert module._lowered(slow, points, 1e7) == (20 * MS if step_ms == 20.2 else None)
    assert module._lowered(slow, np.rint(np.arange(0, 500, 20.5) * MS).astype(np.int64), 1e7) == 20.5 * MS


def test_only_channels_that_share_their_times_go_together(monkeypatch):
    sizes = []
    alike = module._resample_alike
    monkeypatch.setattr(module, "_resample_alike", lambda many, points: sizes.append(len(many)) or alike(many, points))
    times = few(np.arange(0, 300, 10), np.zeros(30)).time_ns
    same = [Series(f"c{n}", "", times, np.zeros(30), period_s=0.01) for n in range(10)]
    state = Series("s", "", times, np.zeros(30), period_s=0.01, kind="state")
    bad = Series("b", "", times, np.full(30, np.nan), period_s=0.01)
    slower = Series("p", "", times, np.zeros(30), period_s=0.02)
    points = np.arange(0, 300, 40) * MS
    list(resample_each([*same, state, state, bad, slower, same[0]], points))
    assert sizes == [8, 2, 2, 1, 1, 1]  # the same state twice is like itself
    sizes.clear()
    monkeypatch.setattr(module, "_TOGETHER_SAMPLES", 90)
    list(resample_each(same[:7], points))
    assert sizes == [3, 3, 1]


@pytest.mark.parametrize(("period_ms", "step_ms", "parts"), [(10.0, 40.0, 8), (10.0, 35.0, 14), (8.0, 20.0, 10)])
def test_a_lower_rate_is_interpolated_filtered_and_limited_as_scipy_does_it(period_ms, step_ms, parts):
    """Straight lines on a grid of 2 points a sample, or 4 where the rates don't divide; cut off at 0.4 of the new rate.

    A point is held within the samples no further than 1.25 steps away. 40 ms of 10 ms: 8 points; 35 ms: 3.5 * 4 = 14.
    """
    rng = np.random.default_rng(8)
    series = few(np.arange(400) * period_ms, np.cumsum(rng.normal(size=400)), period_s=period_ms / 1000)
    last = 399 * period_ms
    points = np.arange(0, last, step_ms)
    found = module._decimate([series], np.rint(points * MS).astype(np.int64), step_ms * MS, period_ms * MS)[0]
    assert found.quality is None
    fine = np.arange(0, last + 1e-6, step_ms / parts)
    values = np.interp(fine, series.time_ns / MS, series.value)
    half = -(-(signal.kaiserord(70.0, 2 * 0.5 * 0.4 / parts)[0] - 1) // 2)
    kernel = signal.firwin(2 * half + 1, 2 * 0.4 / parts, window=("kaiser", signal.kaiser_beta(70.0)))
    smooth = np.convolve(signal._arraytools.odd_ext(values, half), kernel, "valid")[::parts][: len(points)]
    near = np.abs(series.time_ns / MS - points[:, None]) <= 1.25 * step_ms + 1e-9
    low, high = (np.array([pick(series.value[row]) for row in near]) for pick in (np.min, np.max))
    np.testing.assert_allclose(found.value, np.clip(smooth, low, high), atol=1e-9)


def test_a_point_of_a_lower_rate_rests_on_the_samples_within_a_step_and_a_quarter():
    """80 Hz to 20 Hz: 62.5 ms on either side, five samples."""
    for bad in (20, 21, 22):
        bits = np.zeros(60, np.uint16)
        bits[bad] = FAST
        series = few(np.arange(60) * 12.5, np.zeros(60), bits, period_s=0.0125)
        points = np.arange(14) * 50
        _, quality = read(series, points)
        assert [point for point, bit in zip(points, quality, strict=True) if bit] == [
            point for point in points if abs(point - 12.5 * bad) <= 62.5
        ]
        assert set(quality) == {0, FAST}


def test_a_point_beside_a_lost_frame_is_told_even_where_the_rate_is_lowered():
    """Frames at 490 and 510 ms: the point between them rests on no sample of its own moment."""
    times = np.delete(np.arange(100) * 10.0, 50)
    _, quality = read(few(times, np.zeros(99)), np.arange(20) * 50.0)
    assert np.flatnonzero(quality).tolist() == [10]
    assert quality[10] == FILLED
    # 15 ms apart is still a sample here and there.
    times = np.sort(np.append(np.delete(np.arange(100) * 10.0, 50), 505.0))
    _, quality = read(few(times, np.zeros(100)), np.arange(20) * 50.0)
    assert not any(quality)
