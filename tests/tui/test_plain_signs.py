"""A terminal that lacks the signs we draw with gets others of the same width that can be told apart."""

from pathlib import Path

import pytest
from rich.cells import cell_len

import buswright.tui
from buswright.tui.terminal.plain_signs import PLAIN_SIGNS, plain
from buswright.tui.widgets.bit_grid import LEVELS
from buswright.tui.widgets.heights import HEIGHTS

SPELLED = "°ΩΩµ∞"
"""What stands in numbers and units: rather a ? than another number or unit."""


def latin(text):
    return text.encode("iso8859-1", PLAIN_SIGNS).decode("iso8859-1")


@pytest.mark.parametrize("encoding", ["iso8859-1", "ascii"])
def test_bars_can_be_told_apart_and_look_like_nothing_else_in_a_time_line(encoding):
    drawn_as = HEIGHTS.encode(encoding, PLAIN_SIGNS).decode(encoding)
    assert len(set(drawn_as)) == len(HEIGHTS) == 9
    assert not set(drawn_as) & set(".!^|x?")
    assert len(set(latin("".join(LEVELS)))) == 5


def test_every_sign_that_the_screens_draw_has_one_that_stands_for_it():
    sources = Path(buswright.tui.__file__).parent.rglob("*.py")
    signs = {sign for path in sources for sign in path.read_text(encoding="utf-8") if not sign.isascii()}
    assert {sign for sign in signs if plain(sign) == "?"} - set(SPELLED) == set()


def test_what_stands_for_a_sign_is_as_wide_as_it():
    signs = [chr(at) for block in (0x2500, 0x2580, 0x2800, 0x1F500) for at in range(block, block + 256)]
    assert all(cell_len(plain(sign)) == cell_len(sign) for sign in signs)


def test_dots_of_a_curve_are_drawn_where_they_lie():
    assert latin("⠀⠉⣀⠶⣿⡇⠑") == " '.-||'"  # none, high, low, in the middle, all, those at the left, two high ones
