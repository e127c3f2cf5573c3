"""What is calibrated by a name, and what a curve or a zero changes in the car file."""

from __future__ import annotations

import datetime
from types import SimpleNamespace
from typing import cast

import pytest

from buswright.channels.calibration.kind import CalibrationError
from buswright.channels.calibration.registry import read_calibration
from buswright.channels.carfile.model import CarFile, Channel, Sensor, Zero
from buswright.channels.carfile.splicing import Drop, Put, Table
from buswright.channels.fits.fit import fit_readings
from buswright.channels.fits.readings import Reading
from buswright.channels.fits.target import (
    Signature,
    Target,
    Zeroing,
    as_found,
    as_left,
    curve_changes,
    find_target,
    value_of,
    zero_changes,
    zeroing_of,
)
from buswright.errors import UserError

DAY = datetime.date(2026, 4, 2)
DUE = datetime.date(2027, 3, 1)
SIGNED = Signature(DAY, "Ann", "steel rule", DUE)
POINTS = {"kind": "linear", "unit": "bar", "points": [[0.5, 0.0], [4.5, 160.0]]}
NTC = {"kind": "thermistor", "pull_up": 2200.0, "beta": 3900.0, "r25": 10_000.0, "range": [0.0, 100.0]}


def sensor(name, written, cautions=()):
    return Sensor(name, read_calibration(written), written=written, cautions=cautions)


def car():
    """Two channels of one sensor, one without, one that is computed."""
    channels = {
        "front": Channel("front", sensor="brake"),
        "rear": Channel("rear", sensor="brake", zero=Zero(0.4, DAY, "Ann")),
        "spare": Channel("spare"),
        "sum": Channel("sum", formula=SimpleNamespace(text="front + rear")),
        "water": Channel("water", sensor="ntc"),
    }
    sensors = {"brake": sensor("brake", POINTS, ("Bleed them.",)), "ntc": sensor("ntc", NTC)}
    return cast("CarFile", SimpleNamespace(channels=channels, sensors=sensors))


def test_a_channel_is_calibrated_by_its_sensor():
    found = find_target("rear", car())
    assert (found.name, found.channel, found.sharing) == ("brake", "rear", ("front", "rear"))
    assert found.sheet == found.before == POINTS
    assert found.old.apply(2.5) == pytest.approx(80.0)
    assert (found.zero, found.cautions) == (Zero(0.4, DAY, "Ann"), ("Bleed them.",))
    assert (found.electrical, found.unit) == ("V", "bar")


def test_a_sensor_is_calibrated_by_its_own_name():
    found = find_target("brake", car())
    assert (found.name, found.channel, found.sharing, found.zero) == ("brake", None, ("front", "rear"), None)
    assert find_target("ntc", car()).unit == "degC"


def test_a_channel_may_get_a_sensor_of_its_own():
    found = find_target("rear", car(), own_name="brake_rear")
    assert (found.name, found.channel, found.before, found.sharing) == ("brake_rear", "rear", None, ("rear",))
    assert found.sheet == POINTS
    assert found.old is not None


def test_what_is_wanted_otherwise_wins_and_another_kind_has_no_old_curve():
    found = find_target("front", car(), {"healthy": [0.2, 4.8]})
    assert found.sheet == POINTS | {"healthy": [0.2, 4.8]}
    assert found.old is not None
    found = find_target("water", car(), {"kind": "rtd", "unit": "degF"})
    assert found.sheet == {"kind": "rtd", "pull_up": 2200.0, "unit": "degF"}
    assert (found.old, found.before) == (None, NTC)
    assert find_target("water", car(), {"kind": "thermistor"}).sheet == NTC


@pytest.mark.parametrize(
    ("name", "form", "left"),
    [
        ("front", "slope", {"kind": "linear", "unit": "bar", "slope": 0.0}),
        ("front", "points", {"kind": "linear", "unit": "bar", "points": []}),
        (
            "water",
            "coefficients",
            {"kind": "thermistor", "pull_up": 2200.0, "range": [0.0, 100.0], "coefficients": []},
        ),
        ("water", "beta", {"kind": "thermistor", "pull_up": 2200.0, "range": [0.0, 100.0], "beta": 0.0}),
    ],
)
def test_a_form_takes_the_place_of_the_other_ways_to_say_the_curve(name, form, left):
    assert find_target(name, car(), form=form).sheet == left


