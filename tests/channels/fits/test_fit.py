"""Fits against published results, against SciPy, and against what must hold of any fit."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from buswright.channels.calibration.kind import CalibrationError
from buswright.channels.calibration.registry import read_calibration
from buswright.channels.fits.fit import Hysteresis, errors_of, fit_readings, hysteresis_of
from buswright.channels.fits.readings import Reading
from buswright.channels.fits.student import half_width, quantile

STRD = json.loads((Path(__file__).parent / "nist_strd.json").read_text(encoding="utf-8"))["sets"]
THERMO = json.loads(
    (Path(__file__).parents[1] / "calibration" / "reference_temperature.json").read_text(encoding="utf-8")
)

LINE = {"kind": "linear", "electrical": "V", "unit": "bar"}
NTC = {
    "kind": "thermistor",
    "pull_up": 2200.0,
    "coefficients": [1.12924e-3, 2.34108e-4, 0.87755e-7],
    "range": [-20.0, 150.0],
}


def readings(inputs, values, **more):
    return [Reading(float(x), float(y), **more) for x, y in zip(inputs, values, strict=True)]


# -- published results --------------------------------------------------------------------------------------------

DIGITS = {"Norris": 11, "Pontius": 10, "NoInt1": 12, "Wampler3": 6, "Wampler5": 3, "Filip": 6}
"""What double precision leaves of the certified values: the sets of degree 5 and 10 were made to be hard."""


@pytest.mark.parametrize("name", STRD)
def test_certified_estimates_are_met(name):
    """NIST StRD; NoInt1 through the toothed wheel, whose line goes through the origin."""
    data = STRD[name]
    if name == "NoInt1":
        sheet, degree = {"kind": "frequency", "teeth": 1.0, "circumference": 1.0, "unit": "m/s"}, 0
    elif name == "Norris":
        sheet, degree = {**LINE, "slope": 1.0}, 0
    else:
        sheet, degree = {"kind": "polynomial", "unit": "bar"}, data["degree"]
    fit = fit_readings(sheet, readings(data["x"], data["y"]), degree=degree)
    found = list(fit.constants) if fit.kind == "polynomial" else [*fit.constants][::-1]
    estimates = np.array([each.value for each in found])
    deviations = np.array([each.half for each in found]) / half_width(fit.freedom)
    tolerance = 10.0 ** -DIGITS[name]
    np.testing.assert_allclose(estimates, data["estimates"], rtol=tolerance)
    np.testing.assert_allclose(deviations, data["deviations"], rtol=tolerance)
    if "residual" in data:
        assert fit.deviation == pytest.approx(data["residual"], rel=tolerance)


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 9, 30, 251])
@pytest.mark.parametrize("share", [0.5, 0.8, 0.975, 0.99999])
def test_students_t_is_that_of_scipy(share, freedom):
    assert quantile(share, freedom) == pytest.approx(stats.t.ppf(share, freedom), rel=1e-9, abs=1e-15)


def test_a_thermistor_chart_gives_its_coefficients_back():
    """Rows of a published chart of resistances, and the coefficients printed on it (`reference_temperature.json`).

    The chart's rows are up to 0.08 degC off its own coefficients below -40 degC.
    """
    chart = THERMO["ntc_10k"]
    rows = [row for row in chart["rows_from_equation"] if row["t_C"] >= -40]
    sheet = {**NTC, "electrical": "ohm", "range": [-40.0, 110.0]}
    del sheet["pull_up"]
    fit = fit_readings(sheet, [Reading(row["R_ohm"], row["t_C"]) for row in rows])
    printed = [chart["coeffs"][name] for name in "ABC"]
    np.testing.assert_allclose([each.value for each in fit.constants], printed, rtol=2e-4)
    assert fit.largest < 1e-3


def test_a_thermocouple_amplifier_is_found_from_its_90_points():
    """Voltages of type K from NIST Monograph 175 (`reference_temperature.json`), amplified 122.4 times above 1.25 V."""
    table = [row for row in THERMO["thermocouples"]["types"]["K"]["emf"] if 0 <= row["t_C"] <= 1100]
    sheet = {"kind": "thermocouple", "type": "K", "cold_junction": 0.0, "gain": 100.0}
    given = [Reading(1.25 + 0.1224 * row["emf_mV"], row["t_C"]) for row in table]
    fit = fit_readings(sheet, given)
    gain, at_zero = fit.constants
    assert gain.value == pytest.approx(122.4, rel=1e-5)
    assert at_zero.value == pytest.approx(1.25, abs=1e-5)
    assert fit.largest < 0.01  # the table has four decimals of a millivolt


# -- SciPy --------------------------------------------------------------------------------------------------------


def _kelvin(x, a, b, c):
    logs = np.log(2200.0 * x / (5.0 - x))
    return 1.0 / (a * 1e-3 + b * 1e-4 * logs + c * 1e-7 * logs**3) - 273.15


def _beta(x, beta, r25):
    ohm = 2200.0 * x / (5.0 - x)
    return 1.0 / (1.0 / 298.15 + np.log(ohm / r25) / beta) - 273.15


_PLATINUM_A, _PLATINUM_B = 3.9083e-3, -5.775e-7


def _platinum(x, r0):
    ratio = 2200.0 * x / (5.0 - x) / r0
    return (-_PLATINUM_A + np.sqrt(_PLATINUM_A**2 - 4 * _PLATINUM_B * (1 - ratio))) / (2 * _PLATINUM_B)


CURVES = {
    "linear": ({**LINE, "slope": 1.0}, lambda x, b, a: b * x + a, (2.5, -1.25), np.linspace(0.5, 4.5, 9), 0.02),
    "ratiometric": (
        {"kind": "ratiometric", "unit": "bar"},
        lambda x, b, a: b * x / 5.0 + a,
        (12.5, -1.25),
        np.linspace(0.5, 4.5, 9),
        0.02,
    ),
    "polynomial": (
        {"kind": "polynomial", "unit": "bar"},
        lambda x, a, b, c: a + b * x + c * x**2,
        (-2.1, 30.5, 0.42),
        np.linspace(0.5, 4.5, 8),
        0.1,
    ),
    "thermistor": (NTC, _kelvin, (1.12924, 2.34108, 0.87755), np.linspace(0.6, 4.6, 8), 0.05),
    "beta": (
        {**NTC, "coefficients": None, "beta": 3500.0, "r25": 9000.0},
        _beta,
        (3892.0, 10_000.0),
        np.linspace(0.6, 4.6, 8),
        0.05,
    ),
    "rtd": ({"kind": "rtd", "r0": 1000.0, "pull_up": 2200.0}, _platinum, (1003.0,), np.linspace(1.57, 2.1, 6), 0.1),
}


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("name", CURVES)
def test_constants_and_intervals_are_those_of_scipy(name, weighted):
    sheet, curve, truth, inputs, noise = CURVES[name]
    sheet = {key: value for key, value in sheet.items() if value is not None}
    generator = np.random.default_rng(len(name))
    values = curve(inputs, *truth) + noise * generator.standard_normal(len(inputs))
    scatter = 10.0 ** generator.uniform(-3.5, -3.2, len(inputs)) if weighted else [None] * len(inputs)
    given = [Reading(float(x), float(y), scatter=s) for x, y, s in zip(inputs, values, scatter, strict=True)]
    fit = fit_readings(sheet, given)
    sigma = None
    if weighted:
        # What a scatter of the input is in the value: by the slope of the unweighted fit, as the fit itself has it.
        first = fit_readings(sheet, [Reading(each.electrical, each.value) for each in given]).calibration
        step = 1e-4 * np.ptp(inputs)
        sigma = np.abs(first.apply(inputs + step) - first.apply(inputs - step)) / (2 * step) * scatter
    found, covariance = optimize.curve_fit(curve, inputs, values, p0=truth, sigma=sigma, xtol=1e-14, ftol=1e-14)
    scale = np.array([1e-3, 1e-4, 1e-7]) if name == "thermistor" else np.ones(len(truth))
    np.testing.assert_allclose([each.value for each in fit.constants], found * scale, rtol=1e-5)
    halves = np.sqrt(np.diag(covariance)) * scale * stats.t.ppf(0.975, len(inputs) - len(truth))
    np.testing.assert_allclose([each.half for each in fit.constants], halves, rtol=1e-4)
    # The curve's interval by the delta method with SciPy's covariance.
    at = np.linspace(inputs[0], inputs[-1], 5)
    slopes = optimize.approx_fprime(found, lambda p: curve(at, *p), 1e-7)
    half = np.sqrt(np.einsum("ij,jk,ik->i", slopes, covariance, slopes)) * stats.t.ppf(0.975, fit.freedom)
    band = fit.band(at)
    np.testing.assert_allclose(band.value, curve(at, *found), rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(band.half, half, rtol=1e-3)


def test_studentized_errors_are_those_of_fits_without_the_reading():
    generator = np.random.default_rng(3)
    inputs = np.linspace(0.5, 4.5, 9)
    values = 2.5 * inputs + 0.05 * generator.standard_normal(9)
    fit = fit_readings(LINE, readings(inputs, values))
    for row in range(9):
        rest = np.arange(9) != row
        line = stats.linregress(inputs[rest], values[rest])
        deviation = math.sqrt(np.sum((values[rest] - line.slope * inputs[rest] - line.intercept) ** 2) / 6)
        distance = inputs[row] - inputs[rest].mean()
        spread = deviation * math.sqrt(1 + 1 / 8 + distance**2 / np.sum((inputs[rest] - inputs[rest].mean()) ** 2))
        expected = (line.slope * inputs[row] + line.intercept - values[row]) / spread
        assert fit.studentized[row] == pytest.approx(expected, rel=1e-6)


def without(inputs, values, row):
    """Return what a line through the others says at a reading, and the standard deviation of the difference."""
    others = np.arange(len(inputs)) != row
    x, y = np.array(inputs)[others], np.array(values)[others]
    line = stats.linregress(x, y)
    left = math.sqrt(np.sum((y - line.slope * x - line.intercept) ** 2) / (len(x) - 2))
    distance = inputs[row] - x.mean()
    wide = math.sqrt(1 + 1 / len(x) + distance**2 / np.sum((x - x.mean()) ** 2))
    return line.slope * inputs[row] + line.intercept, left * wide


def test_a_reading_far_from_all_others_is_judged_too():
    """It draws the line nearly through itself: of what it is off less than a thousandth is left as error."""
    inputs = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 100.0])
    values = 2.0 * inputs + np.array([0.01, -0.02, 0.015, -0.01, 0.005, 30.0])
    fit = fit_readings(LINE, readings(inputs, values))
    assert abs(fit.error[5]) < 1e-3 * 30.0
    said, spread = without(inputs, values, 5)
    assert fit.studentized[5] == pytest.approx((said - values[5]) / spread, rel=1e-6)


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("count", [5, 6, 9])
def test_an_outlier_lies_beyond_bonferronis_bound(count, side):
    """Student's t at 1 - 0.05 / 2n with n - 3 degrees: just inside nothing, just beyond this one reading."""
    inputs = np.linspace(0.5, 4.5, count)
    values = 2.5 * inputs + 0.2 * np.array([1.0, -1.0, 0.5, 0.7, -0.9, 0.6, -1.0, 0.8, -0.2])[:count]
    said, spread = without(inputs, values, 2)
    bound = stats.t.ppf(1 - 0.05 / (2 * count), count - 3)
    for times, found in ((0.99, ()), (1.01, (2,))):
        values[2] = said + side * times * bound * spread
        fit = fit_readings(LINE, readings(inputs, values))
        assert fit.studentized[2] == pytest.approx(-side * times * bound, rel=1e-9)
        assert fit.outliers == found


