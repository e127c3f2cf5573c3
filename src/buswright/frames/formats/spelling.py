"""Text lines out of columns, many at a time: the counterpart of digits.py.

A block of lines is a matrix of four-character cells, one row a line. Every field fills its columns from a
look-up table; characters that a line does not need are zero bytes, and one pass at the end drops them all. So
lines of different lengths cost no sorting and no loop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Frames, Int64s

Cells = npt.NDArray[np.uint32]
"""Four bytes of text each, in memory order."""

BLOCK_LINES = 16_384
"""Lines built at once: their matrix stays in the second-level cache."""

_SECOND = 1_000_000_000
_SECONDS_TABLE = 4096
"""Up to this many different seconds a block are spelled once each; a block rarely spans more."""


def blocks(start: int, stop: int) -> Iterator[slice]:
    """Cut start..stop into slices of at most `BLOCK_LINES`."""
    for at in range(start, stop, BLOCK_LINES):
        yield slice(at, min(at + BLOCK_LINES, stop))


def spell(texts: Sequence[bytes]) -> Cells:
    """Return a table of short texts as cells, zero bytes behind the shorter ones; uint32[len(texts), k]."""
    width = max(4, -(-max((len(text) for text in texts), default=0) // 4) * 4)
    joined = b"".join(text.ljust(width, b"\0") for text in texts)
    return np.frombuffer(joined, dtype=np.uint32).reshape(len(texts), width // 4)


def spell_shapes(text: Callable[[int, int], bytes]) -> Cells:
    """Return a table of what each pair of flags and length code is spelled as, by `shapes`; uint32[4096, k]."""
    return spell([text(index >> 4, index & 15) for index in range(4096)])


def shapes(frames: Frames) -> npt.NDArray[np.intp]:
    """Return the row of each frame in a table by ``flags << 4 | dlc``; intp[n]."""
    return frames.flags.astype(np.intp) << 4 | frames.dlc


@cache
def hex_words() -> Cells:
    """Four hex digits of every 16-bit number; uint32[65536]."""
    value = np.arange(1 << 16)
    digits = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
    text = digits[value[:, None] >> np.array([12, 8, 4, 0]) & 15]
    return np.ascontiguousarray(text).view(np.uint32).reshape(-1)


@cache
def short_hex_words(fewest: int) -> Cells:
    """Hex digits of every 16-bit number without leading zeros, but at least `fewest` digits; uint32[65536]."""
    text = hex_words().view(np.uint8).reshape(-1, 4).copy()
    for place in range(4 - fewest):
        text[: 1 << (12 - 4 * place), place] = 0
    return text.view(np.uint32).reshape(-1)


@cache
def blanks_for(fewest: int) -> Cells:
    """Blanks in place of the zeros that `short_hex_words` leaves out; uint32[65536]."""
    text = short_hex_words(fewest).view(np.uint8)
    return np.where(text == 0, np.uint8(32), np.uint8(0)).view(np.uint32)


@cache
def _decimals(digits: int) -> Cells:
    """All numbers of up to four digits, padded with zeros; uint32[10**digits]."""
    return spell([f"{value:0{digits}d}".encode() for value in range(10**digits)])[:, 0]


class LineBlock:
    """`n` lines that grow field by field."""

    def __init__(self, n: int) -> None:
        self._n = n
        self._columns: list[Cells] = []

    def __len__(self) -> int:
        return self._n

    def cells(self, *columns: Cells) -> None:
        """Append columns of uint32[n] or uint32[n, k]."""
        self._columns += columns

    def blank(self, rows: npt.NDArray[np.bool_]) -> None:
        """Drop what the given lines have so far."""
        self._columns = [np.where(rows[:, None] if c.ndim == 2 else rows, np.uint32(0), c) for c in self._columns]

    def seconds(self, whole: Int64s, before: bytes, width: int, after: bytes) -> None:
        """Append whole seconds, right-aligned in `width`, between two constant texts."""
        low, high = int(whole.min()), int(whole.max())
        if high - low < _SECONDS_TABLE:
            values, index = np.arange(low, high + 1), whole - low
        else:
            values, index = np.unique(whole, return_inverse=True)
        self.cells(spell([b"%b%*d%b" % (before, width, value, after) for value in values.tolist()])[index])

    def fraction(self, nanoseconds: Int64s, digits: int) -> None:
        """Append six or nine decimal digits of a fraction of a second given in nanoseconds."""
        if digits == 9:
            upper, low_digits = np.divmod(nanoseconds, 100_000)
            middle, lower = np.divmod(low_digits, 10)
            self.cells(_decimals(4).take(upper), _decimals(4).take(middle), _decimals(1).take(lower))
        else:
            upper, lower = np.divmod(nanoseconds // 1000, 100)
            self.cells(_decimals(4).take(upper), _decimals(2).take(lower))

    def text(self) -> bytes:
        """Return the lines."""
        wide = [column.shape[1] if column.ndim == 2 else 1 for column in self._columns]
        matrix = np.empty((self._n, sum(wide)), dtype=np.uint32)
        at = 0
        for column, width in zip(self._columns, wide, strict=True):
            matrix[:, at : at + width] = column if column.ndim == 2 else column[:, None]
            at += width
        flat = matrix.reshape(-1)
        characters = flat[flat != 0].view(np.uint8)
        return bytes(characters[characters != 0])


def split_seconds(time_ns: Int64s) -> tuple[Int64s, Int64s]:
    """Split into whole seconds (rounded down) and the nanoseconds that are left."""
    whole = time_ns // _SECOND
    return whole, time_ns - whole * _SECOND
