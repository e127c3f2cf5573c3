"""Faults: how they are placed, ordered, counted and worded, and which word they say was meant."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest

from buswright.channels.keys.faults import (
    MOST_FAULTS,
    Fault,
    FaultLog,
    FaultSeverity,
    TooManyFaultsError,
    nearest,
    shown,
    suggestion,
    written,
)
from buswright.channels.keys.positions import Position, find_positions

CAR = Path("car.toml")
TEXT = """\
[channel.oil]
unit = "bar"
caution = { low = 1, high = 5 }

[channel.fuel]
unit = "l"
"""


def log() -> FaultLog:
    return FaultLog(CAR, find_positions(TEXT))


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (Fault(CAR, 3, 5, "channel.oil", FaultSeverity.ERROR, "is missing"), "car.toml:3: channel.oil: is missing"),
        (Fault(CAR, 3, 5, "a.b", FaultSeverity.WARNING, "odd", "try"), "car.toml:3: warning: a.b: odd (try)"),
        (Fault(CAR, 3, 5, "a", FaultSeverity.NOTE, "is due"), "car.toml:3: note: a: is due"),
        (Fault(CAR, 0, 0, "", FaultSeverity.ERROR, "is not TOML"), "car.toml: is not TOML"),
    ],
)
def test_a_fault_in_one_line(fault, text):
    assert str(fault) == text


def test_a_fault_stands_at_the_value_or_at_the_key_or_inside_a_text():
    one = log()
    one.error(("channel", "oil", "unit"), "a")
    one.error(("channel", "oil", "unit"), "b", key=True)
    one.error(("channel", "oil", "unit"), "c", inside=2)
    one.warning(("channel", "oil", "caution", "low"), "d")
    one.note(("channel", "oil", "caution", "low"), "e")
    one.at(Position(7, 9), "f", "g")
    assert [(each.line, each.column, each.key, each.severity.value, each.text, each.hint) for each in one.faults] == [
        (2, 8, "channel.oil.unit", "error", "a", ""),
        (2, 1, "channel.oil.unit", "error", "b", ""),
        (2, 10, "channel.oil.unit", "error", "c", ""),
        (3, 19, "channel.oil.caution.low", "warning", "d", ""),
        (3, 13, "channel.oil.caution.low", "note", "e", ""),
        (7, 9, "", "error", "f", "g"),
    ]


def test_an_error_breaks_everything_above_it_and_nothing_else():
    one = log()
    one.warning(("channel", "fuel", "unit"), "odd")
    one.note(("channel", "fuel"), "odd")
    assert one.sound("channel", "fuel", "unit")
    assert one.sound()
    one.error(("channel", "oil", "caution"), "wrong")
    broken = [(), ("channel",), ("channel", "oil"), ("channel", "oil", "caution")]
    assert [one.sound(*at) for at in broken] == [False] * 4
    assert one.sound("channel", "oil", "caution", "low")
    assert one.sound("channel", "fuel")


def test_faults_come_by_place_and_on_one_place_the_worst_first():
    one = log()
    one.note(("channel", "fuel", "unit"), "1")
    one.warning(("channel", "oil", "caution", "high"), "2")
    one.at(Position(3, 13), "3")
    one.note(("channel", "oil", "caution", "low"), "4")
    one.at(Position(1, 50), "5")
    assert "".join(each.text for each in one.in_order()) == "53421"


def test_a_hint_is_given_to_later_faults_without_one():
    one = log()
    one.error((), "a")
    one.error((), "b", "own")
    one.error((), "c")
    one.hint_since(1, "so")
    assert [(each.text, each.hint) for each in one.faults] == [("a", ""), ("b", "own"), ("c", "so")]


def test_a_name_that_refers_to_nothing_is_an_error_with_the_nearest_one():
    one = log()
    assert one.known(("channel", "oil"), "bar", {"bar": 1}, "unit", none="write one")
    assert one.faults == []
    assert not one.known(("channel", "oil"), "barr", ["bar"], "unit", none="write one")
    assert not one.known(("channel", "oil"), "barr", [], "unit", none="write one")
    assert [(each.text, each.hint) for each in one.faults] == [
        ('there is no unit "barr"', 'did you mean "bar"?'),
        ('there is no unit "barr"', "write one"),
    ]


def test_a_key_that_nothing_reads_is_noted_once_by_line_with_its_places():
    one = log()
    one.unused = {
        "unit": [("channel", "fuel", "unit")],
        "caution": [("channel", "oil", "caution"), ("channel", "fuel", "caution")],
        "low": [("channel", "oil", "unit")] * 3,
    }
    assert [(note.line, note.column, note.key, note.text) for note in one.notes_of_unused()] == [
        (2, 1, "channel.oil.unit", "not used yet; it can stay here and in 2 more places"),
        (3, 1, "channel.oil.caution", "not used yet; it can stay here and in 1 more place"),
        (6, 1, "channel.fuel.unit", "not used yet; it can stay"),
    ]
    assert {note.severity for note in one.notes_of_unused()} == {FaultSeverity.NOTE}


def test_reading_stops_at_the_five_hundredth_fault():
    one = log()
    for _ in range(MOST_FAULTS):
        one.error(("channel",), "wrong")
    with pytest.raises(TooManyFaultsError):
        one.note(("channel",), "one more")
    assert len(one.faults) == MOST_FAULTS == 500


# -- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "words", "found"),
    [
        ("BITRTE", ["Databases", "Bitrate"], "Bitrate"),
        ("bar", ["bar"], None),  # the word itself is no help
        ("bar", ["bar", "bara"], "bara"),
        ("Bar", ["bar"], "bar"),
        ("xyz", ["bitrate"], None),
        ("abcde", ["abcyz"], "abcyz"),  # 3 of 5 letters alike: at 0.6
        ("abcd", ["abyz"], None),  # 2 of 4
        ("x" * 80 + "y" * 200, ["x" * 80], "x" * 80),  # a word of any length is looked at only so far
        ("near", [f"{n:06d}" for n in range(4999)] + ["neer"], "neer"),
        ("near", [f"{n:06d}" for n in range(5000)] + ["neer"], None),  # and only so many choices
    ],
)
def test_the_nearest_word(word, words, found):
    assert nearest(word, words) == found


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        ([], "there is none"),
        (["bar", "mbar"], 'did you mean "bar"?'),
        ([f"q{n}" for n in range(12)], "known here: q0, q1, q2, q3, q4, q5, q6, q7, q8, q9, q10, q11"),
        ([f"q{n}" for n in range(13)], ""),
    ],
)
def test_a_suggestion_is_the_nearest_or_all_if_they_are_few(words, hint):
    assert suggestion("barr", words) == hint


LONG = "…"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("", '""'),
        ("a\x7f\u200b", '"a\\u007F\\u200B"'),
        ("a\nb", '"a\\u000Ab"'),
        (datetime.date(2026, 4, 2), "2026-04-02"),
        ("x" * 58, '"' + "x" * 58 + '"'),  # sixty signs
        ("x" * 59, '"' + "x" * 58 + LONG),
        ({"a": 1}, "a table"),
        ([], "[]"),
        ((1, 2), "[1, 2]"),
        ([[1, 2], []], "[[1, 2], []]"),
        ([[[1]], [(1,)], [1, [2]]], "[[…], […], [1, [2]]]"),
        ([*range(9)], "[0, 1, 2, 3, 4, 5, 6, 7, 8]"),
        ([*range(10)], "[0, 1, 2, 3, 4, 5, 6, 7, 8, …]"),
        (2**128 - 1, "340282366920938463463374607431768211455"),  # 39 digits, 128 bits
        (2**128, "a number of more than 38 digits"),
        (-(2**128), "a number of more than 38 digits"),
        (2.5, "2.5"),
        (True, "true"),
        (False, "false"),
    ],
)
def test_values_are_shown_as_they_are_written(value, text):
    assert shown(value) == text


def test_a_value_is_cut_to_the_room_there_is():
    assert shown("abcdef", 4) == '"ab…'
    assert shown(["abcdef", 1], 4) == '["a…'
    assert shown(12345, 5) == "12345"
    assert shown(123456, 5) == "1234…"


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ((), ""),
        (("a",), "a"),
        ((0,), "[0]"),
        (("a", 2, "b-_9", 0, 1), "a[2].b-_9[0][1]"),
        (("frame", "chassis/1A0", "counter"), 'frame."chassis/1A0".counter'),
        (("a", ""), 'a.""'),
        (("a", "b c"), 'a."b c"'),
        (("ä",), '"ä"'),
        (("x" * 40,), "x" * 40),
        (("x" * 41,), '"' + "x" * 38 + LONG),
    ],
)
def test_a_path_is_written_as_in_toml(path, text):
    assert written(path) == text
