"""Text out of columns: tables of short texts, digits, and lines whose empty places are dropped."""

import numpy as np
import pytest

from buswright.frames.formats import spelling
from buswright.frames.formats.spelling import (
    LineBlock,
    blanks_for,
    blocks,
    hex_words,
    shapes,
    short_hex_words,
    spell,
    spell_shapes,
    split_seconds,
)
from tests.frames.frame_batches import batch_of


def text_of(cells):
    return [row.tobytes().rstrip(b"\0") for row in np.atleast_2d(cells)]


@pytest.mark.parametrize(
    ("start", "stop", "expected"),
    [
        (0, 0, []),
        (3, 3, []),
        (5, 9, [(5, 9)]),
        (0, 10, [(0, 10)]),
        (0, 11, [(0, 10), (10, 11)]),
        (5, 25, [(5, 15), (15, 25)]),
    ],
)
def test_blocks(start, stop, expected, monkeypatch):
    monkeypatch.setattr(spelling, "BLOCK_LINES", 10)
    assert [(part.start, part.stop) for part in blocks(start, stop)] == expected


@pytest.mark.parametrize(
    ("texts", "width"), [([b"a", b"bc"], 1), ([b"abcd"], 1), ([b"abcde", b""], 2), ([], 1), ([b""], 1)]
)
def test_texts_are_padded_to_whole_cells(texts, width):
    cells = spell(texts)
    assert cells.shape == (len(texts), width)
    assert [row.tobytes() for row in cells] == [text.ljust(4 * width, b"\0") for text in texts]


def test_shapes_are_flags_and_code():
    table = spell_shapes(lambda flags, dlc: b"%02x%x" % (flags, dlc))
    assert table.shape[0] == 4096
    frames = batch_of([(0, 0, 1, flags, dlc, b"") for flags, dlc in ((0, 0), (255, 15), (8, 9), (64, 8))])
    assert [text.decode() for text in text_of(table[shapes(frames)])] == ["000", "fff", "089", "408"]


def test_hex_digits_of_every_number():
    numbers = [0, 1, 0xF, 0x10, 0x7F, 0x80, 0xFF, 0x100, 0xABC, 0xFFF, 0x1000, 0x9ABC, 0xFFFF]
    assert text_of(hex_words()[numbers][:, None]) == [b"%04X" % number for number in numbers]
    for fewest in (0, 1, 2, 3):
        for number in numbers:
            shown = b"%0*X" % (fewest, number) if number or fewest else b""
            cell = short_hex_words(fewest)[number].tobytes()
            assert cell == shown.rjust(4, b"\0"), (fewest, number)
            blank = blanks_for(fewest)[number].tobytes()
            assert blank == (b" " * (4 - len(shown))).ljust(4, b"\0"), (fewest, number)


def test_a_line_is_what_its_fields_say_without_the_empty_places():
    lines = LineBlock(3)
    assert len(lines) == 3
    lines.cells(spell([b"a", b"bcdef", b""]), spell([b"1", b"2", b"3"])[:, 0])
    lines.blank(np.array([False, True, False]))
    lines.cells(spell([b"x\n", b"y\n", b"z\n"])[:, 0])
    assert lines.text() == b"a1x\ny\n3z\n"


@pytest.mark.parametrize(
    ("whole", "width", "expected"),
    [
        ([7, 8, 7], 1, b"(7.(8.(7."),
        ([7, 1234], 4, b"(   7.(1234."),
        ([0, 4095], 1, b"(0.(4095."),
        ([9, 4105, 9], 1, b"(9.(4105.(9."),
    ],
)
def test_seconds_between_two_texts(whole, width, expected):
    lines = LineBlock(len(whole))
    lines.seconds(np.array(whole), b"(", width, b".")
    assert lines.text() == expected


def test_seconds_far_apart_are_spelled_once_each(monkeypatch):
    asked = []
    real = spelling.spell
    monkeypatch.setattr(spelling, "spell", lambda texts: asked.append(len(texts)) or real(texts))
    for whole, count in (([0, 4095], 4096), ([0, 4096], 2), ([5, 10**9, 5], 2)):
        LineBlock(len(whole)).seconds(np.array(whole), b"", 1, b"")
        assert asked.pop() == count


@pytest.mark.parametrize(
    ("nanoseconds", "six", "nine"),
    [
        (0, b"000000", b"000000000"),
        (999_999_999, b"999999", b"999999999"),
        (1_000, b"000001", b"000001000"),
        (123_456_789, b"123456", b"123456789"),
        (100_009, b"000100", b"000100009"),
        (90_009_990, b"090009", b"090009990"),
    ],
)
def test_fractions(nanoseconds, six, nine):
    for digits, expected in ((6, six), (9, nine)):
        lines = LineBlock(1)
        lines.fraction(np.array([nanoseconds]), digits)
        assert lines.text() == expected


def test_times_before_zero_split_into_a_second_rounded_down_and_the_rest():
    whole, rest = split_seconds(np.array([-1, 0, 1_999_999_999, -(10**9)]))
    assert (whole.tolist(), rest.tolist()) == ([-1, 0, 1, -1], [999_999_999, 0, 999_999_999, 0])