def test_a_new_sensor_needs_its_kind():
    found = find_target("oil", None, {"kind": "linear", "unit": "bar"})
    assert found == Target("oil", None, {"kind": "linear", "unit": "bar"}, None, None)
    found = find_target("spare", car(), {"kind": "linear", "unit": "bar"})
    assert (found.name, found.channel, found.before, found.sharing) == ("spare", "spare", None, ())


@pytest.mark.parametrize(
    ("asked", "text", "hint"),
    [
        ({"name": "sum"}, "sum is computed by a formula", "calibrate what it is made of: front + rear"),
        ({"name": "spare"}, "channel spare has no sensor", "say what it is: --kind linear --unit bar"),
        ({"name": "brak"}, 'there is no sensor or channel "brak"', 'did you mean "brake"?'),
        (
            {"name": "oil", "car": None},
            'there is no sensor or channel "oil"',
            "add --car FILE, or describe a new sensor: --kind linear --unit bar",
        ),
        (
            {"name": "brake", "own_name": "x"},
            "--as gives a channel a sensor of its own",
            "name the channel, not its sensor",
        ),
        ({"name": "front", "own_name": "ntc"}, "there is a sensor ntc already", "choose another name"),
        ({"name": "front", "form": "beta"}, "kind linear has no beta", None),
        ({"name": "oil", "settings": {"kind": "linaer"}}, 'there is no kind "linaer"', 'did you mean "linear"?'),
    ],
)
def test_what_can_not_be_calibrated_is_said_with_a_hint(asked, text, hint):
    with pytest.raises(UserError) as caught:
        find_target(**{"car": car(), **asked})
    assert caught.value.message == text
    assert caught.value.hint == hint if hint else caught.value.hint.startswith("its keys: ")


# -- changes ------------------------------------------------------------------------------------------------------


def fitted(sheet, *pairs):
    return fit_readings(sheet, [Reading(x, y) for x, y in pairs])


def test_a_curve_changes_only_the_keys_that_differ_and_is_logged():
    target = Target("brake", None, POINTS, POINTS | {"slope": 3.0}, read_calibration(POINTS))
    fit = fitted(POINTS, (0.5, 0.0), (2.5, 83.0), (4.5, 160.0))
    *changes, log = curve_changes(target, fit, SIGNED)
    at = ("sensor", "brake")
    assert changes == [Drop(at, "slope"), Put(at, "points", [[0.5, 1.0], [4.5, 161.0]])]
    assert isinstance(log, Table)
    assert log.text.splitlines() == [
        "[[calibration_log]]",
        'sensor = "brake"',
        "date = 2026-04-02",
        'by = "Ann"',
        'reference = "steel rule"',
        "readings = [[0.5, 0.0], [2.5, 83.0], [4.5, 160.0]]",
        'as_found = "up to 3 bar low, at 83 bar"',
        'as_left = "within 2 bar"',
        "residual = 2.0",
        "due = 2027-03-01",
    ]


def test_a_new_sensor_gets_its_table_and_its_channel_the_sensor():
    sheet = {"unit": "bar", "healthy": [0.2, 4.8], "kind": "linear", "electrical": "V", "slope": 0.0}
    target = Target("new one", "spare", sheet, None, None)
    table, put, log = curve_changes(target, fitted(sheet, (0.5, 0.0), (4.5, 10.0)), Signature(DAY))
    assert table.text.splitlines() == [
        '[sensor."new one"]',
        'kind = "linear"',
        'electrical = "V"',
        'unit = "bar"',
        "slope = 2.5",
        "offset = -1.25",
        "healthy = [0.2, 4.8]",
    ]
    assert put == Put(("channel", "spare"), "sensor", "new one")
    assert log.text.splitlines() == [
        "[[calibration_log]]",
        'channel = "spare"',
        "date = 2026-04-02",
        "readings = [[0.5, 0.0], [4.5, 10.0]]",
        'as_left = "the curve goes through all 2 readings"',
    ]
    assert len(curve_changes(Target("oil", None, sheet, None, None), fitted(sheet, (1, 0), (2, 9)), SIGNED)) == 2


