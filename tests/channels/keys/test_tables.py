"""Tables of known keys: defaults, keys left out, misspelt, in the wrong place, or without a reader."""

from __future__ import annotations

import tomllib
from types import MappingProxyType

import pytest

from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.kinds import POSITIVE, Choice, Flag, Items, Number, Span, Text, whole
from buswright.channels.keys.positions import find_positions
from buswright.channels.keys.tables import (
    NOT_USED_YET,
    Key,
    KeyLine,
    Named,
    NumberTable,
    Record,
    lines,
    read_keys,
    refuse_plain_name,
    schema_of,
)

KEYS = (
    Key("bitrate", whole(5, 10), "Bits a second.", required=True, example="7", also_called="baudrate speed"),
    Key("fd", Choice("a dialect", ("iso", "other")), "The dialect."),
    Key("plain", Flag(), "Whether it is plain.", default=False),
    Key("range", Span(), "Its range."),
    Key("colour", Text(), "Its colour.", unread=NOT_USED_YET),
)


def read(table, keys=KEYS, known=(), **log):
    """The values, and key, text and hint of each fault."""
    into = FaultLog(**log)
    values = read_keys(table, keys, ("bus", "a"), into, known)
    return values, [(fault.key, fault.text, fault.hint) for fault in into.faults]


def test_what_is_written_and_the_defaults_of_the_rest():
    assert read({"bitrate": 6}) == ({"bitrate": 6, "plain": False}, [])
    assert read({"bitrate": 6, "plain": True, "fd": "iso"})[0] == {"bitrate": 6, "plain": True, "fd": "iso"}


def test_a_required_key_that_is_missing_is_blank_and_hinted_at():
    values, faults = read({})
    assert values == {"bitrate": 5, "plain": False}
    assert faults == [("bus.a.bitrate", "is missing", "for example bitrate = 7")]


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("bitrte", 'did you mean "bitrate"?'),
        ("baudrate", 'did you mean "bitrate"?'),
        ("speed", 'did you mean "bitrate"?'),
    ],
)
def test_a_required_key_under_another_name_is_one_fault(written, hint):
    text = "is not a key of the car file here"
    assert read({written: 6}) == ({"bitrate": 5, "plain": False}, [(f"bus.a.{written}", text, hint)])
    assert read({written: 6}, what="the plan")[1] == [(f"bus.a.{written}", "is not a key of the plan here", hint)]


def test_a_key_of_another_table_is_said_to_belong_there():
    _, faults = read({"bitrate": 6, "rang": 1, "colours": 2}, homes={"rang": "[sensor.NAME]"})
    assert [hint for _, _, hint in faults] == ["it belongs in [sensor.NAME]", 'did you mean "colour"?']
    _, faults = read({"bitrate": 6, "speed": 1}, homes={"speed": "[car]"})
    assert [hint for _, _, hint in faults] == ['did you mean "bitrate"?']  # what this table calls it comes first
    _, faults = read({"bitrate": 6, "xyz": 1})
    assert [hint for _, _, hint in faults] == ["known here: bitrate, fd, plain, range, colour"]


def test_keys_that_are_known_elsewhere_are_let_be():
    assert read({"bitrate": 6, "healthy": 1}, known=("healthy",)) == ({"bitrate": 6, "plain": False}, [])


def test_a_faulty_value_gets_the_keys_example_as_hint_and_one_without_a_blank_is_left_out():
    values, faults = read({"bitrate": 4, "range": 1, "fd": "xyz"})
    assert values == {"bitrate": 5, "fd": "iso", "plain": False}
    assert [hint for _, _, hint in faults] == ["for example bitrate = 7", "one of: iso, other", ""]


def test_keys_without_a_reader_are_collected_by_name():
    log = FaultLog()
    read_keys({"bitrate": 6, "colour": "red"}, KEYS, ("bus", "a"), log)
    read_keys({"bitrate": 6, "colour": "red"}, KEYS, ("bus", "b"), log)
    read_keys({"bitrate": 6}, KEYS, ("bus", "c"), log)
    assert log.unused == {"colour": [("bus", "a", "colour"), ("bus", "b", "colour")]}


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        (KEYS[0], "for example bitrate = 7"),
        (KEYS[1], "one of: iso, other"),
        (KEYS[2], "Whether it is plain"),
    ],
)
def test_what_to_write_for_a_key(key, hint):
    assert key.hint == hint


def test_a_key_is_described_to_an_editor():
    key = Key("a", POSITIVE, "How far.", 2.0, otherwise="as wide as high", unit="mm", unread=NOT_USED_YET)
    assert key.schema() == {
        "description": "How far. Unit: mm. Default: as wide as high. Not used yet.",
        "type": "number", "exclusiveMinimum": 0, "default": 2.0,
    }  # fmt: skip
    assert Key("a", Flag(), "Yes or no.").schema() == {"description": "Yes or no.", "type": "boolean"}
    schema = schema_of(KEYS[:2])
    assert (schema["required"], schema["additionalProperties"]) == (["bitrate"], False)
    assert list(schema["properties"]) == ["bitrate", "fd"]
    assert "required" not in schema_of(KEYS[1:])


