"""Each kind of value: what it reads, what it refuses with which words, and what it tells an editor."""

from __future__ import annotations

import datetime
import math

import pytest

from buswright.channels.keys.faults import FaultLog
from buswright.channels.keys.kinds import (
    CHANNEL_NAME,
    NOT_NEGATIVE,
    POSITIVE,
    Choice,
    Day,
    Either,
    Flag,
    Items,
    Number,
    Span,
    Text,
    UnitName,
    any_of,
    pairs,
    whole,
)

DAY = datetime.date(2026, 4, 2)
RATE = Number(low=0.5, high=10.0)
COUNT = whole(1, 24, hint="count them")
WORDS = Choice("a dialect", ("iso", "non-iso"))
STROKES = Choice("a number of strokes", (2, 4))
LEVELS = Either(COUNT, int, Text("a level"))
QUOTES = "numbers stand without quotes"


def read(kind, value) -> tuple[object, list[tuple[str, str]]]:
    """What a value becomes, and text and hint of each fault."""
    log = FaultLog()
    result = kind.read(value, ("it",), log)
    assert all(fault.key.startswith("it") for fault in log.faults)
    return result, [(fault.text, fault.hint) for fault in log.faults]


@pytest.mark.parametrize(
    ("kind", "value", "result"),
    [
        (Text(), "a\nb ", "a\nb "),
        (Text(pattern="[ab]+"), "abba", "abba"),
        (UnitName(), "celsius", "degC"),
        (UnitName(("degC",)), "°C", "degC"),
        (UnitName(label=True), "", "1"),
        (UnitName(label=True), "kph", "km/h"),
        (UnitName(label=True), "widgets", "widgets"),
        (RATE, 0.5, 0.5),
        (RATE, 10, 10.0),
        (Number(), -3, -3.0),
        (POSITIVE, 1e-9, 1e-9),
        (NOT_NEGATIVE, 0, 0.0),
        (COUNT, 1, 1),
        (COUNT, 24.0, 24),
        (Flag(), True, True),
        (Flag(), False, False),
        (Day(), DAY, DAY),
        (WORDS, "non-iso", "non-iso"),
        (STROKES, 4, 4),
        (Items(RATE, "rates"), [], ()),
        (Items(RATE, "rates", least=1, most=2), [1], (1.0,)),
        (Items(RATE, "rates", least=1, most=2), (1, 2), (1.0, 2.0)),
        (Items(RATE, "rates"), [1, 1], (1.0, 1.0)),
        (Items(RATE, "rates", distinct=True), [1, 2], (1.0, 2.0)),
        (pairs("[volts, value]", 2), [[0, 1], [2, 3]], ((0.0, 1.0), (2.0, 3.0))),
        (Span(), [0, 1], (0.0, 1.0)),
        (Span(equal=True), (1, 1), (1.0, 1.0)),
        (LEVELS, 3, 3),
        (LEVELS, "high", "high"),
    ],
)
def test_a_value_that_fits_is_read(kind, value, result):
    assert read(kind, value) == (result, [])
    assert type(read(kind, value)[0]) is type(result)


