"""Readings as they are typed, and as files hold them: recognised, or refused by line."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.fits.readings import Reading, ReadingError, directions, from_csv, quantity, typed
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
