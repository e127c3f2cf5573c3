"""Each typical mistake is named, and nothing is said of good readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from buswright.channels.calibration.registry import read_calibration
from buswright.channels.fits.doubts import Doubt, _others, _part, doubts_of, of_readings
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


# -- limits and whole sentences -----------------------------------------------------------------------------------

LINE = {"kind": "linear", "unit": "bar", "points": [[0.5, 0.0], [4.5, 10.0]]}
AT = np.array([0.5, 1.5, 2.5, 3.5, 4.5])
BARS = np.array([0.0, 2.5, 5.0, 7.5, 10.0])


def mistakes(sheet, inputs, values, old=None):
    return of_readings(sheet, readings(inputs, values), read_calibration(old or sheet))


def test_a_mistake_is_told_with_what_it_explains():
    """Ten times the bars' root mean square, 6.124, off by a factor of 100: 99 times 0.6124 of the span."""
    assert mistakes(LINE, AT, BARS * 100) == (
        Doubt(
            "unit-mixup",
            Severity.SUSPECT,
            "The values look like kPa given as bar. "
            "So they are off the old curve by 61 times the span; without this by 0.0 % of the span.",
            "write the unit with the value: 0.5=10kPa",
        ),
    )
    assert mistakes(LINE, AT * 1000, BARS)[0].hint == "write the unit with the input: 500mV=0"
    (turned,) = mistakes(LINE, AT, -BARS)
    assert turned.text == (
        "The values look turned in sign. "
        "So they are off the old curve by 122.5 % of the span; without this by 0.0 % of the span."
    )


def test_kiloohms_given_as_ohms_are_named():
    sheet = {**NTC, "electrical": "ohm"}
    del sheet["pull_up"]
    ohms = read_calibration(sheet).invert(CELSIUS)
    (found,) = mistakes(sheet, ohms / 1000, CELSIUS)
    assert (found.name, found.hint) == ("prefix", "write the unit with the input: 500kohm=0")
    assert found.text.startswith("The inputs look like kohm given as ohm. ")


@pytest.mark.parametrize(("off", "named"), [(0.029, False), (0.031, True)])
def test_readings_within_three_hundredths_of_the_old_curve_may_be_right(off, named):
    """One atmosphere too much, which is just that part of a span of 33 bar."""
    bar = {"kind": "linear", "unit": "bar", "points": [[0.5, 0.0], [4.5, 1.0 / 0.03]]}
    values = read_calibration(bar).apply(AT) + off / 0.03
    assert [each.name for each in mistakes(bar, AT, values)] == ["gauge-absolute"] * named


@pytest.mark.parametrize(("left", "named"), [(0.24, True), (0.26, False)])
def test_a_mistake_is_named_if_undoing_it_leaves_a_quarter_of_the_error(left, named):
    """Values u turned in sign, and o too high: 2u - o is the error as given, and o without the sign."""
    wide = {"kind": "linear", "unit": "deg", "points": [[0.5, -50.0], [4.5, 50.0]]}
    inputs = np.array([2.5, 2.3, 2.8, 2.4, 2.6])
    true = 25.0 * (inputs - 2.5)
    off = next(o for o in np.arange(0.0, 9.0, 1e-3) if o >= left * np.sqrt(np.mean((2 * true - o) ** 2)))
    assert off < 3.0  # three hundredths of the span
    assert [each.name for each in mistakes(wide, inputs, off - true)] == ["sign"] * named


@pytest.mark.parametrize(("size", "named"), [(0.029, True), (0.031, False)])
def test_what_is_left_without_a_mistake_is_three_hundredths_of_the_span_at_most(size, named):
    values = -(BARS + 10 * size * np.array([1, -1, 1, -1, 1]))
    assert [each.name for each in mistakes(LINE, AT, values)] == ["sign"] * named


def test_two_values_are_not_called_listed_in_reverse_order():
    assert [each.name for each in mistakes(LINE, [1.0, 4.5], [10.0, 1.25])] == []
    assert [each.name for each in mistakes(LINE, [1.0, 3.0, 4.5], [10.0, 6.25, 1.25])] == ["reversed"]


