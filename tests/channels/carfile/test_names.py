"""Names of frames as a car file writes them."""

import pytest

from buswright.channels.calibration.registry import KINDS
from buswright.channels.carfile.model import FrameName, SignalName
from buswright.channels.carfile.names import (
    FormulaKind,
    SensorTable,
    SignalKind,
    parse_frame_name,
    refuse_channel_name,
    tidy_channel_name,
)
from buswright.channels.keys.faults import FaultLog


@pytest.mark.parametrize(
    ("digits", "hint"),
    [
        ("1A", 'write "chassis/01A" (11 bits) or "chassis/0000001A" (29 bits)'),
        ("0x1A0", 'write "chassis/1A0" (11 bits) or "chassis/000001A0" (29 bits)'),
        ("1A0F", 'write "chassis/00001A0F" (29 bits)'),
        ("FFFFFFFFF", ""),
    ],
)
def test_a_wrong_number_of_digits_is_answered_with_the_right_ones(digits, hint):
    name, fault, tip = parse_frame_name(f"chassis/{digits}")
    assert name is None
    assert "neither three hexadecimal digits nor eight" in fault
    assert tip == hint


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("chassis/1A0", FrameName("chassis", 0x1A0, False)),
        ("chassis/1a0", FrameName("chassis", 0x1A0, False)),
        ("a/7FF", FrameName("a", 0x7FF, False)),
        ("a/000", FrameName("a", 0, False)),
        ("a/000001A0", FrameName("a", 0x1A0, True)),
        ("a/1FFFFFFF", FrameName("a", 0x1FFF_FFFF, True)),
    ],
)
def test_three_digits_are_eleven_bits_and_eight_are_twenty_nine(text, name):
    assert parse_frame_name(text) == (name, "", "")


@pytest.mark.parametrize(
    ("text", "fault", "hint"),
    [
        ("1A0", '"1A0" is not bus/identifier', 'like [frame."chassis/1A0"]'),
        ("/1A0", '"/1A0" is not bus/identifier', 'like [frame."chassis/1A0"]'),
        ("a/b/1A0", '"a/b/1A0" is not bus/identifier', 'like [frame."chassis/1A0"]'),
        ("a/1G0", '"1G0" is not an identifier in hexadecimal', "three digits (11 bits) or eight (29 bits)"),
        ("a/", '"" is not an identifier in hexadecimal', "three digits (11 bits) or eight (29 bits)"),
        ("a/800", '"800" is more than an identifier of 11 bits', "the highest is a/7FF"),
        ("a/20000000", '"20000000" is more than an identifier of 29 bits', "the highest is a/1FFFFFFF"),
        ("a/7FFF", '"7FFF" has neither three hexadecimal digits nor eight', 'write "a/00007FFF" (29 bits)'),
        ("a/07FF", '"07FF" has neither three hexadecimal digits nor eight',
         'write "a/7FF" (11 bits) or "a/000007FF" (29 bits)'),
        ("a/01FFFFFFF", '"01FFFFFFF" has neither three hexadecimal digits nor eight', 'write "a/1FFFFFFF" (29 bits)'),
        ("a/020000000", '"020000000" has neither three hexadecimal digits nor eight', ""),
        ("a/0x7FF", '"0x7FF" has neither three hexadecimal digits nor eight',
         'write "a/7FF" (11 bits) or "a/000007FF" (29 bits)'),
    ],
)  # fmt: skip
def test_what_is_no_name_of_a_frame(text, fault, hint):
    assert parse_frame_name(text) == (None, fault, hint)


def read(kind, value):
    log = FaultLog()
    return kind.read(value, ("it",), log), [(fault.text, fault.hint, fault.column) for fault in log.faults]


@pytest.mark.parametrize(
    ("value", "hint"),
    [(7, "text stands in quotes"), *((text, 'three names, like "chassis/DAMPERS_A/AIN1"') for text in (
        "a/b", "a/b/c/d", "a//c", " a/b/c", "a/b /c", "/b/c", "a/b/"))],
)  # fmt: skip
def test_a_signal_is_three_names(value, hint):
    assert read(SignalKind(), "a/b c/d") == (SignalName("a", "b c", "d"), [])
    result, ((text, tip, _),) = read(SignalKind(), value)
    assert (result, text.endswith("is not bus/message/signal"), tip) == (None, True, hint)
    assert SignalKind().schema()["type"] == "string"


def test_a_formula_is_parsed_and_its_fault_placed():
    assert read(FormulaKind(), "x + 1")[0].inputs == ("x",)
    result, ((text, _, column),) = read(FormulaKind(), "x + * 1")
    # The log knows no places here, so that a column is counted from its first; the quote stands before the text.
    assert (result, text.partition(": ")[0], column - 1) == (None, '"x + * 1", character 5', 5)
    assert read(FormulaKind(), "")[1][0][0] == "is empty"
    assert FormulaKind().schema() == {"type": "string", "minLength": 1}


@pytest.mark.parametrize(
    ("name", "fault", "tidy"),
    [
        ("oil", "", "oil"),
        ("_Oil_1", "", "oil_1"),
        ("max", '"max" is the name of a formula function', "ch_max"),
        ("and", '"and" is a word of the formula language', "ch_and"),
        ("2nd", '"2nd" can\'t be the name of a channel, because formulas use it', "ch_2nd"),
        ("Öl Druck!", '"Öl Druck!" can\'t be the name of a channel, because formulas use it', "ol_druck"),
        ("油", '"油" can\'t be the name of a channel, because formulas use it', "channel"),
    ],
)
def test_a_channel_has_a_name_that_formulas_can_use(name, fault, tidy):
    assert refuse_channel_name(name) == fault
    assert tidy_channel_name(name) == tidy
    assert refuse_channel_name(tidy) == ""


def test_a_sensor_keeps_its_table_as_it_is_written():
    table = {"kind": "linear", "points": [[0, 0], [5, 10]], "unit": "bar", "max_rate": 3, "cautions": ["hot"]}
    log = FaultLog()
    sensor = SensorTable().read(table, ("sensor", "s"), log)
    assert (sensor.name, sensor.max_rate, sensor.cautions, sensor.healthy) == ("s", 3.0, ("hot",), None)
    assert dict(sensor.written) == table
    assert SensorTable().read(3, ("sensor", "s"), log) is None
    assert [fault.text for fault in log.faults] == ["3 is not a table [sensor.NAME]"]


def test_the_keys_of_every_kind_of_sensor_have_lines():
    found = list(SensorTable().lines("sensor.NAME."))
    assert {line.of for line in found} == {"", *KINDS}
    assert next(line.path for line in found if line.of == "thermocouple").startswith("sensor.NAME.")
