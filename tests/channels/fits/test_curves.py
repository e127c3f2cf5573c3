"""How constants stand in a car file, and which readings are of one point."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.calibration.kind import CalibrationError
from buswright.channels.fits.curves import Turns, by_input, figures, points_of, rounded
from buswright.channels.fits.fit import fit_readings
from buswright.channels.fits.models import FITTED, calibration_of, curve_of, electrical_of, own_unit
from buswright.channels.fits.readings import Data, Reading
from buswright.channels.fits.solving import numeric_slopes


def fitted(sheet, *pairs, degree=0):
    return fit_readings(sheet, [Reading(x, y) for x, y in pairs], degree=degree)


LINE = {"kind": "linear", "unit": "bar"}
NTC = {"kind": "thermistor", "pull_up": 2200.0}
CHART = ((4.68433, 0.0), (4.09835, 25.0), (2.65309, 60.0), (1.22405, 98.31))
"""Volts of a published 10 kohm chart behind 2.2 kohm."""


def test_names_and_units_of_the_constants():
    line = {"kind": "linear", "electrical": "mV", "unit": "bar"}
    assert [(one.name, one.unit) for one in fitted(line, (500, 0), (4500, 10)).constants] == [
        ("slope", "bar per mV"),
        ("offset", "bar"),
    ]
    part = {"kind": "ratiometric", "unit": "mm"}
    assert [one.unit for one in fitted(part, (0.5, 0), (4.5, 75)).constants] == ["mm per supply", "mm"]
    bent = fitted({"kind": "polynomial", "unit": "l"}, (0, 1), (1, 2), (2, 5), (3, 10), degree=3)
    assert [(one.name, one.unit) for one in bent.constants] == [
        ("c0", "l"),
        ("c1", "l/V"),
        ("c2", "l/V^2"),
        ("c3", "l/V^3"),
    ]
    table = fitted({"kind": "table", "unit": "l"}, (1, 0), (2, 5), (3, 9))
    assert [(one.name, one.unit) for one in table.constants] == [("point 1", ""), ("point 2", ""), ("point 3", "")]
    assert [(one.name, one.unit) for one in fitted(NTC, *CHART).constants] == [("A", "1/K"), ("B", "1/K"), ("C", "1/K")]
    beta = fitted(NTC | {"beta": 3950.0}, *CHART)
    assert [(one.name, one.unit) for one in beta.constants] == [("beta", "K"), ("r25", "ohm")]
    for electrical, size in (("V", 1e-3), ("mV", 1.0), ("uV", 1e3)):
        type_k = {"kind": "thermocouple", "type": "K", "cold_junction": 0.0, "electrical": electrical, "gain": 1.0}
        found = fitted(type_k, (0.0, 0.0), (4.096 * size, 100.0), (8.138 * size, 200.0))  # NIST Monograph 175
        assert [(one.name, one.unit) for one in found.constants] == [("gain", ""), ("at_zero", electrical)]
        assert found.constants[0].value == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(
    ("sheet", "pairs", "keys"),
    [
        # y = 2.5 x - 1.25, seen at 1 and 3 V; written points keep their inputs.
        (LINE, [(1, 1.25), (3, 6.25)], {"points": [[1.0, 1.25], [3.0, 6.25]]}),
        (LINE | {"points": [[0.5, 9], [4.5, 9]]}, [(1, 1.25), (3, 6.25)], {"points": [[0.5, 0.0], [4.5, 10.0]]}),
        (LINE | {"points": [[0, 0], [1, 1], [2, 2]]}, [(1, 1.25), (3, 6.25)], {"points": [[1.0, 1.25], [3.0, 6.25]]}),
        (LINE | {"slope": 9.0}, [(1, 1.25), (3, 6.25)], {"slope": 2.5, "offset": -1.25}),
        (
            {"kind": "ratiometric", "unit": "bar", "supply": 4.0, "fractions": [[0.25, 9], [0.75, 9]]},
            [(1, 1.25), (2, 3.75)],
            {"fractions": [[0.25, 1.25], [0.75, 6.25]]},
        ),
        (
            {"kind": "ratiometric", "unit": "bar", "points": [[0.5, 9], [4.5, 9]]},
            [(1, 1.25), (3, 6.25)],
            {"points": [[0.5, 0.0], [4.5, 10.0]]},
        ),
        # y = 1 + x²
        (
            {"kind": "polynomial", "unit": "bar"},
            [(0, 1), (1, 2), (2, 5), (3, 10)],
            {"coefficients": [1.0, 0.0, 1.0], "range": [0.0, 3.0]},
        ),
        (
            {"kind": "polynomial", "unit": "bar", "coefficients": [0, 0, 0], "range": [-1, 5]},
            [(0, 1), (1, 2), (2, 5), (3, 10)],
            {"coefficients": [1.0, 0.0, 1.0], "range": [-1.0, 5.0]},
        ),
        # The mean of what lies together; inputs rise, whatever the order of the readings.
        (
            {"kind": "table", "unit": "bar"},
            [(3, 10), (1, 0), (2, 7), (3.2, 10)],
            {"points": [[1.0, 0.0], [2.0, 7.0], [3.1, 10.0]]},
        ),
        # 12 teeth: 60 / 12 = 5 rpm a hertz; half a turn of the shaft for each of the wheel.
        ({"kind": "frequency", "unit": "rpm"}, [(100, 500), (200, 1000)], {"teeth": 12.0}),
        ({"kind": "frequency", "unit": "rpm", "ratio": 0.5}, [(100, 500), (200, 1000)], {"teeth": 24.0}),
        # 1.8 m for 48 teeth: 0.0375 m each.
        ({"kind": "frequency", "unit": "m/s", "teeth": 48.0}, [(100, 3.75), (800, 30)], {"circumference": 1.8}),
        (
            {"kind": "frequency", "unit": "m/s", "teeth": 48.0, "ratio": 0.5},
            [(100, 3.75), (800, 30)],
            {"circumference": 0.9},
        ),
    ],
)
def test_a_curve_is_written_as_the_car_file_says_it(sheet, pairs, keys):
    found = fitted(sheet, *pairs).sheet
    assert {name: value for name, value in found.items() if name in keys} == {
        name: pytest.approx(np.array(value), abs=1e-9) for name, value in keys.items()
    }
    assert set(found) == set(sheet) | set(keys)


@pytest.mark.parametrize(
    ("teeth", "written"), [(47.6, 48.0), (12.11, 12.0), (12.13, 12.13), (11.89, 12.0), (11.87, 11.87), (0.4, 0.4)]
)
def test_teeth_are_whole_within_a_hundredth(teeth, written):
    curve = Turns(1, 1.0, 1.0, False)
    found = curve.keys(np.array([60.0 / teeth]), Data(np.zeros(1), np.zeros(1)))
    assert found == {"teeth": pytest.approx(written)}


def test_a_new_thermistor_gets_the_temperatures_that_were_measured():
    values = [(volts, celsius + 0.004) for volts, celsius in CHART]
    assert fitted(NTC, *values).sheet["range"] == [0.0, 98.31]
    assert fitted(NTC | {"range": [-30.0, 150.0]}, *values).sheet["range"] == [-30.0, 150.0]
    known = NTC | {"coefficients": [1.1e-3, 2.3e-4, 8.7e-8]}
    assert "range" not in fitted(known, *values).sheet
    assert set(fitted(known | {"beta": 3950.0}, *values).sheet) >= {"beta", "r25"}


def test_one_way_to_say_a_thermistor_takes_the_place_of_the_others():
    """Volts to ohm: 2200 V / (5 - V)."""
    ways = {"coefficients", "beta", "r25", "table"}
    assert ways & set(fitted(NTC, *CHART).sheet) == {"coefficients"}
    assert ways & set(fitted(NTC | {"beta": 3950.0}, *CHART).sheet) == {"beta", "r25"}
    chart = fitted(NTC | {"table": []}, *CHART).sheet
    assert ways & set(chart) == {"table"}
    assert chart["table"] == [
        [celsius, pytest.approx(2200 * volts / (5 - volts), rel=1e-5)] for volts, celsius in CHART
    ]


@pytest.mark.parametrize("celsius", [-273.15, -274.0])
def test_no_temperature_is_at_absolute_zero_or_below(celsius):
    with pytest.raises(CalibrationError, match="absolute zero") as caught:
        fitted(NTC, *CHART[:3], (4.9, celsius))
    assert caught.value.hint == "values are in degC"


@pytest.mark.parametrize(
    ("values", "rows"),
    [
        ([0.0, 10.0, 0.1, 9.9], [[0, 2], [3, 1]]),  # a hundredth of the span is one point
        ([0.0, 10.0, 0.11, 9.89], [[0], [2], [3], [1]]),
        ([0.0, 0.08, 0.16, 10.0], [[0, 1], [2], [3]]),  # from the first of a point, not from neighbour to neighbour
        ([5.0, 5.0], [[0, 1]]),
        ([], []),
    ],
)
def test_readings_of_one_true_value_are_one_point(values, rows):
    if values:
        assert [found.tolist() for found in points_of(np.array(values))] == rows


def test_points_are_put_in_the_order_of_their_inputs():
    values, inputs = np.array([0.0, 5.0, 10.0, 5.0]), np.array([4.0, 2.0, 1.0, 6.0])
    assert [rows.tolist() for rows in points_of(values)] == [[0], [1, 3], [2]]
    assert [rows.tolist() for rows in by_input(inputs, values)] == [[2], [0], [1, 3]]  # 1, 4 and (2 + 6) / 2


@pytest.mark.parametrize(
    ("sheet", "parameters"),
    [
        (NTC, (1.13e-3, 2.34e-4, 8.8e-8)),
        (NTC | {"beta": 3950.0}, (9.6e-4, 2.6e-4)),
        ({"kind": "rtd", "pull_up": 2200.0}, (1000.0,)),
        ({"kind": "linear", "unit": "bar"}, (1.5, 2.0)),
        ({"kind": "ratiometric", "unit": "bar"}, (1.5, 2.0)),
        ({"kind": "polynomial", "unit": "bar"}, (1.5, 2.0, 0.25)),
        ({"kind": "frequency", "unit": "rpm"}, (5.0,)),
        ({"kind": "table", "unit": "bar"}, (0.0, 2.0, 3.0, 7.0)),
        (
            {
                "kind": "stages",
                "unit": "bar",
                "stages": [{"kind": "linear", "points": [[0, 1], [5, 9]], "unit": "V"}, LINE],
            },
            (1.0, 2.0),
        ),
    ],
)
def test_slopes_are_the_derivatives_of_the_curve(sheet, parameters):
    """Against differences of the curve's own values; the same for what its constants are made of."""
    data = Data(np.array([1.6, 1.7, 1.9, 2.1]), np.array([10.0, 20.0, 40.0, 60.0]))
    curve, at = curve_of(sheet, data), np.array(parameters)
    assert curve.parameters == len(at)
    wanted = numeric_slopes(lambda tried: curve.value(data, tried), at)
    np.testing.assert_allclose(curve.slopes(data, at), wanted, rtol=1e-5, atol=1e-6)
    constants = numeric_slopes(curve.constants, at)
    np.testing.assert_allclose(curve.constant_slopes(at), constants, rtol=1e-5, atol=1e-6 * np.abs(constants).max())