@pytest.mark.parametrize(
    ("ohm", "words"),
    [
        (20_300.0, "looks ten times off: 22000 ohm would agree, not 2200 ohm."),
        (19_500.0, "looks not the one that is written: 19500 ohm would agree, not 2200 ohm."),
        (240.0, "looks ten times off: 220 ohm would agree, not 2200 ohm."),
        (245.0, "looks not the one that is written: 245 ohm would agree, not 2200 ohm."),
    ],
)
def test_a_resistor_within_a_tenth_of_ten_times_is_called_that(ohm, words):
    given = readings(read_calibration({**NTC, "pull_up": ohm}).invert(CELSIUS), CELSIUS)
    (told,) = of_readings(NTC, given, read_calibration(NTC))
    assert told.text.startswith(f"The pull-up {words} So they are off")


def test_a_pull_down_and_another_unit_are_told_alike():
    down = {"kind": "rtd", "r0": 1000.0, "pull_down": 2200.0, "unit": "degF", "range": [0.0, 200.0]}
    fahrenheit = CELSIUS * 1.8 + 32
    volts = read_calibration({**down, "pull_down": 1000.0}).invert(fahrenheit)
    (found,) = mistakes(down, volts, fahrenheit)
    assert found.name == "pull-up"
    assert found.text.startswith(
        "The pull-down looks not the one that is written: 1000 ohm would agree, not 2200 ohm. So they are off"
    )
    assert found.text.endswith("without this by 0.0 % of the span.")
    assert found.hint == (
        "look the module up, and write pull_down = 1000.0; after a cold night all temperatures should agree"
    )


@pytest.mark.parametrize(
    ("bar", "named"), [(0.64, False), (0.66, True), (1.06, True), (1.08, False), (-0.66, True), (-1.08, False)]
)
def test_an_atmosphere_is_that_of_a_place_where_people_live(bar, named):
    for unit, size in (("bar", 1.0), ("kPa", 100.0)):
        sheet = LINE | {"unit": unit, "points": [[0.5, 0.0], [4.5, 10.0 * size]]}
        found = mistakes(sheet, AT, (BARS + bar) * size)
        assert [each.name for each in found] == ["gauge-absolute"] * named
        if found:
            sides = (
                "absolute values for a sensor that shows gauge"
                if bar > 0
                else "gauge values for a sensor that shows absolute"
            )
            assert found[0].text == (
                f"All values differ from the old curve by {abs(bar):.2f} bar, one atmosphere: {sides} pressure?"
            )
            assert found[0].severity is Severity.SUSPECT
    angle = LINE | {"unit": "deg"}
    assert mistakes(angle, AT, BARS + 1.0) == ()


@pytest.mark.parametrize(("part", "named"), [(0.24, True), (0.26, False)])
def test_an_atmosphere_is_the_same_at_every_reading(part, named):
    """Errors of 1 ± s have the root mean square sqrt(1 + s²)."""
    size = part / np.sqrt(1 - part**2)
    values = BARS[:4] + 1.0 + size * np.array([1, -1, 1, -1])
    assert [each.name for each in mistakes(LINE, AT[:4], values)] == ["gauge-absolute"] * named


def test_an_atmosphere_is_the_mean_of_all_errors():
    """0.9 bar too much three times and 1.3 once."""
    (found,) = mistakes(LINE, AT[:4], BARS[:4] + np.array([0.9, 0.9, 0.9, 1.3]))
    assert found.text.startswith("All values differ from the old curve by 1.00 bar, one atmosphere: absolute values")


@pytest.mark.parametrize(
    ("share", "words"), [(0.5, "50.0 % of the span"), (1.99, "199.0 % of the span"), (2.0, "2 times the span")]
)
def test_a_large_part_of_the_span_is_a_number_of_spans(share, words):
    assert _part(share) == words


def test_without_ends_the_span_is_that_of_the_readings():
    """-v for v at 0 to 10 bar: twice their root mean square, 6.124, in a span of 10."""
    endless = {"kind": "linear", "unit": "bar", "slope": 2.5, "offset": -1.25}
    (found,) = mistakes(endless, AT, -BARS)
    assert "off the old curve by 122.5 % of the span" in found.text
    (one,) = mistakes(endless, [2.5], [-5.0])
    assert (one.name, "10 times the span" in one.text) == ("sign", True)


def test_an_input_beyond_the_supply_is_blamed_on_nothing():
    assert mistakes(NTC, [6.0, 2.0, 3.0], [20.0, 30.0, 80.0]) == ()