def test_of_two_readings_left_over_none_is_an_outlier():
    fit = fit_readings(LINE, readings([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 9.0]))
    assert (fit.freedom, fit.outliers) == (2, ())
    assert np.all(np.isfinite(fit.studentized))
    fit = fit_readings(LINE, readings([0.0, 1.0, 2.0], [0.0, 1.0, 9.0]))
    assert fit.freedom == 1
    assert np.all(np.isnan(fit.studentized))


def test_where_the_others_fit_exactly_rounding_is_their_scatter():
    """0.01 off at 3 of 0 to 5: leverage 1/6 + 0.5² / 17.5, so 0.819 of it is left; a billionth of 10 is rounding."""
    inputs = np.arange(6.0)
    fit = fit_readings(LINE, readings(inputs, 2.0 * inputs + 0.01 * (inputs == 3)))
    left = 1 - 1 / 6 - 0.25 / 17.5
    assert fit.error[3] == pytest.approx(-0.01 * left, rel=1e-9)
    assert fit.studentized[3] == pytest.approx(-0.01 * math.sqrt(left) / 1e-8, rel=1e-6)


@pytest.mark.parametrize(("off", "found"), [(0.0238, ()), (0.0250, (3,))])
def test_what_is_below_a_five_hundredth_of_the_span_is_no_outlier(off, found):
    """0.819 of it is left as error, against 0.002 of a span of 10: 0.0244."""
    inputs = np.arange(6.0)
    assert fit_readings(LINE, readings(inputs, 2.0 * inputs + off * (inputs == 3))).outliers == found


