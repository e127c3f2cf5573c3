"""What channels say of each other: fits on made-up traces, views on the simulated car."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.session import Session
from buswright.diagnosis.relations import Views, fit, slope_of, smooth
from buswright.health.channels.evidence import measure_channels
from buswright.simulate.source import SimulatedCapture, demo_car

from .sensors.synthetic import channels_of
from .sensors.synthetic import made as made_channel

TIMES = np.arange(900) * 0.1
WAVE = np.sin(TIMES) + 0.3 * np.sin(2.7 * TIMES)


def test_a_fit_finds_factor_offset_and_lag():
    made = fit(2.5 * np.roll(WAVE, 3) + 1.0, WAVE)
    assert made is not None
    assert made.r == pytest.approx(1.0, abs=0.01)
    assert made.slope == pytest.approx(2.5, rel=0.01)
    assert made.offset == pytest.approx(1.0, abs=0.02)
    assert made.lag_s == pytest.approx(0.3)


def test_a_fit_keeps_the_sign_and_leaves_gaps_out():
    y = -WAVE
    y[::7] = np.nan
    made = fit(y, WAVE)
    assert made is not None
    assert made.slope == pytest.approx(-1.0, rel=0.01)


def test_too_little_and_standing_still_give_no_fit():
    assert fit(WAVE[:100], WAVE[:100]) is None
    assert fit(np.ones(900), WAVE) is None
    assert fit(WAVE, WAVE, np.zeros(900, dtype=bool)) is None


@pytest.mark.parametrize("n", [1, 2, 4, 7])
def test_what_is_shorter_than_the_window_keeps_its_length_when_smoothed(n):
    made = smooth(np.arange(n, dtype=float), 7)
    assert len(made) == n
    assert np.isnan(made[0]) == (n < 4)
    slope = slope_of(np.arange(n, dtype=float))
    assert len(slope) == n
    assert fit(made, slope) is None


def test_smoothing_and_slopes_are_those_of_numpy():
    line = 3.0 * TIMES
    assert slope_of(line)[10:-10] == pytest.approx(3.0)
    assert smooth(line)[10:-10] == pytest.approx(line[10:-10])
    assert np.isnan(smooth(np.full(20, np.nan))).all()


@pytest.mark.parametrize("count", [0, 1, 4, 5, 10, 11])
def test_short_traces_keep_their_length(count):
    assert len(smooth(TIMES[:count])) == len(slope_of(TIMES[:count])) == count


@pytest.fixture(scope="module")
def views():
    return Views(measure_channels(Session(SimulatedCapture(60.0, 3), demo_car())))


def test_ways_to_know_the_turning_agree_on_a_sound_car(views):
    lateral, yaw, *others = views.turning
    law = fit(lateral.value, yaw.value, views.fast)
    assert law is not None
    assert law.slope == pytest.approx(1.0, abs=0.05)  # a = v * yaw rate, a body in a circle
    assert len(others) == 2
    assert all((made := fit(other.value, yaw.value, views.fast)) and made.r > 0.9 for other in others)


def test_the_speed_tells_the_longitudinal_acceleration(views):
    own, slope = views.along
    made = fit(own.value, slope.value)
    assert made is not None
    assert made.r > 0.9
    assert made.slope == pytest.approx(1.0, abs=0.2)  # smoothed, and on a hill


# By hand --------------------------------------------------------------------------------------------------------------


def test_a_fit_by_hand():
    """Two levels, half of the time each: y = 3 x + 2, without a lag."""
    x = np.repeat([0.0, 2.0], 100)
    made = fit(3 * x + 2, x, lags=0)
    assert made is not None
    assert (made.r, made.slope, made.offset, made.seconds, made.lag_s) == pytest.approx((1.0, 3.0, 2.0, 20.0, 0.0))
    down = fit(-3 * x + 2, x, lags=0)
    assert down is not None
    assert (down.r, down.slope, down.offset) == pytest.approx((-1.0, -3.0, 2.0))


def test_no_side_is_taken_for_free_of_errors():
    """Half of the scatter of y has nothing to do with x: r is 1/sqrt(2), the slope the ratio of the deviations."""
    x, noise = np.tile([1.0, 1.0, -1.0, -1.0], 50), np.tile([1.0, -1.0, 1.0, -1.0], 50)
    made = fit(x + noise, x, lags=0)
    assert made is not None
    assert (made.r, made.slope) == pytest.approx((2**-0.5, 2**0.5))


@pytest.mark.parametrize(("windows", "fits"), [(150, True), (149, False)])
def test_fifteen_seconds_are_needed(windows, fits):
    x = np.sin(np.arange(windows) / 7)
    made = fit(x, x, lags=0)
    assert (made is not None) is fits
    long = np.sin(np.arange(400) / 7)
    where = np.arange(400) < windows
    chosen = fit(long, long, where, lags=0)
    assert (chosen is not None) is fits
    if chosen is not None:
        assert chosen.seconds == pytest.approx(15.0)


@pytest.mark.parametrize("lag", [-4, -2, 0, 1, 4])
def test_the_lag_is_found_either_way_and_where_it_counts(lag):
    """What counts is chosen by the later one's windows: y up to window 600, though it follows x."""
    rng = np.random.default_rng(3)
    x = rng.normal(size=900)
    y = np.roll(x, lag)
    made = fit(y, x)
    assert made is not None
    assert (made.r, made.lag_s) == pytest.approx((1.0, lag * 0.1))
    y = np.where(np.arange(900) < 600, y, rng.normal(size=900))
    part = fit(y, x, np.arange(900) < 600)
    assert part is not None
    assert (part.r, part.lag_s) == pytest.approx((1.0, lag * 0.1))
    beyond = fit(np.roll(x, 5), x)
    assert beyond is not None
    assert abs(beyond.r) < 0.3


