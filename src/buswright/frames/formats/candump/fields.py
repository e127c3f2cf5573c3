"""Fields of candump lines as arrays: where lines lie in a chunk, stamps, interface names, identifiers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.formats.candump.lines import ERROR_BIT, LATEST_SECOND, Stamps, interface_name
from buswright.frames.formats.reading import LEAD, Chunk, Reading
from buswright.frames.formats.text import (
    KEEP_FIRST,
    Bools,
    Bytes,
    Places,
    Words,
    alike,
    are_decimal,
    are_hex,
    decimal_number,
    hex_number,
    last_characters,
    up_to_eight,
    words,
)
from buswright.frames.table import Flag, Int64s, UInt8s, UInt32s

NEWLINE, RETURN, SPACE, HASH, OPEN, CLOSE, POINT = 10, 13, 32, 35, 40, 41, 46
_SIX: Places = np.array([6])
DELIMITERS_UP_TO = HASH
"""Blanks, line ends and # are the characters up to this one; digits, letters, brackets lie above it."""


@dataclass(frozen=True, slots=True)
class Layout:
    """A chunk's lines and the delimiters in them.

    Attributes
    ----------
    data : uint8[...]
        The chunk, padded at the end.
    loaded, before, far_before : uint64[...]
        The same as overlapping words: item p holds the eight characters from p on, those that end before
        p, and the eight before them.
    start, end : int64[lines]
        First byte of each line, and the byte behind its last (its line end, CR before LF included).
    place : int64[delimiters + 8]
        Positions of the delimiters, padded.
    character : uint8[delimiters + 8]
        What stands there.
    first, count : int64[lines]
        Of each line: its first delimiter in `place`, and how many it has before its end.
    """

    data: Bytes
    loaded: Words
    before: Words
    far_before: Words
    start: Places
    end: Places
    place: Places
    character: Bytes
    first: Places
    count: Places

    @classmethod
    def of(cls, chunk: Chunk) -> Layout:
        """Find lines and delimiters."""
        data = chunk.data
        found = np.flatnonzero(data[: chunk.size] <= DELIMITERS_UP_TO)
        place = np.empty(len(found) + 8, dtype=np.int64)
        place[: len(found)] = found
        place[len(found) :] = chunk.size
        character = data[place]
        character[len(found) :] = 0
        newline = np.flatnonzero(character == NEWLINE)
        end = place[newline]
        start = np.empty_like(end)
        start[:1] = 0
        start[1:] = end[:-1] + 1
        first = np.empty_like(newline)
        first[:1] = 0
        first[1:] = newline[:-1] + 1
        count = newline - first
        returned = (count > 0) & (character[newline - 1] == RETURN) & (place[newline - 1] == end - 1)
        if returned.any():
            end = end - returned
            count = count - returned
        buffer = chunk.buffer
        return cls(
            data,
            words(data),
            words(buffer, LEAD - 8),
            words(buffer, LEAD - 16),
            start,
            end,
            place,
            character,
            first,
            count,
        )

    def __len__(self) -> int:
        return len(self.start)

    def line(self, index: int) -> bytes:
        """Return a line's text without its line end."""
        return self.data[self.start[index] : self.end[index]].tobytes()


def parse_stamps(layout: Layout, start: Places, stop: Places, stamps: Stamps) -> tuple[Int64s, Bools]:
    """Parse `seconds.fraction` between start and stop: nanoseconds, and which are well formed.

    Six fraction digits, or nine; anything else is left to the exact path.
    """
    data, before, far_before = layout.data, layout.before, layout.far_before
    micro = data[stop - 7] == POINT
    if micro.all():
        point = stop - 7
        digits = last_characters(before[stop], _SIX)
        good = are_decimal(digits)
        fraction = decimal_number(digits) * np.uint64(1000)
    else:
        nano = ~micro & (data[stop - 10] == POINT)
        point = np.where(micro, stop - 7, stop - 10)
        digits = last_characters(before[stop], np.where(micro, 6, 8))
        leading = np.where(nano, data[stop - 9], 48) - np.uint8(48)  # wraps, and is refused, below '0'
        good = (micro | nano) & are_decimal(digits) & (leading <= 9)
        fraction = decimal_number(digits) * np.where(micro, np.uint64(1000), np.uint64(1))
        fraction += leading * np.uint64(100_000_000)
        stamps.nanoseconds |= bool((nano & good).any())
    size = alike(point - start)
    good &= (size > 0) & (size <= 16)
    low = last_characters(before[point], up_to_eight(size))
    high = last_characters(far_before[point], up_to_eight(size - 8))
    if len(high) and (high == high[0]).all():  # the leading digits of an epoch rarely change within a chunk
        high = high[:1]
    good &= are_decimal(low) & are_decimal(high)
    seconds = decimal_number(high) * np.uint64(100_000_000) + decimal_number(low)
    good &= seconds < LATEST_SECOND
    if good.any():
        stamps.seen = True
    return (seconds * np.uint64(1_000_000_000) + fraction).view(np.int64), good


def parse_identifiers(layout: Layout, start: Places, stop: Places) -> tuple[UInt32s, UInt8s, Bools]:
    """Parse three or eight hex digits between start and stop: identifier, flags, which are possible."""
    size = alike(stop - start)
    digits = last_characters(layout.before[stop], up_to_eight(size))
    wide = size == 8
    good = are_hex(digits) & (wide | (size == 3))
    value = hex_number(digits)
    flags = np.broadcast_to(wide * np.uint8(Flag.EXTENDED), good.shape).copy()
    impossible = value >= np.where(wide, np.uint32(ERROR_BIT), np.uint32(0x800))
    if impossible.any():
        error = wide & impossible & (value < 2 * ERROR_BIT)
        flags = np.where(error, np.uint8(Flag.ERROR), flags)
        value = np.where(error, value & np.uint32(ERROR_BIT - 1), value)
        good &= ~impossible | error
    return value, flags, good


def parse_names(layout: Layout, start: Places, stop: Places, reading: Reading) -> tuple[UInt8s, Bools]:
    """Turn interface names between start and stop into bus indices; names over 16 bytes are left out.

    Names are told apart by their last sixteen bytes as two words and by their length, one comparison of
    all lines for each name that occurs.
    """
    size = stop - start
    good = (size > 0) & (size <= 16)
    one = alike(size)
    near = layout.before[stop] & ~KEEP_FIRST[8 - up_to_eight(one)]
    near ^= one.view(np.uint64)
    long = bool((one > 8).any())
    far = layout.far_before[stop] & ~KEEP_FIRST[8 - up_to_eight(one - 8)] if long else near
    bus = np.zeros(len(start), dtype=np.uint8)
    left = good.copy()
    while True:
        k = int(left.argmax()) if len(left) else 0
        if not len(left) or not left[k]:
            return bus, good
        same = near == near[k]
        if long:
            same &= (far == far[k]) & (size == size[k])
        elif size[k] > 8:
            same &= size == size[k]
        name = interface_name(layout.data[start[k] : stop[k]].tobytes())
        if name is None:
            good[same & left] = False
            left &= ~same
            continue
        index = reading.bus(name)
        if index:
            bus[same] = index
        left &= ~same