def test_rounding_is_no_error():
    inputs = np.array([0.1, 0.2, 0.3, 0.7, 1.1, 1.3])
    fit = fit_readings(LINE, readings(inputs, 0.1 * inputs + 0.7))
    assert np.any(fit.error != 0.0)
    assert fit.studentized.tolist() == [0.0] * 6
    assert fit.exact
    off = fit_readings(LINE, readings(inputs, 0.1 * inputs + 0.7 + 1e-8 * (inputs == 0.3)))
    assert not off.exact
    assert not fit_readings(LINE, readings([0.0, 1.0], [0.0, 1.0])).exact, "nothing is left over to say so"


# -- what must hold -----------------------------------------------------------------------------------------------

EXACT = {
    "linear": (LINE | {"points": [[0.5, 0.0], [4.5, 10.0]]}, np.array([0.5, 1.0, 3.0, 4.5])),
    "ratiometric": ({"kind": "ratiometric", "unit": "mm", "fractions": [[0.1, 0.0], [0.9, 75.0]]}, np.arange(1.0, 5.0)),
    "polynomial": (
        {"kind": "polynomial", "unit": "l/h", "coefficients": [-2.1, 30.5, 0.42], "range": [0.5, 4.5]},
        np.array([0.6, 1.0, 2.0, 4.0]),
    ),
    "table": (
        {"kind": "table", "unit": "l", "points": [[0.42, 0.0], [0.95, 5.0], [3.24, 20.0], [4.38, 25.0]]},
        np.array([0.42, 0.95, 3.24, 4.38]),
    ),
    "thermistor": (NTC, np.array([0.7, 1.5, 3.0, 4.5])),
    "thermistor by beta": (
        {"kind": "thermistor", "pull_up": 2200.0, "beta": 3892.0, "r25": 10_000.0, "unit": "degF"},
        np.array([0.7, 1.5, 3.0, 4.5]),
    ),
    "thermistor by table": (
        {"kind": "thermistor", "pull_up": 1000.0, "table": [[0.0, 5880.0], [40.0, 1175.0], [100.0, 186.0]]},
        np.array([5 * 186 / 1186, 5 * 1175 / 2175, 5 * 5880 / 6880]),
    ),
    "rtd": ({"kind": "rtd", "r0": 1003.0, "pull_down": 2200.0}, np.array([3.2, 3.4])),
    "thermocouple": (
        {"kind": "thermocouple", "type": "K", "gain": 122.4, "at_zero": 1.25, "cold_junction": 25.0},
        np.array([1.3, 2.0, 4.0]),
    ),
    "frequency": ({"kind": "frequency", "teeth": 48.0, "circumference": 1.79, "unit": "km/h"}, np.array([10.0, 900.0])),
    "stages": (
        {
            "kind": "stages",
            "unit": "barg",
            "stages": [
                {"kind": "linear", "points": [[0.88, 4.0], [4.4, 20.0]], "unit": "mA"},
                {"kind": "linear", "electrical": "A", "points": [[0.004, 0.0], [0.02, 16.0]], "unit": "barg"},
            ],
        },
        np.array([0.9, 2.0, 4.3]),
    ),
    "shaft": ({"kind": "frequency", "teeth": 12.0, "unit": "rpm"}, np.array([10.0, 900.0])),
}


