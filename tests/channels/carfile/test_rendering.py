"""Values, keys and tables as a person would write them in TOML; that they are read back is tested with the editing."""

from __future__ import annotations

import datetime
import tomllib

import numpy as np
import pytest

from buswright.channels.carfile.rendering import Table, key, quoted, rendered, table_of


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (True, "true"),
        (False, "false"),
        ('a "b"\x7f é', '"a \\"b\\"\\u007f é"'),
        (3, "3"),
        (0.5, "0.5"),
        (np.float64(0.1), "0.1"),
        (datetime.date(2026, 4, 2), "2026-04-02"),
        ({}, "{}"),
        ({"a": 1, "b c": [True]}, '{ a = 1, "b c" = [true] }'),
        ([], "[]"),
        ((1, 2.5), "[1, 2.5]"),
        ([[0.5, 1.0]], "[[0.5, 1.0]]"),
        (["x" * 92], f'["{"x" * 92}"]'),  # 96 signs
        (["x" * 93], f'[\n    "{"x" * 93}",\n]'),
        (["x" * 50, "y" * 50], f'[\n    "{"x" * 50}",\n    "{"y" * 50}",\n]'),
    ],
)
def test_a_value(value, text):
    assert rendered(value) == text


@pytest.mark.parametrize("value", [None, object(), {1, 2}])
def test_what_toml_has_not(value):
    with pytest.raises(TypeError, match=f"{type(value).__name__} is no value of TOML"):
        rendered(value)


@pytest.mark.parametrize(
    ("name", "text"), [("a", "a"), ("a_B-9", "a_B-9"), ("", '""'), ("a b", '"a b"'), ("a.b", '"a.b"'), ("ä", '"ä"')]
)
def test_a_key(name, text):
    assert key(name) == text
    assert quoted(name) == f'"{name}"'


def test_a_table():
    made = table_of("channel", {"unit": "bar", "low": 1}, "oil p")
    assert made == Table("channel", "oil p", '[channel."oil p"]\nunit = "bar"\nlow = 1')
    entry = table_of("calibration_log", {"by": "crew"})
    assert entry == Table("calibration_log", "", '[[calibration_log]]\nby = "crew"')
    assert tomllib.loads(made.text + "\n" + entry.text) == {
        "channel": {"oil p": {"unit": "bar", "low": 1}}, "calibration_log": [{"by": "crew"}],
    }  # fmt: skip
