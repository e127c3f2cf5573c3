"""Each typical mistake is named, and nothing is said of good readings."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.calibration.registry import read_calibration
from buswright.channels.fits.doubts import doubts_of, of_readings
from buswright.channels.fits.fit import fit_readings
from buswright.channels.fits.readings import Reading
from buswright.findings import Severity

PRESSURE = {"kind": "ratiometric", "unit": "bar", "points": [[0.5, 0.0], [4.5, 10.0]]}
NTC = {
    "kind": "thermistor",
    "pull_up": 2200.0,
    "coefficients": [1.12924e-3, 2.34108e-4, 0.87755e-7],
    "range": [0.0, 100.0],
}
VOLTS = np.array([0.5, 1.7, 2.9, 3.6, 4.5])
CELSIUS = np.array([0.0, 20.0, 40.0, 70.0, 98.3])


def readings(inputs, values):
    return [Reading(float(x), float(y)) for x, y in zip(inputs, values, strict=True)]


def true_bars():
    return read_calibration(PRESSURE).apply(VOLTS) + np.array([0.01, -0.01, 0.012, -0.008, 0.003])


def thermistor(**changed):
    made = read_calibration({**NTC, **changed})
    return made.invert(CELSIUS) + np.array([2, -3, 2, -1, 1]) * 1e-4


def named(sheet, given, old=True):
    fit = fit_readings(sheet, given)
    found = doubts_of(fit, read_calibration(sheet) if old else None)
    return [doubt.name for doubt in found if doubt.severity >= Severity.SUSPECT], found


def test_good_readings_raise_no_doubt():
    assert named(PRESSURE, readings(VOLTS, true_bars()))[1] == ()
    assert named(NTC, readings(thermistor(), CELSIUS))[1] == ()


@pytest.mark.parametrize(
    ("name", "given", "words"),
    [
        ("unit-mixup", lambda: readings(VOLTS, true_bars() * 14.5038), "psi given as bar"),
        ("unit-mixup", lambda: readings(VOLTS, true_bars() * 100), "kPa given as bar"),
        ("prefix", lambda: readings(VOLTS * 1000, true_bars()), "mV given as V"),
        ("swapped-columns", lambda: readings(true_bars(), VOLTS), "swapped"),
        ("reversed", lambda: readings(VOLTS, true_bars()[::-1]), "reverse order"),
        ("sign", lambda: readings(VOLTS, -true_bars()), "turned in sign"),
        (
            "gauge-absolute",
            lambda: readings(VOLTS, true_bars() + 0.98),
            "absolute values for a sensor that shows gau",
        ),
        (
            "gauge-absolute",
            lambda: readings(VOLTS, true_bars() - 0.98),
            "gauge values for a sensor that shows abs",
        ),
    ],
)
def test_a_mistake_of_typing_is_named_alone(name, given, words):
    suspects, found = named(PRESSURE, given())
    assert suspects == [name]
    assert words in found[0].text
    assert found[0].hint


@pytest.mark.parametrize(
    ("ohm", "words"),
    [(220.0, "ten times off: 220 "), (22_000.0, "ten times off: 22000 "), (1000.0, "1000 ohm would agree")],
)
def test_another_pull_up_is_named(ohm, words):
    suspects, found = named(NTC, readings(thermistor(pull_up=ohm), CELSIUS))
    assert suspects == ["pull-up"]
    assert words in found[0].text


def test_fahrenheit_given_as_celsius_is_named():
    suspects, found = named(NTC, readings(thermistor(), CELSIUS * 1.8 + 32))
    assert suspects == ["unit-mixup"]
    assert "°F given as °C" in found[0].text


def test_without_an_old_curve_only_the_impossible_is_named():
    sheet = {"kind": "linear", "unit": "bar"}
    assert named(sheet, readings(VOLTS * 1000, true_bars()), old=False)[0] == ["prefix"]
    assert named(sheet, readings(true_bars() * 16, VOLTS), old=False)[0] == ["swapped-columns"]
    assert named(sheet, readings(VOLTS, true_bars() * 14.5), old=False)[0] == []


def test_a_mistake_is_named_where_no_curve_can_be_fitted():
    found = of_readings(NTC, readings(CELSIUS, thermistor()), read_calibration(NTC))
    assert [doubt.name for doubt in found] == ["swapped-columns"]


def test_an_outlier_is_named_by_its_number():
    inputs = np.linspace(0.5, 4.5, 9)
    values = read_calibration(PRESSURE).apply(inputs) + np.array([1, -1, 1, 9, 1, -1, 1, -1, 1]) * 0.01
    suspects, found = named(PRESSURE, readings(inputs, values))
    assert suspects == ["outlier"]
    assert "Reading 4 (2 = 3.84)" in found[0].text
    assert "Without it the others fit within 0.01" in found[0].text


def test_an_outlier_among_readings_that_fit_exactly_is_named_too():
    suspects, found = named(PRESSURE, readings([0.5, 1.3, 2.1, 2.9, 3.7, 4.5], [0, 2, 4, 7, 8, 10]))
    assert suspects == ["outlier"]
    assert "Reading 4 (2.9 = 7) lies -0.819 off, and the others fit exactly." in found[0].text


def test_what_the_readings_cover_is_said_with_the_digits_of_its_span():
    inputs = read_calibration(NTC).invert(np.array([0.0, 30.0, 80.0]))
    (text,) = [each.text for each in named(NTC, readings(inputs, [0.0, 30.0, 80.0]))[1] if each.name == "extrapolated"]
    assert "cover 0 to 80 °C" in text


def test_noise_seldom_shows_an_outlier():
    """With 5 % by definition: of 200 series of normal noise about 10."""
    generator, inputs, count = np.random.default_rng(8), np.linspace(0.5, 4.5, 8), 0
    for _ in range(200):
        count += bool(fit_readings(PRESSURE, readings(inputs, generator.standard_normal(8))).outliers)
    assert 3 <= count <= 20


@pytest.mark.parametrize(
    ("sheet", "inputs", "curve", "words"),
    [
        (
            PRESSURE,
            np.linspace(0.5, 4.5, 8),
            lambda x: 2.5 * (x - 0.5) + 0.3 * (x - 2.5) ** 2,
            "polynomial of degree 2",
        ),
        (
            {"kind": "polynomial", "unit": "bar"},
            np.linspace(0.5, 4.5, 8),
            lambda x: 0.4 * (x - 2.5) ** 3 + x,
            "polynomial of degree 3",
        ),
        (
            {"kind": "linear", "unit": "degC", "electrical": "ohm"},
            np.array([32650.0, 12493.0, 5325.0, 2487.0, 1256.0, 678.4]),
            lambda x: read_calibration(
                {"kind": "thermistor", "electrical": "ohm", "coefficients": NTC["coefficients"]}
            ).apply(x),
            "thermistor",
        ),
    ],
)
def test_a_kind_that_fits_is_suggested_with_the_numbers(sheet, inputs, curve, words):
    suspects, found = named(sheet, readings(inputs, curve(inputs)), old=False)
    assert suspects == ["wrong-kind"]
    assert words in found[0].text
    assert "%" in found[0].text
    assert "--kind" in found[0].hint


def test_a_bad_sensor_is_not_blamed_on_its_kind():
    generator = np.random.default_rng(4)
    inputs = np.linspace(0.5, 4.5, 9)
    values = read_calibration(PRESSURE).apply(inputs) + 0.3 * generator.standard_normal(9)
    assert named(PRESSURE, readings(inputs, values))[0] == ["poor-fit"]


def test_three_readings_of_three_constants_ask_for_a_fourth():
    _, found = named(NTC, readings(thermistor()[1:4], CELSIUS[1:4]))
    doubt = next(each for each in found if each.name == "no-residual")
    assert "3 readings fit 3 constants exactly" in doubt.text
    assert "fourth" in doubt.hint


def test_readings_of_a_part_of_the_span_are_said_to_be_so():
    _, found = named(PRESSURE, readings(VOLTS[:3], true_bars()[:3]))
    doubt = next(each for each in found if each.name == "extrapolated")
    assert "60 % of the span (0.0" in doubt.text
    assert "sure to ±" in doubt.text


@pytest.mark.parametrize(("part", "end"), [(slice(3), 10.0), (slice(2, None), 0.0)])
def test_only_the_end_that_the_readings_do_not_reach_is_extrapolated(part, end):
    inputs = np.array([0.5, 1.5, 2.5, 3.5, 4.5])[part]
    values = read_calibration(PRESSURE).apply(inputs) + np.array([1.0, -1.0, 1.0]) * 1e-3
    (text,) = [each.text for each in named(PRESSURE, readings(inputs, values))[1] if each.name == "extrapolated"]
    assert text.count("±") == 1
    assert float(text.rpartition(" at ")[2].removesuffix(" bar.")) == pytest.approx(end, abs=0.01)


def test_hysteresis_above_a_hundredth_is_said():
    inputs = [0.5, 2.5, 4.5, 2.56, 0.56]
    _, found = named(PRESSURE, readings(inputs, [0.0, 5.0, 10.0, 5.0, 0.0]))
    assert "hysteresis" in [doubt.name for doubt in found]


def test_a_reading_that_was_not_still_is_named():
    given = [*readings(VOLTS, true_bars())]
    given[2] = Reading(given[2].electrical, given[2].value, note="it moved by 0.2 V while it was read")
    suspects, found = named(PRESSURE, given)
    assert suspects == ["not-still"]
    assert "Reading 3" in found[0].text