@pytest.mark.parametrize("name", EXACT)
def test_readings_of_a_sensor_give_that_sensor_back(name):
    sheet, inputs = EXACT[name]
    truth = read_calibration(sheet)
    values = truth.apply(inputs)
    fit = fit_readings(sheet, readings(inputs, values))
    between = np.linspace(inputs.min(), inputs.max(), 30)
    np.testing.assert_allclose(fit.calibration.apply(between), truth.apply(between), atol=2e-5 * np.ptp(values))
    assert fit.largest < 1e-6 * max(np.ptp(values), 1.0)
    assert fit.sheet["kind"] == sheet["kind"]
    for key in ("unit", "pull_up", "supply", "cold_junction"):
        assert fit.sheet.get(key) == sheet.get(key)


def test_a_measured_supply_is_taken_for_each_reading():
    sheet = {"kind": "ratiometric", "unit": "bar", "points": [[0.5, 0.0], [4.5, 10.0]], "reference": "supply"}
    truth = read_calibration(sheet)
    supply, inputs = np.array([4.9, 5.0, 5.05, 5.1]), np.array([0.6, 2.0, 3.0, 4.4])
    values = truth.apply(inputs, {"supply": supply})
    given = [Reading(x, y, reference=s) for x, y, s in zip(inputs.tolist(), values.tolist(), supply, strict=True)]
    fit = fit_readings(sheet, given)
    assert fit.largest < 1e-9
    assert np.abs(errors_of(fit.calibration, given)).max() < 1e-4
    assert fit_readings(sheet, readings(inputs, values)).largest > 0.01


