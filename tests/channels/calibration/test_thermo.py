"""Temperature functions against published tables; the sources stand in reference_temperature.json."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.calibration import thermo

REFERENCE = json.loads((Path(__file__).parent / "reference_temperature.json").read_text(encoding="utf-8"))
COUPLES = REFERENCE["thermocouples"]
LETTERS = ("K", "J", "T", "N", "E")
CHART = (1.12924e-3, 2.34108e-4, 0.87755e-7)


def column(rows, name):
    return np.array([row[name] for row in rows], dtype=np.float64)


# -- thermocouples


@pytest.mark.parametrize("letter", LETTERS)
def test_emf_equals_the_tables(letter):
    rows = COUPLES["types"][letter]["emf"]
    emf = thermo.thermocouple_millivolts(letter, column(rows, "t_C"))
    np.testing.assert_allclose(emf, column(rows, "emf_mV"), rtol=0, atol=0.5e-4 + 1e-9)
    np.testing.assert_allclose(emf, column(rows, "emf_table_mV_3dp"), rtol=0, atol=0.5e-3 + 1e-9)


@pytest.mark.parametrize("letter", LETTERS)
def test_emf_equals_table_rows_and_the_ends_of_the_inverse_ranges(letter):
    rows = [(float(t), emf) for t, emf in COUPLES["table_values"]["rows"][letter].items()]
    rows += [tuple(row) for row in COUPLES["range_ends"]["rows"][letter]]
    celsius, expected = np.array(rows).T
    emf = thermo.thermocouple_millivolts(letter, celsius)
    # The table's rounding; NIST prints -6.035, say, for -6.0346.
    np.testing.assert_allclose(emf, expected, rtol=0, atol=0.55e-3)


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_equals_the_tables(letter):
    rows = COUPLES["types"][letter]["inverse"]
    celsius = thermo.thermocouple_celsius(letter, column(rows, "emf_mV"))
    np.testing.assert_allclose(celsius, column(rows, "t_C"), rtol=0, atol=0.5e-3 + 1e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_lies_within_the_published_error_of_nists_inverse_polynomials(letter):
    for low, high, coefficients, below, above in COUPLES["inverse_polynomials"]["rows"][letter]:
        emf = np.linspace(low, high, 2001)[1:-1]
        difference = np.polynomial.polynomial.polyval(emf, coefficients) - thermo.thermocouple_celsius(letter, emf)
        # Published to 0.01 K.
        assert difference.min() >= below - 0.005
        assert difference.max() <= above + 0.005


@pytest.mark.parametrize("letter", LETTERS)
def test_cold_junction_adds_its_voltage(letter):
    rows = COUPLES["types"][letter]["cold_junction"]
    cold = thermo.thermocouple_millivolts(letter, column(rows, "cold_junction_C"))
    hot = thermo.thermocouple_celsius(letter, column(rows, "measured_mV") + cold)
    np.testing.assert_allclose(hot, column(rows, "hot_C"), rtol=0, atol=0.003)  # 0.05 uV of rounding, 16 uV/K


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_of_the_function_itself(letter):
    celsius = np.linspace(*thermo.THERMOCOUPLE_RANGE[letter], 50_001)
    emf = thermo.thermocouple_millivolts(letter, celsius)
    assert np.all(np.diff(emf) > 0)
    # Type J's own two pieces miss each other by 1.15e-6 K at 760 degC.
    np.testing.assert_allclose(thermo.thermocouple_celsius(letter, emf), celsius, rtol=0, atol=1.2e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_beyond_its_range_a_thermocouple_goes_straight_on(letter):
    low, high = thermo.THERMOCOUPLE_RANGE[letter]
    top = thermo.thermocouple_millivolts(letter, np.array([high - 1e-3, high, high + 50, high + 100]))
    slope = (top[1] - top[0]) / 1e-3
    np.testing.assert_allclose(np.diff(top[1:]) / 50, slope, rtol=1e-4)
    np.testing.assert_allclose(
        thermo.thermocouple_celsius(letter, top), [high - 1e-3, high, high + 50, high + 100], atol=0.05
    )
    assert thermo.thermocouple_celsius(letter, np.array([-50.0]))[0] < low


def test_an_unknown_type_names_the_known_ones():
    with pytest.raises(thermo.ThermoError, match=r'"Q" is no thermocouple type') as caught:
        thermo.thermocouple_celsius("Q", np.zeros(1))
    assert "K, J, T, N, E" in caught.value.hint


# -- platinum


def test_platinum_equals_iec_60751():
    rows = REFERENCE["platinum"]["rows"]
    celsius = column(rows, "t_C")
    np.testing.assert_allclose(thermo.rtd_ohm(celsius), column(rows, "pt100_ohm"), rtol=0, atol=0.5e-4 + 1e-9)
    np.testing.assert_allclose(thermo.rtd_ohm(celsius), column(rows, "pt100_table"), rtol=0, atol=0.005 + 1e-4)
    np.testing.assert_allclose(thermo.rtd_ohm(celsius, 1000.0), column(rows, "pt1000_ohm"), rtol=0, atol=0.5e-3 + 1e-9)
    np.testing.assert_allclose(thermo.rtd_celsius(column(rows, "pt100_ohm")), celsius, rtol=0, atol=2e-4)


@given(st.floats(-200.0, 850.0), st.sampled_from([100.0, 500.0, 1000.0]))
def test_platinum_inverse_is_exact_on_both_branches(celsius, r0):
    assert thermo.rtd_celsius(thermo.rtd_ohm(np.array([celsius]), r0), r0)[0] == pytest.approx(celsius, abs=1e-9)


def test_platinum_gives_nan_where_there_is_no_resistor():
    assert np.isnan(thermo.rtd_celsius(np.array([0.0, -3.0, np.inf, np.nan, 1e6]))).all()


# -- thermistors


def test_thermistor_equals_the_charts():
    ntc = REFERENCE["ntc_10k"]
    assert (ntc["coeffs"]["A"], ntc["coeffs"]["B"], ntc["coeffs"]["C"]) == CHART
    rows = ntc["rows_read"]
    celsius = thermo.thermistor_celsius(column(rows, "R_ohm"), CHART)
    np.testing.assert_allclose(celsius, column(rows, "t_from_steinhart_C"), rtol=0, atol=0.6e-3)
    # The chart and its own coefficients part by up to 0.08 K in the deep cold.
    np.testing.assert_allclose(celsius, column(rows, "t_C"), rtol=0, atol=0.085)
    rows = ntc["rows_read_second_part"]
    celsius = thermo.thermistor_celsius(column(rows, "R_ohm"), CHART)
    np.testing.assert_allclose(celsius, column(rows, "t_C"), rtol=0, atol=0.005)
    rows = ntc["rows_from_equation"]
    np.testing.assert_allclose(
        thermo.thermistor_ohm(column(rows, "t_C"), CHART), column(rows, "R_ohm"), rtol=0, atol=0.006
    )


def test_beta_equals_its_formula():
    for case in REFERENCE["beta"]["cases"]:
        celsius, ohm = column(case["rows"], "t_C"), column(case["rows"], "R_ohm")
        coefficients = thermo.steinhart_hart_of_beta(case["R25"], case["B"])
        np.testing.assert_allclose(thermo.thermistor_ohm(celsius, coefficients), ohm, rtol=0, atol=0.6e-3)
        np.testing.assert_allclose(thermo.thermistor_celsius(ohm, coefficients), celsius, rtol=0, atol=1e-3)


@given(st.floats(-60.0, 200.0), st.floats(8e-4, 1.6e-3), st.floats(2e-4, 3e-4), st.floats(0.0, 2e-7))
def test_thermistor_inverse(celsius, a, b, c):
    back = thermo.thermistor_celsius(thermo.thermistor_ohm(np.array([celsius]), (a, b, c)), (a, b, c))
    assert back[0] == pytest.approx(celsius, abs=1e-8)


def test_thermistor_gives_nan_where_there_is_no_resistor():
    assert np.isnan(thermo.thermistor_celsius(np.array([0.0, -1.0, np.inf, np.nan, 1e-9]), CHART)).all()
    assert np.isnan(thermo.thermistor_ohm(np.array([-273.15, -300.0, np.nan]), CHART)).all()


# -- shapes


@pytest.mark.parametrize("shape", [(), (0,), (3,), (2, 3), (40_000,)])
def test_any_shape_comes_back_as_it_was(shape):
    x = np.full(shape, 20.0)
    for function in (
        lambda x: thermo.thermocouple_celsius("K", x),
        lambda x: thermo.thermocouple_millivolts("N", x),
        lambda x: thermo.rtd_celsius(x, 15.0),
        thermo.rtd_ohm,
        lambda x: thermo.thermistor_celsius(x, CHART),
        lambda x: thermo.thermistor_ohm(x, CHART),
    ):
        result = function(x)
        assert result.shape == shape
        assert np.all(result == np.ravel(function(np.array([20.0])))[0])
    assert np.all(x == 20.0)


def test_nan_stays_nan_among_others():
    mixed = np.array([20.0, np.nan, -20.0])
    for result in (
        thermo.thermocouple_celsius("K", mixed),
        thermo.thermocouple_millivolts("T", mixed),
        thermo.rtd_ohm(mixed),
        thermo.thermistor_ohm(mixed, CHART),
    ):
        assert np.isnan(result).tolist() == [False, True, False]
