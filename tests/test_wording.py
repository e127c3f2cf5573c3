"""Text from files: a terminal shows it and obeys none of it."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.wording import visible


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b]0;owned\x07", r"\x1b]0;owned\x07"),
        ("\x9b2J", r"\x9b2J"),
        ("safe\u202egnp.exe", r"safe\u202egnp.exe"),
        ("two\r\nlines", r"two\r\nlines"),
        ("zero\u200bwidth\ufeff", r"zero\u200bwidth\ufeff"),
        ("half \ud800", r"half \ud800"),
        ("tag \U000e0041", r"tag \U000e0041"),
    ],
)
def test_what_a_terminal_would_obey_is_shown_as_what_it_is(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_what_a_person_writes_stays_as_it_is() -> None:
    for text in ("85 °C", "85\u00a0°C", "Dämpfer vorn", "圧力", "±5 µm", r"C:\x1b", ""):
        assert visible(text) == text


def test_lines_stay_where_they_are_wanted() -> None:
    assert visible("one\ntwo\x1b[2J\r", keep="\n") == "one\ntwo\\x1b[2J\\r"


@given(st.text(alphabet=st.characters()))
def test_nothing_invisible_is_left(text: str) -> None:
    shown = visible(text)
    assert not [sign for sign in shown if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp")]
    assert not [
        sign
        for sign in shown
        if unicodedata.bidirectional(sign) in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
    ]
    shown.encode()  # there is no half of a pair in it
