"""Stays at the end of the live band: their beginning and end, how they were reached, whether that is a rail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.inputs.rail_stays import debounce_of, jumps, stays_of, wired
from tests.diagnosis.sensors.synthetic import PRESSURE, case_of, made, sensor

HZ = 50.0
MS20 = 20_000_000


def triangle(count=200):
    """Volts between 1 and 4, 60 mV a sample."""
    return 1.0 + 3.0 * np.abs(np.mod(np.arange(count) / 50.0, 2.0) - 1.0)


def stays(values, join_s=0.0, quality=None, cuts=(), **keys):
    each = made("a", np.array(values), hz=HZ, kind=sensor(**keys), quality=quality)
    if len(cuts):
        each = replace(each, series=replace(each.series, segments=np.array([0, *cuts])))
    return list(stays_of(each, join_s))


def test_a_stay_goes_from_its_first_sample_to_the_one_behind_its_last():
    values = triangle()
    values[100:120] = 4.98
    (one,) = stays(values)
    assert (one.side, one.first, one.stop, one.samples) == ("high", 100, 120, 20)
    assert one.window == (100 * MS20, 120 * MS20)
    assert one.before_ns == 99 * MS20
    assert one.seconds == pytest.approx(0.4)
    assert one.level == pytest.approx(4.98, abs=2e-3)
    assert (one.wanders, one.filled) == (0.0, 1.0)
    assert (one.from_start, one.to_end, one.jumped, one.jumped_back) == (False, False, True, True)
    assert one.at_rail
    assert not one.is_smooth
    assert one.noise == 0.0


def test_a_stay_from_the_start_or_to_the_end_was_not_reached_or_left():
    values = triangle()
    values[:30] = 0.02
    values[170:] = 4.98
    low, high = stays(values)
    assert (low.side, low.from_start, low.to_end, low.jumped, low.jumped_back) == ("low", True, False, None, True)
    assert (low.window, low.before_ns) == ((0, 30 * MS20), 0)
    assert (high.side, high.from_start, high.to_end, high.jumped, high.jumped_back) == ("high", False, True, True, None)
    assert high.window == (170 * MS20, 199 * MS20)
    (whole,) = stays(np.full(200, 4.98))
    assert (whole.from_start, whole.to_end, whole.is_smooth) == (True, True, False)
    (short,) = stays(np.where(np.arange(200) < 19, 4.98, triangle()))
    assert short.noise is None  # twenty samples give a noise


def test_a_segment_ends_a_stay():
    values = triangle()
    values[100:120] = 4.98
    first, second = stays(values, join_s=5.0, cuts=(110,))
    assert (first.first, first.stop, first.to_end, first.jumped_back) == (100, 110, True, None)
    assert (second.first, second.stop, second.from_start, second.jumped) == (110, 120, True, None)
    assert first.window == (100 * MS20, 109 * MS20)
    assert second.before_ns == 110 * MS20


@pytest.mark.parametrize(("gap", "join_s", "count"), [(9, 0.2, 1), (10, 0.2, 2), (1, 0.0, 2)])
def test_stays_that_are_apart_by_less_are_one(gap, join_s, count):
    values = np.full(200, 2.0)
    values[100:120] = values[120 + gap : 150] = 4.98  # 20 ms a sample: a gap of 9 samples lasts 200 ms with its edge
    found = stays(values, join_s=join_s + (0.001 if gap == 9 else 0.0))
    assert len(found) == count
    if count == 1:
        assert (found[0].first, found[0].stop) == (100, 150)
        assert found[0].filled == pytest.approx(41 / 50)


def test_what_the_sender_disowns_is_no_voltage():
    values = np.full(200, 2.0)
    values[100:120] = 4.98
    disowned = np.where((np.arange(200) >= 105) & (np.arange(200) < 110), Quality.SENDER_INVALID, 0)
    assert [(one.first, one.stop) for one in stays(values, quality=disowned)] == [(100, 105), (110, 120)]
    marked = np.where(np.arange(200) == 5, Quality.TOO_FAST, 0)
    assert [(one.first, one.stop) for one in stays(values, quality=marked)] == [(100, 120)]


def test_a_curve_that_leads_to_the_end_and_from_it_is_no_wire():
    values = np.clip(3.0 + 1.95 * np.sin(np.arange(400) / 40.0), 1.2, 4.9)
    assert [(one.side, one.jumped, one.jumped_back, one.is_smooth) for one in stays(values)] == [
        ("high", False, False, True)
    ] * 2
    values[60:] = 2.0  # and then it jumps away
    (one,) = stays(values)
    assert (one.jumped, one.jumped_back, one.is_smooth) == (False, True, False)


@pytest.mark.parametrize(
    ("led", "level", "jumped"),
    [
        # A quarter of a width of 4: from 1 V on twice the largest of the steps that led there.
        ([1.0, 1.1, 1.2, 1.3, 1.4], 2.3, True),
        ([1.0, 1.0, 1.55, 1.55, 1.55], 2.6, False),  # 1.05 V, under twice 0.55 V
        ([1.0, 1.0, 1.5, 1.5, 1.5], 2.6, True),  # 1.1 V, over twice 0.5 V
        # Less: four times the largest, or four raw steps.
        ([1.0, 1.1, 1.2, 1.2, 1.2], 1.59, False),
        ([1.0, 1.1, 1.2, 1.2, 1.2], 1.61, True),
        ([1.0, 1.0, 1.0, 1.0], 1.039, False),
        ([1.0, 1.0, 1.0, 1.0], 1.041, True),
        # An input filter leaves one sample half way: the one before it counts, and its step does not.
        ([1.0, 1.0, 1.0, 1.0, 1.9], 2.8, True),
        ([1.0, 1.0, 1.0, 2.75, 2.79], 2.8, False),
        # What isn't there tells nothing.
        ([1.0, np.nan, np.nan], 1.0, True),
        ([1.0, 1.0, np.nan, np.nan], 1.02, False),
        ([], 1.0, True),
    ],
)
def test_a_jump_is_far_higher_than_the_steps_that_led_there(led, level, jumped):
    assert jumps(np.array(led, dtype=float), level, width=4.0, step=0.01) is jumped


@pytest.mark.parametrize(
    ("level", "healthy", "rail"),
    [
        # On the way from the end of the band to the rail no more than six tenths may be left; 0.1 V is close anyway.
        (0.148, (0.25, 4.75), True),
        (0.153, (0.25, 4.75), False),
        (4.852, (0.25, 4.75), True),
        (4.848, (0.25, 4.75), False),
        (0.09, (0.12, 4.75), True),
        (0.11, (0.12, 4.75), False),
        (4.905, (0.25, 4.89), True),
        (4.895, (0.25, 4.89), False),
        (5.0, (0.25, 5.5), False),
        (5.5, (0.25, 5.4), True),
    ],
)
def test_a_level_is_at_the_rail_or_only_beyond_the_band(level, healthy, rail):
    values = np.full(100, 2.0)
    values[40:60] = level
    found = stays(values, healthy=healthy)
    assert [one.at_rail for one in found] == ([rail] if level < healthy[0] or level >= healthy[1] else [])


def test_a_current_has_no_known_rail():
    table = {"kind": "linear", "electrical": "mA", "points": [[4, 0.0], [20, 10.0]], "unit": "bar"}
    each = made("a", np.where(np.arange(100) < 50, 12.0, 3.4), kind=sensor(table, healthy=(3.6, 21.0)))
    assert [one.at_rail for one in stays_of(each, 0.0)] == [True]


def test_noise_that_dips_within_the_end_counts_as_at_the_end():
    rng = np.random.default_rng(1)
    values = 2.0 + 0.02 * rng.standard_normal(400)
    values[100:200] = 4.77 + 0.02 * rng.standard_normal(100)
    found = stays(values, join_s=1.0)
    (one,) = found
    assert one.filled > 0.95
    assert 0.04 < one.wanders < 0.08  # 3.3 standard deviations from the 5th to the 95th percentile
    values[140:165] = 4.4
    (one,) = stays(values, join_s=1.0)
    assert one.filled == pytest.approx(0.75, abs=0.02)


def test_only_what_has_a_sensor_and_a_band_can_be_judged():
    with_band, without = made("a", np.ones(30), kind=sensor()), made("b", np.ones(30), unit="V")
    hertz = {"kind": "linear", "electrical": "Hz", "points": [[0, 0.0], [100, 10.0]], "unit": "bar"}
    wheel = made("w", np.ones(30), kind=sensor(hertz, healthy=(1.0, 90.0)))
    computed = replace(with_band, signal=None, series=replace(with_band.series, name="c"))
    assert [each.name for each in wired(case_of(with_band, without, wheel, computed))] == ["a"]
    assert list(stays_of(without, 0.0)) == []


@pytest.mark.parametrize(
    ("kind", "name", "seconds"),
    [("linear", "debounce_s", 0.2)]
    + [(kind, "debounce_slow_s", 1.0) for kind in ("thermistor", "rtd", "thermocouple")],
)
def test_temperatures_have_longer_to_settle(kind, name, seconds):
    each = made("a", np.ones(30), kind=sensor(PRESSURE))
    assert each.sensor is not None
    own = replace(each.sensor, calibration=type("Kind", (), {"kind": kind})())
    assert debounce_of(case_of(each), replace(each, sensor=own)) == (name, seconds)


def test_a_jump_is_measured_by_the_width_of_the_band() -> None:
    # From 3.8 to 4.98 V are over a quarter of 4.5 V, and over twice the largest step of 0.5 V.
    values = triangle()
    values[90:100] = [3.3] * 8 + [3.8, 3.8]
    values[100:120] = 4.98
    (one,) = stays(values)
    assert one.jumped is True


@pytest.mark.parametrize(("dip", "filled"), [(0.045, 1.0), (0.08, 0.7)])
def test_three_times_its_usual_noise_within_the_end_is_still_at_the_end(dip: float, filled: float) -> None:
    values = 2.0 + 0.02 * (np.arange(400) % 2)  # a noise of 17 mV
    values[100:200] = 4.85
    values[140:170] = 4.75 - dip
    (one,) = stays(values, join_s=1.0)
    assert one.filled == pytest.approx(filled, abs=0.011)


def test_stays_join_within_their_own_segment() -> None:
    values = np.full(300, 2.0)
    values[100:120] = values[140:160] = values[165:180] = 4.98
    found = stays(values, join_s=1.0, cuts=(130,))
    assert [(one.first, one.stop) for one in found] == [(100, 120), (140, 180)]


def test_how_far_it_wanders_is_from_the_5th_to_the_95th_percentile() -> None:
    values = np.full(400, 2.0)
    values[100:201] = 4.86 + np.abs(np.arange(-50, 51)) * 0.0008
    values[100] = values[200] = values[150] = 4.88  # within a hundredth of the band of the median
    (one,) = stays(values)
    inside = np.rint(values[100:201] / (5 / 4096)) * (5 / 4096)
    assert one.wanders == pytest.approx(float(np.quantile(inside, 0.95) - np.quantile(inside, 0.05)), abs=1e-6)


def test_millivolts_have_the_same_rails() -> None:
    table = {"kind": "linear", "electrical": "mV", "points": [[500, 0.0], [4500, 10.0]], "unit": "bar"}
    for level, rail in ((90.0, True), (110.0, False)):
        each = made("a", np.where(np.arange(100) < 50, 2000.0, level), kind=sensor(table, healthy=(120.0, 4750.0)))
        assert [one.at_rail for one in stays_of(each, 0.0)] == [rail]