@pytest.mark.parametrize(
    ("kind", "value", "blank", "text", "hint"),
    [
        (Text(), 3, "", "3 is not text", "text stands in quotes"),
        (Text(), ["a"], "", '["a"] is not text', ""),
        (Text(), {}, "", "a table is not text", ""),
        (Text(hint="so"), 3, "", "3 is not text", "so"),
        (Text(), " \n", "", "is empty", ""),
        (Text("a word", pattern="[ab]+", hint="a or b"), "abc", "", '"abc" is not a word', "a or b"),
        (CHANNEL_NAME, 1, "", "1 is not the name of a channel", "text stands in quotes"),
        (UnitName(), "barr", "", 'unit "barr" is not known', 'did you mean "bar" or "mbar"?'),
        (UnitName(), 3, "", "3 is not a unit", "text stands in quotes"),
        (UnitName(), "", "", "is empty", ""),
        (UnitName(("V", "mV")), "bar", "bar", "this kind of sensor takes no bar",
         'write "V" or "mV"; a signal in another unit of that sort is converted before'),
        (RATE, 0.49, 0.5, "0.49 is not a number from 0.5 to 10", ""),
        (RATE, 10.1, 0.5, "10.1 is not a number from 0.5 to 10", ""),
        (RATE, "1", 0.5, '"1" is not a number from 0.5 to 10', QUOTES),
        (RATE, True, 0.5, "true is not a number from 0.5 to 10", ""),
        (RATE, math.inf, 0.5, "inf is not a number from 0.5 to 10", ""),
        (Number(), math.nan, 0, "nan is not a number", ""),
        (Number(), 10**400, 0, "a number of more than 38 digits is not a number", ""),
        (POSITIVE, 0, 1, "0 is not a number above 0", ""),
        (NOT_NEGATIVE, -1, 0, "-1 is not a number of at least 0", ""),
        (COUNT, 0, 1, "0 is not a whole number from 1 to 24", "count them"),
        (COUNT, 25, 1, "25 is not a whole number from 1 to 24", "count them"),
        (COUNT, 2.5, 1, "2.5 is not a whole number from 1 to 24", "count them"),
        (COUNT, "2", 1, '"2" is not a whole number from 1 to 24', "count them"),
        (whole(5_000, 1_000_000), 1, 5_000, "1 is not a whole number from 5_000 to 1_000_000", ""),
        (Flag(), "True", False, '"True" is not true or false', "write it without quotes, in small letters"),
        (Flag(), "no", False, '"no" is not true or false', ""),
        (Day(), datetime.datetime(2026, 4, 2, 10, tzinfo=datetime.UTC), datetime.date.min,
         "2026-04-02 10:00:00+00:00 is not a date",
         "dates stand without quotes and time: 2026-04-02"),
        (WORDS, "ISO", "iso", '"ISO" is not a dialect', 'did you mean "iso"?'),
        (WORDS, "xyz", "iso", '"xyz" is not a dialect', "one of: iso, non-iso"),
        (STROKES, 3, 2, "3 is not a number of strokes", "one of: 2, 4"),
        (STROKES, True, 2, "true is not a number of strokes", "one of: 2, 4"),
        (Choice("one or none", (0, 1)), True, 0, "true is not one or none", "one of: 0, 1"),
        (Choice("one", (1.5,)), 1.5, 1.5, "1.5 is not one", "one of: 1.5"),
        (Items(RATE, "rates"), 2, (), "2 is not rates", "write [2]"),
        (Items(RATE, "rates"), 20, (), "20 is not rates", ""),
        (Items(RATE, "rates", least=2), [1], (1.0,), "[1] is not rates", "it needs 2 or more entries, and has 1"),
        (Items(RATE, "rates", most=2), [1, 1, 1], (1.0, 1.0, 1.0), "[1, 1, 1] is not rates",
         "it needs 0 to 2 entries, and has 3"),
        (Items(RATE, "rates", 2, 2), [1], (1.0,), "[1] is not rates", "it needs 2 entries, and has 1"),
        (Items(RATE, "rates", distinct=True), [1, 2, 1], (1.0, 2.0, 1.0), "1 stands here twice", ""),
        (Items(RATE, "rates", distinct=True), [0, 0.5], (0.5, 0.5), "0 is not a number from 0.5 to 10", ""),
        (pairs("[a, b]"), [[1]], ((1.0,),), "[1] is not a pair [a, b]", "it needs 2 entries, and has 1"),
        (Span(), 80, None, "80 is not two numbers [low, high]", ""),
        (Span(), [1, 2, 3], None, "[1, 2, 3] is not two numbers [low, high]", ""),
        (Span(), [1, 1], None, "[1, 1] has its low end above or at its high end", "write [1, 1]"),
        (Span(equal=True), [2, 1], None, "[2, 1] has its low end above or at its high end", "write [1, 2]"),
        (Span(RATE), [1, 11], None, "11 is not a number from 0.5 to 10", ""),
        (LEVELS, 0, 1, "0 is not a whole number from 1 to 24", "count them"),
        (LEVELS, True, "", "true is not a level", "text stands in quotes"),
        (LEVELS, "", "", "is empty", ""),
    ],
)  # fmt: skip
def test_a_value_that_does_not_fit_is_one_fault_and_its_blank(kind, value, blank, text, hint):
    assert read(kind, value) == (blank, [(text, hint)])


def test_a_fault_of_an_item_stands_at_the_item():
    log = FaultLog()
    Items(RATE, "rates").read([1, "2", 1, 20], ("it",), log)
    assert [(fault.key, fault.text[:4]) for fault in log.faults] == [("it[1]", '"2" '), ("it[3]", "20 i")]
    log = FaultLog()
    Span().read([1, "2"], ("it",), log)
    assert [(fault.key, fault.hint) for fault in log.faults] == [("it[1]", QUOTES)]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (Number(), "a number"),
        (Number(low=2.0), "a number of at least 2"),
        (Number(above=0.5), "a number above 0.5"),
        (Number(low=0, high=12_345, whole=True), "a whole number from 0 to 12_345"),
        (pairs("[a, b]"), "a list of pairs [a, b]"),
        (pairs("[a, b]", 3), "a list of 3 or more pairs [a, b]"),
        (pairs("[a, b]", 3, 3), "3 pairs [a, b]"),
        (LEVELS, "a whole number from 1 to 24 or a level"),
    ],
)
def test_what_a_value_should_be_is_said_in_words(kind, words):
    assert kind.words == words


def test_what_may_be_written_is_listed():
    assert any_of(["a", 2]) == "one of: a, 2"


@pytest.mark.parametrize(
    ("kind", "schema"),
    [
        (Text(), {"type": "string", "minLength": 1}),
        (UnitName(), {"type": "string"}),
        (Number(), {"type": "number"}),
        (Number(low=0), {"type": "number", "minimum": 0}),
        (POSITIVE, {"type": "number", "exclusiveMinimum": 0}),
        (COUNT, {"type": "integer", "minimum": 1, "maximum": 24}),
        (Flag(), {"type": "boolean"}),
        (Day(), {"type": "string", "format": "date"}),
        (STROKES, {"enum": [2, 4]}),
        (Items(Flag(), "flags"), {"type": "array", "items": {"type": "boolean"}}),
        (Items(Flag(), "flags", 1, 3, distinct=True),
         {"type": "array", "items": {"type": "boolean"}, "minItems": 1, "maxItems": 3, "uniqueItems": True}),
        (Span(), {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}),
        (Either(Flag(), bool, Text()), {"anyOf": [{"type": "boolean"}, {"type": "string", "minLength": 1}]}),
    ],
)  # fmt: skip
def test_an_editor_is_told_the_same(kind, schema):
    assert kind.schema() == schema