@pytest.mark.parametrize(
    ("median", "values", "unit", "name"),
    [
        (60.0, 5.0, "bar", None),
        (61.0, 5.0, "bar", "swapped-columns"),
        (-61.0, -5.5, "bar", "swapped-columns"),
        (61.0, 5.6, "bar", "prefix"),
        (61.0, 5.0, "V", "prefix"),
    ],
)
def test_no_input_of_a_car_sees_more_than_60_volts(median, values, unit, name):
    given = readings([0.0, median, 900.0], [0.0, values, 0.5])
    found = of_readings({"kind": "linear", "unit": unit}, given, None)
    assert [each.name for each in found] == ([name] if name else [])
    if name == "prefix":
        assert found[0].text == "Inputs up to 900 V: mV given as V?"
        assert found[0].hint == "write the unit with the input: 500mV=0"
    assert of_readings({"kind": "linear", "unit": "bar", "electrical": "mV"}, given, None) == ()


def test_what_is_suspect_comes_first_and_hides_what_follows_from_it():
    """Without hysteresis and outlier: one reading that was not still leaves nothing else to judge but the counts."""
    given = [Reading(0.5, 0.0, note="it moved"), *readings([2.5, 4.5], [5.0, 10.3])]
    found = doubts_of(fit_readings(LINE, given), None)
    assert [(each.name, each.severity) for each in found] == [
        ("not-still", Severity.SUSPECT),
        ("few-readings", Severity.NOTE),
    ]
    assert found[0].text == "Reading 1 (typed): it moved."


def test_two_outliers_are_told_with_what_the_others_leave():
    inputs = np.linspace(0.5, 4.5, 30)
    values = read_calibration(LINE).apply(inputs)
    values[[10, 20]] += 3.0, -3.0
    found = [each for each in named(LINE, readings(inputs, values))[1] if each.name == "outlier"]
    assert len(found) == 2
    assert found[0].text.endswith(" Without these the others fit within 0 bar.")
    assert found[0].text.startswith(f"Reading 11 ({inputs[10]:g} = {values[10]:g}) lies -2.")
    assert found[1].text.startswith("Reading 21 (")


@pytest.mark.parametrize(("off", "poor"), [(0.0099, False), (0.0101, True)])
def test_an_error_above_a_hundredth_of_the_span_deserves_a_look(off, poor):
    """Errors that a line leaves as they are: they add up to nothing, by themselves and times the inputs."""
    values = BARS + 10 * off * np.array([1, -4, 6, -4, 1]) / 6
    found = named(LINE, readings(AT, values))[1]
    assert [each.name for each in found] == ["poor-fit"] * poor
    if poor:
        assert found[0].text == "The largest error is 0.101 bar, 1.0 % of the span."
        assert found[0].hint == "take reading 3 again; if it repeats, the sensor itself is off"


@pytest.mark.parametrize(
    ("sheet", "inputs", "options"),
    [
        (LINE, 4, []),
        (LINE, 5, ["--kind polynomial --degree 2"]),
        (LINE, 6, ["--kind polynomial --degree 2", "--kind polynomial --degree 3", "--kind table"]),
        (
            {"kind": "polynomial", "unit": "bar", "coefficients": [0, 0, 0]},
            6,
            ["--kind linear", "--kind polynomial --degree 3", "--kind table"],
        ),
        ({"kind": "polynomial", "unit": "bar", "coefficients": [0, 0, 0, 0]}, 6, ["--kind linear", "--kind table"]),
        (
            {"kind": "table", "unit": "bar"},
            6,
            ["--kind linear", "--kind polynomial --degree 2", "--kind polynomial --degree 3"],
        ),
        ({"kind": "table", "unit": "bar"}, 3, []),
        ({"kind": "table", "unit": "bar"}, 4, ["--kind linear"]),
        ({"kind": "linear", "unit": "degC", "electrical": "ohm"}, 4, ["--kind thermistor"]),
        ({"kind": "linear", "unit": "degC", "electrical": "ohm"}, 3, []),
        ({"kind": "linear", "unit": "degC"}, 4, []),
        ({"kind": "linear", "unit": "degC", "pull_up": 2200.0}, 4, ["--kind thermistor"]),
        ({**NTC, "coefficients": None, "beta": 3900.0, "r25": 1e4}, 4, ["--kind linear"]),
        (
            {**NTC, "coefficients": None, "beta": 3900.0, "r25": 1e4},
            5,
            ["--kind linear", "--form coefficients", "--kind polynomial --degree 2"],
        ),
        (NTC, 5, ["--kind linear", "--kind polynomial --degree 2"]),
    ],
)
def test_other_kinds_are_tried_that_leave_something_to_judge_by(sheet, inputs, options):
    sheet = {key: value for key, value in sheet.items() if value is not None}
    shape = np.linspace(1.0, 4.5, inputs)
    celsius = sheet["kind"] == "thermistor"
    values = read_calibration(NTC).apply(shape) if celsius else 3 * shape + 0.1 * np.cos(7 * shape)
    fit = fit_readings(
        {key: value for key, value in sheet.items() if key != "pull_up" or celsius}, readings(shape, values)
    )
    fit = replace(fit, sheet=dict(fit.sheet) | {key: sheet[key] for key in ("pull_up",) if key in sheet})
    assert [option for _, option, _, _ in _others(fit)] == options