def test_of_lags_that_are_as_good_the_first_one_counts_and_the_stronger_sign_wins():
    x = np.tile([1.0, -1.0], 100)
    made = fit(x, x, lags=1)
    assert made is not None
    assert (made.r, made.lag_s) == pytest.approx((-1.0, -0.1))


def test_where_only_one_side_moves_nothing_fits():
    assert fit(np.ones(200), np.arange(200.0), lags=0) is None
    assert fit(np.arange(200.0), np.ones(200), lags=0) is None


def test_smoothing_by_hand():
    values = np.array([1.0, 2.0, np.nan, np.nan, 6.0, 8.0, np.nan, np.nan])
    # Of three windows two must have a value.
    assert smooth(values, 3) == pytest.approx([1.5, 1.5, np.nan, np.nan, 7.0, 7.0, np.nan, np.nan], nan_ok=True)
    assert smooth(values) == pytest.approx([np.nan, np.nan, 3.0, 16 / 3, np.nan, np.nan, np.nan, np.nan], nan_ok=True)


def test_a_slope_is_that_of_the_straight_line_over_eleven_windows():
    """By least squares; numpy's polyfit is the check."""
    values = np.random.default_rng(5).normal(size=11)
    slope, _ = np.polyfit(np.arange(11) * 0.1, values, 1)
    assert slope_of(values)[5] == pytest.approx(slope)
    gap = np.arange(30.0)
    gap[15] = np.nan
    assert np.isfinite(slope_of(gap)).tolist() == [n < 10 or n > 20 for n in range(30)]


HZ = 10.0
SECONDS = np.arange(0, 60, 1 / HZ)


def channel(name, values, role, unit, position=None):
    one = made_channel(name, np.broadcast_to(values, SECONDS.shape).astype(float), hz=HZ, unit=unit, role=role)
    return replace(one, channel=replace(one.channel, position=position))


def views_of(*channels):
    return Views(channels_of(*channels))


def wheels(front, rear):
    found = []
    for end, speeds in (("front", front), ("rear", rear)):
        for side, speed in zip(("left", "right"), speeds, strict=True):
            found.append(channel(f"{end}_{side}", speed, "wheel_speed", "km/h", f"{end}-{side}"))
    return found


def test_one_channel_of_a_role_is_a_view_in_si_units_and_two_are_none():
    speed = channel("speed", 36.0, "vehicle_speed", "km/h")
    view = views_of(speed).only("vehicle_speed", "m/s", "vehicle speed")
    assert view is not None
    assert (view.words, view.first.name, len(view.sources)) == ("vehicle speed", "speed", 1)
    assert view.value[5:-5] == pytest.approx(10.0)
    assert views_of(speed, channel("gps", 36.0, "vehicle_speed", "km/h")).only("vehicle_speed", "m/s", "") is None
    assert views_of(speed).only("yaw_rate", "rad/s", "") is None
    assert views_of(channel("speed", 36.0, "vehicle_speed", "V")).only("vehicle_speed", "m/s", "") is None
    assert views_of().fast.tolist() == []


