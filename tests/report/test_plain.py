"""Results become what JSON can write."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from buswright.findings import Severity
from buswright.report.plain import plain, some


class Pair(NamedTuple):
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Thing:
    name: str
    severity: Severity
    pair: Pair
    column: np.ndarray
    within: tuple["Thing", ...] = ()


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (None, None),
        (True, True),
        (3, 3),
        (float("nan"), None),
        (-float("inf"), None),
        (np.float64("nan"), None),
        (np.int64(7), 7),
        (np.array([1.5, np.inf]), [1.5, None]),
        (np.array([True, False]), [True, False]),
        (b"\x0a\xff", "0aff"),
        ({8: 2, "x": float("nan")}, {"8": 2, "x": None}),
        (Severity.SUSPECT, "suspect"),
        (Path("run.log"), "run.log"),
        (Pair(1.0, float("inf")), {"low": 1.0, "high": None}),
    ],
)
def test_what_a_value_becomes(value, expected):
    found = plain(value)
    assert found == expected
    assert type(found) is type(expected)
    json.dumps(found, allow_nan=False)


def test_a_dataclass_becomes_its_fields_in_their_order_and_so_does_what_lies_within():
    inner = Thing("b", Severity.NOTE, Pair(0.0, 1.0), np.zeros(0))
    found = plain(Thing("a", Severity.FAULT, Pair(2.0, 3.0), np.array([4]), (inner,)))
    assert list(found) == ["name", "severity", "pair", "column", "within"]
    assert found["within"][0]["severity"] == "note"
    assert some(inner, "severity name") == {"severity": "note", "name": "b"}


def test_a_name_that_is_no_attribute_is_an_error_not_a_gap_in_the_document():
    with pytest.raises(AttributeError):
        some(Pair(0.0, 1.0), "low hihg")
