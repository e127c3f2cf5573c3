"""The table of a standing car: limits by role, the same rule as the findings, and what isn't judged."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.diagnosis.phases.truths import truths
from buswright.diagnosis.sensors.numbers.soak import wrong_after_soak
from buswright.diagnosis.sensors.numbers.zeroes import wrong_at_rest

from ..sensors.synthetic import case_of
from .phased import OFF, engine, plain


def table(*channels, baseline=None):
    case = case_of(*engine(), *channels)
    return {one.channel: one for one in truths(replace(case, baseline=baseline))}


def good_run(basis, **zeroes):
    channels = {name: SimpleNamespace(rest=SimpleNamespace(zero=zero)) for name, zero in zeroes.items()}
    return SimpleNamespace(at_rest=SimpleNamespace(basis=basis, words="x"), channels=channels)


@pytest.mark.parametrize(
    ("role", "unit", "within", "beyond"),
    [
        ("throttle", "%", 2.0, 8.0),
        ("yaw_rate", "deg/s", 0.4, -3.0),
        ("accel_long", "m/s^2", 0.3, 2.0),
        ("accel_vert", "g", 0.97, 0.9),
        ("wheel_speed", "km/h", 0.3, 1.4),
        ("steering_angle", "deg", -2.0, 5.0),
        ("battery_voltage", "V", 12.4, 11.6),
    ],
)
def test_a_level_is_held_against_the_limit_of_its_role(role, unit, within, beyond):
    found = table(plain("a", within, role, unit), plain("b", beyond, role, unit))
    assert found["a"].verdict == "within"
    if role != "wheel_speed":  # two wheels give the speed by which the car stands
        assert found["b"].verdict == "beyond"
    assert found["a"].low < found["a"].high
    assert found["a"].level == pytest.approx(within * (9.80665 if unit == "g" else 1.0))


@pytest.mark.parametrize("level", np.linspace(-20, 20, 9).tolist())
def test_the_table_and_the_findings_have_one_rule(level):
    case = case_of(*engine(), plain("pedal", level, "throttle", "%"))
    found = {one.channel: one for one in truths(case)}
    assert (found["pedal"].verdict == "beyond") == bool(list(wrong_at_rest(case)))


def test_a_supply_is_held_against_the_battery():
    battery = plain("battery", 12.4, "battery_voltage", "V")
    found = table(battery, plain("near", 12.2, "module_supply", "V"), plain("far", 11.8, "module_supply", "V"))
    assert [found[name].verdict for name in ("near", "far")] == ["within", "beyond"]


def temperatures(*levels, fluid="coolant_temperature"):
    roles = [fluid, "oil_temperature", *["air_temperature"] * (len(levels) - 2)]
    return [plain(f"t{k}", level, role, "degC") for k, (level, role) in enumerate(zip(levels, roles, strict=True))]


def test_temperatures_of_a_cold_engine_agree():
    found = table(*temperatures(18.0, 18.5, 19.0, 17.5, 33.0))
    assert [found[f"t{k}"].verdict for k in range(5)] == ["within"] * 4 + ["beyond"]
    case = case_of(*engine(), *temperatures(18.0, 18.5, 19.0, 17.5, 33.0))
    assert [one.finding.subject for one in wrong_after_soak(case)] == ["channel:t4"]


def test_temperatures_of_a_warm_engine_are_not_judged():
    found = table(*temperatures(80.0, 90.0, 20.0, 21.0, 25.0))
    assert {one.verdict for name, one in found.items() if name.startswith("t")} == {"not judged"}


def test_the_manifold_shows_the_pressure_of_the_air():
    air = plain("air", 99.0, "barometric_pressure", "kPa")
    found = table(air, plain("map", np.where(OFF, 97.0, 40.0), "manifold_pressure", "kPa"))
    assert (found["map"].verdict, found["map"].low, found["map"].high) == ("within", 95.0, 103.0)
    found = table(air, plain("map", np.where(OFF, 90.0, 40.0), "manifold_pressure", "kPa"))
    assert found["map"].verdict == "beyond"


def test_ride_height_is_known_from_a_good_run_in_the_same_state():
    damper = plain("damper", 71.0, "damper_travel", "mm")
    without = table(damper)["damper"]
    assert (without.verdict, without.low, without.good) == ("not judged", None, None)
    assert "--baseline" in without.why
    same = table(damper, baseline=good_run("key-on", damper=70.0))["damper"]
    assert (same.verdict, same.good) == ("within", 70.0)
    assert table(damper, baseline=good_run("key-on", damper=60.0))["damper"].verdict == "beyond"
    other = table(damper, baseline=good_run("standing", damper=60.0))["damper"]
    assert (other.verdict, other.good) == ("not judged", None), "with the engine running it sits higher"


def test_without_key_on_there_is_no_table():
    case = case_of(plain("rpm", 900.0, "engine_speed", "rpm"), plain("pedal", 9.0, "throttle", "%"))
    assert truths(case) == ()
    assert truths(replace(case, channels=None)) == ()