def test_values_are_written_to_a_millionth_of_their_span():
    (low, middle, high) = fitted({"kind": "table", "unit": "l"}, (1, 0), (2, 1234.56789), (3, 20_000)).sheet["points"]
    assert (low, middle, high) == ([1.0, 0.0], [2.0, 1234.57], [3.0, 20_000.0])
    points = fitted(LINE, (1, 0.123456789), (2, 10_000.123456789)).sheet["points"]
    assert points == [[1.0, 0.12], [2.0, 10_000.12]]
    chart = fitted(NTC | {"table": []}, *((volts, celsius + 0.12345678) for volts, celsius in CHART)).sheet["table"]
    assert [celsius for celsius, _ in chart] == [0.12346, 25.12346, 60.12346, 98.43346]


def test_digits_that_no_sensor_has_are_left_out():
    assert figures(1234.56789012) == 1234.56789
    assert figures(0.000123456789, 3) == 0.000123
    assert rounded(1.23456789, 10.0) == 1.23457  # a millionth of 10 is 0.00001
    assert rounded(1.23456789, 9.9) == 1.234568
    assert rounded(1234.56789, 2e4) == 1234.57
    assert str(rounded(-1e-9, 1.0)) == "0.0"


@pytest.mark.parametrize(
    ("sheet", "electrical", "unit"),
    [
        ({"kind": "linear", "unit": "bar"}, "V", "bar"),
        ({"kind": "linear", "electrical": "mA", "unit": "bar"}, "mA", "bar"),
        ({"kind": "thermistor", "unit": "degF"}, "V", "degC"),
        ({"kind": "rtd", "electrical": "ohm"}, "ohm", "degC"),
        ({"kind": "thermocouple"}, "V", "degC"),
        ({"kind": "frequency"}, "Hz", "rpm"),
        ({"kind": "frequency", "unit": "km/h"}, "Hz", "m/s"),
        ({"kind": "frequency", "circumference": 1.8}, "Hz", "m/s"),
        ({"kind": "frequency", "unit": "rpm"}, "Hz", "rpm"),
        (
            {"kind": "stages", "stages": [{"kind": "linear", "electrical": "mV"}, {"kind": "frequency"}]},
            "mV",
            "rpm",
        ),
        ({"kind": "stages"}, "V", None),
        ({}, "V", ""),
    ],
)
def test_units_of_a_sheet_are_those_of_its_kind(sheet, electrical, unit):
    assert electrical_of(sheet) == electrical
    if unit is not None:
        assert own_unit(sheet) == unit


