"""The table of a standing car: limits by role, the same rule as the findings, and what isn't judged."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.diagnosis.phases.truths import Truth, truths
from buswright.diagnosis.sensors.numbers.soak import wrong_after_soak
from buswright.diagnosis.sensors.numbers.zeroes import wrong_at_rest

from ..sensors.synthetic import case_of, made
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


# -- whole lines, and each limit --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "unit", "level", "line"),
    [
        ("wheel_speed", "km/h", 0.5, ("km/h", -1.0, 1.0, "within", "the car stands")),
        ("wheel_speed", "m/s", 0.25, ("km/h", -1.0, 1.0, "within", "the car stands")),  # 0.9 km/h
        ("accel_vert", "m/s^2", 9.3166, ("m/s2", 9.31665, 10.29665, "beyond", "1 g on level ground")),
        ("accel_vert", "m/s^2", 9.3167, ("m/s2", 9.31665, 10.29665, "within", "1 g on level ground")),
        ("accel_vert", "m/s^2", 10.2966, ("m/s2", 9.31665, 10.29665, "within", "1 g on level ground")),
        ("accel_vert", "m/s^2", 10.2967, ("m/s2", 9.31665, 10.29665, "beyond", "1 g on level ground")),
        (
            "steering_angle", "deg", 3.0,
            ("deg", -3.0, 3.0, "within", "front wheels straight ahead, as they should be here"),
        ),
        (
            "steering_angle", "deg", -3.001,
            ("deg", -3.0, 3.0, "beyond", "front wheels straight ahead, as they should be here"),
        ),
        (
            "battery_voltage", "V", 12.0,
            ("V", 12.0, 12.9, "within", "a charged battery without the alternator"),
        ),
        (
            "battery_voltage", "mV", 12_901.0,
            ("V", 12.0, 12.9, "beyond", "a charged battery without the alternator"),
        ),
    ],
)  # fmt: skip
def test_what_a_standing_car_must_show(role, unit, level, line):
    found = table(plain("one", level, role, unit))["one"]
    assert (found.unit, found.low, found.high, found.verdict, found.why) == (
        line[0], pytest.approx(line[1]), pytest.approx(line[2]), *line[3:],
    )  # fmt: skip
    assert (found.channel, found.role, found.good) == ("one", role, None)


@pytest.mark.parametrize(
    ("level", "verdict"), [(12.101, "within"), (12.099, "beyond"), (12.7, "within"), (12.701, "beyond")]
)
def test_a_modules_supply_is_that_of_the_battery_within_three_tenths(level, verdict):
    """The first battery that shows something counts; without one there is nothing to hold a supply against."""
    first, second = plain("b", 12.4, "battery_voltage", "V"), plain("c", 9.0, "battery_voltage", "V")
    nothing = plain("a", 7.0, "battery_voltage", "mm")
    found = table(nothing, first, second, plain("supply", level, "module_supply", "V"))["supply"]
    assert (found.low, found.high, found.verdict) == (pytest.approx(12.1), pytest.approx(12.7), verdict)
    assert found.why == "as the battery, but for the drop in its feed"
    assert "supply" not in table(plain("supply", level, "module_supply", "V"))


@pytest.mark.parametrize(
    ("level", "verdict"), [(68.0, "within"), (67.99, "beyond"), (72.0, "within"), (72.01, "beyond")]
)
def test_ride_height_is_that_of_the_good_run_within_two_millimetres(level, verdict):
    found = table(plain("damper", level, "damper_travel", "mm"), baseline=good_run("engine-off", damper=70.0))["damper"]
    assert found == Truth(
        "damper", "damper_travel", level, "mm", 68.0, 72.0, verdict, "ride height of the good run", 70.0
    )
    centimetres = table(plain("damper", level / 10, "damper_travel", "cm"), baseline=good_run("key-on", damper=7.0))
    assert (centimetres["damper"].unit, centimetres["damper"].good) == ("mm", pytest.approx(70.0))


def test_each_damper_has_its_own_height():
    dampers = plain("fl", 70.0, "damper_travel", "mm"), plain("fr", 70.0, "damper_travel", "mm")
    found = table(*dampers, baseline=good_run("key-on", fl=70.0, fr=60.0))
    assert [found[name].verdict for name in ("fl", "fr")] == ["within", "beyond"]
    found = table(*dampers, baseline=good_run("key-on", fl=70.0))
    assert [found[name].verdict for name in ("fl", "fr")] == ["within", "not judged"]


def test_what_the_good_run_showed_stands_beside_it():
    """None where that run knows no zero of the channel, was in another state, or had another quantity."""
    wheel = plain("wheel", 0.5, "wheel_speed", "km/h")
    assert table(wheel, baseline=good_run("key-on", wheel=0.2))["wheel"].good == pytest.approx(0.2)
    assert table(wheel, baseline=good_run("driving", wheel=0.2))["wheel"].good is None
    assert table(wheel, baseline=good_run("key-on", other=0.2))["wheel"].good is None
    assert table(wheel, baseline=good_run("key-on", wheel=None))["wheel"].good is None
    nothing = SimpleNamespace(at_rest=None, channels={})
    assert table(wheel, baseline=nothing)["wheel"].good is None
    bare = good_run("key-on")
    bare.channels["wheel"] = SimpleNamespace(rest=None)
    assert table(wheel, baseline=bare)["wheel"].good is None


def test_lines_stand_in_the_order_of_the_channels():
    found = table(
        plain("pedal", 2.0, "throttle", "%"), plain("battery", 12.4, "battery_voltage", "V"),
        plain("wheel", 0.0, "wheel_speed", "km/h"),
    )  # fmt: skip
    assert list(found) == ["rpm", "speed", "pedal", "battery", "wheel"]


def test_what_is_no_measurement_is_left_out():
    """A computed channel has no signal of its own."""
    wheel = replace(plain("wheel", 0.0, "wheel_speed", "km/h"), signal=None)
    water, oil, air = temperatures(80.0, 90.0, 20.0)
    found = table(wheel, water, oil, replace(air, signal=None))
    assert list(found) == ["rpm", "speed", "t0", "t1"]


def test_a_warm_engine_says_why_its_temperatures_are_not_compared():
    found = table(*temperatures(80.0, 90.0, 20.0))
    assert found["t0"] == Truth(
        "t0", "coolant_temperature", pytest.approx(80.0), "degC", None, None, "not judged",
        "temperatures agree only of a cold engine, and this one is not",
    )  # fmt: skip
    assert "plain" not in table(*temperatures(80.0, 90.0), plain("plain", 20.0, None, "degC"))


@pytest.mark.parametrize(("seconds", "there"), [(1.7, False), (1.8, True)])
def test_eight_settled_windows_of_key_on_are_needed(seconds, there):
    """Half a second at both ends is left out: of 1.8 s eight tenths stay."""
    times = np.arange(0, 10, 0.02)
    rpm = np.where(times < seconds, 0.0, 900.0)
    channels = (
        made("rpm", rpm, hz=50.0, unit="rpm", role="engine_speed"),
        made("speed", 0.0 * rpm, hz=50.0, unit="km/h", role="vehicle_speed"),
    )
    water = made("water", 80.0 + 0.0 * rpm, hz=50.0, unit="degC", role="coolant_temperature")
    found = [one.channel for one in truths(case_of(*channels, water))]
    assert found == (["rpm", "speed", "water"] if there else [])


@pytest.mark.parametrize(("seconds", "there"), [(0.7, False), (0.8, True)])
def test_temperatures_before_the_first_start_need_eight_windows(seconds, there):
    """The key is on again later, long enough for everything else."""
    times = np.arange(0, 8, 0.02)
    rpm = np.where((times > seconds - 0.001) & (times < 4), 900.0, 0.0)
    channels = (
        made("rpm", rpm, hz=50.0, unit="rpm", role="engine_speed"),
        made("speed", 0.0 * rpm, hz=50.0, unit="km/h", role="vehicle_speed"),
        made("water", 80.0 + 0.0 * rpm, hz=50.0, unit="degC", role="coolant_temperature"),
    )
    found = [one.channel for one in truths(case_of(*channels))]
    assert found == ["speed", *["water"] * there]
