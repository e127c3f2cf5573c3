"""Numbers out of text, many at a time.

A chunk of text is loaded as overlapping 64-bit words, eight characters each; digits are then parsed inside
the words (first character in the lowest byte). Every function takes and returns arrays over the lines, so a
line costs a few dozen arithmetic operations and no Python.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Words: TypeAlias = npt.NDArray[np.uint64]
Places: TypeAlias = npt.NDArray[np.int64]
Bools: TypeAlias = npt.NDArray[np.bool_]
Bytes: TypeAlias = npt.NDArray[np.uint8]


def _every_byte(value: int) -> np.uint64:
    return np.uint64(value * 0x0101010101010101)


_ZEROS = _every_byte(0x30)
_LOWER = _every_byte(0x20)
HIGH_BITS = _every_byte(0x80)
LOW_BITS = _every_byte(0x01)
NIBBLES = _every_byte(0x0F)
_OVER_9 = _every_byte(0x80 - 0x3A)
_FROM_0 = _every_byte(0x80 - 0x30)
_FROM_A = _every_byte(0x80 - 0x61)
_OVER_F = _every_byte(0x80 - 0x67)
_BYTES = np.uint64(0x00FF00FF00FF00FF)
_PAIRS = np.uint64(0x0000FFFF0000FFFF)
_HALF = np.uint64(0x00000000FFFFFFFF)
_FOUR, _SIX, _EIGHT, _SIXTEEN, _THIRTY_TWO = (np.uint64(k) for k in (4, 6, 8, 16, 32))
_NINE, _TEN, _HUNDRED, _TEN_THOUSAND = (np.uint64(k) for k in (9, 10, 100, 10_000))

KEEP_FIRST: Words = np.array([(1 << (8 * n)) - 1 for n in range(8)] + [2**64 - 1], dtype=np.uint64)
"""Mask that keeps the first n characters of a word, n = 0..8."""
ZERO_REST: Words = np.array([int(_ZEROS) & ~int(mask) for mask in KEEP_FIRST], dtype=np.uint64)
"""Character zeros in all but the first n places."""


def words(data: Bytes, offset: int = 0) -> Words:
    """View bytes as overlapping little-endian words: item p holds the characters from p + offset on."""
    return np.ndarray(shape=(len(data) - 7 - offset,), dtype="<u8", buffer=data.data, offset=offset, strides=(1,))


def pairs(data: Bytes) -> npt.NDArray[np.uint16]:
    """View bytes as overlapping little-endian 16-bit words: item p holds the characters p and p+1."""
    return np.ndarray(shape=(len(data) - 1,), dtype="<u2", buffer=data.data, strides=(1,))


def alike(count: Places) -> Places:
    """Return one count for all lines where they agree, so that masks are looked up once."""
    return count[:1] if len(count) and (count == count[0]).all() else count


def up_to_eight(count: Places) -> Places:
    """Limit counts to what a word holds, 0..8."""
    limited: Places = np.minimum(np.maximum(count, 0), 8)
    return limited


def first_characters(loaded: Words, count: Places) -> Words:
    """Keep the first `count` (0..8) characters of each word; character zeros behind them."""
    return (loaded & KEEP_FIRST[count]) | ZERO_REST[count]


def last_characters(loaded: Words, count: Places) -> Words:
    """Keep the last `count` (0..8) characters of each word; character zeros before them."""
    dropped = 8 - count
    return (loaded & ~KEEP_FIRST[dropped]) | (_ZEROS & KEEP_FIRST[dropped])


def hex_bits(loaded: Words) -> Words:
    """Set the high bit of each hex digit, up to the first character that is neither one nor ASCII."""
    good = loaded + _FROM_0
    spare = loaded + _OVER_9
    good &= np.invert(spare, out=spare)
    lower = loaded | _LOWER
    letter = np.add(lower, _FROM_A, out=spare)
    lower += _OVER_F
    letter &= np.invert(lower, out=lower)
    good |= letter
    good &= np.invert(loaded, out=spare)
    return good


def decimal_bits(loaded: Words) -> Words:
    """Set the high bit of each decimal digit, up to the first character that is none."""
    good = loaded + _FROM_0
    spare = loaded + _OVER_9
    good &= np.invert(spare, out=spare)
    good &= np.invert(loaded, out=spare)
    return good


def are_hex(loaded: Words) -> Bools:
    """Whether all eight characters are hexadecimal digits."""
    every: Bools = (hex_bits(loaded) & HIGH_BITS) == HIGH_BITS
    return every


def are_decimal(loaded: Words) -> Bools:
    """Whether all eight characters are decimal digits."""
    every: Bools = (decimal_bits(loaded) & HIGH_BITS) == HIGH_BITS
    return every


def hex_bytes(loaded: Words) -> Words:
    """Turn eight hex characters into four bytes, the first two characters in the lowest byte.

    The characters must be hexadecimal digits: see `are_hex`.
    """
    value = loaded >> _SIX
    value &= LOW_BITS
    value *= _NINE
    spare = loaded & NIBBLES
    value += spare
    np.right_shift(value, _EIGHT, out=spare)
    value <<= _FOUR
    value |= spare
    value &= _BYTES
    for shift, mask in ((_EIGHT, _PAIRS), (_SIXTEEN, _HALF)):
        np.right_shift(value, shift, out=spare)
        value |= spare
        value &= mask
    return value


def hex_number(loaded: Words) -> npt.NDArray[np.uint32]:
    """Turn eight hex characters into the number that they spell."""
    return hex_bytes(loaded).astype(np.uint32).byteswap()


def decimal_number(loaded: Words) -> Words:
    """Turn eight decimal characters into the number that they spell; see `are_decimal`."""
    value = loaded & NIBBLES
    spare = value >> _EIGHT
    for factor, mask, shift in ((_TEN, _BYTES, _SIXTEEN), (_HUNDRED, _PAIRS, _THIRTY_TWO)):
        value *= factor
        value += spare
        value &= mask
        np.right_shift(value, shift, out=spare)
    value *= _TEN_THOUSAND
    value += spare
    value &= _HALF
    return value


def pair_table() -> npt.NDArray[np.uint16]:
    """Return the byte that each two-character word spells in hex; 0x8000 where it spells none. uint16[65536]."""
    value = np.full(256, 0x100, dtype=np.uint16)
    for digits, base in ((b"0123456789", 0), (b"abcdef", 10), (b"ABCDEF", 10)):
        for k, character in enumerate(digits):
            value[character] = base + k
    high, low = value[np.arange(65536) & 255], value[np.arange(65536) >> 8]
    return np.where((high | low) & 0x100, np.uint16(0x8000), high << np.uint16(4) | low).astype(np.uint16)
