"""Volts that no converter reads, and inputs that are at a rail for another reason."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.sensors.numbers.calibration import value_sightings
from buswright.diagnosis.sensors.numbers.levels import MIXED, not_the_wire, wrong_levels, wrong_volts
from buswright.findings import Severity
from tests.diagnosis.sensors.synthetic import PRESSURE, STEP_V, case_of, made, sensor

N = 4000
SECONDS = np.arange(N) / 50.0


def found(volts):
    channel = made("p", volts, kind=sensor())
    return [(one.finding.fault, one.finding.subject) for one in value_sightings(case_of(channel))]


def driven(seed):
    rng = np.random.default_rng(seed)
    return 2.2 + 1.2 * np.sin(SECONDS / 3) + rng.normal(0, 2 * STEP_V, N)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("factor", [10.0, 0.1, 100.0])
def test_a_factor_of_ten_in_the_volts_is_a_scale(seed, factor):
    assert found(driven(seed)) == []
    assert found(factor * driven(seed)) == [("scale-or-unit", "channel:p")]


def test_a_level_that_rests_is_a_scale_where_not_even_a_battery_gives_so_much():
    rng = np.random.default_rng(5)
    assert found(25.0 + rng.normal(0, STEP_V, N)) == [("scale-or-unit", "channel:p")]
    assert found(13.8 + rng.normal(0, STEP_V, N)) == []  # the battery itself


def test_wires_at_a_rail_are_no_scale():
    rng = np.random.default_rng(6)
    assert found(5.6 + rng.normal(0, STEP_V, N)) == []
    assert found(0.03 + rng.normal(0, STEP_V, N)) == []
    assert found(0.1 + np.abs(rng.normal(0, 0.05, N))) == []  # hum on an open input
    assert found(0.008 * driven(6)) == []  # a pot whose supply is gone
    shorted = driven(6)
    shorted[N // 4 :] = 5.02
    assert found(shorted) == []


def test_a_supply_that_was_right_at_first_is_off_for_a_while_only():
    lost = np.where(SECONDS > 20, 0.02, 5.0)
    (one,) = value_sightings(case_of(made("ref", lost, unit="V", role="reference_voltage")))
    assert one.finding.subject == "channel:ref"
    assert [round(window.start_ns / 1e9) for window in one.windows] == [20]
    (one,) = value_sightings(case_of(made("ref", 0.1 * (lost + 5), unit="V", role="reference_voltage")))
    assert one.windows == ()


# Levels of a role -------------------------------------------------------------------------------------------

TENTHS = np.arange(0, 12, 0.1)
RUNNING = made("rpm", np.full(len(TENTHS), 1500.0), seconds=TENTHS, hz=10.0, unit="rpm", role="engine_speed")


def level(role, unit, values, *others, **keys):
    """What is said of one channel at 10 Hz while the engine runs."""
    values = np.broadcast_to(values, len(TENTHS))
    each = made("p", values, seconds=TENTHS, hz=10.0, unit=unit, role=role, **keys)
    return [one.finding for one in wrong_levels(case_of(each, *(others or (RUNNING,)))) if "channel:p" in one.reach]


@pytest.mark.parametrize(
    ("role", "unit", "least", "most"),
    [
        # What a car with a piston engine can show (common practice): from a flat battery or a full vacuum to jump leads
        # or two bar of boost, from Death Valley's summer to a hot oil sump.
        ("battery_voltage", "V", 6, 18),
        ("module_supply", "V", 4, 18),
        ("reference_voltage", "V", 3, 12.5),
        ("oil_pressure", "bar", 0.3, 12),
        ("fuel_pressure", "bar", 0.8, 12),
        ("brake_pressure", "bar", -5, 260),
        ("manifold_pressure", "kPa", 12, 400),
        ("barometric_pressure", "kPa", 60, 110),
        ("lambda", "lambda", 0.55, 2.5),
        ("vehicle_speed", "km/h", -2, 400),
        ("wheel_speed", "km/h", -2, 450),
        ("accel_lat", "m/s2", -1, 60),
        ("accel_long", "m/s2", -1, 60),
        ("yaw_rate", "deg/s", -1, 250),
        ("coolant_temperature", "degC", -40, 150),
        ("oil_temperature", "degC", -40, 190),
        ("air_temperature", "degC", -40, 120),
    ],
)
def test_a_level_is_right_up_to_both_limits_and_wrong_just_beyond(role, unit, least, most):
    assert level(role, unit, float(least)) == []
    assert level(role, unit, float(most)) == []
    (low,) = level(role, unit, least - 0.05 * abs(least))
    (high,) = level(role, unit, most + 0.05 * most)
    said = f"on a car it lies between {least:g} and {most:g}"
    assert said in low.evidence[0]
    assert said in high.evidence[0]
    assert low.subject == high.subject == "channel:p"
    assert low.count == high.count == 1
    assert high.severity is Severity.SUSPECT  # a little beyond may be a car that nobody thought of
    assert high.confidence == pytest.approx(calibrated(high.fault, 0.5), abs=5e-4)
    assert low.severity is Severity.SUSPECT or least <= 0


def test_an_engine_speed_is_right_up_to_22000_rpm():
    rpm = [made("p", np.full(len(TENTHS), speed), seconds=TENTHS, hz=10.0, unit="rpm", role="engine_speed")
           for speed in (-10.0, 22_000.0, -10.5, 22_500.0)]  # fmt: skip
    assert [len(list(wrong_levels(case_of(each)))) for each in rpm] == [0, 0, 1, 1]


@pytest.mark.parametrize(
    ("role", "unit", "low", "high"),
    [("oil_pressure", "bar", 0.3, 12.0), ("fuel_pressure", "bar", 0.8, 12.0), ("lambda", "lambda", 0.55, 2.5)],
)
def test_what_needs_the_engine_is_judged_while_it_runs_only(role, unit, low, high):
    stands = made("rpm", np.zeros(len(TENTHS)), seconds=TENTHS, hz=10.0, unit="rpm", role="engine_speed")
    assert level(role, unit, 2 * high, stands) == []
    (one,) = level(role, unit, 2 * high)
    assert " while the engine runs; " in one.evidence[0]


@pytest.mark.parametrize(
    ("role", "unit", "usual", "far", "share"),
    [
        # Half of the values for what is always there, the 95th or the 90th percentile for what rests mostly.
        ("battery_voltage", "V", 13.0, 30.0, 0.5),
        ("brake_pressure", "bar", 0.0, 600.0, 0.05),
        ("vehicle_speed", "km/h", 80.0, 900.0, 0.1),
        ("wheel_speed", "km/h", 80.0, 900.0, 0.1),
        ("engine_speed", "rpm", 5000.0, 60_000.0, 0.1),
        ("accel_lat", "m/s2", 3.0, 200.0, 0.1),
        ("accel_long", "m/s2", 3.0, 200.0, 0.1),
        ("yaw_rate", "deg/s", 30.0, 700.0, 0.1),
        ("coolant_temperature", "degC", 80.0, 300.0, 0.1),
        ("oil_temperature", "degC", 80.0, 400.0, 0.1),
        ("air_temperature", "degC", 30.0, 250.0, 0.1),
    ],
)
def test_a_level_is_that_of_a_share_of_the_values(role, unit, usual, far, share):
    def said(count):
        return level(role, unit, np.where(np.arange(len(TENTHS)) < count, far, usual))

    few = int(len(TENTHS) * share)
    assert said(few - 3) == []
    assert len(said(few + 4)) == 1


def test_under_five_seconds_no_level_is_judged():
    def said(count):
        times = np.arange(count) * 0.1
        return len(list(wrong_levels(case_of(made("p", np.full(count, 30.0), seconds=times, unit="V",
                                                  role="battery_voltage")))))  # fmt: skip

    assert (said(49), said(50)) == (0, 1)


@pytest.mark.parametrize(
    ("role", "unit", "shows", "fault", "sure", "words"),
    [
        # The level over the factor lies in the usual range, and far beyond it: the mix-up is likely.
        ("coolant_temperature", "degC", 230.0, "scale-or-unit", 0.8, "It would fit as °F read as °C."),
        ("barometric_pressure", "kPa", 1.01, "scale-or-unit", 0.8, "It would fit as bar read as kPa."),
        ("barometric_pressure", "kPa", 101_000.0, "scale-or-unit", 0.8, "It would fit as a factor of a thousand."),
        (
            "battery_voltage",
            "V",
            20.0,
            "scale-or-unit",
            0.5,
            f"It would fit as {MIXED[4].words} or {MIXED[12].words}.",
        ),
        # None brings it back.
        ("barometric_pressure", "kPa", 50_000.0, "gain", 0.5, ""),
        # No factor mends a sign.
        ("accel_lat", "m/s2", -9.8, "offset", 0.5, ""),
        ("brake_pressure", "bar", -20.0, "offset", 0.5, ""),
    ],
)
def test_a_level_far_off_names_what_brings_it_back(role, unit, shows, fault, sure, words):
    (one,) = level(role, unit, shows)
    assert (one.fault, list(one.evidence[1:])) == (fault, [words] if words else [])
    assert one.confidence == pytest.approx(calibrated(fault, sure), abs=5e-4)


def test_fahrenheit_is_said_only_where_it_gives_a_usual_temperature():
    (hot,) = level("coolant_temperature", "degC", 302.0)  # (302 - 32) / 1.8 = 150 °C
    assert hot.evidence[1] == "It would fit as °F read as °C."
    (too_hot,) = level("coolant_temperature", "degC", 304.0)
    assert (too_hot.fault, len(too_hot.evidence)) == ("gain", 1)
    assert "°C, a wide range" in too_hot.threshold


def test_most_samples_beyond_the_databases_range_say_more_than_a_level():
    counts = []
    for marked in (60, 61):  # of 120
        quality = np.where(np.arange(len(TENTHS)) < marked, Quality.DATABASE_RANGE, 0)
        counts.append(len(level("barometric_pressure", "kPa", 50_000.0, quality=quality)))
    assert counts == [1, 0]


@pytest.mark.parametrize(
    ("role", "unit", "shows", "severity"),
    [
        # 6 to 18 V: over 1.5 times 18, under half of 6.
        ("battery_voltage", "V", 18.9, "SUSPECT"),
        ("battery_voltage", "V", 26.9, "SUSPECT"),
        ("battery_voltage", "V", 27.1, "FAULT"),
        ("battery_voltage", "V", 3.1, "SUSPECT"),
        ("battery_voltage", "V", 2.9, "FAULT"),
        # From -40 degC, -2 km/h: half of that further down.
        ("coolant_temperature", "degC", -59.0, "SUSPECT"),
        ("coolant_temperature", "degC", -61.0, "FAULT"),
        ("wheel_speed", "km/h", -2.9, "SUSPECT"),
        ("wheel_speed", "km/h", -3.1, "FAULT"),
    ],
)
def test_a_level_is_a_fault_where_it_is_off_by_half(role, unit, shows, severity):
    (one,) = level(role, unit, shows)
    assert one.severity.name == severity


def test_a_sensor_of_its_own_makes_a_mix_up_of_units_and_its_volts_rule_the_wire_out():
    kind = sensor(PRESSURE)
    each = made("p", np.full(len(TENTHS), 2.5), seconds=TENTHS, hz=10.0, kind=kind, unit="bar", role="oil_pressure")
    each = each.with_series(each.series)
    assert not_the_wire(each) == ["Not an open or shorted wire: its input stayed between 2.5 and 2.5 V."]
    for low, high in ((0.2, 2.0), (1.0, 4.8), (0.3, 4.7)):
        ends = made("p", np.linspace(low, high, 200), kind=kind)
        assert bool(not_the_wire(ends)) == (low == 0.3)
    assert not_the_wire(made("p", np.full(20, 3.0), unit="bar")) == []


# Volts that no converter reads ------------------------------------------------------------------------------


def volts_said(values, **keys):
    return [one.finding for one in wrong_volts(case_of(made("p", values, kind=sensor(**keys))))]


def swing(middle, half, noise=0.0):
    """A triangle, so that its 5th and 95th percentile are known."""
    at = np.abs(np.mod(np.arange(200) / 25.0, 2.0) - 1.0)
    return middle + half * (2 * at - 1) + noise * np.tile([1.0, -1.0], 100)


def test_a_factor_of_ten_is_said_with_the_level_and_the_band():
    (one,) = volts_said(10 * swing(2.5, 1.0))
    assert (one.fault, one.severity, one.confidence) == ("scale-or-unit", Severity.FAULT, 0.85)
    assert one.evidence == (
        "The input of p reads 25 V; its live band is 0.25 to 4.75 V.",
        "Over 10 all of it lies in that band: a factor of ten, or of some, in the database.",
    )
    assert one.threshold == "beyond 1.3 times the supply, or moving by 5 % of its band outside it"
    assert one.ruled_out == ("Not a short to a supply: no converter reads so much.",)
    assert one.next_check.endswith("in the sheet of node.")
    (small,) = volts_said(0.1 * swing(2.0, 1.0), healthy=(0.5, 4.5))
    assert small.ruled_out[0].startswith("Not a short to ground or an open wire")


@pytest.mark.parametrize(
    ("values", "healthy", "said"),
    [
        # A reference that is off makes no more than 6.5 V, 1.3 times 5 V: here the 95th percentile is 6.26 and 6.67 V.
        (10 * swing(0.50, 0.14), (0.25, 4.75), False),
        (10 * swing(0.55, 0.13), (0.25, 4.75), True),
        # It moves by 5 % of a band of 4.5 V, ten times: 2.25 V between the 5th and 95th percentile of a triangle.
        (10 * swing(1.0, 0.12), (0.25, 4.75), False),
        (10 * swing(1.0, 0.13), (0.25, 4.75), True),
        # At rest 1.3 times 18 V of a battery.
        (np.full(200, 23.3), (0.25, 4.75), False),
        (np.full(200, 23.5), (0.25, 4.75), True),
        # A tenth: under 50 mV it is ground.
        (0.1 * swing(0.48, 0.2), (0.25, 4.75), False),
        (0.1 * swing(0.60, 0.3), (0.25, 4.75), True),
        # Noise is more than a tenth of what it moves.
        (10 * swing(1.0, 0.2, noise=0.05), (0.25, 4.75), False),
        (10 * swing(1.0, 0.2, noise=0.002), (0.25, 4.75), True),
    ],
)
def test_what_a_factor_of_ten_must_look_like(values, healthy, said):
    assert bool(volts_said(values, healthy=healthy)) is said


def test_nearly_all_samples_must_come_back_into_the_band_and_half_must_be_outside():
    good = 10 * swing(2.5, 1.0)
    strays = good.copy()
    strays[:4] = 60.0  # of 200: two in a hundred
    assert volts_said(strays)
    strays[:5] = 60.0
    assert not volts_said(strays)
    inside = np.where(np.arange(200) < 101, swing(2.5, 1.0), good)
    assert not volts_said(inside)
    assert not volts_said(good[:49])
    assert volts_said(good[:50])


def test_volts_that_a_module_sends_as_millivolts_have_the_same_limits():
    table = {"kind": "linear", "electrical": "mV", "points": [[500, 0.0], [4500, 10.0]], "unit": "bar"}

    def said(values):
        each = made("p", 1000.0 * values, kind=sensor(table, healthy=(250.0, 4750.0)))
        return len(list(wrong_volts(case_of(each))))

    assert [said(np.full(200, volts)) for volts in (23.3, 23.5)] == [0, 1]
    assert [said(0.1 * swing(*each)) for each in ((0.48, 0.2), (0.60, 0.3))] == [0, 1]
    assert [said(10 * swing(*each)) for each in ((0.50, 0.14), (0.55, 0.13))] == [0, 1]


def test_a_code_outside_the_database_is_told_from_a_quantity_by_how_few_there_are():
    shows = np.where(np.arange(len(TENTHS)) % 4 == 0, 500.0, 80.0)

    def said(values, share=0.25):
        marked = np.where(np.arange(len(TENTHS)) < share * 120, Quality.DATABASE_RANGE, 0) if share != 0.25 else (
            np.where(shows > 400, Quality.DATABASE_RANGE, 0))  # fmt: skip
        return len(level("vehicle_speed", "km/h", values, quality=marked))

    assert said(shows) == 0  # 30 samples of one value
    assert said(shows + 0.5 * (np.arange(len(TENTHS)) % 12)) == 0  # of 3: 10 for each
    assert said(np.where(shows > 400, shows + 0.5 * (np.arange(len(TENTHS)) % 16), shows)) == 1  # of 4
    assert said(np.full(len(TENTHS), 500.0), 0.5) == 1
    assert said(np.full(len(TENTHS), 500.0), 0.6) == 1


@pytest.mark.parametrize(
    ("words", "factor"),
    [
        # A pound-force per square inch is 6.894757 kPa, a mile 1.609344 km, an hour 3600 s, g 9.80665 m/s2 (NIST SP
        # 811, appendix B); a number is too large by what the unit that it was read in is of the one that was sent.
        ("psi read as bar", 100 / 6.894757),
        ("bar read as psi", 6.894757 / 100),
        ("kPa read as bar", 100.0),
        ("bar read as kPa", 0.01),
        ("km/h where mph were sent, or the other way", 1.609344),
        ("mph read as km/h", 1 / 1.609344),
        ("km/h read as m/s", 3.6),
        ("m/s read as km/h", 1 / 3.6),
        ("m/s2 read as g", 9.80665),
        ("g read as m/s2", 1 / 9.80665),
        ("deg read as rad", 57.29577951308232),
        ("rad read as deg", 0.017453292519943295),
        ("a diameter for a radius, or twice the teeth", 2.0),
        ("a radius for a diameter, or half the teeth", 0.5),
    ],
)
def test_mix_ups_have_the_factors_of_the_units(words, factor):
    (one,) = (one for one in MIXED if one.words == words)
    assert one.factor == pytest.approx(factor, rel=1e-6)


def test_decimal_points_move_by_one_or_three_places():
    assert sorted(one.factor for one in MIXED if one.words.startswith("a factor of")) == [0.001, 0.1, 10.0, 1000.0]
