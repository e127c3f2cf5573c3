"""What stands on the terminal: of the next picture only what differs is written, in few bytes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import cache, lru_cache
from itertools import groupby, repeat
from math import inf
from operator import itemgetter
from typing import NamedTuple

from rich.cells import cell_len
from rich.color import Color, ColorSystem
from rich.style import Style
from textual.strip import Strip

from buswright.tui.terminal.plain_signs import drawn_plainly
from buswright.tui.themes import sparse_for

NEAR = 12
"""Where more unchanged cells lie between changed ones, they are passed over: writing them again takes more bytes."""
_IN_A_ROW = re.compile(r"(.)\1{6,}")
"""So often must a sign come in a row that its repetition takes fewer bytes."""
FRESH = "\x1b[0m\x1b[2J"
ERASED = "\x1b[K"
"""The rest of the line (ECMA-48, 8.3.41: EL)."""


class Look(NamedTuple):
    """How a cell looks, in codes of ECMA-48, 8.3.117: attributes, foreground, background.

    The foreground of a blank is "": any will do.
    """

    attributes: str
    front: str
    ground: str


Cell = tuple[str, Look]
"""A sign and its look; the second cell of a wide sign is empty."""
Row = Sequence[Cell]

PLAIN = Look("", "39", "49")
BLANK: Cell = (" ", Look("", "", "49"))
"""What erasing leaves."""
_SIGN, _LOOK = itemgetter(0), itemgetter(1)
_UNSEEN = ("", "1", "2")
"""Attributes that a blank doesn't show: none, bold, dim; 22 ends the latter two."""


class Manner(NamedTuple):
    """How pictures are written.

    Attributes
    ----------
    colours
        Those that the terminal has.
    sparse
        The theme that is shown with few colours, on the terminal's own ground and without bold letters, which takes
        half the bytes; "" for none.
    repeats
        Whether the terminal can be told to repeat a sign (ECMA-48, 8.3.103: REP). Over a slow line to one that can't,
        what is drawn is drawn with signs of one byte.
    """

    colours: ColorSystem
    sparse: str = ""
    repeats: bool = False


@cache
def look_of(style: Style | None, manner: Manner) -> Look:
    """Return the codes of a style."""
    if style is None:
        return PLAIN
    bare = Style(
        bold=style.bold if not manner.sparse else None,
        dim=style.dim if not manner.sparse else None,
        italic=style.italic,
        underline=style.underline,
        reverse=style.reverse,
        strike=style.strike,
    )
    colours = manner.colours
    return Look(
        Strip.render_ansi(bare, colours),
        _codes(style.color, manner, fore=True) if style.color is not None else PLAIN.front,
        _codes(style.bgcolor, manner, fore=False) if style.bgcolor is not None else PLAIN.ground,
    )


def _codes(colour: Color, manner: Manner, *, fore: bool) -> str:
    if manner.sparse:
        colour = sparse_for(manner.sparse).get(colour.triplet, colour.downgrade(ColorSystem.EIGHT_BIT))
    return ";".join(colour.downgrade(manner.colours).get_ansi_codes(foreground=fore))


def row_of(strip: Strip, manner: Manner) -> Row:
    """Return the cells of a line."""
    cells: list[Cell] = []
    for text, style, control in strip:
        if control:
            continue
        look = look_of(style, manner)
        blank = (" ", _blank(look))
        if text.isascii():
            if " " in text:
                cells.extend([blank if sign == " " else (sign, look) for sign in text])
            else:
                cells.extend(zip(text, repeat(look)))
            continue
        plainly = manner.sparse and not manner.repeats
        for sign in text:
            width = cell_len(sign)
            if width:
                cells.append(blank if sign == " " else (drawn_plainly(sign) if plainly else sign, look))
                cells.extend([("", look)] * (width - 1))
            elif cells:  # it belongs to the sign before
                cells[-1] = (cells[-1][0] + sign, cells[-1][1])
    return cells


@cache
def _blank(look: Look) -> Look:
    """Return how a blank looks: one that shows its ground alone is the same in any foreground."""
    return Look("", "", look.ground) if look.attributes in _UNSEEN else look


class Shown:
    """What stands on the terminal, as far as it has been written there.

    Attributes
    ----------
    whole
        Whether it stands there as the latest picture has it.
    """

    def __init__(self) -> None:
        self._strips: list[Strip | None] = []
        self._rows: list[Row] = []
        self._manner: Manner | None = None
        self._next = 0
        self.whole = True

    def forget(self) -> None:
        """Write all of it with the next picture: something else may stand on the terminal."""
        self._rows = []

    def begin(self) -> None:
        """Go on at the top: another screen came to the front."""
        self._next = 0

    def changes(self, strips: Sequence[Strip], manner: Manner, *, most: float = inf) -> str:
        """Return what to write for the terminal to show these lines.

        Parameters
        ----------
        most
            About so many bytes; the next picture goes on where this one stopped, lest lines that change all the time
            keep others from being written.
        """
        pen = _Pen(manner)
        if [strip.cell_length for strip in strips] != [len(row) for row in self._rows]:
            self._rows = [[BLANK] * strip.cell_length for strip in strips]
            self._manner, self._next = None, 0
            pen.told.append(FRESH)
        if manner != self._manner:
            self._manner, self._strips = manner, [None] * len(strips)
        self.whole = True
        count = len(strips)
        for y in (*range(self._next, count), *range(self._next)):
            strip = strips[y]
            if strip == self._strips[y]:
                continue
            if pen.size > most:
                self.whole, self._next = False, y
                break
            row = row_of(strip, manner)
            pen.write(y, row, self._rows[y])
            self._rows[y], self._strips[y] = row, strip
        pen.turn(PLAIN)
        return "".join(pen.told)


