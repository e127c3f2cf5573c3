"""Text from files: a terminal shows it and obeys none of it."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.wording import between, bit_rate, duration, percent, read_bit_rate, visible


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


def test_how_long_something_lasted_has_three_digits_in_the_unit_that_fits() -> None:
    texts = {
        850: "850 ns",
        36_900: "36.9 µs",
        5e6: "5 ms",
        99.97e6: "100 ms",
        605e6: "605 ms",
        999_960_000: "1 s",
        12.94e9: "12.9 s",
        3.6e12: "3600 s",
    }
    assert {ns: duration(ns) for ns in texts} == texts
    assert (duration(None), duration(-14.4e6)) == ("–", "-14.4 ms")


def test_a_share_that_is_unknown_is_a_dash() -> None:
    assert [percent(0.0364), percent(0.0364, 0), percent(None), percent(float("nan"))] == ["3.6 %", "4 %", "–", "–"]


def test_a_bit_rate_is_read_as_people_write_it() -> None:
    texts = {"500k": 500_000, "1M": 1_000_000, "83.333k": 83_333, " 500 kbit/s": 500_000, "2_000_000": 2_000_000}
    assert {text: read_bit_rate(text) for text in texts} == texts
    assert [read_bit_rate(text) for text in ("fast", "", "500", "50M", "-1M", "1G")] == [None] * 6
    assert [read_bit_rate(bit_rate(rate)) for rate in (10_000, 125_000, 1_000_000)] == [10_000, 125_000, 1_000_000]


def test_from_when_to_when_is_said_with_a_hyphen_and_one_unit() -> None:
    assert between(1.905, 2.9054, 3) == "1.905-2.905 s"
    assert between(0.0, 12.346, 2) == "0.00-12.35 s"