def test_going_up_and_down_shows_hysteresis():
    up, down = np.linspace(0.5, 4.5, 5), np.linspace(3.5, 0.5, 4)
    values = [0.0, 2.5, 5.0, 7.5, 10.0, 7.5, 5.0, 2.5, 0.0]
    inputs = [*up, *(down + 0.04)]
    found = fit_readings(LINE, readings(inputs, values)).hysteresis
    assert found.size == pytest.approx(0.1, rel=0.05)
    assert fit_readings(LINE, readings(up, values[:5])).hysteresis is None


def test_a_table_goes_through_the_mean_of_each_point():
    fit = fit_readings(
        {"kind": "table", "unit": "l"}, readings([0.5, 1.5, 4.0, 4.02, 1.52, 0.5], [0.0, 5.0, 25.0, 25.1, 5.0, 0.0])
    )
    assert fit.sheet["points"] == [[0.5, 0.0], [1.51, 5.0], [4.01, 25.05]]
    assert fit.freedom == 3


@pytest.mark.parametrize(
    ("scatter", "weights"),
    [
        ([0.1, 0.1, 0.2, 0.1, 0.4], [1.0, 1.0, 0.5, 1.0, 0.25]),
        ([0.3, 0.3, 0.2, 0.05, 0.4], [1.0, 1.0, 1.5, 3.0, 0.75]),  # none is steadier than a third of the median
        ([0.0, 0.0, 0.0, 0.1, 0.2], [1.0] * 5),
        ([0.1, None, 0.1, 0.1, 0.01], [1.0] * 5),
    ],
)
def test_a_reading_counts_with_the_inverse_of_its_scatter(scatter, weights):
    """Against NumPy's polynomial fit, which takes the inverse standard deviations."""
    inputs, values = np.array([0.5, 1.0, 2.0, 3.5, 4.5]), np.array([0.1, 1.0, 4.2, 7.3, 9.9])
    given = [Reading(x, y, scatter=s) for x, y, s in zip(inputs.tolist(), values.tolist(), scatter, strict=True)]
    fit = fit_readings(LINE | {"slope": 1.0}, given)
    slope, offset = np.polyfit(inputs, values, 1, w=weights)
    assert [each.value for each in fit.constants] == pytest.approx([slope, offset], rel=1e-7)
    w = np.square(weights) / np.mean(np.square(weights))
    assert fit.deviation == pytest.approx(math.sqrt(w @ (slope * inputs + offset - values) ** 2 / 3), rel=1e-7)