def counted(count, sheet=LINE):
    pairs = list(zip(AT.tolist(), (BARS + np.array([1, -1, 1, -1, 1]) * 1e-3).tolist(), strict=True))[:count]
    return [
        each
        for each in doubts_of(fit_readings(sheet, [Reading(*pair) for pair in pairs]), None)
        if each.name != "extrapolated"
    ]


def test_how_many_readings_are_left_over_is_said():
    table = {"kind": "table", "unit": "bar"}
    bent = {"kind": "polynomial", "unit": "bar", "coefficients": [0, 0, 0, 0]}
    line, curve = "2 readings fit 2 constants exactly", "4 readings fit 4 constants exactly"
    told = {count: [(each.name, each.text) for each in counted(count)] for count in (2, 3, 4)}
    assert told == {
        2: [("no-residual", f"{line}: nothing is left to judge by.")],
        3: [("few-readings", "One reading is left over to judge by, so the intervals are wide.")],
        4: [],
    }
    assert counted(2)[0].hint == "take a third reading between the others, as a check"
    assert counted(4, bent)[0].text.startswith(curve)
    assert counted(4, bent)[0].hint == "take a fifth reading between the others, as a check"
    five = bent | {"coefficients": [0, 0, 0, 0, 0]}
    assert counted(5, five)[0].hint == "take a further reading between the others, as a check"
    assert counted(3, table) == [
        Doubt(
            "no-residual",
            Severity.NOTE,
            "A table goes through its points exactly: nothing is left over to judge by.",
            "take each point twice, once from below and once from above",
        )
    ]


@pytest.mark.parametrize(("size", "told"), [(0.098, False), (0.102, True), (-0.102, True)])
def test_hysteresis_is_told_from_a_hundredth_of_the_span(size, told):
    """Down at 5 bar the input is so much higher that the line makes `size` bar more of it: 2.5 bar a volt."""
    up = np.array([0.5, 2.5 - size / 5, 4.5, 2.5 + size / 5])
    found = [each for each in named(LINE, readings(up, [0.0, 5.0, 10.0, 5.0]))[1] if each.name == "hysteresis"]
    assert len(found) == told
    if told:
        assert found[0].text == (
            f"On the way down it shows {size:+.3g} bar against the way up, at 5: 1.0 % of the span."
        )


@pytest.mark.parametrize(("top", "told"), [(4.11, False), (4.09, True)])
def test_a_tenth_of_the_span_need_not_be_covered(top, told):
    inputs = np.array([0.5, 1.5, 2.5, top])
    values = read_calibration(LINE).apply(inputs) + np.array([1, -1, -1, 1]) * 1e-3
    found = [each for each in named(LINE, readings(inputs, values))[1] if each.name == "extrapolated"]
    assert len(found) == told
    if told:
        assert " to 8.98 bar, 90 % of the span (" in found[0].text
        line = stats.linregress(inputs, values)
        left = np.sqrt(np.sum((line.slope * inputs + line.intercept - values) ** 2) / 2)
        far = (4.5 - inputs.mean()) ** 2 / np.sum((inputs - inputs.mean()) ** 2)
        half = 4.303 * left * np.sqrt(1 / 4 + far)  # Student's t of two degrees
        assert found[0].text.endswith(f" Extrapolated it is sure to ±{half:.2g} bar at 10 bar.")
        assert found[0].hint == "take readings nearer to the ends, where that is safe"


def test_a_curve_without_ends_is_not_extrapolated():
    endless = {"kind": "linear", "unit": "bar", "slope": 2.5, "offset": -1.25}
    assert named(endless, readings(AT, BARS))[1] == ()


def test_of_two_readings_nobody_knows_how_sure_the_rest_is():
    (found,) = [each for each in named(LINE, readings([1.5, 2.5], [2.5, 5.0]))[1] if each.name == "extrapolated"]
    assert found.text == "The readings cover 2.5 to 5 bar, 25 % of the span (0 to 10 bar)."
