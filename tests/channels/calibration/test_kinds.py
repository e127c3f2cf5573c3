"""Every kind of calibration: figures, limits, faults and words."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.calibration import registry as cal
from buswright.channels.calibration import thermo
from buswright.channels.calibration.count import Switch
from buswright.channels.calibration.kind import CalibrationError, Need, Range, nominal_references, on_rail
from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.tables import schema_of

REFERENCE = json.loads((Path(__file__).parent / "reference_temperature.json").read_text(encoding="utf-8"))
CHART = [1.12924e-3, 2.34108e-4, 0.87755e-7]


def make(kind, /, **keys):
    log = FaultLog()
    made = cal.read_calibration({"kind": kind, **keys}, log)
    assert made is not None, log.faults
    return made


def faults_of(kind, /, **keys):
    log = FaultLog()
    assert cal.read_calibration({"kind": kind, **keys} if kind else keys, log) is None
    return {fault.key: fault for fault in log.faults}


def one(calibration, x, references=None):
    return float(calibration.apply(np.array([x]), references)[0])


# -- linear


def test_a_line_through_two_points_goes_on_beyond_them():
    pot = make("linear", points=[[0.5, 0.0], [4.5, 150.0]], unit="mm")
    np.testing.assert_allclose(pot.apply(np.array([0.5, 2.5, 4.5, 4.6])), [0.0, 75.0, 150.0, 153.75], atol=1e-12)
    assert pot.range == Range((0.5, 4.5), (0.0, 150.0))
    assert (pot.span, pot.electrical, pot.unit) == (150.0, "V", "mm")
    assert pot.describe() == "0.5 V = 0 mm to 4.5 V = 150 mm, straight line"


def test_a_falling_line_and_points_in_any_order():
    falling = make("linear", points=[[4.5, -5.0], [0.5, 5.0]], unit="deg")
    assert falling.range == Range((0.5, 4.5), (5.0, -5.0))
    assert (falling.range.low, falling.range.high) == (-5.0, 5.0)
    assert one(falling, 1.5) == pytest.approx(2.5)


def test_slope_and_offset():
    line = make("linear", slope=37.5, offset=-18.75, unit="mm")
    assert one(line, 2.5) == pytest.approx(75.0)
    assert line.describe() == "37.5 mm per V, -18.75 mm at 0 V, straight line"
    assert not line.outside(np.array([-1e9, 1e9])).any()
    bounded = make("linear", slope=10.0, unit="A", electrical="mV", range=[0.0, 50.0])
    assert bounded.range == Range((0.0, 50.0), (0.0, 500.0))
    assert bounded.outside(np.array([-5.1, -4.9, 54.9, 55.1])).tolist() == [True, False, False, True]


# -- ratiometric


@pytest.mark.parametrize("case", REFERENCE["ratiometric"]["cases"])
def test_ratiometric_follows_its_supply(case):
    keys = {"fractions": [[0.1, 0.0], [0.9, case["FS_bar"]]], "unit": "bar"}
    measured = make("ratiometric", reference="sensor_supply", **keys)
    value = one(measured, case["V"], {"sensor_supply": np.array([case["Vs"]])})
    assert value == pytest.approx(case["P_bar"], abs=1e-4)
    assert one(make("ratiometric", supply=case["Vs"], **keys), case["V"]) == pytest.approx(value, abs=1e-12)


def test_points_at_nominal_supply_are_fractions_of_it():
    by_points = make("ratiometric", points=[[0.5, 0.0], [4.5, 10.0]], unit="bar", supply=5.0, reference="ref")
    by_parts = make("ratiometric", fractions=[[0.1, 0.0], [0.9, 10.0]], unit="bar", supply=5.0, reference="ref")
    supply = {"ref": np.array([4.8])}
    assert one(by_points, 2.4, supply) == pytest.approx(5.0)
    assert one(by_parts, 2.4, supply) == pytest.approx(5.0)
    assert by_points.range == by_parts.range == Range((0.5, 4.5), (0.0, 10.0))
    assert by_points.needs == (Need("ref", "V", "the supply of the sensor", 5.0),)
    assert 'as channel "ref" measures it' in by_points.describe()


def test_its_limits_move_with_the_supply():
    sensor = make("ratiometric", points=[[0.5, 0.0], [4.5, 10.0]], unit="bar", reference="ref")
    volts = np.array([4.6, 4.6])
    assert sensor.outside(volts, {"ref": np.array([5.0, 4.5])}).tolist() == [False, True]


def test_a_dead_supply_gives_no_value():
    sensor = make("ratiometric", points=[[0.5, 0.0], [4.5, 10.0]], unit="bar", reference="ref")
    values = sensor.apply(np.array([2.0, 2.0, 2.0]), {"ref": np.array([0.0, -0.1, np.nan])})
    assert np.isnan(values).all()


def test_a_missing_reference_is_named():
    sensor = make("ratiometric", points=[[0.5, 0.0], [4.5, 10.0]], unit="bar", reference="sensor_supply")
    for references in (None, {"other": np.ones(1)}):
        with pytest.raises(CalibrationError, match="'sensor_supply'"):
            sensor.apply(np.ones(1), references)
    assert one(sensor, 2.5, nominal_references(sensor)) == pytest.approx(5.0)


# -- table and polynomial


def test_a_table_goes_through_its_points():
    points = [[0.4, 0.0], [1.6, 12.0], [4.1, 45.0]]
    for interpolation in ("smooth", "straight"):
        table = make("table", points=points, unit="l", interpolation=interpolation)
        np.testing.assert_allclose(table.apply(np.array([0.4, 1.6, 4.1])), [0.0, 12.0, 45.0], atol=1e-12)
    assert one(table, 1.0) == pytest.approx(6.0)
    assert table.describe() == "0.4 V = 0 l to 4.1 V = 45 l, straight lines through 3 points"


def test_a_polynomial_and_its_tangents():
    curve = make("polynomial", coefficients=[1.0, 2.0, 3.0], range=[0.0, 2.0], unit="mm")
    np.testing.assert_allclose(
        curve.apply(np.array([-1.0, 0.0, 1.0, 2.0, 3.0])), [-1.0, 1.0, 6.0, 17.0, 31.0], atol=1e-12
    )
    assert curve.describe() == "1 + 2 x + 3 x^2 mm, x in V from 0 to 2"
    falling = make("polynomial", coefficients=[10.0, -1.0, -0.5], range=[0.0, 3.0], unit="mm")
    x = np.linspace(-1.0, 4.0, 51)
    np.testing.assert_allclose(falling.invert(falling.apply(x)), x, atol=1e-9)


def test_a_polynomial_that_turns_has_values_but_no_inverse():
    arch = make("polynomial", coefficients=[0.0, 4.0, -1.0], range=[0.0, 5.0], unit="mm")
    assert one(arch, 2.0) == pytest.approx(4.0)
    with pytest.raises(CalibrationError, match="turns round at 2 V") as caught:
        arch.invert(np.ones(1))
    assert "narrow its range" in caught.value.hint
    make("polynomial", coefficients=[0.0, 4.0, -1.0], range=[0.0, 1.9], unit="mm").invert(np.ones(1))
    # A level point in the middle is no turning point.
    cube = make("polynomial", coefficients=[0.0, 0.0, 0.0, 1.0], range=[-1.0, 2.0], unit="mm")
    assert cube.invert(np.array([1.0]))[0] == pytest.approx(1.0)


# -- thermistor and platinum


@pytest.mark.parametrize("case", REFERENCE["divider"]["cases"])
def test_a_pull_up_divider(case):
    sensor = make("thermistor", coefficients=CHART, pull_up=case["Rp"], supply=5.0)
    celsius = float(thermo.thermistor_celsius(np.array([float(case["R"])]), tuple(CHART))[0])
    assert one(sensor, case["V_at_5V"]) == pytest.approx(celsius, abs=0.02)  # the case's volts have five decimals
    assert sensor.invert(np.array([celsius]))[0] == pytest.approx(case["V_at_5V"], abs=1e-5)
    assert sensor.invert(np.array([celsius]))[0] / 5.0 == pytest.approx(case["ratio"], abs=1e-6)


def test_a_pull_down_divider_is_the_mirror_of_a_pull_up():
    up = make("thermistor", coefficients=CHART, pull_up=2200.0)
    down = make("thermistor", coefficients=CHART, pull_down=2200.0)
    volts = np.linspace(0.3, 4.7, 30)
    np.testing.assert_allclose(down.apply(5.0 - volts), up.apply(volts), rtol=1e-9)
    # Hotter is less resistance: less voltage below a pull-up, more above a pull-down.
    assert np.all(np.diff(up.apply(volts)) < 0)
    assert np.all(np.diff(down.apply(volts)) > 0)
    assert up.range.value == (150.0, -40.0)
    assert down.range.value == (-40.0, 150.0)


def test_a_divider_at_its_rails_gives_no_value():
    for side in ("pull_up", "pull_down"):
        sensor = make("thermistor", coefficients=CHART, **{side: 2200.0})
        assert np.isnan(sensor.apply(np.array([0.0, 5.0, -0.1, 5.1, np.nan, np.inf, -np.inf]))).all()


def test_a_divider_follows_a_measured_supply():
    sensor = make("thermistor", coefficients=CHART, pull_up=10_000.0, reference="ref")
    value = one(sensor, 2.4, {"ref": np.array([4.8])})
    assert value == pytest.approx(25.0, abs=0.001)  # half the supply: 10 kohm


def test_a_thermistor_by_resistance_beta_and_table():
    direct = make("thermistor", coefficients=CHART, electrical="ohm")
    assert one(direct, 10_000.0) == pytest.approx(25.0, abs=0.001)
    by_beta = make("thermistor", beta=3950.0, r25=10_000.0, electrical="ohm")
    assert one(by_beta, 3588.183) == pytest.approx(50.0, abs=1e-3)  # row of the beta table
    rows = [[row["t_C"], row["R_ohm"]] for row in REFERENCE["ntc_10k"]["rows_from_equation"]]
    by_table = make("thermistor", table=rows, electrical="ohm")
    assert by_table.range.electrical == pytest.approx((rows[-1][1], rows[0][1]))
    assert by_table.range.value == (150.0, -40.0)
    celsius = np.linspace(-40.0, 150.0, 100)
    ohm = thermo.thermistor_ohm(celsius, tuple(CHART))
    np.testing.assert_allclose(by_table.apply(ohm), celsius, rtol=0, atol=0.01)
    for row in rows:
        assert one(by_table, row[1]) == pytest.approx(row[0], abs=1e-9)
    # Beyond the table with the beta of its end, never to nonsense.
    assert 150.0 < one(by_table, 140.0) < 170.0


def test_a_thermistors_limits_are_in_temperature():
    sensor = make("thermistor", coefficients=CHART, pull_up=2200.0, range=[-20.0, 130.0])
    volts = sensor.invert(np.array([-36.0, -34.0, 144.0, 146.0]))
    assert sensor.outside(volts).tolist() == [True, False, False, True]


def test_platinum_in_its_circuits():
    ohm = make("rtd", r0=100.0, electrical="ohm")
    assert one(ohm, 138.5055) == pytest.approx(100.0, abs=1e-3)
    assert one(ohm, 60.2558) == pytest.approx(-100.0, abs=1e-3)
    divider = make("rtd", r0=1000.0, pull_up=1000.0, supply=5.0)
    assert one(divider, 2.5) == pytest.approx(0.0, abs=1e-9)
    mirrored = make("rtd", r0=1000.0, pull_down=1000.0, supply=5.0)
    assert one(mirrored, 2.0) == pytest.approx(one(divider, 3.0))
    current = make("rtd", r0=100.0, current=1.0, gain=10.0)
    assert one(current, 1.385055) == pytest.approx(100.0, abs=1e-3)
    assert current.describe().startswith("Pt100 (IEC 60751), 1 mA through it, amplified 10 times; ")


# -- thermocouple


@pytest.mark.parametrize("letter", "KJTNE")
def test_a_thermocouple_with_its_cold_junction_measured_or_fixed(letter):
    for case in REFERENCE["thermocouples"]["types"][letter]["cold_junction"]:
        fixed = make("thermocouple", type=letter, electrical="mV", cold_junction=case["cold_junction_C"])
        assert one(fixed, case["measured_mV"]) == pytest.approx(case["hot_C"], abs=0.003)
        measured = make("thermocouple", type=letter, electrical="uV", cold_junction="box")
        assert measured.needs == (Need("box", "degC", "the cold junction", 25.0),)
        cold = {"box": np.array([float(case["cold_junction_C"])])}
        assert one(measured, case["measured_mV"] * 1000.0, cold) == pytest.approx(case["hot_C"], abs=0.003)
        amplified = make("thermocouple", type=letter, gain=100.0, at_zero=1.25, cold_junction=25.0)
        assert one(amplified, 1.25 + 0.1 * case["measured_mV"]) == pytest.approx(case["hot_C"], abs=0.003)


def test_a_warmer_cold_junction_means_a_hotter_hot_one():
    sensor = make("thermocouple", type="K", electrical="mV", cold_junction="box")
    values = sensor.apply(np.full(3, 10.0), {"box": np.array([0.0, 25.0, np.nan])})
    assert values[0] < values[1] - 20.0
    assert np.isnan(values[2])


# -- frequency and switch


def test_a_toothed_wheel():
    wheel = make("frequency", teeth=48, circumference=1.79)
    assert (wheel.electrical, wheel.unit) == ("Hz", "m/s")
    assert one(wheel, 480.0) == pytest.approx(17.9)
    in_kmh = make("frequency", teeth=48, circumference=1.79, unit="km/h")
    assert one(in_kmh, 480.0) == pytest.approx(17.9 * 3.6)
    shaft = make("frequency", teeth=12)
    assert (shaft.unit, one(shaft, 1000.0)) == ("rpm", pytest.approx(5000.0))
    geared = make("frequency", teeth=12, ratio=4.0, unit="deg/s")
    assert one(geared, 48.0) == pytest.approx(360.0)
    assert wheel.describe() == "48 pulses a turn, 1.79 m a turn: 1 Hz = 0.037292 m/s"


def test_a_switch_knows_its_bands_and_nothing_between():
    lever = make(
        "switch",
        states=[
            {"name": "up", "band": [4.0, 5.0], "value": 1},
            {"name": "down", "band": [0.0, 1.0], "value": -1},
            {"name": "middle", "band": [2.0, 3.0], "value": 0},
        ],
    )
    assert isinstance(lever, Switch)
    volts = np.array([-0.1, 0.0, 1.0, 1.5, 2.5, 3.5, 4.0, 5.0, 5.1, np.nan])
    nan = np.nan
    np.testing.assert_array_equal(lever.apply(volts), [nan, -1.0, -1.0, nan, 0.0, nan, 1.0, 1.0, nan, nan])
    expected = [True, False, False, True, False, True, False, False, True, False]
    assert lever.outside(volts).tolist() == expected
    assert lever.describe().startswith("0 to 1 V = down (-1); 2 to 3 V = middle (0); ")
    counted = make("switch", states=[{"name": "off", "band": [0, 1]}, {"name": "on", "band": [4, 5]}])
    assert counted.apply(np.array([0.5, 4.5])).tolist() == [0.0, 1.0]


# -- two stages, another unit, held


LOOP = [
    {"kind": "linear", "points": [[0.88, 4.0], [4.4, 20.0]], "unit": "mA"},
    {"kind": "linear", "electrical": "A", "points": [[0.004, 0.0], [0.02, 16.0]], "unit": "bar"},
]


def test_two_stages_convert_between_them():
    loop = make("stages", stages=LOOP)
    assert (loop.electrical, loop.unit) == ("V", "bar")
    assert one(loop, 2.64) == pytest.approx(8.0)
    assert loop.invert(np.array([8.0]))[0] == pytest.approx(2.64)
    np.testing.assert_allclose(loop.range.electrical, (0.88, 4.4))
    np.testing.assert_allclose(loop.range.value, (0.0, 16.0), atol=1e-12)
    assert loop.describe() == (
        "1. 0.88 V = 4 mA to 4.4 V = 20 mA, straight line; then 2. 0.004 A = 0 bar to 0.02 A = 16 bar, straight line"
    )


def test_the_narrower_stage_sets_the_limits():
    amplifier = {"kind": "linear", "points": [[0.0, 0.0], [5.0, 50.0]], "unit": "mV"}
    sensor = {"kind": "linear", "electrical": "mV", "points": [[10.0, 0.0], [30.0, 100.0]], "unit": "bar"}
    both = make("stages", stages=[amplifier, sensor])
    np.testing.assert_allclose(both.range.electrical, (1.0, 3.0))
    assert both.outside(np.array([0.7, 0.9, 3.1, 3.3])).tolist() == [True, False, False, True]


def test_stages_hand_their_references_on():
    first = {"kind": "linear", "points": [[0.0, 0.0], [5.0, 10.0]], "unit": "V"}
    second = {"kind": "ratiometric", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar", "reference": "ref"}
    both = make("stages", stages=[first, second])
    assert [need.channel for need in both.needs] == ["ref"]
    assert one(both, 1.2, {"ref": np.array([4.8])}) == pytest.approx(5.0)


def test_a_value_in_another_unit():
    sensor = make("thermistor", coefficients=CHART, electrical="ohm", unit="°F")
    assert sensor.unit == "degF"
    assert one(sensor, 9999.91) == pytest.approx(77.0, abs=0.001)
    assert sensor.invert(np.array([77.0]))[0] == pytest.approx(9999.91, abs=0.05)
    np.testing.assert_allclose(sensor.range.value, (302.0, -40.0), atol=1e-9)
    assert sensor.describe().endswith("; shown in degF")


def test_clamped_only_when_asked_and_flagged_all_the_same():
    keys = {"points": [[0.5, 0.0], [4.5, 150.0]], "unit": "mm"}
    free, held = make("linear", **keys), make("linear", clamp=True, **keys)
    volts = np.array([0.0, 0.5, 4.5, 5.0, np.nan])
    np.testing.assert_allclose(free.apply(volts)[[0, 3]], [-18.75, 168.75])
    np.testing.assert_allclose(held.apply(volts), [0.0, 0.0, 150.0, 150.0, np.nan], atol=1e-12)
    assert held.outside(volts).tolist() == free.outside(volts).tolist() == [True, False, False, True, False]
    assert held.describe().endswith("; held at the outer points")


@pytest.mark.parametrize("how", [{"clamp": True}, {"unit": "psi"}, {"clamp": True, "unit": "psi"}])
def test_held_at_its_points_or_in_another_unit_it_follows_its_supply_still(how):
    keys = {"points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar", "reference": "sensor_supply"}
    assert make("ratiometric", **keys | how).needs == make("ratiometric", **keys).needs != ()


# -- limits and rails


def test_outside_begins_a_tenth_of_the_span_beyond_the_points():
    pot = make("linear", points=[[0.5, 0.0], [4.5, 150.0]], unit="mm")
    assert pot.outside(np.array([0.09, 0.11, 4.89, 4.91, np.nan])).tolist() == [True, False, False, True, False]
    assert pot.outside(np.array([0.45, 0.55]), margin=0.0).tolist() == [True, False]


def test_at_a_rail_is_on_it():
    assert on_rail(np.array([0.24, 0.25, 0.26, 4.74, 4.75, np.nan]), (0.25, 4.75)).tolist() == [
        True, True, False, False, True, False,
    ]  # fmt: skip


# -- faults


def test_all_faults_at_once():
    found = faults_of("linear", pionts=[[1, 2]], points=[[1, 2], [True, "x"], 3], electrical="X", clamp="yes")
    assert set(found) == {
        "pionts",
        "points",
        "points[1][0]",
        "points[1][1]",
        "points[2]",
        "electrical",
        "clamp",
        "unit",
    }
    assert found["pionts"].hint == 'did you mean "points"?'
    assert found["points"].text.endswith("is not 2 pairs [input, value]")
    assert found["points"].hint == "it needs 2 entries, and has 3"
    assert found["points[2]"].hint == "for example points = [[0.5, 0.0], [4.5, 150.0]]"
    assert "true or false" in found["clamp"].text


@pytest.mark.parametrize(
    ("kind", "keys", "path", "says"),
    [
        (None, {}, "kind", "missing"),
        ("linaer", {}, "kind", '"linaer" is not a kind'),
        (["linear"], {}, "kind", "not a kind"),
        ("linear", {"unit": "mm"}, "", "two points or by a slope"),
        ("linear", {"unit": "mm", "points": [[1, 0], [1, 5]]}, "points[1][0]", "both points have the input 1"),
        ("linear", {"unit": "mm", "points": [[1, 5], [2, 5]]}, "points[1][1]", "both points have the value 5"),
        ("linear", {"unit": "mm", "slope": 0.0}, "slope", "slope of 0"),
        ("linear", {"unit": "mm", "points": [[1, 5], [2, 6]], "slope": 1.0}, "points", "both"),
        ("linear", {"unit": "mm", "points": [[1, 5], [2, 6]], "offset": 1.0}, "offset", "goes with a slope"),
        ("linear", {"points": [[1, 5], [2, 6]]}, "unit", "is missing"),
        ("linear", {"points": [[1, 5], [2, 6]], "unit": "barr"}, "unit", '"barr" is not known'),
        ("linear", {"points": [[1, 5], [2, float("inf")]], "unit": "mm"}, "points[1][1]", "inf is not a number"),
        ("linear", {"points": "x", "unit": "mm"}, "points", "2 pairs"),
        ("linear", {"points": [[1, 5], [2, 6]], "unit": "mm", "healthy": [4.5, 0.5]}, "healthy", "low end"),
        ("linear", {"points": [[1, 5], [2, 6]], "unit": "mm", "open_reads": "up"}, "open_reads", "what a broken wire"),
        ("linear", {"points": [[1, 5], [2, 6]], "unit": "mm", "max_rate": 0}, "max_rate", "above 0"),
        ("linear", {"points": [[1, 5], [2, 6]], "unit": "mm", "cautions": "hot"}, "cautions", "list of texts"),
        ("ratiometric", {"unit": "bar"}, "", "either points or fractions"),
        ("ratiometric", {"unit": "bar", "points": [[0.5, 0], [7, 1]]}, "points[1][0]", "outside 0 to 5"),
        ("ratiometric", {"unit": "bar", "fractions": [[0.5, 0], [4.5, 1]]}, "fractions[1][0]", "outside 0 to 1"),
        ("ratiometric", {"unit": "bar", "points": [[0.5, 0], [4, 1]], "electrical": "ohm"}, "electrical", "no ohm"),
        ("table", {"unit": "l"}, "points", "missing"),
        ("table", {"unit": "l", "points": [[0, 0], [2, 1], [1, 2]]}, "points[2][0]", "comes after"),
        ("table", {"unit": "l", "points": [[0, 0], [2, 1], [2, 2]]}, "points[2][0]", "is there twice"),
        ("table", {"unit": "l", "points": [[0, 0], [2, 3], [3, 2], [4, 5]]}, "points[2][1]", "turns round"),
        ("table", {"unit": "l", "points": [[0, 0], [2, 1]], "interpolation": "cubic"}, "interpolation", "not a way"),
        ("polynomial", {"unit": "l", "coefficients": [1, 2]}, "range", "missing"),
        ("polynomial", {"unit": "l", "coefficients": [1, 0], "range": [0, 1]}, "coefficients", "only the constant"),
        ("thermistor", {"pull_up": 1000}, "", "coefficients, its beta or its table"),
        ("thermistor", {"coefficients": CHART}, "", "one fixed resistor"),
        ("thermistor", {"coefficients": CHART, "pull_up": 1, "pull_down": 2}, "pull_down", "pull_up and pull_down"),
        ("thermistor", {"coefficients": CHART, "pull_up": -1}, "pull_up", "above 0"),
        ("thermistor", {"coefficients": CHART[:2], "pull_up": 1}, "coefficients", "list of 3 numbers"),
        ("thermistor", {"coefficients": [1e-3, 2e-4, -3e-6], "pull_up": 1}, "coefficients", "no thermistor"),
        ("thermistor", {"coefficients": [1, 2, 3], "pull_up": 1}, "coefficients", "no thermistor"),
        ("thermistor", {"beta": 3950, "pull_up": 1}, "r25", "missing"),
        ("thermistor", {"coefficients": CHART, "r25": 1e4, "pull_up": 1}, "r25", "goes with beta"),
        ("thermistor", {"coefficients": CHART, "electrical": "ohm", "pull_up": 1}, "pull_up", "in ohm"),
        ("thermistor", {"table": [[0, 100], [10, 0]], "pull_up": 1}, "table[1][1]", "resistance of 0"),
        ("thermistor", {"table": [[-300, 100], [10, 10]], "pull_up": 1}, "table[0][0]", "absolute zero"),
        ("thermistor", {"table": [[0, 100], [10, 50], [20, 60]], "pull_up": 1}, "table[2][1]", "turns round"),
        ("thermistor", {"coefficients": CHART, "pull_up": 1, "unit": "bar"}, "unit", "gives degC, not bar"),
        ("rtd", {"electrical": "ohm"}, "r0", "missing"),
        ("rtd", {"r0": 100, "electrical": "ohm", "range": [-250, 100]}, "range", "-200 to 850"),
        ("rtd", {"r0": 100, "pull_up": 100, "gain": 2}, "gain", "goes with a current"),
        ("rtd", {"r0": 100, "current": 1, "supply": 5}, "supply", "goes with a divider"),
        ("thermocouple", {"type": "Q", "cold_junction": 25}, "type", "not a type of"),
        ("thermocouple", {"type": "K"}, "cold_junction", "missing"),
        ("thermocouple", {"type": "K", "cold_junction": 300}, "cold_junction", "300"),
        ("thermocouple", {"type": "K", "cold_junction": True}, "cold_junction", "name of a channel"),
        ("thermocouple", {"type": "T", "cold_junction": 25, "range": [0, 500]}, "range", "type T goes from"),
        ("frequency", {"teeth": 0}, "teeth", "above 0"),
        ("frequency", {"teeth": 12, "circumference": 1790}, "circumference", "no car's wheel"),
        ("frequency", {"teeth": 12, "electrical": "V"}, "electrical", "no V"),
        ("frequency", {"teeth": 12, "unit": "km/h"}, "unit", "gives rpm, not km/h"),
        ("switch", {"states": []}, "states", "not a list"),
        ("switch", {"states": [{"name": "a"}]}, "states[0].band", "missing"),
        ("switch", {"states": [{"name": "a", "band": [0, 2]}, {"name": "b", "band": [1, 3]}]}, "states[1].band", "lap"),
        ("switch", {"states": [{"name": "a", "band": [0, 1]}, {"name": "a", "band": [2, 3]}]}, "states[1]", "in state"),
        ("switch", {"states": [{"name": "a", "band": [0, 1], "volt": 3}]}, "states[0].volt", "not a key"),
        ("stages", {"stages": [LOOP[0]]}, "stages", "not a list"),
        ("stages", {"stages": [LOOP[0], LOOP[0]]}, "stages[1]", "gives mA but stage 2 takes V"),
        ("stages", {"stages": [LOOP[0], {"kind": "nix"}]}, "stages[1].kind", "not a kind"),
        ("stages", {"stages": [LOOP[0], {"kind": "stages", "stages": LOOP}]}, "stages[1].kind", "no stages of its own"),
        ("stages", {"stages": LOOP, "electrical": "Hz"}, "electrical", "takes V, not Hz"),
        ("stages", {"stages": [LOOP[0], {**LOOP[1], "points": [[4.0, 0.0], [20.0, 16.0]]}]}, "stages", "wholly beyond"),
        ("stages", {"stages": [LOOP[0], {**LOOP[1], "healthy": [0, 1]}]}, "stages[1].healthy", "not a key"),
    ],
)  # fmt: skip
def test_faults(kind, keys, path, says):
    found = faults_of(kind, **keys)
    assert path in found, found
    assert says in found[path].text


def test_every_fault_of_two_stages_is_found():
    found = faults_of("stages", stages=[{"kind": "linear", "points": [[1, 2]]}, {"kind": "table", "unit": "xx"}])
    assert set(found) == {"stages[0].points", "stages[0].unit", "stages[1].points", "stages[1].unit"}


# -- the registry


def test_every_kind_explains_itself():
    for name, spec in cal.KINDS.items():
        assert spec.name == name
        assert spec.meaning.endswith(".")
        assert spec.formula
        names = [key.name for key in cal.keys_of(spec)]
        assert len(names) == len(set(names))
        for key in spec.keys:
            assert key.meaning[0].isupper()
            assert key.meaning.endswith(".")


def test_the_schema_has_every_key_and_is_json():
    for spec in cal.KINDS.values():
        schema = json.loads(json.dumps(schema_of(cal.keys_of(spec))))
        assert set(schema["properties"]) == {key.name for key in (*cal.COMMON_KEYS, *spec.keys)}
        assert schema["additionalProperties"] is False
        assert set(schema["required"]) >= {"kind", *(key.name for key in spec.keys if key.required)}
        assert ("unit" in schema["required"]) == (not spec.own_unit)
    points = schema_of(cal.KINDS["linear"].keys)["properties"]["points"]
    assert (points["minItems"], points["maxItems"]) == (2, 2)
