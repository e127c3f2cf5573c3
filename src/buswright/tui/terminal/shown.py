"""What stands on the terminal: of the next picture only what differs is written, in few bytes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import groupby
from math import inf
from typing import NamedTuple

from rich.cells import cell_len
from rich.color import ColorSystem
from rich.style import Style
from textual.strip import Strip

from buswright.tui.themes import sixteen_for

NEAR = 6
"""Unchanged cells between changed ones that are written again: going to the next ones takes about as many bytes."""
REPEATED = 7
"""So often must a sign come in a row that its repetition takes fewer bytes."""
FRESH = "\x1b[0m\x1b[2J"


class Look(NamedTuple):
    """How a cell looks, in codes of ECMA-48, 8.3.117: attributes, foreground, background."""

    attributes: str
    front: str
    ground: str


PLAIN = Look("", "39", "49")
_UNSEEN = ("", "1", "2")
"""Attributes that a blank doesn't show: none, bold, dim; 22 ends the latter two."""


class Manner(NamedTuple):
    """How pictures are written.

    Attributes
    ----------
    colours
        Those that the terminal has.
    few
        The theme whose letters have the terminal's own sixteen colours instead, which take half the bytes; "" for none.
    repeats
        Whether the terminal can be told to repeat a sign (ECMA-48, 8.3.103: REP).
    """

    colours: ColorSystem
    few: str = ""
    repeats: bool = False


@cache
def look_of(style: Style | None, manner: Manner) -> Look:
    """Return the codes of a style."""
    if style is None:
        return PLAIN
    bare = Style(
        bold=style.bold,
        dim=style.dim,
        italic=style.italic,
        underline=style.underline,
        reverse=style.reverse,
        strike=style.strike,
    )
    front, ground, colours = style.color, style.bgcolor, manner.colours
    if front is not None and manner.few:
        front = sixteen_for(manner.few).get(front.triplet, front.downgrade(ColorSystem.EIGHT_BIT))
    return Look(
        Strip.render_ansi(bare, colours),
        ";".join(front.downgrade(colours).get_ansi_codes()) if front is not None else PLAIN.front,
        ";".join(ground.downgrade(colours).get_ansi_codes(foreground=False)) if ground is not None else PLAIN.ground,
    )


Row = Sequence[tuple[str, Look]]
"""A cell each; the second one of a wide sign is empty."""


def row_of(strip: Strip, manner: Manner) -> Row:
    """Return the cells of a line."""
    cells: list[tuple[str, Look]] = []
    for text, style, control in strip:
        if control:
            continue
        look = look_of(style, manner)
        if text.isascii():
            cells.extend((sign, look) for sign in text)
            continue
        for sign in text:
            width = cell_len(sign)
            if width:
                cells.append((sign, look))
                cells.extend([("", look)] * (width - 1))
            elif cells:  # it belongs to the sign before
                cells[-1] = (cells[-1][0] + sign, cells[-1][1])
    return cells


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
        self.whole = True

    def forget(self) -> None:
        """Write all of it with the next picture: something else may stand on the terminal."""
        self._rows = []

    def changes(self, strips: Sequence[Strip], manner: Manner, *, most: float = inf) -> str:
        """Return what to write for the terminal to show these lines.

        Parameters
        ----------
        most
            About so many characters; what is left is written with the next picture.
        """
        written: list[str] = []
        if [strip.cell_length for strip in strips] != [len(row) for row in self._rows]:
            self._rows = [[(" ", PLAIN)] * strip.cell_length for strip in strips]
            self._strips = [None] * len(strips)
            written.append(FRESH)
        size, last = 0, PLAIN
        self.whole = True
        for y, strip in enumerate(strips):
            if strip == self._strips[y]:
                continue
            if size > most:
                self.whole = False
                break
            row = row_of(strip, manner)
            for start, stop in _runs(row, self._rows[y]):
                written.append(f"\x1b[{y + 1};{start + 1}H")
                for (sign, look), count in _repeated(row[start:stop], manner):
                    if look != last and not (sign == " " and _alike_blank(look, last)):
                        written.append(_turned(last, look))
                        size += len(written[-1])
                        last = look
                    written.append(sign if count == 1 else f"{sign}\x1b[{count - 1}b")
                    size += len(written[-1].encode())
            self._rows[y], self._strips[y] = row, strip
        if last != PLAIN:
            written.append(_turned(last, PLAIN))
        return "".join(written)


def _repeated(cells: Row, manner: Manner) -> Iterator[tuple[tuple[str, Look], int]]:
    """Yield cells, each with how often it is written: what comes often in a row in one go, where that can be."""
    for cell, same in groupby(cells):
        count = len(list(same))
        if manner.repeats and count >= REPEATED and len(cell[0]) == 1:
            yield cell, count
        else:
            yield from ((cell, 1) for _ in range(count))


def _runs(row: Row, old: Row) -> list[tuple[int, int]]:
    """Return the stretches of a line to write, from the first sign to behind the last one."""
    runs: list[tuple[int, int]] = []
    for at, (new, was) in enumerate(zip(row, old, strict=True)):
        if new != was and not (new[0] == was[0] == " " and _alike_blank(new[1], was[1])):
            start = at if row[at][0] else at - 1
            if runs and start - runs[-1][1] <= NEAR:
                runs[-1] = runs[-1][0], at + 1
            else:
                runs.append((start, at + 1))
    return [(start, stop + (stop < len(row) and not row[stop][0])) for start, stop in runs]


def _alike_blank(one: Look, other: Look) -> bool:
    """Whether a blank looks the same in both."""
    return one.ground == other.ground and one.attributes in _UNSEEN and other.attributes in _UNSEEN


def _turned(last: Look, look: Look) -> str:
    """Return what turns one look into another."""
    if look.attributes == last.attributes:
        codes = []
    elif not last.attributes:
        codes = [look.attributes]
    elif last.attributes in _UNSEEN and look.attributes in _UNSEEN:
        codes = ["22", look.attributes]
    else:
        return f"\x1b[{';'.join(code for code in ('0', *look) if code)}m"
    codes += [new for new, old in zip(look[1:], last[1:], strict=True) if new != old]
    return f"\x1b[{';'.join(code for code in codes if code)}m"