@pytest.mark.parametrize(
    ("written", "degree", "constants"), [([], 0, 3), ([1, 2], 0, 2), ([1, 2, 3, 4], 0, 4), ([1, 2], 4, 5), ([1], 0, 3)]
)
def test_a_polynomial_has_the_degree_that_is_asked_or_written_else_two(written, degree, constants):
    data = Data(np.arange(6.0), np.arange(6.0))
    sheet = {"kind": "polynomial", "coefficients": written}
    assert curve_of(sheet, data, degree=degree).parameters == constants


def test_a_kind_that_has_no_curve_is_answered_with_those_that_have():
    for kind, why in (("switch", "bands of the input and no curve"), ("sine", "there is no kind 'sine'")):
        with pytest.raises(CalibrationError, match=why) as caught:
            curve_of({"kind": kind}, Data(np.zeros(1), np.zeros(1)))
        assert caught.value.hint == f"kinds that can be fitted: {', '.join(FITTED)}"


def test_a_sensor_behind_electronics_is_fitted_to_what_these_give():
    """0 to 5 V are 0 to 20 mA, which the sensor takes as 0 to 0.02 A: 800 bar an ampere less 3.2, so 3.2 x - 3.2."""
    stages = [
        {"kind": "linear", "points": [[0.0, 0.0], [5.0, 20.0]], "unit": "mA"},
        {"kind": "linear", "electrical": "A", "slope": 1.0, "unit": "bar"},
    ]
    fit = fitted({"kind": "stages", "unit": "bar", "stages": stages}, (1.0, 0.0), (3.0, 6.4), (5.0, 12.8))
    assert [(one.name, one.unit) for one in fit.constants] == [("slope", "bar per A"), ("offset", "bar")]
    assert [one.value for one in fit.constants] == pytest.approx([800.0, -3.2])
    assert fit.sheet["stages"][0] == stages[0]
    assert fit.sheet["stages"][1] == {
        "kind": "linear",
        "electrical": "A",
        "unit": "bar",
        "slope": pytest.approx(800.0),
        "offset": pytest.approx(-3.2),
    }
    band = fit.band(np.array([2.0]))
    assert band.value == pytest.approx([3.2])
    three = {"kind": "stages", "unit": "bar", "stages": [stages[0], {**stages[1], "slope": 1e3, "unit": "V"}, LINE]}
    three["stages"][1]["offset"] = 0.0  # volts are 1000 times amperes: 4 V at 5 V
    three["stages"][2] = {**LINE, "electrical": "mV", "slope": 1.0}
    assert [one.value for one in fitted(three, (1.0, 0.0), (3.0, 6.4), (5.0, 12.8)).constants] == pytest.approx(
        [12.8 / 16_000, -3.2]
    )


