"""Fields of ASC lines as arrays: where lines and fields lie in a chunk, stamps, channels, identifiers, payloads.

Digits are handled inside 64-bit words. Where a number of digits is not known beforehand it is counted there
too, and the characters behind the digits are shifted or masked out; no character other than those of the
field takes part in a result. Gathering 64 bytes a line costs no more than gathering two, so what lies
together is gathered at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from buswright.frames.asc_clock import LATEST_STAMP
from buswright.frames.reading import LEAD, PAD, Chunk
from buswright.frames.table import Int64s, UInt8s, UInt32s
from buswright.frames.text import (
    Bools,
    Bytes,
    Places,
    Words,
    are_decimal,
    decimal_number,
    hex_number,
    last_characters,
    words,
)

NEWLINE, BLANK, COMMA_OR_POINT = 10, 32, 46
"""Blanks are all characters up to 32; a comma turns into a point when bit 1 is set."""
NO = 255
"""In the lookup tables: not such a field."""

_HIGH, _LOW = np.uint64(0x8080808080808080), np.uint64(0x0101010101010101)
_FROM_0, _OVER_9 = np.uint64(0x5050505050505050), np.uint64(0x4646464646464646)
_FROM_A, _OVER_F = np.uint64(0x1F1F1F1F1F1F1F1F), np.uint64(0x1919191919191919)
_LOWER, _NIBBLES = np.uint64(0x2020202020202020), np.uint64(0x0F0F0F0F0F0F0F0F)
_1, _3, _4, _6, _7, _8, _9, _10 = (np.uint64(k) for k in (1, 3, 4, 6, 7, 8, 9, 10))
_16, _32, _40, _56, _64 = (np.uint64(k) for k in (16, 32, 40, 56, 64))
_BYTE = [np.uint64(0xFF << 8 * k) for k in range(8)]


class MarkFinder:
    """Finds marks, chunk after chunk, in the same working memory."""

    def __init__(self) -> None:
        self._mark = self._work = np.zeros(0, dtype=np.bool_)

    def find(self, text: Bytes) -> Places:
        """Return where fields begin, points, commas and line ends; the character before `text` is its first."""
        n = len(text)
        if n > len(self._work):
            self._mark, self._work = np.empty(n, dtype=np.bool_), np.empty(n, dtype=np.bool_)
        mark, work = self._mark[: n - 1], self._work[:n]
        np.greater(text, BLANK, out=work)
        np.greater(work[1:], work[:-1], out=mark)
        text, work = text[1:], work[1:]
        np.equal(text, NEWLINE, out=work)
        mark |= work
        np.bitwise_or(text, 2, out=work.view(np.uint8))
        np.equal(work.view(np.uint8), COMMA_OR_POINT, out=work)
        mark |= work
        return np.flatnonzero(mark)


@dataclass(frozen=True, slots=True)
class Layout:
    """A chunk's lines and the fields in them.

    A *mark* is where a field begins, a decimal point or comma, or a line end. A good data line thus has the
    marks stamp, point, channel, identifier, direction, `d`, length code, the payload bytes, line end.

    Attributes
    ----------
    data : uint8[...]
        The chunk, padded at the end.
    loaded : uint64[...]
        The same as overlapping words: item p holds the eight characters from p on.
    before, far_before : uint64[...]
        The eight characters that end before p, and the eight before those.
    mark : int64[...]
        Positions of the marks, the padding's line ends among them.
    first, last : int64[lines]
        Of each line: its first mark, and the mark of its line end.
    """

    data: Bytes
    loaded: Words
    before: Words
    far_before: Words
    mark: Places
    first: Places
    last: Places

    @classmethod
    def of(cls, chunk: Chunk, finder: MarkFinder) -> Layout:
        """Find lines and marks."""
        data, buffer = chunk.data, chunk.buffer
        mark = finder.find(buffer[LEAD - 1 :])
        last = np.flatnonzero(data[mark] == NEWLINE)[:-PAD]
        first = np.empty_like(last)
        first[:1] = 0
        first[1:] = last[:-1] + 1
        return cls(data, words(data), words(buffer, LEAD - 8), words(buffer, LEAD - 16), mark, first, last)

    def __len__(self) -> int:
        return len(self.last)

    def line(self, index: int) -> bytes:
        """Return a line's text without its newline."""
        start = self.mark[self.last[index - 1]] + 1 if index else 0
        return self.data[start : self.mark[self.last[index]]].tobytes()

    def marks(self, at: Places) -> list[Places]:
        """Return the eight marks from `at` on."""
        return list(_columns(_gather(self.mark.view(np.uint8), at, 64, 8), np.int64))

    def blank(self, at: Places) -> Bools:
        """Whether a blank, or the line end, stands there."""
        return self.data[at] <= BLANK

    def stamps(self, start: Places, point: Places) -> tuple[Int64s, UInt8s, Bools]:
        """Parse `seconds.fraction`: nanoseconds, the number of fraction digits, and which are well formed."""
        size = point - start
        if size.max(initial=0) <= 7:
            near, far = _columns(_gather(self.data, start, 16), np.uint64)
            bits = size.view(np.uint64) << _3
            _, digits = leading(decimal_bits(near))
            good = digits == size
            seconds = decimal_number(near << (_64 - bits))
            loaded = (near >> (bits + _8)) | (far << (_56 - bits))
        else:
            seconds, good = self._long_seconds(point, size)
            loaded = self.loaded[point + 1]
        good &= size > 0
        good &= (self.data[point] | 2) == COMMA_OR_POINT
        kept, count = leading(decimal_bits(loaded))
        fraction = decimal_number(loaded & kept)
        fraction *= _10
        if count.max(initial=0) == 8:
            ninth = self.data[point + 9] - np.uint8(48)  # wraps, and is refused, below '0'
            nine = (count == 8) & (ninth <= 9)
            fraction += ninth * nine
            count = count + nine
        good &= count > 0
        good &= self.blank(point + 1 + count)
        seconds *= np.uint64(1_000_000_000)
        seconds += fraction
        return seconds.view(np.int64), count, good

    def _long_seconds(self, point: Places, size: Places) -> tuple[Words, Bools]:
        """Whole seconds of up to sixteen digits that end at `point`."""
        low = last_characters(self.before[point], np.minimum(size, 8))
        high = last_characters(self.far_before[point], np.minimum(np.maximum(size - 8, 0), 8))
        seconds = decimal_number(high) * np.uint64(100_000_000) + decimal_number(low)
        return seconds, are_decimal(low) & are_decimal(high) & (size <= 16) & (seconds < LATEST_STAMP)

    def channels(self, at: Places) -> tuple[UInt8s, Bools]:
        """Parse channel numbers below 100 without leading zero."""
        number = self.data[at] - np.uint8(48)
        second = self.data[at + 1]
        good = number <= 9
        two = second > BLANK
        if (two & good).any():
            second = second - np.uint8(48)
            good &= ~two | ((number > 0) & (second <= 9) & self.blank(at + 2))
            number = np.where(two, number * np.uint8(10) + second, number)
        return number, good

    def identifiers(self, at: Places) -> tuple[UInt32s, Bools, Bools]:
        """Parse hex identifiers, `x` behind those of 29 bits: value, which are extended, which are possible."""
        loaded = self.loaded[at]
        _, count = leading(hex_bits(loaded))
        value = hex_at_start(loaded, count)
        stop = at + count
        extended = (self.data[stop] | 32) == ord("x")
        good = self.blank(stop + extended)
        good &= count > 0
        good &= value <= np.where(extended, np.uint32(0x1FFFFFFF), np.uint32(0x7FF))
        return value, extended, good

    def directions(self, at: Places) -> tuple[Bools, Bools]:
        """Whether frames were sent (`Tx`), and where there is a direction at all."""
        letter = self.data[at]
        sent = letter == ord("T")
        good = sent | (letter == ord("R"))
        good &= self.data[at + 1] == ord("x")
        good &= self.blank(at + 2)
        return sent, good

    def digits(self, at: Places) -> UInt8s:
        """Return the value of a hex digit that stands alone, `NO` where there is none."""
        value = hex_digit_table().take(self.data[at])
        value |= (self.data[at + 1] > BLANK) * np.uint8(NO)
        return value

    def payloads(self, at: Places) -> tuple[Words, list[Words]]:
        """Parse eight bytes `XX XX XX XX XX XX XX XX`, the first one lowest.

        Returns
        -------
        (bytes, goodness)
            Goodness has three words, for the characters 0-7, 8-15 and 16-23: their high bits are set where
            hex digits stand.
        """
        w0, w1, w2, _ = _columns(_gather(self.data, at, 32), np.uint64)
        good = [hex_bits(w0), hex_bits(w1), hex_bits(w2)]
        d0, d1, d2 = _values(w0), _values(w1), _values(w2)
        split = (d2 & np.uint64(15)) << _40  # the second digit of byte 5, of which the first ends the word before
        for d in (d0, d1, d2):
            paired = d >> _8
            d <<= _4
            d |= paired
        value = d0 & _BYTE[0]
        value |= (d0 >> _16) & _BYTE[1]
        value |= (d0 >> _32) & _BYTE[2]
        value |= (d1 << _16) & _BYTE[3]
        value |= d1 & _BYTE[4]
        value |= (d1 >> _16) & _BYTE[5]
        value |= split
        value |= (d2 << _32) & _BYTE[6]
        value |= (d2 << _16) & _BYTE[7]
        return value, good