# -- records, and tables of them --------------------------------------------------------------------------------------

BUS = Record("a table [bus.NAME]", KEYS, dict, named=True)
PLAIN = Record("a table", KEYS, dict)
BUSES = Named(BUS, "[bus.NAME]")


def faults_of(kind, value):
    log = FaultLog()
    return kind.read(value, ("bus",), log), [(fault.key, fault.text, fault.hint) for fault in log.faults]


def test_a_record_is_built_of_its_values_and_its_name():
    assert faults_of(PLAIN, {"bitrate": 6}) == ({"bitrate": 6, "plain": False}, [])
    assert faults_of(BUS, {"bitrate": 6}) == ({"name": "bus", "bitrate": 6, "plain": False}, [])
    assert faults_of(BUS, 3) == (None, [("bus", "3 is not a table [bus.NAME]", "")])


def test_tables_by_name():
    found, faults = faults_of(BUSES, {"b": {"bitrate": 6}, "a": {"bitrate": 7}})
    assert (list(found), found["a"]["bitrate"], faults) == (["b", "a"], 7, [])
    with pytest.raises(TypeError):
        found["c"] = 1
    assert faults_of(BUSES, 3) == ({}, [("bus", "3 is not a table of tables [bus.NAME]", "write [bus.NAME]")])
    found, faults = faults_of(BUSES, {"bitrate": 6, "x": 1, "a b": {"bitrate": 6}})
    assert faults == [
        ("bus.bitrate", "has no name around it", "write [bus.NAME] above it"),
        ("bus.x", "is not a table", "write [bus.NAME] above it"),
        (
            'bus."a b"',
            '"a b" can\'t be a name',
            "letters, digits, _, - and . are fine; spaces, slashes and the like are not",
        ),
    ]
    assert list(found) == ["a b"]


def test_what_is_wrong_with_a_key_stands_at_the_key():
    text = "[bus]\nbitrate = 6\nx = 1\n[bus.'a b']\nspeed = 6\nplain = 3\n"
    log = FaultLog(positions=find_positions(text))
    BUSES.read(tomllib.loads(text)["bus"], ("bus",), log)
    places = [(fault.key, fault.line, fault.column) for fault in log.faults]
    assert places == [
        ("bus.bitrate", 2, 1), ("bus.x", 3, 1),
        ('bus."a b".speed', 5, 1), ('bus."a b".plain', 6, 9), ('bus."a b"', 4, 6),
    ]  # fmt: skip


def test_the_schema_of_a_table_is_that_of_its_keys():
    assert BUS.schema() == PLAIN.schema() == schema_of(KEYS)
    assert BUSES.schema() == {"type": "object", "additionalProperties": schema_of(KEYS)}


@pytest.mark.parametrize("name", ["a", "a.b-c_1", "größe", "a|b"])
def test_a_name_may_be(name):
    assert refuse_plain_name(name) == ("", "")


@pytest.mark.parametrize("name", ["", "a b", "a/b", "a:b", "a@b", "a*", "a\u200b", "a\n", "[a]", "a=b", "a#"])
def test_a_name_may_not_be(name):
    assert refuse_plain_name(name)[0].endswith("can't be a name")


def test_numbers_by_name():
    table = NumberTable("threshold", (Key("stuck_s", POSITIVE, "x"), Key("load", Number(), "y")))
    assert table.words == "a table of numbers by threshold name"
    assert faults_of(table, {"stuck_s": 3}) == (MappingProxyType({"stuck_s": 3.0}), [])
    assert faults_of(table, 3) == ({}, [("bus", "3 is not a table of numbers by threshold name", "")])
    found, faults = faults_of(table, {"stuk_s": 3, "load": 2, "stuck_s": -1})
    assert dict(found) == {"load": 2.0, "stuck_s": 1}
    assert faults == [
        ("bus.stuk_s", "is not the name of a threshold", 'did you mean "stuck_s"?'),
        ("bus.stuck_s", "-1 is not a number above 0", ""),
    ]
    assert table.schema()["additionalProperties"] is False


def test_every_key_has_a_line_with_its_path_and_those_of_its_tables_behind_it():
    inner = (Key("x", Flag(), "X."),)
    keys = (
        Key("bus", Named(Record("a table", inner, dict), "[bus.NAME]"), "Buses."),
        Key("log", Items(Record("a table", inner, dict), "a list"), "A log."),
        Key("names", Items(Text(), "texts"), "Names."),
        Key("one", Record("a table", inner, dict), "One."),
    )
    assert [line.path for line in lines(keys)] == ["bus", "bus.NAME.x", "log", "log[].x", "names", "one", "one.x"]
    assert next(lines(inner, "a.")) == KeyLine("a.x", inner[0], "")
    assert list(PLAIN.key_names) == ["bitrate", "fd", "plain", "range", "colour"]
