"""Picking frames by bus and identifier."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.errors import UserError
from buswright.frames.select import FrameSelection, Pattern, spelled
from buswright.frames.table import Flag, empty_frames
from tests.frames.frame_batches import Row, batch_of, frame_rows

EXT, ERR = int(Flag.EXTENDED), int(Flag.ERROR)
BUSES = ("chassis", "can0", "/dev/ttyACM0")
ROWS: list[Row] = [
    (0, 0, 0x1A0, 0, 0, b""),
    (0, 0, 0x1A0, EXT, 0, b""),
    (0, 1, 0x1A0, 0, 0, b""),
    (0, 1, 0x123, 0, 0, b""),
    (0, 0, 0x18FEF1A3, EXT, 0, b""),
    (0, 2, 0x18FE0000, EXT, 0, b""),
    (0, 0, 0x80, ERR, 8, bytes(8)),
    (0, 0, 0x1A0, 0, 0, b""),
]


@pytest.mark.parametrize(
    ("patterns", "picked"),
    [
        (["chassis/1A0"], [0, 7]),
        (["1A0"], [0, 2, 7]),
        (["1a0"], [0, 2, 7]),
        (["000001A0"], [1]),
        (["can0/1*"], [2, 3]),
        (["*/18FE*"], [4, 5]),
        (["18FE*"], [4, 5]),
        (["/dev/ttyACM0/*"], [5]),
        (["c*/1?[03]"], [0, 2, 3, 7]),
        (["chassis/20000080"], [6]),
        (["2*"], [6]),
        (["*"], list(range(8))),
        (["chassis/1A0", "can0/123"], [0, 3, 7]),
        (["Chassis/1A0"], []),
        ([], list(range(8))),
    ],
)
def test_patterns(patterns: list[str], picked: list[int]):
    mask = FrameSelection.parse(patterns).mask(batch_of(ROWS, BUSES))
    assert np.flatnonzero(mask).tolist() == picked
    assert mask.dtype == np.bool_


def test_names_of_buses_count_beside_those_of_interfaces():
    frames = batch_of(ROWS, BUSES)
    names = {"can0": "powertrain"}
    for pattern in ("powertrain/123", "can0/123"):
        assert np.flatnonzero(FrameSelection.parse([pattern]).mask(frames, names)).tolist() == [3]


def test_hits_tell_of_patterns_that_pick_nothing():
    selection = FrameSelection.parse(["chassis/1A0", "chasis/1A0", "*/1*"])
    assert selection.hits(batch_of(ROWS, BUSES)) == {"chassis/1A0": 2, "chasis/1A0": 0, "*/1*": 6}
    assert selection.hits(empty_frames()) == {"chassis/1A0": 0, "chasis/1A0": 0, "*/1*": 0}
    assert selection.mask(empty_frames(("can0",))).tolist() == []


@given(
    st.lists(frame_rows(), max_size=30),
    st.lists(st.sampled_from(["*", "0*", "chassis/*", "can?/*", "*/???", "????????", "*F*", "[2-7]??"]), max_size=3),
)
@settings(max_examples=100, deadline=None)
def test_the_same_as_frame_by_frame(rows: list[Row], texts: list[str]):
    frames = batch_of(rows, BUSES)
    patterns = [Pattern.parse(text) for text in texts]
    expected = [
        not patterns or any(p.matches([BUSES[bus]], spelled(identifier, flags)) for p in patterns)
        for _, bus, identifier, flags, *_ in rows
    ]
    assert FrameSelection(tuple(patterns)).mask(frames).tolist() == expected


@pytest.mark.parametrize(
    ("text", "says", "hint"),
    [
        ("chassis/1A", "2 digits", "01A (11-bit) or 0000001A (29-bit)"),
        ("18FEF1", "6 digits", "0018FEF1"),
        ("chassis/8FF", "end at 7FF", "000008FF"),
        ("FFFFFFFF", "end at 1FFFFFFF", "check"),
        ("0x1A0", "no 0x", "1A0"),
        ("chassis/ENGINE_DATA", "not an identifier", "hex digits"),
        ("chassis/", "no identifier", '"chassis/*"'),
        ("", "no identifier", '"*"'),
        ("/1A0", "no bus", '"*/1A0"'),
        ("1?", "2 digits", "*"),
        ("123456789*", "more than eight", "leave"),
        ("[1", "not an identifier", "hex"),
        ("000", "", ""),
        ("7FF", "", ""),
        ("800", "end at 7FF", "write 00000800 for the 29-bit identifier"),
        ("3FFFFFFF", "", ""),  # the last error frame: bit 29, then 29 bits
        ("40000000", "end at 1FFFFFFF", "check the identifier"),
        ("12345678*", "", ""),
        ("[1-3]2345678*", "", ""),
        ("[1-3]23456789*", "more than eight", "leave some out"),
        ("7FF0", "4 digits", "write 00007FF0 (29-bit)"),
        ("07FF", "4 digits", "write 7FF (11-bit) or 000007FF (29-bit)"),
        ("0800", "4 digits", "write 00000800 (29-bit)"),
        ("1FFFFFFF0", "9 digits", "write an identifier up to 1FFFFFFF"),
        ("01FFFFFFF", "9 digits", "write 1FFFFFFF (29-bit)"),
        ("020000000", "9 digits", "write an identifier up to 1FFFFFFF"),
        ("1?[0-9]4", "4 digits", "or use * for the rest"),
        ("0x7ff", "no 0x", "write 7FF (11-bit) or 000007FF (29-bit)"),
        ("0xG", "not an identifier", "use hex digits"),
        ("?[!1-3]F", "", ""),
    ],
)
def test_what_can_match_nothing_is_refused(text: str, says: str, hint: str):
    if not says:  # just within what there is
        assert FrameSelection.parse([text]).patterns == (Pattern(text, "*", text),)
        return
    with pytest.raises(UserError) as caught:
        FrameSelection.parse(["*", text])
    assert says in caught.value.message
    assert repr(text) in caught.value.message
    assert hint in caught.value.hint


def test_a_bus_may_be_named_with_its_slashes_and_blanks_around_count_for_nothing():
    assert Pattern.parse("  /dev/ttyACM0/1a0 ") == Pattern("  /dev/ttyACM0/1a0 ", "/dev/ttyACM0", "1A0")


def test_identifiers_that_agree_in_their_low_bits_are_told_apart():
    """0x1A0, 0x9A0 and 0x800001A0 & 0x7FF agree; so do buses 0 and 1 with identifiers 0x7FF and 0x000."""
    rows: list[Row] = [
        (0, 0, 0x1A0, 0, 0, b""),
        (0, 0, 0x9A0, EXT, 0, b""),
        (0, 1, 0x1A0, ERR, 8, bytes(8)),
        (0, 0, 0x7FF, 0, 0, b""),
        (0, 1, 0x000, 0, 0, b""),
        (0, 1, 0x1FFFFFFF, EXT, 0, b""),
        (0, 1, 0x9A0, EXT, 0, b""),
    ]
    frames = batch_of(rows, ("a", "b"))
    for text, picked in {
        "1A0": [0],
        "000009A0": [1, 6],
        "a/*": [0, 1, 3],
        "b/*": [2, 4, 5, 6],
        "200001A0": [2],
        "7FF": [3],
        "000": [4],
        "1FFFFFFF": [5],
        "b/000009A0": [6],
    }.items():
        assert np.flatnonzero(FrameSelection.parse([text]).mask(frames)).tolist() == picked, text
        assert FrameSelection.parse([text]).hits(frames) == {text: len(picked)}
    only_wide = frames.take(np.array([1, 5]))
    assert FrameSelection.parse(["000009A0"]).mask(only_wide).tolist() == [True, False]
    assert FrameSelection.parse(["*"]).mask(only_wide).tolist() == [True, True]


def test_spelling_is_that_of_candump():
    assert spelled(0x1A, 0) == "01A"
    assert spelled(0x1A, EXT) == "0000001A"
    assert spelled(0x80, ERR) == "20000080"