def test_readings_on_the_curve_leave_nothing():
    target = Target("brake", None, POINTS, POINTS, None)
    fit = fitted(POINTS, (0.5, 0.0), (2.5, 80.0), (4.5, 160.0))
    (log,) = curve_changes(target, fit, Signature(DAY))
    assert "residual = 0.0" in log.text.splitlines()
    assert as_left(fit) == "all 3 readings lie exactly on the curve"
    close = fitted(POINTS, (0.5, 0.0), (2.5, 80.00001), (4.5, 160.0))
    assert as_left(close) == "within 0.00016 bar"  # no sensor is better than a millionth of its span


def test_how_far_a_curve_was_off_is_said_where_it_was_worst():
    old = read_calibration(POINTS)  # 40 bar a volt
    readings = [Reading(0.5, 0.0), Reading(2.5, 81.25), Reading(4.5, 158.0)]
    assert as_found(None, readings) == ""
    assert as_found(old, readings) == "up to 2 bar high, at 158 bar"
    assert as_found(old, [*readings, Reading(1.5, 43.456)]) == "up to 3.5 bar low, at 43.456 bar"
    assert as_found(old, [Reading(0.5, 0.0), Reading(4.5, 160.0)]) == "right at every reading"
    assert as_found(old, [Reading(0.5, 0.0), Reading(4.5, 160.0000001)]) == "right at every reading"
    assert as_found(old, [Reading(0.5, 0.0), Reading(4.5, 160.000001)]) == "up to 1e-06 bar low, at 160 bar"
    ntc = read_calibration(NTC)
    beyond = [Reading(6.0, 20.0), Reading(2.0, 30.0)]
    assert as_found(ntc, beyond) == "some readings were beyond what it can turn into a value"


def test_a_zero_is_what_is_wanted_less_what_the_curve_gives():
    made = zeroing_of(71.6, Zero(0.4), 0.5, SIGNED, "ride height", reading=2.0, half=0.1, note="it moved")
    assert made == Zeroing(Zero(-71.1, DAY, "Ann", "ride height"), pytest.approx(72.0), 0.5, 2.0, 0.1, "it moved")
    made = zeroing_of(0.12345678, None, 0.12345678, SIGNED, "")
    assert (made.zero.add, made.shown, made.reading) == (0.0, 0.12345678, None)
    assert str(zeroing_of(0.0, None, -0.0, SIGNED, "").zero.add) == "0.0"
    assert str(zeroing_of(1.23456789e-9, None, 0.0, SIGNED, "").zero.add) == "-1.23457e-09"


@pytest.mark.parametrize(
    ("shown", "wanted", "said"), [(72.0, 0.5, "71.5 mm high at 0.5 mm"), (-3.0, 0.25, "3.25 mm low at 0.25 mm")]
)
def test_a_new_zero_is_put_and_logged(shown, wanted, said):
    zeroing = Zeroing(Zero(-71.5, DAY, "Ann", "ride height"), shown, wanted, None)
    put, log = zero_changes("damper", zeroing, "mm", SIGNED)
    assert put == Put(("channel", "damper"), "zero", {"add": -71.5, "date": DAY, "by": "Ann", "why": "ride height"})
    assert log.text.splitlines() == [
        "[[calibration_log]]",
        'channel = "damper"',
        "date = 2026-04-02",
        'by = "Ann"',
        'reference = "steel rule"',
        f'as_found = "{said}"',
        'as_left = "zero -71.5 mm"',
        "due = 2027-03-01",
    ]


def test_an_input_is_turned_into_the_channels_unit():
    curve = read_calibration(POINTS)
    assert value_of(curve, 2.5, "bar") == pytest.approx(80.0)
    assert value_of(curve, 2.5, "") == pytest.approx(80.0)
    assert value_of(curve, 2.5, "kPa") == pytest.approx(8000.0)
    with pytest.raises(CalibrationError, match=r"6 V is beyond what the curve can turn into a value") as caught:
        value_of(read_calibration(NTC), 6.0, "degC")
    assert caught.value.hint == "check the input"