def test_the_speed_is_the_channel_else_the_median_of_the_wheels():
    four = wheels((36.0, 37.0), (38.0, 54.0))
    own = views_of(channel("speed", 30.0, "vehicle_speed", "km/h"), *four).speed
    assert own is not None
    assert own.first.name == "speed"
    of_wheels = views_of(*four).speed
    assert of_wheels is not None
    assert (of_wheels.words, len(of_wheels.sources)) == ("wheel speeds", 4)
    assert of_wheels.value[5:-5] == pytest.approx(37.5 / 3.6)
    assert views_of(four[0]).speed is None
    assert views_of().speed is None
    two = views_of(*four[:2]).speed
    assert two is not None
    assert two.value[5:-5] == pytest.approx(36.5 / 3.6)


def test_a_wheel_that_is_not_there_is_not_in_the_median_and_one_alone_is_none():
    def gone(each, from_s):
        series = each.series
        keep = series.time_ns < from_s * 1e9
        return replace(
            each, series=replace(series, time_ns=series.time_ns[keep], value=series.value[keep], raw=series.raw[keep])
        )

    left, right = wheels((36.0, 72.0), (36.0, 36.0))[:2]
    speed = views_of(left, gone(right, 30)).speed
    assert speed is not None
    assert speed.value[250] == pytest.approx(15.0)
    assert np.isnan(speed.value[400])


def test_the_car_is_fast_from_18_km_per_hour_and_steady_under_2_5_m_per_s2():
    slow = np.where(SECONDS < 30, 17.9, 18.1)
    fast = views_of(channel("speed", slow, "vehicle_speed", "km/h")).fast
    assert (fast[100], fast[500]) == (False, True)
    rising = np.where(SECONDS < 30, 2.6 * SECONDS, 2.6 * 30 + 2.4 * (SECONDS - 30)) * 3.6
    views = views_of(channel("speed", rising, "vehicle_speed", "km/h"), channel("along", 9.0, "accel_long", "m/s2"))
    assert (views.steady[100], views.steady[500]) == (False, True)
    only = views_of(channel("along", 9.0, "accel_long", "m/s2"))
    assert only.steady.all()
    assert len(only.steady) == len(only.fast)


def test_ways_to_know_the_lateral_acceleration():
    """15 m/s with 0.2 rad/s is 3 m/s2; the factor of steering and wheels depends on the car."""
    speed = channel("speed", 54.0, "vehicle_speed", "km/h")
    lateral, yaw = channel("lateral", 3.0, "accel_lat", "m/s2"), channel("yaw", 0.2, "yaw_rate", "rad/s")
    steering = channel("steer", 0.1, "steering_angle", "rad")
    ways = views_of(speed, lateral, yaw, steering, *wheels((54.0, 57.6), (54.0, 61.2))).turning
    assert [(way.words, way.first.name, len(way.sources)) for way in ways] == [
        ("lateral acceleration", "lateral", 1),
        ("yaw rate times speed", "yaw", 2),
        ("steering angle at that speed", "steer", 2),
        ("difference of the wheel speeds", "front_left", 4),
    ]
    middle = [float(way.value[300]) for way in ways]
    assert middle == pytest.approx([3.0, 3.0, 0.1 * 15**2, (1.0 + 2.0) / 2 * 15])
    fast = channel("speed", 180.0, "vehicle_speed", "km/h")
    (steered,) = views_of(fast, steering).turning
    assert steered.value[300] == pytest.approx(0.1 * 30**2)  # beyond 30 m/s tyres, not the wheel, set the turn
    assert [way.words for way in views_of(lateral, yaw, steering).turning] == ["lateral acceleration"]


def test_ways_to_know_the_longitudinal_acceleration():
    speed = channel("speed", 3.6 * 2.0 * SECONDS, "vehicle_speed", "km/h")
    along = channel("along", 2.0, "accel_long", "m/s2")
    own, slope = views_of(speed, along).along
    assert (own.words, slope.words) == ("longitudinal acceleration", "slope of the speed")
    assert (own.value[300], slope.value[300]) == pytest.approx((2.0, 2.0))
    assert [way.words for way in views_of(along).along] == ["longitudinal acceleration"]


def test_axles_have_a_left_and_a_right():
    four = views_of(*wheels((36.0, 36.0), (36.0, 36.0)))
    assert [(left.first.name, right.first.name) for left, right in four.axles(four.wheels)] == [
        ("front_left", "front_right"), ("rear_left", "rear_right"),
    ]  # fmt: skip
    three = views_of(*wheels((36.0, 36.0), (36.0, 36.0))[:3])
    assert len(list(three.axles(three.wheels))) == 1
    nowhere = views_of(channel("somewhere", 36.0, "wheel_speed", "km/h"))
    assert nowhere.wheels == {}
    damper = views_of(channel("fl", 25.0, "damper_travel", "mm", "front-left")).dampers["front-left"]
    assert (damper.words, float(damper.value[300])) == ("fl", pytest.approx(0.025))