def test_scatter_of_an_input_counts_by_the_steepness_of_the_curve():
    """A flat part, down to a thousandth of the steepest, hides the scatter of its inputs."""
    inputs = np.array([-2.0, -1.0, 0.5, 1.0, 2.0])
    values = inputs**2 - inputs + np.array([0.1, -0.1, 0.05, 0.15, -0.2])
    first = np.polyfit(inputs, values, 2)
    steepness = np.abs(np.polyval(np.polyder(first), inputs))
    assert steepness.min() > 1e-3 * steepness.max()
    fit = fit_readings({"kind": "polynomial", "unit": "bar"}, readings(inputs, values, scatter=0.01))
    wanted = np.polyfit(inputs, values, 2, w=1.0 / steepness)[::-1]
    np.testing.assert_allclose([each.value for each in fit.constants], wanted, rtol=1e-6)
    inputs[2] = -first[1] / (2 * first[0])  # near its lowest point: the limit counts
    first = np.polyfit(inputs, values, 2)
    inputs[2] = -first[1] / (2 * first[0])
    steepness = np.abs(np.polyval(np.polyder(np.polyfit(inputs, values, 2)), inputs))
    assert steepness.min() < 1e-3 * steepness.max()
    fit = fit_readings({"kind": "polynomial", "unit": "bar"}, readings(inputs, values, scatter=0.01))
    wanted = np.polyfit(inputs, values, 2, w=1.0 / np.maximum(steepness, 1e-3 * steepness.max()))[::-1]
    np.testing.assert_allclose([each.value for each in fit.constants], wanted, rtol=1e-4)


def test_figures_of_a_fit_are_in_the_unit_of_the_readings():
    inputs, off = np.array([0.7, 1.5, 2.2, 3.0, 4.5]), np.array([0.1, -0.1, 0.2, -0.1, 0.1])
    celsius = read_calibration(NTC).apply(inputs) + off
    one = fit_readings(NTC, readings(inputs, celsius))
    other = fit_readings({**NTC, "unit": "degF"}, readings(inputs, celsius * 1.8 + 32.0))
    assert (one.kind, one.calibration.unit, other.calibration.unit) == ("thermistor", "degC", "degF")
    np.testing.assert_allclose(other.error, 1.8 * one.error, rtol=1e-5, atol=1e-7)
    assert other.deviation == pytest.approx(1.8 * one.deviation, rel=1e-6)
    assert other.largest == pytest.approx(np.abs(other.error).max())
    assert (one.span, other.span) == (pytest.approx(170.0), pytest.approx(306.0))
    np.testing.assert_allclose(one.band(inputs).value - celsius, one.error, atol=1e-9)
    assert one.error @ one.error == pytest.approx(2 * one.deviation**2)


def test_a_span_is_that_of_the_written_points_else_of_the_readings():
    given = readings([1.0, 2.0, 3.0], [1.25, 3.75, 6.25])
    assert fit_readings(LINE | {"slope": 1.0}, given).span == 5.0
    assert fit_readings(LINE | {"points": [[0.5, 0], [4.5, 0]]}, given).span == pytest.approx(10.0)


def test_without_freedom_nothing_is_known_of_how_sure_it_is():
    fit = fit_readings(LINE, readings([0.5, 4.5], [0.0, 10.0]))
    assert fit.freedom == 0
    assert math.isnan(fit.deviation)
    assert [each.half for each in fit.constants] == [math.inf, math.inf]
    band = fit.band(np.array([1.5, 2.5]))
    assert band.half.tolist() == [math.inf, math.inf]
    assert band.value.tolist() == pytest.approx([2.5, 5.0])
    assert band.electrical.tolist() == [1.5, 2.5]


def test_the_largest_difference_between_the_ways_is_the_hysteresis():
    """True values 0, 5, 10 and back: at 5 it shows 0.3 less on the way down than up, at 0 it shows 0.2 more."""
    values = np.array([0.0, 5.0, 10.0, 10.0, 5.0, 0.0])
    error = np.array([0.1, 0.2, 0.0, 0.9, -0.1, 0.3])
    assert hysteresis_of(values, error) == Hysteresis(5.0, pytest.approx(-0.3))
    error[5] = 0.5
    assert hysteresis_of(values, error) == Hysteresis(0.0, pytest.approx(0.4))
    assert hysteresis_of(values[:3], error[:3]) is None
    near = np.array([0.0, 4.98, 10.0, 5.02, 0.0])  # less than a hundredth of the span apart: one true value
    assert hysteresis_of(near, np.array([0.0, 0.2, 0.0, -0.1, 0.0])) == Hysteresis(
        pytest.approx(5.0), pytest.approx(-0.3)
    )
    fit = fit_readings(LINE, readings([0.5, 2.5, 4.5, 2.58, 0.5], [0.0, 5.0, 10.0, 5.0, 0.0]))
    assert fit.directions == (1, 1, 1, -1, -1)
    assert (fit.hysteresis.at, fit.hysteresis.size) == (5.0, pytest.approx(0.08 * fit.constants[0].value))


