"""How fast quantities can change, who says so, and which samples were faster."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.sensors.inputs.rate_limits import fastest, too_fast
from tests.diagnosis.sensors.synthetic import PRESSURE, made, sensor

ONES = np.ones(30)


@pytest.mark.parametrize(
    ("role", "unit", "rate"),
    [
        # Rules of the trade: a hard stop is 85 bar within a tenth of a second, a turbo fills in one, oil warms slowly.
        ("oil_pressure", "bar", 100.0),
        ("fuel_pressure", "bar", 100.0),
        ("brake_pressure", "bar", 2000.0),
        ("manifold_pressure", "kPa", 3000.0),
        ("barometric_pressure", "kPa", 20.0),
        ("oil_temperature", "degC", 10.0),
        ("coolant_temperature", "degC", 10.0),
        ("air_temperature", "degC", 15.0),
        ("exhaust_temperature", "degC", 400.0),
        ("damper_travel", "mm", 3000.0),
        ("steering_angle", "deg", 1500.0),
        ("throttle", "%", 3000.0),
        # In another unit it is as much.
        ("oil_pressure", "kPa", 10_000.0),
        ("manifold_pressure", "bar", 30.0),
        ("oil_temperature", "degF", 18.0),
        ("damper_travel", "m", 3.0),
    ],
)
def test_a_role_has_a_usual_rate(role, unit, rate):
    limit, by = fastest(made("a", ONES, unit=unit, role=role)) or (0.0, "")
    assert (limit, by) == (pytest.approx(rate), f"usual for {role}")


def test_what_the_car_file_says_of_a_sensor_comes_first():
    own = made("a", ONES, kind=sensor(PRESSURE, max_rate=20.0), role="oil_pressure")
    assert fastest(own) == (20.0, "max_rate of sensor bar")
    in_kilopascal = replace(own, series=replace(own.series, unit="kPa"))
    assert fastest(in_kilopascal) == (pytest.approx(2000.0), "max_rate of sensor bar")
    without = replace(own, series=replace(own.series, unit=""))
    assert fastest(without) == (20.0, "max_rate of sensor bar")
    assert fastest(made("a", ONES, kind=sensor(PRESSURE), role="oil_pressure")) == (100.0, "usual for oil_pressure")


def test_nobody_says_how_fast_something_is_that_has_no_role_or_another_unit():
    assert fastest(made("a", ONES, unit="bar")) is None
    assert fastest(made("a", ONES, unit="V", role="oil_pressure")) is None
    assert fastest(made("a", ONES, unit="rpm", role="engine_speed")) is None


@pytest.mark.parametrize("kind", ["thermistor", "rtd"])
@pytest.mark.parametrize(("unit", "rate"), [("degC", 15.0), ("degF", 27.0), ("bar", None)])
def test_a_body_with_a_thermistor_warms_slowly(kind, unit, rate):
    each = made("a", ONES, unit=unit)
    own = replace(sensor(PRESSURE), calibration=type("Kind", (), {"kind": kind})())
    found = fastest(replace(each, sensor=own))
    assert found == ((pytest.approx(rate), "usual for a temperature") if rate else None)
    with_role = replace(made("a", ONES, unit="degC", role="oil_temperature"), sensor=own)
    assert fastest(with_role) == (10.0, "usual for oil_temperature")


def fast(values, limit=100.0, **keys):
    return np.flatnonzero(too_fast(made("a", np.array(values, dtype=float), **keys), limit)).tolist()


def test_a_sample_is_too_fast_where_it_moved_further_than_the_time_allows():
    # 50 Hz: at 100 a second 2 between samples.
    assert fast([0, 2, 4.5, 4.5, 2.4, 0.4]) == [2, 4]
    assert too_fast(made("a", np.ones(1)), 100.0).tolist() == [False]
    assert fast([0.0, 3.0]) == [1]


def test_stamps_may_be_half_a_period_early():
    seconds = np.array([0.0, 0.02, 0.0201, 0.06, 0.08, 0.1])
    assert fast([0, 0, 0.9, 0.9, 0.9, 0.9], seconds=seconds) == []  # 0.1 ms counts for 10 ms: 1 at 100 a second
    assert fast([0, 0, 1.1, 1.1, 1.1, 1.1], seconds=seconds) == [2]


def test_three_raw_steps_are_no_speed():
    # The raw steps are 1/1000: at 0.01 a second 0.0002 between samples.
    assert fast([0, 0.003, 0.0065], limit=0.01) == [2]


def test_a_value_beside_none_is_too_fast_and_a_new_segment_is_not():
    values = np.array([1.0, 1.0, 1.0, 1.0, 1.0, 1.0])
    each = made("a", values, kind=sensor())
    value = np.array([1.0, np.nan, np.nan, 1.0, 1.0, 9.0])
    there = replace(each, series=replace(each.series, value=value, volts=np.array([1, 2, 2, 1, 1, 2.0])))
    assert np.flatnonzero(too_fast(there, 100.0)).tolist() == [1, 3, 5]
    short = replace(
        there.series, quality=np.array([0, 1, 1, 0, 0, 0], dtype=np.uint16) * np.uint16(Quality.SHORT_FRAME)
    )
    assert np.flatnonzero(too_fast(replace(there, series=short), 100.0)).tolist() == [5]
    for cuts in ([0, 5], [0, 5, 6]):  # a segment without samples starts behind the last one
        cut = replace(there.series, segments=np.array(cuts))
        assert np.flatnonzero(too_fast(replace(there, series=cut), 100.0)).tolist() == [1, 3]
