"""What a sensor's table may just say and just not say, its words, its circuits and its limits, worked by hand."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from buswright.channels.calibration.circuit import Divider, Excited, Resistance
from buswright.channels.calibration.kind import CalibrationError, Range
from buswright.channels.calibration.registry import read_calibration, read_sensor, starter_blocks
from buswright.channels.calibration.thermo import (
    falls_throughout,
    horner,
    in_blocks,
    kelvin_to_celsius,
    rtd_ohm,
    thermistor_ohm,
    thermocouple_millivolts,
)
from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.positions import find_positions

CHART = [1.12924e-3, 2.34108e-4, 0.87755e-7]


def made(kind, /, **keys):
    log = FaultLog()
    found = read_calibration({"kind": kind, **keys}, log)
    assert found is not None, log.faults
    return found


def refused(kind, /, **keys) -> list[tuple[str, str, str]]:
    log = FaultLog()
    assert (read_calibration({"kind": kind, **keys}, log) is None) == bool(log.faults)
    return [(fault.key, fault.text, fault.hint) for fault in log.faults]


def switch(first, second, **more):
    return {"states": [{"name": "a", "band": first}, {"name": "b", "band": second, **more}]}


OHM = {"electrical": "ohm"}
NO_THERMISTOR = "no thermistor falls like this: the curve is wrong between -40 and 150 degC"
ABC = "A, B, C for ohm and kelvin, for a 10 kohm part about [1.13e-3, 2.34e-4, 8.8e-8]"
IEC = [("range", "IEC 60751 goes from -200 to 850 degC", "narrow the range")]
COLD = "in degC, or a channel's name"
SUPPLY = "the sensor can't give more than its supply; is `supply` right?"
WAYS = (
    "points = [[0.5, 0.0], [4.5, 10.0]] in volts at nominal supply, "
    "or fractions = [[0.1, 0.0], [0.9, 10.0]] of the supply"
)
IN_OHM = "turns volts into resistance, and the input is in ohm"


@pytest.mark.parametrize(
    ("kind", "keys", "faults"),
    [
        # IEC 60751 gives platinum from -200 to 850 degC.
        ("rtd", {"r0": 100, "range": [-200, 850], **OHM}, []),
        ("rtd", {"r0": 100, "range": [-200.1, 850], **OHM}, IEC),
        ("rtd", {"r0": 100, "range": [-200, 850.1], **OHM}, IEC),
        # NIST gives an inverse for type K from -200 to 1372 degC.
        ("thermocouple", {"type": "K", "cold_junction": 25, "range": [-200, 1372]}, []),
        ("thermocouple", {"type": "K", "cold_junction": 25, "range": [-200.1, 1372]},
         [("range", "type K goes from -200 to 1372 degC", "narrow the range")]),
        ("thermocouple", {"type": "K", "cold_junction": 25, "range": [-200, 1372.1]},
         [("range", "type K goes from -200 to 1372 degC", "narrow the range")]),
        ("thermocouple", {"type": "K", "cold_junction": -60}, []),
        ("thermocouple", {"type": "K", "cold_junction": 200}, []),
        ("thermocouple", {"type": "K", "cold_junction": -60.1},
         [("cold_junction", "a cold junction at -60.1 degC", COLD)]),
        ("thermocouple", {"type": "K", "cold_junction": 200.1},
         [("cold_junction", "a cold junction at 200.1 degC", COLD)]),
        ("thermistor", {"coefficients": CHART, "range": [-270.1, 150], **OHM},
         [("range[0]", "-270.1 degC is colder than any sensor works", "in degC")]),
        ("thermistor", {"table": [[-269, 100], [10, 50]], **OHM}, []),
        ("thermistor", {"table": [[-273.15, 100], [10, 0]], **OHM},
         [("table[0][0]", "-273.15 degC is below absolute zero", "pairs of degC and ohm"),
          ("table[1][1]", "a resistance of 0 ohm", "pairs of degC and ohm")]),
        ("thermistor", {"table": [[0, 100], [10, 100], [20, 50]], **OHM},
         [("table", "one resistance has two temperatures", "keep one of the two points")]),
        # Ceramics have a beta of 2000 to 6000 K; far from it the units are wrong.
        ("thermistor", {"beta": 499, "r25": 10_000, **OHM}, [("beta", NO_THERMISTOR, ABC)]),
        ("thermistor", {"beta": 501, "r25": 10_000, **OHM}, []),
        ("thermistor", {"beta": 19_999, "r25": 10_000, **OHM}, []),
        ("thermistor", {"beta": 20_001, "r25": 10_000, **OHM}, [("beta", NO_THERMISTOR, ABC)]),
        ("thermistor", {"beta": 3950, **OHM},
         [("r25", "is missing, and beta alone gives no resistance", "r25 = 10000.0, the resistance at 25 degC")]),
        ("thermistor", {"table": [[0, 9], [1, 8]], "r25": 9, **OHM},
         [("r25", "goes with beta, not table", "leave it out")]),
        # A wheel that rolls more than 5 m a turn was written in millimetres, or in inches.
        ("frequency", {"teeth": 1, "circumference": 5}, []),
        ("frequency", {"teeth": 1, "circumference": 5.01},
         [("circumference", "a wheel of 5.01 m a turn is no car's wheel", "it is written in metres")]),
        ("frequency", {"teeth": 1, "circumference": 500},
         [("circumference", "a wheel of 500 m a turn is no car's wheel", "it is written in metres")]),
        ("frequency", {"teeth": 1, "circumference": 1790},
         [("circumference", "a wheel of 1790 m a turn is no car's wheel", "in metres: 1.79?")]),
        # Both ends belong to a band, so that two must not touch.
        ("switch", switch([0, 1], [1.01, 2]), []),
        ("switch", switch([0, 1], [1, 2]), [("states[1].band", "the bands of a and b overlap", "leave a gap between")]),
        ("switch", switch([3, 4], [0, 3]), [("states[0].band", "the bands of b and a overlap", "leave a gap between")]),
        ("switch", switch([0, 1], [2, 3], value=0),
         [("states[1]", "the value 0.0 is in state 1 already", "every state has a value of its own")]),
        ("ratiometric", {"points": [[0, 0], [5, 1]], "unit": "bar"}, []),
        ("ratiometric", {"points": [[-0.01, 0], [5.01, 1]], "unit": "bar"},
         [("points[0][0]", "-0.01 is outside 0 to 5", SUPPLY), ("points[1][0]", "5.01 is outside 0 to 5", SUPPLY)]),
        ("ratiometric", {"fractions": [[0, 0], [1.01, 1]], "unit": "bar", "supply": 3},
         [("fractions[1][0]", "1.01 is outside 0 to 1", SUPPLY)]),
        ("ratiometric", {"points": [[0, 0], [1, 1]], "fractions": [[0, 0], [1, 1]], "unit": "bar"},
         [("points", "a ratiometric sensor has either points or fractions, and here are both", WAYS)]),
        ("ratiometric", {"unit": "bar"},
         [("", "a ratiometric sensor has either points or fractions, and here are neither", WAYS)]),
        ("table", {"unit": "l", "points": [[0, 1], [1, 1], [2, 2]]}, []),  # a flat part
        ("table", {"unit": "l", "points": [[0, 1], [1, 1]]},
         [("points", "the value begins and ends with 1", "it must rise or fall throughout")]),
        ("table", {"unit": "l", "points": [[0, 3], [1, 2], [2, 3], [3, 4], [4, 1]]},
         [("points[2][1]", "the value turns round at 3, after 2",
           "it must rise or fall throughout; is a figure mistyped?")]),
        ("polynomial", {"unit": "l", "coefficients": [1] * 12, "range": [0, 1]}, []),
        ("polynomial", {"unit": "l", "coefficients": [1] * 13, "range": [0, 1]},
         [("coefficients", "[1, 1, 1, 1, 1, 1, 1, 1, 1, …] is not a list of numbers",
           "it needs 2 to 12 entries, and has 13")]),
        ("rtd", {"r0": 100, "current": 1, "supply": 5, "reference": "r"},
         [(key, "goes with a divider, not with a current", "leave it out") for key in ("supply", "reference")]),
        ("rtd", {"r0": 100, "pull_up": 1, "supply": 5, "reference": "r", "current": 2, "gain": 1, **OHM},
         [(key, IN_OHM, "leave it out") for key in ("pull_up", "supply", "reference", "current", "gain")]),
        # The limits of the second stage can't be carried back through a first one that turns round.
        ("stages", {"stages": [
            {"kind": "polynomial", "coefficients": [0, 4, -1], "range": [0, 5], "unit": "mA"},
            {"kind": "linear", "electrical": "mA", "points": [[0, 0], [4, 10]], "unit": "bar"}]},
         [("stages", "this polynomial turns round at 2 V, so one value has two inputs",
           "narrow its range to the part before or after that")]),
    ],
)  # fmt: skip
def test_what_a_table_may_say(kind, keys, faults):
    assert refused(kind, **keys) == faults


@pytest.mark.parametrize(
    ("kind", "keys", "words"),
    [
        ("thermistor", {"coefficients": CHART, "pull_up": 2200},
         ("thermistor, Steinhart-Hart 0.00112924, 0.000234108, 8.7755e-08, 2200 ohm pull-up, supply 5 V; "
         "0.3869 V = 150 °C to 4.967 V = -40 °C")),
        ("thermistor", {"beta": 3950, "r25": 10_000, "pull_down": 1000, "reference": "ref", "supply": 3.3},
         ("thermistor, 10000 ohm at 25 degC, beta 3950 K, 1000 ohm pull-down, supply 3.3 V, "
         'measured by channel "ref"; 0.008191 V = -40 °C to 2.751 V = 150 °C')),
        ("thermistor", {"table": [[0, 32650], [25, 10_000], [100, 678]], **OHM},
         "thermistor, table of 3 resistances, from resistance; 678 ohm = 100 °C to 3.265e+04 ohm = 0 °C"),
        ("rtd", {"r0": 1000, "pull_up": 1000},
         "Pt1000 (IEC 60751), 1000 ohm pull-up, supply 5 V; 0.7813 V = -200 °C to 3.981 V = 850 °C"),
        ("rtd", {"r0": 100, "current": 1},
         "Pt100 (IEC 60751), 1 mA through it; 0.01852 V = -200 °C to 0.3905 V = 850 °C"),
        ("thermocouple", {"type": "K", "cold_junction": 25, "electrical": "mV", "range": [0, 1000]},
         "thermocouple type K (ITS-90), 1 mV per mV, cold junction at 25 °C; -1 mV = 0 °C to 40.28 mV = 1000 °C"),
        ("thermocouple", {"type": "K", "cold_junction": "box", "gain": 100},
         ('thermocouple type K (ITS-90), 0.1 V per mV, cold junction measured by channel "box"; '
         "-0.6892 V = -200 °C to 5.389 V = 1372 °C")),
        ("frequency", {"teeth": 12, "ratio": 4},
         "12 pulses a turn, 4 turns of the toothed wheel for one of the wheel: 1 Hz = 1.25 rpm"),
        ("frequency", {"teeth": 12}, "12 pulses a turn: 1 Hz = 5 rpm"),
        ("ratiometric", {"fractions": [[0.1, 0], [0.9, 10]], "unit": "bar"},
         "0.5 V = 0 bar to 4.5 V = 10 bar at 5 V supply, straight line in proportion to the supply, taken as constant"),
        ("table", {"points": [[0, 0], [1, 2]], "unit": "l"}, "0 V = 0 l to 1 V = 2 l, a smooth curve through 2 points"),
        ("polynomial", {"coefficients": [0, 0, 2, 0, -1], "range": [0, 0.5], "unit": "mm"},
         "0 + 2 x^2 + -1 x^4 mm, x in V from 0 to 0.5"),
        ("switch", switch([2, 3], [0, 1], value=7), "0 to 1 V = b (7); 2 to 3 V = a (0); between them unknown"),
    ],
)  # fmt: skip
def test_a_sensor_in_words(kind, keys, words):
    # Pt100 at 850 degC has 390.48 ohm (IEC 60751), type K gives 41.276 mV at 1000 and 1.000 mV at 25 degC (NIST).
    assert made(kind, **keys).describe() == words


# -- circuits and limits ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("circuit", "ohm", "supply", "volts"),
    [
        (Divider(1000, pull_up=True, supply=5.0), 3000, None, 3.75),  # 5 V × 3000 / 4000
        (Divider(1000, pull_up=False, supply=5.0), 3000, None, 1.25),  # 5 V × 1000 / 4000
        (Divider(1000, pull_up=True, supply=5.0), 3000, 4.0, 3.0),  # of the supply as measured
        (Excited(2.0, 5.0), 100, None, 1.0),  # 2 mA × 100 ohm × 5
        (Excited(2.0, 1.0), 100, 9.0, 0.2),
        (Resistance(), 100, None, 100),
    ],
)
def test_a_circuit_there_and_back(circuit, ohm, supply, volts):
    measured = None if supply is None else np.array([supply])
    assert circuit.input(np.array([float(ohm)]), measured)[0] == pytest.approx(volts)
    assert circuit.ohm(np.array([float(volts)]), measured)[0] == pytest.approx(ohm)


def test_limits_of_temperature_sensors_are_a_tenth_of_the_span_beyond_their_band():
    # Platinum by its resistance: 100 to 138.5055 ohm, and 3.85055 ohm more on both sides.
    low, high = made("rtd", r0=100, range=[0, 100], **OHM).limits(0.1)
    assert (float(low), float(high)) == pytest.approx((100 - 3.85055, 138.5055 + 3.85055))
    # Below nothing there is no resistance.
    assert float(made("rtd", r0=100, range=[-200, 850], **OHM).limits(0.1)[0]) == 0.0
    assert float(made("rtd", r0=100, range=[-200, 850], **OHM).limits(0.0)[0]) == pytest.approx(18.52, abs=0.005)
    # A thermocouple by its voltage, 0 to 41.276 mV of type K; the cold junction's 1.000 mV are taken off.
    low, high = made("thermocouple", type="K", cold_junction=25, electrical="mV", range=[0, 1000]).limits(0.1)
    assert (float(low), float(high)) == pytest.approx((-4.1276 - 1.0002, 41.2756 + 4.1276 - 1.0002), abs=1e-3)
    # A thermistor by its temperature: 0 to 100 degC and ten degrees more; hot is little resistance.
    sensor = made("thermistor", coefficients=CHART, range=[0, 100], **OHM)
    low, high = sensor.limits(0.1)
    assert sensor.apply(np.array([float(low), float(high)])) == pytest.approx([110.0, -10.0])


def test_the_range_of_a_sensor_has_rising_inputs():
    up = made("rtd", r0=1000, pull_up=1000, range=[0, 100]).range
    down = made("rtd", r0=1000, pull_down=1000, range=[0, 100]).range
    assert (up.electrical, up.value) == (pytest.approx((2.5, 5 * 1385.055 / 2385.055)), (0, 100))
    assert (down.electrical, down.value) == (pytest.approx((5000 / 2385.055, 2.5)), (100, 0))
    assert made("frequency", teeth=12, range=[5, 600]).range == Range((5, 600), (25, 3000))
    assert made("switch", **switch([2, 3], [0, 1])).range == Range((0, 3), (1, 0))


def test_the_state_of_a_switch_is_turned_into_the_middle_of_its_band():
    inputs = made("switch", **switch([2, 3], [0, 1])).invert(np.array([0.0, 1.0, 2.0, np.nan]))
    np.testing.assert_array_equal(inputs, [2.5, 0.5, np.nan, np.nan])


# -- polynomials ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("coefficients", "ends", "turn"),
    [
        ([0, 4, -1], [0, 5], "2"),  # the slope 4 - 2 x is 0 at 2
        ([0, 4, -1], [0, 2], None),
        ([0, 4, -1], [2, 5], None),
        ([0, -4, 1], [0, 5], "2"),
        ([0, 0, 0, 1], [-1, 2], None),  # level at 0, and on
        ([0, 12, -7.5, 1], [0, 5], "1"),  # 3 x² - 15 x + 12 is 0 at 1 and at 4
        ([0, 12, -7.5, 1], [2, 5], "4"),
        ([0, 1, 0, 1], [-1, 1], None),  # 1 + 3 x² is never 0
        ([5, 2], [0, 1], None),
    ],
)
def test_a_polynomial_turns_round_where_its_slope_changes_sign(coefficients, ends, turn):
    curve = made("polynomial", coefficients=coefficients, range=ends, unit="mm")
    x = np.linspace(ends[0] - 1, ends[1] + 1, 41)
    if turn is None:
        # Beyond a level end it is level, so that no input is the only one there.
        steep = np.abs(np.diff(curve.apply(x[[0, 1, -2, -1]]))[[0, -1]]) > 1e-9
        inner = x[(steep[0] | (x >= ends[0])) & (steep[1] | (x <= ends[1]))]
        np.testing.assert_allclose(curve.invert(curve.apply(inner)), inner, atol=1e-5)
    else:
        with pytest.raises(CalibrationError, match=f"turns round at {turn} V, so one value has two inputs"):
            curve.invert(np.ones(1))


def test_the_inverse_of_a_polynomial_has_nothing_for_nothing():
    curve = made("polynomial", coefficients=[1, 2, 3], range=[0, 2], unit="mm")
    found = curve.invert(np.array([np.nan, np.inf, -np.inf, 1.0, 17.0]))
    np.testing.assert_allclose(found, [np.nan, np.nan, np.nan, 0.0, 2.0], atol=1e-12)


# -- functions --------------------------------------------------------------------------------------------------------


def test_a_polynomial_by_horner():
    x = np.array([0.0, 1.0, 2.0])
    assert horner(x, (5.0,)).tolist() == [5, 5, 5]
    assert horner(x, (1.0, 2.0, 3.0)).tolist() == [1, 6, 17]
    assert x.tolist() == [0, 1, 2]


def test_a_long_column_is_worked_on_in_blocks_and_comes_back_whole():
    x = np.arange(40_000.0)
    sizes = []

    def twice(part):
        sizes.append(len(part))
        return part * 2

    assert np.array_equal(in_blocks(twice, x.reshape(200, 200)), (x * 2).reshape(200, 200))
    assert sizes == [16_384, 16_384, 7_232]
    assert in_blocks(twice, np.arange(16_384)).dtype == np.float64
    assert sizes[3:] == [16_384]


@pytest.mark.parametrize(
    ("b", "c", "low", "high", "falls"),
    [
        (2e-4, 1e-7, 10, 1e6, True),
        (-2e-4, 0, 10, 1e6, False),
        # b + 3 c (ln R)² with c = -1e-6: 0 where ln R is 8.16, so at 3509 ohm.
        (2e-4, -1e-6, 10, 3000, True),
        (2e-4, -1e-6, 10, 4000, False),
        # Below 1 ohm the logarithm is negative, and least at 1 ohm.
        (-1e-6, 1e-6, 0.1, 10, False),
        (1e-6, 1e-6, 0.1, 10, True),
        (-1e-6, 1e-6, 2, 10, True),
    ],
)
def test_whether_a_thermistor_falls_throughout(b, c, low, high, falls):
    assert falls_throughout((1e-3, b, c), low, high) is falls


@pytest.mark.parametrize(("beta_at_25", "is_one"), [(700.0, True), (520.0, False)])
def test_the_steepness_of_a_curve_is_that_of_its_equation(beta_at_25, is_one):
    """The slope of 1/T = A + B L + C L³ over L = ln R is B + 3 C L², one over beta; 500 K are the least."""
    log, b = np.log(10_000.0), 2e-4
    c = (1 / beta_at_25 - b) / (3 * log**2)
    a = 1 / 298.15 - b * log - c * log**3
    faults = refused("thermistor", coefficients=[float(a), b, float(c)], **OHM)
    assert faults == ([] if is_one else [("coefficients", NO_THERMISTOR, ABC)])
    # From two resistances near -40 degC, where it is least: 625 K, and 475 K.
    kelvin = np.array([233.14, 233.16])
    rise = np.diff(np.log(thermistor_ohm(kelvin - 273.15, (a, b, c)))) / np.diff(1 / kelvin)
    assert bool(rise[0] > 500) is is_one


def test_what_is_no_temperature_is_none():
    found = kelvin_to_celsius(np.array([1 / 298.15, 0.0, -1e-3, np.inf, np.nan]))
    np.testing.assert_allclose(found, [25.0, *[np.nan] * 4])


def test_the_functions_begin_where_the_standards_begin():
    assert rtd_ohm(np.array([0.0, 100.0, -100.0])) == pytest.approx([100.0, 138.5055, 60.2558], abs=1e-4)
    assert thermocouple_millivolts("K", np.array([0.0, 1000.0])) == pytest.approx([0.0, 41.276], abs=5e-4)


def test_every_starter_sensor_is_a_block_of_its_own():
    for name, block in starter_blocks().items():
        assert block.startswith(f"[sensor.{name}]\nkind = ")
        assert "\n\n" not in block
        assert block.count("[sensor.") == 1


@pytest.mark.parametrize(
    ("lines", "places"),
    [
        ('kind = "rtd"\nr0 = 100\nelectrical = "ohm"\nrange = [-300, 100]\n', [(5, 10), (5, 9)]),  # at the values
        ('kind = "thermistor"\nelectrical = "ohm"\nbeta = 3950\n', [(1, 9)]),  # r25 is missing: at the sensor's name
        ('kind = "linear"\nunit = "mm"\n', [(1, 1)]),  # nothing that could be pointed at
        ('kind = "linear"\nunit = "mm"\nslope = 1\npoints = [[0, 0], [1, 1]]\n', [(5, 10)]),
        ('kind = "rtd"\nr0 = 100\nelectrical = "ohm"\nunit = "bar"\n', [(5, 8)]),
        ("unit = 'bar'\n", [(1, 9)]),
        ('kind = "linaer"\n', [(2, 8)]),
    ],
)
def test_a_fault_of_a_sensor_stands_at_its_value_or_at_its_name(lines, places):
    text = "[sensor.s]\n" + lines
    log = FaultLog(positions=find_positions(text))
    assert read_sensor(tomllib.loads(text)["sensor"]["s"], ("sensor", "s"), log) is None
    assert [(fault.line, fault.column) for fault in log.faults] == places


def test_a_sensor_that_is_no_table():
    log = FaultLog()
    assert read_sensor(3, ("sensor", "s"), log) is None
    assert read_sensor([], ("sensor", "s"), log, words="a thing") is None
    assert [fault.text for fault in log.faults] == ["3 is not a table [sensor.NAME]", "[] is not a thing"]


def test_the_values_of_a_sensor_have_their_defaults():
    table = {"kind": "ratiometric", "points": [[0.5, 0], [4.5, 10]], "unit": "bar", "healthy": [0.25, 4.75]}
    calibration, values = read_sensor(table, (), FaultLog())
    assert (calibration.supply, calibration.channel, values["clamp"], values["healthy"]) == (
        5.0,
        "",
        False,
        (0.25, 4.75),
    )
    assert "max_rate" not in values
    assert read_calibration(table) == calibration
    assert read_calibration({**table, "unit": "barr"}) is None