def _gather(data: Bytes, at: Places, size: int, step: int = 1) -> npt.NDArray[np.uint8]:
    """Return `size` bytes from each place on; uint8[n, size]. Places count in steps of `step` bytes."""
    shape = ((len(data) - size) // step + 1,)
    view: npt.NDArray[np.void] = np.ndarray(shape=shape, dtype=f"V{size}", buffer=data.data, strides=(step,))
    return view[at].view(np.uint8).reshape(-1, size)


def _columns(block: npt.NDArray[np.uint8], dtype: type[np.generic]) -> npt.NDArray[np.generic]:
    """Turn rows of eight-byte items into contiguous columns."""
    return np.ascontiguousarray(block.view(dtype).T)


def decimal_bits(loaded: Words) -> Words:
    """Set the high bit of each decimal digit, up to the first character that is none."""
    good = loaded + _FROM_0
    good &= ~(loaded + _OVER_9)
    good &= ~loaded
    return good


def hex_bits(loaded: Words) -> Words:
    """Set the high bit of each hex digit, up to the first character that is neither one nor ASCII."""
    lower = loaded | _LOWER
    good = loaded + _FROM_0
    good &= ~(loaded + _OVER_9)
    letter = lower + _FROM_A
    lower += _OVER_F
    letter &= ~lower
    good |= letter
    good &= ~loaded
    return good


def leading(bits: Words) -> tuple[Words, UInt8s]:
    """Find the characters before the first whose high bit in `bits` is clear: mask of them, and their number."""
    kept = ~bits & _HIGH
    kept &= np.uint64(0) - kept  # the lowest such bit alone, if any
    kept >>= _7
    kept -= _1
    return kept, np.bitwise_count(kept) >> np.uint8(3)


def hex_at_start(loaded: Words, count: UInt8s) -> UInt32s:
    """Return the number that the first `count` characters spell; they must be hex digits."""
    return hex_number(loaded << (_64 - np.left_shift(count, 3, dtype=np.uint64)))


def _values(loaded: Words) -> Words:
    """Turn hex digits into their values, in place in the word."""
    letter = loaded >> _6
    letter &= _LOW
    letter *= _9
    letter += loaded & _NIBBLES
    return letter


@cache
def hex_digit_table() -> UInt8s:
    """Value of each hex digit, `NO` for other characters; uint8[256]."""
    table = np.full(256, NO, dtype=np.uint8)
    for value in range(16):
        table[[ord(f"{value:x}"), ord(f"{value:X}")]] = value
    return table
