"""The unit table against Pint, entry by entry."""

from __future__ import annotations

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels import units

# How Pint spells what it doesn't understand in our spelling.
PINT = {
    "in": "inch",
    "t": "metric_ton",
    "g": "standard_gravity",
    "mg": "millistandard_gravity",
    "gram": "gram",
    "kn": "knot",
    "h": "hour",
    "min": "minute",
    "l/h": "l/hour",
    "m^3/h": "m^3/hour",
    "kg/h": "kg/hour",
    "lb/h": "lb/hour",
    "g/s": "gram/s",
    "rev": "turn",
    "rev/s": "turn/s",
    "rpm/s": "rpm/s",
    "Nm": "N*m",
    "kNm": "kN*m",
    "PS": "metric_horsepower",
    "Wh": "W*hour",
    "kWh": "kW*hour",
    "As": "A*s",
    "Ah": "A*hour",
    "mAh": "mA*hour",
    "mmHg": "mmHg",
    "ft/s^2": "ft/s^2",
    "galUS": "US_liquid_gallon",
    "galUK": "imperial_gallon",
    "1": "dimensionless",
    "%": "percent",
    "T": "tesla",
    "mohm": "milliohm",
    "Mohm": "megaohm",
    "daN": "decanewton",
    "bit/s": "bit/s",
    "kbit/s": "kbit/s",
    "kB": "kilobyte",
    "day": "day",
    "kgf": "kilogram_force",
    "permille": "permille",
    "arcmin": "arcminute",
}
# No measure in Pint's sense: names only, alone in their quantity.
NAMES_ONLY = ("lambda", "AFR", "count", "state", "gear")


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


def pint_name(name: str) -> str:
    plain = name
    if units.UNITS[name].quantity in {"gauge pressure", "absolute pressure"}:
        plain = name[:-1]
    return PINT.get(plain, plain)


@pytest.mark.parametrize("name", [name for name in units.UNITS if name not in NAMES_ONLY])
def test_every_unit_equals_pints(registry, name):
    base = next(unit.name for unit in units.UNITS.values() if unit.quantity == units.UNITS[name].quantity)
    for value in (-40.0, 0.0, 1.0, 123.456):
        expected = registry.Quantity(value, pint_name(name)).to(pint_name(base)).magnitude
        ours = units.convert(np.array([value]), name, base)[0]
        assert ours == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_names_without_measure_stand_alone():
    for name in NAMES_ONLY:
        assert units.names_of(units.UNITS[name].quantity) == (name,)


def test_no_spelling_means_two_units():
    seen: dict[str, str] = {}
    for unit in units.UNITS.values():
        for word in (unit.name, *unit.aliases):
            assert seen.setdefault(word, unit.name) == unit.name, word
            assert units.canonical(word) == unit.name


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("°C", "degC"), ("C", "degC"), ("deg C", "degC"), ("ºC", "degC"), ("DEGC", "degC"), ("Celsius", "degC"),
        ("°F", "degF"), ("kph", "km/h"), ("KM/H", "km/h"), ("kpa", "kPa"), ("KPA", "kPa"), ("RPM", "rpm"),
        ("1/min", "rpm"), ("µs", "us"), ("μs", "us"), ("Ω", "ohm"), ("\u2126", "ohm"), ("m/s²", "m/s^2"),
        ("bar(g)", "barg"), ("bar a", "bara"), ("psig", "psig"), ("", "?"), ("°/s", "deg/s"), ("N·m", "Nm"),
        ("Deg/s", "deg/s"), ("l/min", "l/min"), ("mV", "mV"), ("MPa", "MPa"), ("G", "g"), ("bar/s", "bar/s"),
        ("degC/min", "degC/min"), ("kg/min", "kg/min"), ("volts", "V"),
    ],
)  # fmt: skip
def test_spellings(written, name):
    found = units.find(written)
    assert (found.name if found else "?") == name


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        (100.0, "degC", "degF", 212.0),
        (-40.0, "degF", "degC", -40.0),
        (0.0, "degC", "K", 273.15),
        (3.6, "km/h", "m/s", 1.0),
        (1.0, "g", "m/s^2", 9.80665),
        (14.503773773, "psi", "bar", 1.0),  # 1 bar in psi
        (60.0, "rpm", "deg/s", 360.0),
        (1.0, "bar/s", "kPa/min", 6000.0),
        (1.0, "kg/min", "kg/h", 60.0),
        (50.0, "%", "1", 0.5),
        (1.0, "mph", "km/h", 1.609344),  # by definition
    ],
)
def test_conversions(value, source, target, expected):
    assert units.convert(np.array([value]), source, target)[0] == pytest.approx(expected, rel=1e-10, abs=1e-12)


