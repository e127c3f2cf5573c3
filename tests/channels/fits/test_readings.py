"""Readings as they are typed, and as files hold them: recognised, or refused by line."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.fits.readings import (
    MOST_BYTES,
    Data,
    Reading,
    ReadingError,
    columns,
    directions,
    from_csv,
    quantity,
    typed,
)
from buswright.errors import UserError

WATER = {"ice": 0.0, "boiling": 98.3}


@pytest.mark.parametrize(
    ("text", "electrical", "unit", "expected"),
    [
        ("0.5=0", "V", "bar", (0.5, 0.0)),
        ("500mV=0", "V", "bar", (0.5, 0.0)),
        (" 0,5 V = 14.5038 psi ", "V", "bar", (0.5, 1.0)),
        ("1.32=boiling", "V", "degC", (1.32, 98.3)),
        ("1.32=ICE", "V", "degF", (1.32, 32.0)),
        ("1.5kohm=68 °F", "ohm", "degC", (1500.0, 20.0)),
        ("1e3=-.5", "Hz", "rpm", (1000.0, -0.5)),
        ("4.5=145.038psi", "V", "barg", (4.5, 10.0)),
        ("4.5=10barg", "V", "barg", (4.5, 10.0)),
    ],
)
def test_typed_readings_are_converted(text, electrical, unit, expected):
    found = typed(text, electrical, unit, WATER)
    assert (found.electrical, found.value) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("0.5", "INPUT=VALUE"),
        ("a=0", "not a number"),
        ("0.5=", "not a number"),
        ("0.5=10 bananas", "no unit"),
        ("0.5=10 mm", "length"),
        ("0.5=10 bara", "absolute"),
        ("1e999=1", "too large"),
        ("nan=1", "not a number"),
        ("0.5=ice", "not a number"),
    ],
)
def test_other_text_is_refused(text, why):
    with pytest.raises(ReadingError, match=why) as caught:
        typed(text, "V", "barg")
    assert caught.value.hint


FILES = {
    "no heads": "0.5,0\n2.5,5\n4.5,10\n",
    "tabs": "0.5\t0\n2.5\t5\n4.5\t10\n",
    "blanks": "0.5 0\n2.5 5\n4.5 10\n",
    "heads": "volts,bar\n0.5,0\n2.5,5\n4.5,10\n",
    "turned round": "Pressure (bar),Input (mV)\n0,500\n5,2500\n10,4500\n",
    "words": "true,input\n0,0.5\n5,2.5\n10,4.5\n",
    "one word": "step,true,ain3\n1,0,0.5\n2,5,2.5\n3,10,4.5\n",
    "european": "\ufeffEingang [V];bar\r\n0,5;0\r\n2,5;5\r\n4,5;10,0\r\n",
    "units in cells": "input,value\n500 mV,0\n2.5 V,72.5189 psi\n4500mV,10\n",
    "comments": "# taken by us\n\nV,bar,remark\n0.5,0,\n2.5,5,slow\n4.5,10,\n\n",
    "psi": "input_V,pressure_psi\n0.5,0\n2.5,72.5189\n4.5,145.0377\n",
}


@pytest.mark.parametrize("name", FILES)
def test_columns_are_recognised(tmp_path, name):
    path = tmp_path / "r.csv"
    path.write_bytes(FILES[name].encode())
    found, left_out = from_csv(path, "V", "bar")
    assert not left_out
    flat = [number for each in found for number in (each.electrical, each.value)]
    assert flat == pytest.approx([0.5, 0.0, 2.5, 5.0, 4.5, 10.0], rel=1e-5)


def test_a_named_pair_wins(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("a,b,c\n1,0.5,0\n2,4.5,10\n", encoding="utf-8")
    for pair in (("b", "c"), ("2", "3"), ("B", "3")):
        found, _ = from_csv(path, "V", "bar", pair=pair)
        assert [(each.electrical, each.value) for each in found] == [(0.5, 0.0), (4.5, 10.0)]
    with pytest.raises(ReadingError, match="no column"):
        from_csv(path, "V", "bar", pair=("b", "d"))


def test_scatter_and_supply_are_taken_along(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("mV,bar,sd mV,supply\n500,0,2,5.01\n4500,10,4,\n", encoding="utf-8")
    found, _ = from_csv(path, "V", "bar")
    assert found[0] == Reading(0.5, 0.0, "r.csv:2", 0.002, 5.01)
    assert found[1].scatter == pytest.approx(0.004)
    assert found[1].reference is None


def test_rows_that_lack_a_number_are_told(tmp_path):
    path = tmp_path / "r.csv"
    path.write_text("volts,bar\n0.5,0\n1.5,\n,3\n4.5,10\n", encoding="utf-8")
    found, left_out = from_csv(path, "V", "bar")
    assert len(found) == 2
    assert [line.rpartition(": ")[2] for line in left_out] == [
        "left out, it has no value",
        "left out, it has no input",
    ]


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "no readings"),
        (b"# nothing\n", "no readings"),
        (b"volts,bar\n0.5,abc\nx,1\n", r"r.csv:2: .*abc"),
        (b"temperature,pressure\n1,2\n", "which column"),
        (b"volts,mV,bar\n1,2,3\n", "which column"),
        (b"0.5\n1.5\n", "one column"),
        (b"\x00\x01\x02", "not a text file"),
        (b"volts,bar\n" + b"1,2\n" * 300_000, "MiB"),
    ],
)
def test_a_broken_file_is_refused_with_a_hint(tmp_path, content, why):
    path = tmp_path / "r.csv"
    path.write_bytes(content)
    with pytest.raises(ReadingError, match=why) as caught:
        from_csv(path, "V", "bar")
    assert caught.value.hint


def test_a_missing_file_is_refused(tmp_path):
    for path in (tmp_path / "no.csv", tmp_path):
        with pytest.raises(ReadingError, match="can't be read"):
            from_csv(path, "V", "bar")


@settings(max_examples=50)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(content)
    with suppress(UserError):
        from_csv(path, "V", "bar")


@settings(max_examples=50)
@given(st.text(max_size=30))
def test_any_text_is_a_number_or_refused(text):
    with suppress(UserError):
        quantity(text, "V", WATER)


def test_the_way_of_a_reading_is_that_from_the_one_before():
    values = (0.0, 5.0, 10.0, 10.0, 5.0, 0.0)
    assert directions(values) == (1, 1, 1, 1, -1, -1)
    assert directions([1.0]) == (0,)
    assert directions([1.0, 0.0]) == (-1, -1)
    assert directions([1.0, 1.0, 2.0, 2.0, 0.0]) == (0, 0, 1, 1, -1)


# -- whole answers ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "words", "expected"),
    [
        ("20", "", None, 20.0),
        ("20 bar", "", None, 20.0),  # where nobody says what is wanted, the number counts
        ("20bar", "bar", None, 20.0),
        ("+1,5", "V", None, 1.5),
        ("-.5e-1 V", "V", None, -0.05),
        (" Ice ", "degC", WATER, 0.0),
        ("boiling", "K", WATER, 371.45),
        ("2 bar", "kPag", None, 200.0),  # a pressure that doesn't say which is on the side of what is wanted
        ("200 kPa", "bara", None, 2.0),
        ("200 kPaa", "bara", None, 2.0),
    ],
)
def test_a_number_is_read_in_the_unit_that_is_wanted(text, unit, words, expected):
    assert quantity(text, unit, words) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("text", "words", "message", "hint"),
    [
        ("high", None, '"high" is not a number', ""),
        ("1e400", None, '"1e400" is too large', ""),
        ("3 bananas", None, '"3 bananas": "bananas" is no unit that is known here', ""),
        ("3 mm", None, '"3 mm": mm (length) is not what is wanted here, bar', ""),
        ("boiling", {}, "water doesn't boil at 100 °C everywhere", "add --altitude 500, or --barometer 955"),
        ("boiling", None, '"boiling" is not a number', ""),
    ],
)
def test_what_is_no_such_number_is_said(text, words, message, hint):
    with pytest.raises(ReadingError) as caught:
        quantity(text, "bar", words)
    assert (caught.value.message, caught.value.hint) == (message, hint)


@pytest.mark.parametrize(
    ("text", "message", "hint"),
    [
        ("0.5", '"0.5": a reading is INPUT=VALUE', "what the input showed, then what was true: 0.5=0"),
        ("x=0", 'reading "x=0": "x" is not a number', "for example 0.5=0 or 500mV=0"),
        (
            "1=boiling",
            'reading "1=boiling": water doesn\'t boil at 100 °C everywhere',
            "add --altitude 500, or --barometer 955",
        ),
    ],
)
def test_a_wrong_reading_is_told_whole(text, message, hint):
    with pytest.raises(ReadingError) as caught:
        typed(text, "V", "degC", {})
    assert (caught.value.message, caught.value.hint) == (message, hint)


def test_references_are_columns_only_if_every_reading_has_one():
    found = columns([Reading(1.0, 2.0, reference=4.9), Reading(3.0, 4.0, reference=5.1)])
    assert (found.electrical.tolist(), found.value.tolist(), found.reference.tolist()) == ([1, 3], [2, 4], [4.9, 5.1])
    assert found.supply(5.0).tolist() == [4.9, 5.1]
    partly = columns([Reading(1.0, 2.0, reference=4.9), Reading(3.0, 4.0)])
    assert partly.reference is None
    assert partly.supply(5.0) == 5.0
    none = columns([])
    assert (len(none.electrical), none.reference) == (0, None)
    assert isinstance(none, Data)


def read(tmp_path, text, electrical="V", unit="bar", **options):
    path = tmp_path / "r.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return from_csv(path, electrical, unit, **options)


def pairs(found):
    return [(one.electrical, one.value) for one in found[0]]


@pytest.mark.parametrize(
    ("text", "electrical", "unit", "expected"),
    [
        # By words where input and value are of one quantity.
        ("true (mV),input (V)\n1000,0.5\n", "V", "V", [(0.5, 1.0)]),
        # One side is recognised, the other is what is left.
        ("volts,gauge\n0.5,1\n", "V", "bar", [(0.5, 1.0)]),
        ("gauge,bar\n0.5,1\n", "V", "bar", [(0.5, 1.0)]),
        ("reading,applied\n0.5,1\n", "V", "", [(0.5, 1.0)]),
        # What is scatter or supply is neither.
        ("sd,volts,bar\n9,0.5,1\n", "V", "bar", [(0.5, 1.0)]),
        ("vref (V),volts,bar\n9,0.5,1\n", "V", "bar", [(0.5, 1.0)]),
        # Brackets of both kinds, or a unit as the last word.
        ("a [mV],b(kPa)\n500,100\n", "V", "bar", [(0.5, 1.0)]),
        ("probe mV,dial kPa\n500,100\n", "V", "bar", [(0.5, 1.0)]),
        # A first row with any number is no head.
        ("0.5,one\n", "V", "bar", None),
        ("0.5,1,first\n1.5,2,second\n", "V", "bar", [(0.5, 1.0), (1.5, 2.0)]),
        # What spreadsheets on Windows write.
        ("Eingang (V),Temperatur (\u00b0C)\n0.5,20\n".encode("cp1252"), "V", "degC", [(0.5, 20.0)]),
        ('"0,5";"1,5"\n', "V", "bar", [(0.5, 1.5)]),
    ],
)
def test_columns_are_found_by_what_their_heads_say(tmp_path, text, electrical, unit, expected):
    if expected is None:
        with pytest.raises(ReadingError, match="not a number"):
            read(tmp_path, text, electrical, unit)
        return
    found = pairs(read(tmp_path, text, electrical, unit))
    assert [number for pair in found for number in pair] == pytest.approx([n for pair in expected for n in pair])


def test_columns_that_are_named_keep_their_scatter_and_supply(tmp_path):
    text = "sd,a,b,vcc\n0.1,0.5,1,4.9\n"
    found, _ = read(tmp_path, text, pair=("a", "b"))
    assert found == (Reading(0.5, 1.0, "r.csv:2", 0.1, 4.9),)
    (turned,), _ = read(tmp_path, text, pair=("4", "1"))
    assert (turned.electrical, turned.value, turned.scatter, turned.reference) == (4.9, 0.1, None, None)
    for wrong in ("0", "5", "-1", "x"):
        with pytest.raises(ReadingError) as caught:
            read(tmp_path, text, pair=("a", wrong))
        assert caught.value.message.endswith(f'there is no column "{wrong}"')
        assert caught.value.hint == 'its columns: "sd", "a", "b", "vcc"'


def test_of_many_columns_a_dozen_are_named_and_long_names_are_cut(tmp_path):
    heads = [f"column {number:02}" for number in range(13)]
    heads[1] = "x" * 60
    with pytest.raises(ReadingError) as caught:
        read(tmp_path, ",".join(heads) + "\n" + ",".join("0" * 13) + "\n", pair=("a", "b"))
    named = caught.value.hint.removeprefix("its columns: ").split(", ")
    assert (len(named), named[0], named[-1]) == (12, '"column 00"', '"column 11"')
    assert 25 < len(named[1]) <= 33


def test_scatter_is_a_difference_and_a_supply_stays_as_it_is(tmp_path):
    """0.9 degF of scatter are 0.5 degC; the value is in degF as well."""
    (one,), _ = read(tmp_path, "in degF,true bar,sd degF,supply\n212,1,0.9,5\n", "degC", "bar")
    assert (one.electrical, one.value) == (pytest.approx(100.0), 1.0)
    assert (one.scatter, one.reference) == (pytest.approx(0.5), 5.0)


def test_words_are_for_values_only(tmp_path):
    found, _ = read(tmp_path, "0.5,ice\n1.5,boiling\n", "V", "degC", words=WATER)
    assert [one.value for one in found] == [0.0, 98.3]
    with pytest.raises(ReadingError, match="not a number"):
        read(tmp_path, "ice,0.5\n1.5,1\n", "degC", "V", words=WATER)


def test_faults_are_told_by_line_and_the_rest_by_number(tmp_path):
    def told(count):
        with pytest.raises(ReadingError) as caught:
            read(tmp_path, "# taken by us\nvolts,bar\n" + "\nx,1" * count)
        assert caught.value.hint == "correct these cells, or delete their lines"
        return [line.rpartition("r.csv:")[2] for line in caught.value.lines]

    assert told(1) == ['4: "x" is not a number']
    assert told(8) == [f'{line}: "x" is not a number' for line in range(4, 12)]
    assert told(10) == [*told(8), "… and 2 more"]


def test_what_was_left_out_is_told_by_line(tmp_path):
    _, left_out = read(tmp_path, "volts,bar\n0.5,\n ,3\n,\n1.5\n")
    assert [line.rpartition("r.csv:")[2] for line in left_out] == [
        "2: left out, it has no value",
        "3: left out, it has no input",
        "4: left out, it has no input",
        "5: left out, it has no value",
    ]


def test_a_file_of_a_mebibyte_is_read(tmp_path):
    row = b"0.5,1\n"
    full = row + b"#" * (MOST_BYTES - 2 * len(row) - 1) + b"\n" + row
    assert len(full) == MOST_BYTES
    assert pairs(read(tmp_path, full)) == [(0.5, 1.0)] * 2
    with pytest.raises(ReadingError, match="has more than 1 MiB"):
        read(tmp_path, full + b"\n")