def test_errors_are_what_a_curve_makes_of_readings_less_what_was_true():
    line = read_calibration(LINE | {"points": [[0.5, 0.0], [4.5, 10.0]]})
    np.testing.assert_allclose(errors_of(line, readings([0.5, 2.5], [1.0, 4.0])), [-1.0, 1.0])
    part = read_calibration(
        {"kind": "ratiometric", "unit": "bar", "points": [[0.5, 0.0], [4.5, 10.0]], "reference": "supply"}
    )
    given = [Reading(2.5, 5.0, reference=4.0), Reading(2.5, 5.0, reference=5.0)]  # 2.5 of 4 V is as 3.125 of 5 V
    np.testing.assert_allclose(errors_of(part, given), [1.5625, 0.0], atol=1e-12)
    given[1] = Reading(2.5, 5.0)  # the supply is nominal where it isn't known of every reading
    np.testing.assert_allclose(errors_of(part, given), [0.0, 0.0], atol=1e-12)


def test_scatter_tells_which_readings_count():
    """A steady reading pulls the curve; but what it was compared with isn't a hundred times better than the others'."""
    inputs, values = [1.0, 2.0, 3.0], [1.0, 2.0, 3.6]
    sure = [Reading(x, y, scatter=s) for x, y, s in zip(inputs, values, (0.3, 0.3, 1e-6), strict=True)]
    plain, weighted = fit_readings(LINE, readings(inputs, values)), fit_readings(LINE, sure)
    assert 0.2 * abs(plain.error[2]) > abs(weighted.error[2]) > 0.01 * abs(plain.error[2])


@pytest.mark.parametrize(
    ("sheet", "given", "text"),
    [
        (LINE, [], "no readings"),
        (LINE, [(1.0, 2.0)], "same input"),
        (LINE, [(1.0, 2.0), (1.0, 2.0), (1.0, 2.0)], "same input"),
        ({"kind": "polynomial", "unit": "bar"}, [(1.0, 2.0), (2.0, 3.0)], "too few"),
        ({"kind": "table", "unit": "bar"}, [(1.0, 2.0), (1.0, 2.0)], "too few"),
        (NTC, [(1.0, 80.0), (2.0, 40.0)], "too few"),
        (NTC, [(6.0, 80.0), (2.0, 40.0), (3.0, 10.0)], "no resistance"),
        (NTC, [(1.0, 80.0), (2.0, 80.0), (3.0, 80.0), (4.0, 80.0)], "thermistor"),
        ({"kind": "thermistor"}, [(1.0, 80.0), (2.0, 40.0), (3.0, 10.0)], "one fixed resistor"),
        ({"kind": "frequency", "circumference": 1.8}, [(1.0, 2.0)], "teeth"),
        ({"kind": "frequency", "teeth": 12.0}, [(0.0, 0.0), (0.0, 0.0)], "apart|too few"),
        ({"kind": "switch"}, [(1.0, 2.0)], "bands"),
        ({"kind": "line"}, [(1.0, 2.0)], "there is no kind"),
    ],
)
def test_what_gives_no_curve_is_refused_with_a_hint(sheet, given, text):
    with pytest.raises(CalibrationError, match=text) as caught:
        fit_readings(sheet, [Reading(x, y) for x, y in given])
    assert caught.value.hint or "thermistor" in text or "resistor" in text