def test_factors_that_are_whole_stay_whole():
    assert units.line("bar", "kPa") == (100.0, 0.0)
    assert units.line("m/s", "km/h") == (3.6, 0.0)
    assert units.line("V", "mV") == (1000.0, 0.0)
    assert units.line("rpm", "deg/s") == (6.0, 0.0)


def test_a_difference_takes_the_factor_alone():
    assert units.convert_difference(np.array([10.0]), "degC", "degF")[0] == pytest.approx(18.0)
    assert units.line("degC/s", "degF/s") == (1.8, 0.0)


def test_gauge_and_absolute_never_mix():
    assert not units.compatible("barg", "bara")
    assert not units.compatible("bar", "barg")
    assert units.compatible("psig", "barg")
    with pytest.raises(units.UnitError, match="gauge pressure") as caught:
        units.convert(np.zeros(1), "barg", "bara")
    assert "air pressure" in caught.value.hint


@pytest.mark.parametrize(
    ("source", "target", "hint"),
    [
        ("lambda", "AFR", "stoichiometric"),
        ("Hz", "rpm", "tooth count"),
        ("mm", "bar", "length"),
    ],
)
def test_other_quantities_are_refused_with_a_reason(source, target, hint):
    with pytest.raises(units.UnitError) as caught:
        units.line(source, target)
    assert hint in caught.value.hint


@pytest.mark.parametrize(
    ("written", "near"), [("barr", '"bar"'), ("degr", '"deg"'), ("Voltz", '"V"'), ("kmm/h", '"km/h"'), ("bra", '"bar"')]
)
def test_an_unknown_unit_names_the_nearest(written, near):
    with pytest.raises(units.UnitError, match="is not known") as caught:
        units.canonical(written)
    assert near in caught.value.hint


def test_far_from_everything_the_hint_says_where_the_list_is():
    assert "manual" in units.suggestion("qqqq")


def test_what_needs_no_change_is_not_copied():
    values = np.array([1.0, 2.0])
    assert units.convert(values, "°C", "degC") is values


@given(st.sampled_from(sorted(units.UNITS)), st.floats(-1e6, 1e6))
def test_there_and_back(name, value):
    for other in units.names_of(units.UNITS[name].quantity):
        there = units.convert(np.array([value]), name, other)
        back = units.convert(there, other, name)
        size = abs(value) + abs(units.line(other, name)[1])
        assert back[0] == pytest.approx(value, rel=1e-12, abs=1e-12 * max(size, 1.0))


@pytest.mark.parametrize(
    ("written", "shown"),
    [("degC", "°C"), ("°C", "°C"), ("degC/min", "°C/min"), ("kph", "km/h"), ("", ""), ("widgets", "widgets")],
)
def test_a_screen_shows_one_spelling(written, shown):
    assert units.shown(written) == shown


