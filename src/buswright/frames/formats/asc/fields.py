"""Fields of ASC lines as arrays: where lines and fields lie in a chunk, stamps, channels, identifiers, payloads.

A bit for each character says whether it is blank; where fields begin within a line follows from 64 such bits
by arithmetic. Digits, too, are handled inside 64-bit words: where a number of digits is not known beforehand
it is counted there, and the characters behind the digits are shifted or masked out. Gathering 64 bytes a line
costs no more than gathering two, so what lies together is gathered at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from buswright.frames.formats.asc.clock import LATEST_STAMP
from buswright.frames.formats.digits import (
    HIGH_BITS,
    LOW_BITS,
    NIBBLES,
    Bools,
    Bytes,
    Places,
    Words,
    decimal_bits,
    decimal_number,
    hex_bits,
    hex_number,
    words,
)
from buswright.frames.formats.reading import Chunk, behind_each
from buswright.frames.table import Int64s, UInt8s, UInt32s

NEWLINE, BLANK, COMMA_OR_POINT = 10, 32, 46
"""Blanks are all characters up to 32; a comma turns into a point when bit 1 is set."""
NO = 255
"""No such digit."""
_INK_PAD = 64
WINDOW = 57
"""Characters that `Layout.ink` tells of: 64 bits less the seven that precede a place within its byte."""

_1, _4, _6, _7, _8, _9, _10 = (np.uint64(k) for k in (1, 4, 6, 7, 8, 9, 10))
_16, _32, _40, _56, _64 = (np.uint64(k) for k in (16, 32, 40, 56, 64))
_POWERS_OF_TEN: Words = np.array([10**n for n in range(9)], dtype=np.uint64)
_BYTE = [np.uint64(0xFF << 8 * k) for k in range(8)]


@dataclass(frozen=True, slots=True)
class Layout:
    """A chunk's lines, and where in it there is ink.

    Attributes
    ----------
    data : uint8[...]
        The chunk, padded at the end.
    loaded : uint64[...]
        The same as overlapping words: item p holds the eight characters from p on.
    start, end : int64[lines]
        First byte of each line, and its newline.
    """

    data: Bytes
    loaded: Words
    start: Places
    end: Places
    _ink: Words

    @classmethod
    def of(cls, chunk: Chunk) -> Layout:
        """Find lines and blanks."""
        data = chunk.data
        end = np.flatnonzero(data[: chunk.size] == NEWLINE)
        ink = np.zeros(len(data) // 8 + _INK_PAD, dtype=np.uint8)
        packed = np.packbits(data > BLANK, bitorder="little")
        ink[: len(packed)] = packed
        return cls(data, words(data), behind_each(end), end, words(ink))

    def __len__(self) -> int:
        return len(self.end)

    def line(self, index: int) -> bytes:
        """Return a line's text without its newline."""
        return self.data[self.start[index] : self.end[index]].tobytes()

    def blank(self, at: Places) -> Bools:
        """Whether a blank, or the line end, stands there."""
        return self.data[at] <= BLANK

    def ink(self, at: Places) -> Words:
        """Tell blanks from other characters: bit k is set where character `at` + k is none, for k < `WINDOW`."""
        shifted: Words = self._ink[at >> 3] >> (at & 7).view(np.uint64)
        return shifted

    def fields(self, at: Places, count: int) -> tuple[list[Places], UInt8s]:
        """Find where the first `count` fields begin, from places on that are blank or follow a blank.

        Returns
        -------
        (places, number)
            Fields are looked for in the `WINDOW` characters from `at` on, line ends notwithstanding; `number`
            says how many are there. The places of fields beyond are no such places; they lie 64 characters on.
        """
        ink = self.ink(at)
        begins = ink & ~(ink << _1)
        number = np.bitwise_count(begins)
        places = []
        for _ in range(count):
            lowest = begins & (np.uint64(0) - begins)
            begins ^= lowest
            lowest -= _1
            places.append(at + np.bitwise_count(lowest))
        return places, number

    def stamps(self, at: Places) -> tuple[Int64s, UInt8s, Bools]:
        """Parse `seconds.fraction`: nanoseconds, the number of fraction digits, and which are well formed."""
        near, far = _columns(_gather(self.data, at, 16), np.uint64)
        _, size = leading(decimal_bits(near))
        bits = np.left_shift(size, 3, dtype=np.uint64)
        seconds = decimal_number(near << (_64 - bits))
        loaded = (near >> (bits + _8)) | (far << (_56 - bits))
        good = size > 0
        point = at + size
        if (size == 8).any():
            many = np.flatnonzero(size == 8)
            seconds[many], point[many], good[many] = self._many_digits(far[many], seconds[many], point[many])
            loaded[many] = self.loaded[point[many] + 1]
        good &= (self.data[point] | 2) == COMMA_OR_POINT
        kept, count = leading(decimal_bits(loaded))
        fraction = decimal_number(loaded & kept)
        fraction *= _10
        point += count
        if (count == 8).any():
            ninth = self.data[point + 1] - np.uint8(48)  # wraps, and is refused, below '0'
            nine = (count == 8) & (ninth <= 9)
            fraction += ninth * nine
            count = count + nine
            point += nine
        good &= count > 0
        point += 1
        good &= self.blank(point)
        seconds *= np.uint64(1_000_000_000)
        seconds += fraction
        return seconds.view(np.int64), count, good

    def _many_digits(self, far: Words, seconds: Words, point: Places) -> tuple[Words, Places, Bools]:
        """Go on with whole seconds of which the first eight digits are read already."""
        _, more = leading(decimal_bits(far))
        seconds = seconds * _POWERS_OF_TEN[more]
        seconds += decimal_number(far << (_64 - np.left_shift(more, 3, dtype=np.uint64)))
        return seconds, point + more, (more < 8) & (seconds < LATEST_STAMP)

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


def _gather(data: Bytes, at: Places, size: int) -> npt.NDArray[np.uint8]:
    """Return `size` bytes from each place on; uint8[n, size]."""
    shape = (len(data) - size + 1,)
    view: npt.NDArray[np.void] = np.ndarray(shape=shape, dtype=f"V{size}", buffer=data.data, strides=(1,))
    return view[at].view(np.uint8).reshape(-1, size)


def _columns(block: npt.NDArray[np.uint8], dtype: type[np.generic]) -> npt.NDArray[np.generic]:
    """Turn rows of eight-byte items into contiguous columns."""
    return np.ascontiguousarray(block.view(dtype).T)


def leading(bits: Words) -> tuple[Words, UInt8s]:
    """Find the characters before the first whose high bit in `bits` is clear: mask of them, and their number."""
    kept = ~bits & HIGH_BITS
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
    letter &= LOW_BITS
    letter *= _9
    letter += loaded & NIBBLES
    return letter


@cache
def hex_digit_table() -> UInt8s:
    """Value of each hex digit, `NO` for other characters; uint8[256]."""
    table = np.full(256, NO, dtype=np.uint8)
    for value in range(16):
        table[[ord(f"{value:x}"), ord(f"{value:X}")]] = value
    return table
