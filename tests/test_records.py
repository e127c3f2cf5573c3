"""Frozen values as JSON and back: what is written is read, and what is wrong is said with its place."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.errors import UserError
from buswright.records import escaped, from_plain, laid_out, read_record, to_plain
from buswright.wording import visible


@dataclass(frozen=True, slots=True)
class Part:
    name: str
    size: float | None = None
    kind: Literal["a", "b"] = "a"

    def __post_init__(self) -> None:
        if self.name == "none":
            raise ValueError("name is none, which nothing is called")


@dataclass(frozen=True, slots=True)
class Whole:
    count: int
    parts: tuple[Part, ...] = ()
    by_name: Mapping[str, Part] = field(default_factory=dict)
    pairs: tuple[tuple[float, ...], ...] = ()
    on: bool = False


TEXTS = st.text(max_size=20).filter(lambda text: text != "none")
PARTS = st.builds(
    Part,
    TEXTS,
    st.none() | st.floats(-1e12, 1e12).map(lambda value: float(f"{value:.7g}")),
    st.sampled_from(["a", "b"]),
)
WHOLES = st.builds(
    Whole,
    st.integers(0, 10**15),
    st.lists(PARTS, max_size=3).map(tuple),
    st.dictionaries(TEXTS, PARTS, max_size=3),
    st.lists(st.lists(st.integers(-999, 999).map(float), max_size=2).map(tuple), max_size=2).map(tuple),
    st.booleans(),
)


@given(WHOLES, st.booleans())
def test_what_is_written_is_read(whole, lean):
    text = laid_out({"schema": "x/1", **to_plain(whole, lean=lean)})
    for written in (text, visible(text, keep="\n", spelled=escaped)):
        assert read_record(Whole, written, "f", schema="x/1", noun="x", hint="make one") == whole


def test_lean_leaves_out_what_has_its_usual_value():
    assert to_plain(Whole(2, (Part("p"),)), lean=True) == {"count": 2, "parts": [{"name": "p"}]}
    assert set(to_plain(Whole(2))) == {"count", "parts", "by_name", "pairs", "on"}


def test_where_only_a_part_is_read_further_keys_are_left_alone():
    assert from_plain(Whole, {"count": 1, "later": [1, 2]}, partial=True) == Whole(1)


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ({}, "count is missing"),
        ({"count": 1, "onn": True}, r"onn is no key that this version knows; did you mean on\?"),
        ({"count": 1, "later": 1}, "later is no key that this version knows; if a newer version wrote it, update"),
        ({"count": 1, "parts": [{"name": "p", "sise": 2}]}, r"parts\[0\]\.sise is no key .*; did you mean size\?"),
        ({"count": 1, "by_name": {"x": {"name": "p", "sise": 2}}}, r"by_name\.x\.sise is no key"),
        ({"count": -1}, "count is -1, which nothing can be"),
        ({"count": True}, "count is true, not a whole number"),
        ({"count": 1, "parts": {}}, "parts is no list"),
        ({"count": 1, "parts": [{"name": 3}]}, r"parts\[0\]\.name is 3, not a text"),
        ({"count": 1, "by_name": []}, "by_name is no table"),
        ({"count": 1, "by_name": {"x": 1}}, r"by_name\.x is no table"),
        ({"count": 1, "parts": [{"name": "p", "kind": "c"}]}, "kind is 'c', not one of 'a', 'b'"),
        ({"count": 1, "parts": [{"name": "none"}]}, r"parts\[0\]\.name is none, which nothing is called"),
    ],
)
def test_a_wrong_value_is_said_with_its_place(document, says):
    with pytest.raises(UserError, match=says):
        read_record(Whole, json.dumps({"schema": "x/1", **document}), "f", schema="x/1", noun="x", hint="make one")