def test_what_a_screen_shows_is_read_again():
    assert all(units.find(units.shown(name)) is unit for name, unit in units.UNITS.items())


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("barr", 'did you mean "bar" or "mbar"?'),
        ("bra", 'did you mean "bar"?'),  # the same letters: closer than "bara"
        ("percnt", 'did you mean "%"?'),
        ("BARR", 'did you mean "bar" or "mbar"?'),  # capitals aside
        ("celcius", 'did you mean "degC"?'),
        ("psii", 'did you mean "psi" or "psig"?'),
        ("", 'write "1" for a number without a unit, or one of the units in the manual (degC, bar, km/h, mm, V ...)'),
    ],
)
def test_what_to_write_for_an_unknown_unit(written, hint):
    assert units.suggestion(written) == hint


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("\u00b5m", "um"), ("\u03bcm", "um"), ("\u2126", "ohm"), ("\u03a9", "ohm"),
        ("\u00ba", "deg"), ("N\u22c5m", "Nm"), ("km / h", "km/h"),
        ("km\u00a0/\u00a0h", "km/h"), ("KPH", "km/h"), ("rpm", "rpm"), ("mohm", "mohm"),
        ("MOhm", None),  # milli or mega?
        ("bar/s", "bar/s"), ("kg/min", "kg/min"), ("degC/min", "degC/min"),
        ("bar/s/s", None),  # a rate of a rate has no name here
        ("bar/mm", None), ("bar/", None), ("/s", None), ("x/s", None), ("bar/x", None), ("", None),
    ],
)  # fmt: skip
def test_signs_and_rates_are_spelt_in_many_ways(written, name):
    found = units.find(written)
    assert (None if found is None else found.name) == name


@pytest.mark.parametrize(
    ("written", "quantity"),
    [
        ("bar/s", "pressure rate"), ("m/min", "speed"), ("km/h/s", "acceleration"), ("rad/min", "rotation"),
        ("rpm/s", "angular acceleration"), ("kg/min", "mass flow"), ("ml/h", "volume flow"), ("J/s", "power"),
        ("Ah/s", "current"),
    ],
)  # fmt: skip
def test_a_rate_has_the_quantity_that_it_is(written, quantity):
    assert units.get(written).quantity == quantity


@pytest.mark.parametrize(
    ("source", "target", "text", "hint"),
    [
        ("AFR", "lambda", '"AFR" is air-fuel ratio and "lambda" is lambda', "they differ by the stoichiometric ratio"),
        ("rpm", "Hz", '"rpm" is rotation and "Hz" is frequency', "pulses become turns with the tooth count"),
        ("barg", "bar", '"barg" is gauge pressure and "bar" is pressure', "gauge and absolute differ by the air"),
        ("bar", "mm", '"bar" is pressure and "mm" is length', "a unit of pressure: Pa, "),
        ("V", "barg", '"V" is voltage and "barg" is gauge pressure', "a unit of voltage: V, mV, uV, kV"),
        ("barg", "V", '"barg" is gauge pressure and "V" is voltage', "a unit of gauge pressure: barg, "),
        ("rpm", "V", '"rpm" is rotation and "V" is voltage', "a unit of rotation: rpm, deg/s, rad/s"),
        ("lambda", "V", '"lambda" is lambda and "V" is voltage', "a unit of lambda: lambda"),
        ("bar/s", "mm", '"bar/s" is pressure rate and "mm" is length', "both must be pressure rate"),
        ("V", "widgets", 'unit "widgets" is not known', 'write "1" for a number'),
    ],
)
def test_why_two_units_do_not_convert(source, target, text, hint):
    with pytest.raises(units.UnitError) as caught:
        units.line(source, target)
    assert caught.value.message == text
    assert caught.value.hint.startswith(hint)
    assert not units.compatible(source, target)


def test_what_is_not_known_is_compatible_with_nothing():
    assert units.compatible("bar", "psi")
    assert not units.compatible("widgets", "widgets")
    assert units.names_of("voltage") == ("V", "mV", "uV", "kV")
    assert units.names_of("nothing") == ()


def test_values_of_any_shape_are_converted():
    assert units.convert(np.array([[0.0, 100.0]]), "degC", "K").tolist() == [[273.15, 373.15]]
    assert units.convert(np.array(1), "bar", "kPa") == 100.0
    assert units.convert_difference(np.array([1, 2]), "degC", "K").tolist() == [1.0, 2.0]