class _Pen:
    """Where the terminal's cursor stands, and with what look it writes.

    Attributes
    ----------
    told
        What it has written so far.
    size
        Bytes of it.
    """

    def __init__(self, manner: Manner) -> None:
        self.told: list[str] = []
        self.size = 0
        self._manner = manner
        self._look = PLAIN
        self._y = -1
        self._x: int | None = None

    def _put(self, text: str) -> None:
        self.told.append(text)
        self.size += len(text) if text.isascii() else len(text.encode())

    def turn(self, look: Look) -> None:
        """Write with this look from now on."""
        codes, self._look = _turned(self._look, look)
        if codes:
            self._put(codes)

    def write(self, y: int, row: Row, old: Row) -> None:
        """Write a line over what stands there; over a slow line on what is left when it is erased, if that is less."""
        differing = [at for at, (new, was) in enumerate(zip(row, old, strict=True)) if new != was]
        if not differing:
            return
        at = differing[0] - (not row[differing[0]][0])
        if not self._manner.sparse:  # bytes cost nothing here, looking for fewer does
            self._go(y, at, row)
            self._signs(row[at : differing[-1] + 1])
            self._x = differing[-1] + 1 if differing[-1] + 1 < len(row) else None
            return
        begun = len(self.told), self.size, self._look, self._y, self._x
        self._over(y, row, old)
        told, after = self.told[begun[0] :], (self.size, self._look, self._y, self._x)
        del self.told[begun[0] :]
        _, self.size, self._look, self._y, self._x = begun
        self._go(y, at, row)
        self.turn(BLANK[1])
        self._put(ERASED)
        self._over(y, row, [*row[:at], *[BLANK] * (len(row) - at)])
        if self.size >= after[0]:
            self.told[begun[0] :] = told
            self.size, self._look, self._y, self._x = after

    def _over(self, y: int, row: Row, old: Row) -> None:
        """Write what differs, and nothing else that takes bytes."""
        width = end = len(row)
        while end and row[end - 1] == BLANK:
            end -= 1
        at = 0
        while True:
            while at < width and row[at] == old[at]:
                at += 1
            if at == width:
                return
            if not row[at][0]:
                at -= 1
            self._go(y, at, row)
            if at >= end and width - at > len(ERASED):
                self.turn(BLANK[1])
                self._put(ERASED)
                return
            stop = at + 1
            while stop < width and (row[stop] != old[stop] or not row[stop][0]) and stop != end:
                stop += 1
            self._signs(row[at:stop])
            self._x = stop if stop < width else None
            at = stop

    def _signs(self, cells: Row) -> None:
        for look, same in groupby(cells, _LOOK):
            if look != self._look:
                self.turn(look)
            signs = "".join(map(_SIGN, same))
            self._put(_IN_A_ROW.sub(_repetition, signs) if self._manner.repeats else signs)

    def _go(self, y: int, x: int, row: Row) -> None:
        """Go to a cell the shortest way: over the cells between, if writing them again takes the fewest bytes."""
        if (y, x) == (self._y, self._x):
            return
        if y != self._y or self._x is None:
            ways = [f"\x1b[{y + 1};{x + 1}H" if x else f"\x1b[{y + 1}H"]
            if y == self._y + 1 and y:
                ways.append("\r\n" + _right(x))
            self._put(min(ways, key=len))
        else:
            between, way = row[self._x : x], _right(x - self._x)
            if len(between) > NEAR or not row[x]:
                self._put(way)
            else:
                begun = len(self.told), self.size, self._look
                self._signs(between)
                if self.size - begun[1] + len(_turned(self._look, row[x][1])[0]) > len(way) + len(
                    _turned(begun[2], row[x][1])[0]
                ):
                    del self.told[begun[0] :]
                    _, self.size, self._look = begun
                    self._put(way)
        self._y, self._x = y, x


def _repetition(row: re.Match[str]) -> str:
    return f"{row[1]}\x1b[{len(row[0]) - 1}b"


def _right(cells: int) -> str:
    """Return what goes so many cells to the right (ECMA-48, 8.3.20: CUF)."""
    return "" if not cells else "\x1b[C" if cells == 1 else f"\x1b[{cells}C"


@lru_cache(4096)
def _turned(last: Look, look: Look) -> tuple[str, Look]:
    """Return what turns one look into another, and what is the look then: a blank leaves what it doesn't show."""
    if not look.front:
        look = Look(last.attributes if last.attributes in _UNSEEN else "", last.front, look.ground)
    if look == last:
        return "", last
    colours = [new for new, old in zip(look[1:], last[1:], strict=True) if new != old]
    anew = [code for code, plain in zip(look, PLAIN, strict=True) if code != plain]
    ways = [["0", *anew] if anew else []]
    if look.attributes == last.attributes:
        ways.append(colours)
    elif not last.attributes:
        ways.append([look.attributes, *colours])
    elif last.attributes in _UNSEEN and look.attributes in _UNSEEN:
        ways.append(["22", *([look.attributes] if look.attributes else []), *colours])
    return min((f"\x1b[{';'.join(way)}m" for way in ways), key=len), look