@pytest.mark.parametrize(
    ("sheet", "pairs", "text", "hint"),
    [
        (
            NTC,
            [(1.0, 80.0), (2.0, 40.0)],
            "2 readings are too few: thermistor has 3 constants",
            "3 different inputs give a curve; one more checks it",
        ),
        (
            {"kind": "polynomial", "unit": "bar"},
            [(1.0, 2.0), (2.0, 3.0), (2.0, 3.1), (1.0, 2.1)],
            "4 readings at 2 different inputs are too few: polynomial has 3 constants",
            "3 different inputs give a curve; one more checks it",
        ),
        (
            {"kind": "table", "unit": "bar"},
            [(1.0, 2.0), (1.0, 2.0)],
            "2 readings at 1 different input are too few: table has 2 constants",
            "2 different inputs give a curve; one more checks it",
        ),
        (
            {"kind": "table", "unit": "bar"},
            [(1.0, 2.0)],
            "1 reading is too few: table has 2 constants",
            "2 different inputs give a curve; one more checks it",
        ),
    ],
)
def test_how_many_readings_a_kind_needs_is_said(sheet, pairs, text, hint):
    with pytest.raises(CalibrationError) as caught:
        fit_readings(sheet, [Reading(x, y) for x, y in pairs])
    assert (str(caught.value.message), caught.value.hint) == (text, hint)


@settings(max_examples=40)
@given(
    st.floats(-50, 50).filter(lambda slope: abs(slope) > 1e-2),
    st.floats(-1e3, 1e3),
    st.lists(st.floats(0.0, 5.0), min_size=3, max_size=8, unique_by=lambda x: round(x, 2)),
)
def test_any_line_is_found(slope, offset, inputs):
    fit = fit_readings(LINE, [Reading(x, slope * x + offset) for x in inputs])
    found = {each.name: each.value for each in fit.constants}
    assert found["slope"] == pytest.approx(slope, rel=1e-9, abs=1e-9)
    assert found["offset"] == pytest.approx(offset, rel=1e-9, abs=1e-9)


@settings(max_examples=20)
@given(st.permutations(list(range(7))))
def test_the_order_of_readings_changes_nothing_but_hysteresis(order):
    generator = np.random.default_rng(1)
    inputs = np.linspace(0.5, 4.5, 7)
    values = 2.5 * inputs + 0.05 * generator.standard_normal(7)
    first = fit_readings(LINE, readings(inputs, values))
    second = fit_readings(LINE, readings(inputs[order], values[order]))
    np.testing.assert_allclose(second.error, first.error[order], atol=1e-12)
    assert second.sheet == first.sheet


def test_the_interval_is_in_the_unit_of_the_values():
    inputs, off = np.array([0.7, 1.5, 2.2, 3.0, 4.5]), np.array([0.1, -0.1, 0.2, -0.1, 0.1])
    celsius = read_calibration(NTC).apply(inputs) + off
    band = fit_readings(NTC, readings(inputs, celsius)).band(inputs)
    other = fit_readings({**NTC, "unit": "degF"}, readings(inputs, celsius * 1.8 + 32.0)).band(inputs)
    np.testing.assert_allclose(other.half, 1.8 * band.half, rtol=1e-6)


# -- the promise of 95 % ------------------------------------------------------------------------------------------


@pytest.mark.acceptance
@pytest.mark.parametrize("name", CURVES)
def test_the_interval_holds_the_truth_in_95_of_100_fits(name):
    """10,000 fits of noisy readings: how often the truth lies inside, for every constant and along the curve."""
    sheet, curve, truth, inputs, noise = CURVES[name]
    sheet = {key: value for key, value in sheet.items() if value is not None}
    scale = np.array([1e-3, 1e-4, 1e-7]) if name == "thermistor" else np.ones(len(truth))
    generator = np.random.default_rng(20_000 + len(name))
    exact, at = curve(inputs, *truth), np.linspace(inputs[0], inputs[-1], 5)
    inside, along = np.zeros(len(truth)), np.zeros(len(at))
    fits = 10_000
    for _ in range(fits):
        fit = fit_readings(sheet, readings(inputs, exact + noise * generator.standard_normal(len(inputs))))
        found = np.array([[each.value, each.half] for each in fit.constants])
        inside += np.abs(found[:, 0] - np.array(truth) * scale) <= found[:, 1]
        band = fit.band(at)
        along += np.abs(band.value - curve(at, *truth)) <= band.half
    shares = np.concatenate([inside, along]) / fits
    print(f"{name}: {100 * shares.min():.1f} to {100 * shares.max():.1f} % inside")
    assert np.all((shares >= 0.94) & (shares <= 0.96)), shares
