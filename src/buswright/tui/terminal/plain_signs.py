"""Signs for terminals that lack those we draw with: as wide, and told apart like the ones that they stand for."""

from __future__ import annotations

import codecs

PLAIN_SIGNS = "buswright.plain-signs"
"""Name of the error handler: what an encoding lacks is written as the sign that comes nearest, else as `?`."""
_HEIGHTS = "▁▂▃▄▅▆▇█", "_-~=+*%#"
"""The more ink, the higher: `.`, `|`, `!` and `^` mean something else where bars are drawn."""
_EIGHTHS = "▏▎▍▌▋▊▉", _HEIGHTS[1][:-1]
_MEANT = {
    "x": "×✗✖",
    ".": "·…",
    "-": "–—−┈━▔─╌",
    "+": "┏┓┗┛┌┐└┘├┬┴┼╭╮╰╯✓✔",
    "=": "═",
    "|": "│┃┤╡╞▕▐",
    ":": "┊",
    "'": "╵▀",
    '"': "“”",
    "<": "‹◂←",
    ">": "▸→",
    "^": "▲↑",
    "v": "▾↓",
    "#": "≠",
    "u": "μ",
    "*": "●αβγδεζηθικλνξοπρστυφχψω",
}
"""Greek letters name the 53rd signal of a message and the following ones, as `*` does those beyond."""
_PLAIN = {
    **{sign: stands for stands, signs in _MEANT.items() for sign in signs},
    **dict(zip(*_HEIGHTS, strict=True)),
    **dict(zip(*_EIGHTHS, strict=True)),
}
_BRAILLE = 0x2800
_ROWS = (0x09, 0x12, 0x24, 0xC0)
"""The dots of each row of a braille sign, the highest first: Unicode, chapter 21.1."""


def _of_dots(dots: int) -> str:
    """Return a sign that has its ink where the dots are: curves are drawn with them."""
    high, upper, lower, low = (bool(dots & row) for row in _ROWS)
    if (high or upper) and (lower or low):
        return "-" if upper and lower and not (high or low) else "|" if high and low else ":"
    return "'" if high or upper else "." if dots else " "


def plain(sign: str) -> str:
    """Return what stands for a sign, as wide as it is."""
    stands = drawn_plainly(sign)
    if stands != sign:
        return stands
    from rich.cells import cell_len  # only where something can't be encoded

    width = cell_len(sign)
    return "?".ljust(width)[:width]


def drawn_plainly(sign: str) -> str:
    """Return what stands for a sign that is drawn with; a letter is returned as it is."""
    if len(sign) == 1 and _BRAILLE <= ord(sign) < _BRAILLE + 256:
        return _of_dots(ord(sign) - _BRAILLE)
    return _PLAIN.get(sign, sign)


def _encode(fault: UnicodeError) -> tuple[str, int]:
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return "".join(map(plain, fault.object[fault.start : fault.end])), fault.end


codecs.register_error(PLAIN_SIGNS, _encode)
