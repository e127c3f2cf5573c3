"""Chance against published routines, and gatherings that are there or only seem to be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from buswright.diagnosis.case import Window, sighting
from buswright.diagnosis.sensors.conditions import (
    binomial_at_least,
    closest,
    conditions_of,
    gatherings,
    occasions,
    with_conditions,
    with_conditions_of,
)
from buswright.findings import Condition, Severity

from .synthetic import SECOND, case_of, channels_of, made


@given(st.integers(0, 400), st.integers(0, 400), st.floats(0.001, 0.999))
def test_binomial_tail_is_that_of_scipy(count: int, of: int, share: float) -> None:
    expected = float(stats.binom.sf(count - 1, of, share))
    assert binomial_at_least(count, of, share) == pytest.approx(expected, rel=1e-7, abs=1e-250)


@pytest.mark.parametrize(
    ("count", "of", "share", "chance"), [(0, 5, 0.3, 1.0), (6, 5, 0.3, 0.0), (1, 5, 0.0, 0.0), (3, 5, 1.0, 1.0)]
)
def test_ends_of_the_binomial_tail(count: int, of: int, share: float, chance: float) -> None:
    assert binomial_at_least(count, of, share) == chance


def test_chatter_is_one_occasion() -> None:
    moments = np.array([0.0, 0.1, 0.2, 5.0, 5.3, 9.0]) * SECOND
    assert (occasions(moments.astype(np.int64)) / SECOND).tolist() == [0.0, 5.0, 9.0]


def _run(seed: int = 1):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, 120, 0.02)
    steering = made("steer", 90 * np.sin(seconds / 3), seconds=seconds, unit="deg", role="steering_angle")
    other = made("fuel", 3 + 0.01 * rng.standard_normal(len(seconds)), seconds=seconds)
    return rng, steering, other, channels_of(steering, other)


def test_moments_at_one_end_of_the_steering_gather_there() -> None:
    rng, steering, other, channels = _run()
    times = steering.series.time_ns
    at = np.sort(rng.choice(np.flatnonzero(steering.series.value > 85), 12, replace=False))
    (first, *_) = gatherings(channels, [other], times[at])
    assert (first.about, first.by) == ("position", "steer")
    assert first.lift > 4
    assert first.chance < 1e-3
    assert first.where.startswith("while steer was above ")


@pytest.mark.parametrize("seed", range(10))
def test_moments_at_random_gather_nowhere(seed: int) -> None:
    rng, steering, other, channels = _run(seed)
    times = steering.series.time_ns
    found = gatherings(channels, [other], times[np.sort(rng.choice(len(times), 15, replace=False))])
    assert not [g for g in found if g.chance < 1e-3]


def test_a_channel_is_no_condition_of_itself_but_as_a_position_just_before() -> None:
    seconds = np.arange(0, 120, 0.02)
    swing = 90 * np.sin(seconds / 3)
    for role, about in (("oil_temperature", set()), ("steering_angle", {"position"})):
        own = made("own", swing, seconds=seconds, role=role)
        times = own.series.time_ns[(own.series.value > 85) & (seconds % 1 < 0.02)]
        assert {g.about for g in gatherings(channels_of(own), [own], times)} == about


# One column of which everything is known: 1000 windows, of which a channel counts through 0 to 999 ----------

COUNT = np.arange(1000.0)
AT = COUNT / 10.0


def column(role="oil_temperature", unit="degC", values=COUNT, name="t"):
    return made(name, values, seconds=AT, hz=10.0, unit=unit, role=role)


def found(moments, *channels, own=()):
    """What is said of moments, given as windows, by what they are about."""
    times = (np.asarray(moments) * 100_000_000 + 1).astype(np.int64)
    said = conditions_of(channels_of(*channels), list(own), times)
    return {one.about: one for one in said}


def test_moments_in_the_highest_fiftieth_gather_there():
    one = found([980, 986, 992, 998], column())["temperature"]
    assert one.where == "while t was above 979 °C"
    assert (one.inside, one.occasions, one.by) == (4, 4, "t")
    assert one.share == pytest.approx(0.02)
    assert one.lift == pytest.approx(50.0)
    # Five depths at each end, of which the halves are one each, and eight bins; two columns, with time.
    assert one.chance == pytest.approx(0.02**4 * 18 * 2, rel=1e-6)
    assert one.clear


def test_moments_in_the_lowest_twentieth_and_in_the_middle():
    low = found([5, 15, 25, 35, 45], column())["temperature"]
    assert (low.where, low.share) == ("while t was below 50 °C", pytest.approx(0.05))
    # Between the 1st and the 99th percentile there are ten bins of 97.9.
    middle = found([400, 420, 440, 460, 480], column())["temperature"]
    # 10 and 989 are the 1st and the 99th percentile: the fifth bin goes from 402 to 500, and one moment lies before it.
    assert (middle.where, middle.inside) == ("while t was between 402 and 500 °C", 4)
    assert middle.share == pytest.approx(0.098)


def test_two_occasions_prove_nothing_and_chatter_is_one():
    assert found([980, 990], column()) == {}
    assert found([980, 981, 985, 990], column()) == {}
    assert "temperature" in found([980, 986, 992], column())


def test_moments_of_a_channel_count_where_it_was_sent():
    own = made("own", np.ones(500), seconds=AT[500:], hz=10.0)
    one = found([980, 986, 992, 998], column(), own, own=[own])
    assert (one["temperature"].where, one["temperature"].share) == ("while t was above 974 °C", 0.05)  # of 500 windows
    assert one["time"].where == "after the first 97 s"  # of the run


def test_what_it_is_about_and_how_that_is_said():
    moments = [980, 986, 992, 998]
    cases = [
        (column("steering_angle", "deg"), "position", "while t was above 979 deg"),
        (column("damper_travel", "mm"), "position", "while t was above 979 mm"),
        (column("throttle", "%"), "position", "while t was above 979 %"),
        (column("battery_voltage", "V"), "supply voltage", "while t was above 979 V"),
        (column("module_supply", "V"), "supply voltage", "while t was above 979 V"),
        (column("coolant_temperature"), "temperature", "while t was above 979 °C"),
        (column("air_temperature"), "temperature", "while t was above 979 °C"),
        (column("exhaust_temperature"), "temperature", "while t was above 979 °C"),
        (column("engine_speed", "rpm"), "engine speed", "while engine speed was above 979 rpm"),
    ]
    for each, about, where in cases:
        said = found(moments, each)
        assert set(said) == {about, "time"}
        assert said[about].where == where
    assert found(moments, column())["time"].where == "after the first 98 s"
    assert found([2, 8, 14, 19], column("oil_pressure", "bar"))["time"].where == "in the first 2 s"
    assert set(found(moments, column("oil_pressure", "bar"))) == {"time"}


def test_shaking_is_the_swing_within_a_window():
    rough = COUNT > 979
    shake = np.repeat(np.where(rough, 2.0, 0.1), 2) * np.tile([0.5, -0.5], 1000)
    vertical = made("vert", shake, seconds=np.arange(2000) * 0.05, hz=20.0, unit="g", role="accel_vert")
    one = found([981, 987, 993, 999], vertical)["vertical acceleration"]
    assert one.where.startswith("while the swing of vert within 0.1 s was above ")
    assert one.inside == 4
    assert "vertical acceleration" not in found([981, 987, 993, 999], vertical, own=[vertical])


def test_a_value_that_never_changes_or_is_known_too_seldom_is_no_condition():
    assert set(found([980, 986, 992], column(values=np.full(1000, 5.0)))) == {"time"}
    late = made("t", COUNT[:20], seconds=AT[:20], hz=10.0, unit="degC", role="oil_temperature")
    whole = made("w", COUNT, seconds=AT, hz=10.0)
    assert set(found([500, 600, 700], late, whole)) == {"time"}


def test_a_position_of_ones_own_is_that_of_the_window_before():
    turned = np.where(COUNT % 100 == 50, 90.0, COUNT % 7)
    own = column("steering_angle", "deg", turned, "own")
    assert found([151, 351, 551, 751], own, own=[own])["position"].inside == 4
    assert "temperature" not in found([151, 351, 551], column(values=turned), own=[column(values=turned)])


def test_the_least_likely_comes_first_and_one_of_each_kind_is_kept():
    rng = np.random.default_rng(1)
    sharp, vague = column(name="sharp"), column(values=COUNT + 400 * rng.random(1000), name="vague")
    times = (np.array([980, 986, 992, 998]) * 100_000_000 + 1).astype(np.int64)
    said = conditions_of(channels_of(vague, sharp), [], times)
    assert [one.chance for one in said] == sorted(one.chance for one in said)
    assert [one.by for one in said if one.about == "temperature"] == ["sharp", "vague"]
    assert [one.by for one in closest(said) if one.about == "temperature"] == ["sharp"]
    assert [one.clear for one in said] == [one.chance < 0.05 for one in said]
    assert set(gatherings(channels_of(vague, sharp), [], times)) == {one for one in said if one.clear}


def _sighting(*seconds, coarse=False, subject="channel:t"):
    windows = [Window(round(each * SECOND) + 1, round(each * SECOND) + 2) for each in seconds]
    return sighting("loose-contact", Severity.FAULT, subject, windows=windows, coarse=coarse, confidence=0.9,
                    evidence=[], threshold="", next_check="")  # fmt: skip


def test_a_finding_says_under_which_conditions_it_came():
    case = case_of(column("steering_angle", "deg", name="s"), made("t", np.ones(1000), seconds=AT, hz=10.0))
    one = with_conditions(case, _sighting(98.0, 98.6, 99.2, 99.8))
    assert [each.about for each in one.finding.conditions] == ["position", "time"]
    for same in (_sighting(98.0), _sighting(98.0, 98.6, 99.2, coarse=True), _sighting(98.0, 98.6)):
        assert with_conditions(case, same) is same
    module = with_conditions(case, _sighting(98.0, 98.6, 99.2, 99.8, subject="module:node"))
    assert module.finding.conditions
    absent = with_conditions(case, _sighting(98.0, 98.6, 99.2, 99.8, subject="channel:absent"))
    assert absent.finding.conditions
    again = with_conditions_of([_sighting(98.0), _sighting(98.0, subject="channel:u")], [one])
    assert [each.finding.conditions for each in again] == [one.finding.conditions, ()]
    assert isinstance(one.finding.conditions[0], Condition)


def test_the_channels_of_a_plug_are_those_whose_windows_count():
    plugged = made("t", np.ones(500), seconds=AT[500:], hz=10.0, wiring={"plug": "C1"})
    case = case_of(column("steering_angle", "deg", name="s"), plugged)
    by_plug = with_conditions(case, _sighting(98.0, 98.6, 99.2, 99.8, subject="plug:C1"))
    nobody = with_conditions(case, _sighting(98.0, 98.6, 99.2, 99.8, subject="plug:C2"))
    assert [one.finding.conditions[0].share for one in (by_plug, nobody)] == [0.05, 0.02]


def test_regions_that_hold_most_of_the_time_or_none_of_it_are_not_tried():
    # Seven tenths of the time it is nought: of the tails four above are left, and eight bins.
    mostly = column(values=np.maximum(COUNT - 700, 0.0))
    one = found([980, 986, 992, 998], mostly)["temperature"]
    assert one.chance == pytest.approx(0.02**4 * 12 * 2, rel=1e-6)
    # Two clusters: all ten tails are tried, and none of the bins between.
    clusters = column(values=COUNT % 50 + 1000.0 * (COUNT >= 500))
    moments = 500 + 41 * np.arange(12)
    two = found(moments, clusters)["temperature"]
    assert (two.where, two.inside) == ("while t was above 524 °C", 12)
    assert two.chance == pytest.approx(0.5**12 * 10 * 2, rel=1e-6)


def test_both_ends_of_a_region_belong_to_it():
    steps = column(values=COUNT // 100)
    low = found([10, 50, 110, 150, 210, 250], steps)["temperature"]
    assert (low.where, low.inside, low.share) == ("while t was below 2 °C", 6, pytest.approx(0.3))
    high = found([710, 750, 810, 850, 910, 950], steps)["temperature"]
    assert (high.where, high.inside, high.share) == ("while t was above 7 °C", 6, pytest.approx(0.3))


def test_half_a_second_apart_is_another_occasion():
    moments = np.array([0, 500_000_000, 1_000_000_001], dtype=np.int64)
    assert occasions(moments).tolist() == [0, 1_000_000_001]
    assert occasions(moments[::-1]).tolist() == [0, 1_000_000_001]
    assert occasions(moments[:0]).tolist() == []