def test_units_between_stages_may_have_another_zero():
    """0 to 5 V are 0 to 100 degC, which the last stage takes as 273.15 to 373.15 K: 0.1 K - 20."""
    stages = [
        {"kind": "linear", "points": [[0.0, 0.0], [5.0, 100.0]], "unit": "degC"},
        {"kind": "linear", "electrical": "K", "slope": 1.0, "unit": "bar"},
    ]
    pairs = [(volts, 0.1 * (20 * volts + 273.15) - 20) for volts in (0.0, 2.0, 5.0)]
    fit = fitted({"kind": "stages", "unit": "bar", "stages": stages}, *pairs)
    assert [one.value for one in fit.constants] == pytest.approx([0.1, -20.0])


@pytest.mark.parametrize(
    ("sheet", "line"),
    [
        (
            LINE | {"points": [[1, 1], [1, 2]]},
            "points[1][0]: both points have the input 1 (two different inputs make a line)",
        ),
        (LINE | {"slope": 1.0, "slpe": 1.0}, 'slpe: is not a key of the car file here (did you mean "slope"?)'),
    ],
)
def test_faults_of_a_sheet_are_told_by_key_with_their_hint(sheet, line):
    with pytest.raises(CalibrationError) as caught:
        calibration_of(sheet)
    assert caught.value.lines == (line,)


def test_a_curve_that_the_car_file_would_refuse_is_told_with_its_reason():
    with pytest.raises(CalibrationError) as caught:
        fitted(NTC | {"range": [-20.0, 150.0]}, *((volts, 80.0) for volts in (1.0, 2.0, 3.0, 4.0)))
    assert caught.value.lines[0] == "through these readings no curve of this kind goes:"
    assert caught.value.lines[1].startswith("coefficients: no thermistor falls like this")
    assert "--form beta" in caught.value.hint
