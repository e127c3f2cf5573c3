"""candump's compact form as arrays: `(stamp) name ID#payload` and `(stamp) name ID##flags payload`.

A chunk is searched once for the characters that delimit fields (`Layout`); positions of fields follow from them by
arithmetic, and digits are parsed inside 64-bit words. `read_compact` puts it all together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.formats.candump.lines import ERROR_BIT, LATEST_SECOND, Stamps
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.digits import (
    KEEP_FIRST,
    Bools,
    Bytes,
    Places,
    Words,
    alike,
    are_decimal,
    are_hex,
    decimal_number,
    first_characters,
    hex_bytes,
    hex_number,
    last_characters,
    up_to_eight,
    words,
)
from buswright.frames.formats.reading import LEAD, Chunk, Reading, behind_each
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag, Int64s, UInt8s, UInt32s

NEWLINE, RETURN, SPACE, HASH, OPEN, CLOSE, POINT = 10, 13, 32, 35, 40, 41, 46
_SIX: Places = np.array([6])
DELIMITERS_UP_TO = HASH
"""Blanks, line ends and # are the characters up to this one; digits, letters, brackets lie above it."""
IS_FD_LENGTH: Bools = np.isin(np.arange(100), FD_LENGTHS)
"""Whether a CAN FD frame may have so many bytes; bool[100]."""
_FD_FLAGS: Bytes = np.array(
    [Flag.FD | (Flag.BRS if k & 1 else 0) | (Flag.ESI if k & 2 else 0) for k in range(16)], dtype=np.uint8
)
_R, _T = 82, 84


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
        start, first = behind_each(end), behind_each(newline)
        count = newline - first
        returned = (count > 0) & (character[newline - 1] == RETURN) & (place[newline - 1] == end - 1)
        if returned.any():
            end = end - returned
            count = count - returned
        buffer = chunk.buffer
        before = words(buffer, LEAD - 8), words(buffer, LEAD - 16)
        return cls(data, words(data), *before, start, end, place, character, first, count)

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


def parse_names(layout: Layout, start: Places, stop: Places, accepted: Bools, reading: Reading) -> tuple[UInt8s, Bools]:
    """Turn interface names between start and stop of accepted lines into bus indices; no other line makes a bus.

    Returns bus indices, and which lines are accepted still: names over 16 bytes are left to the exact path.

    Names are told apart by their last sixteen bytes as two words and by their length, one comparison of
    all lines for each name that occurs.
    """
    size = stop - start
    good = accepted & (size > 0) & (size <= 16)
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
        index = reading.bus_written(layout.data[start[k] : stop[k]].tobytes())
        if index is None:
            good[same & left] = False
        elif index:
            bus[same] = index
        left &= ~same


def read_compact(layout: Layout, reading: Reading, stamps: Stamps, done: Bools) -> list[tuple[Columns, Places]]:
    """Read the compact lines that fit; mark them in `done`.

    Returns
    -------
    list of (columns, line numbers within the chunk)
    """
    place, character, first, count = layout.place, layout.character, layout.first, layout.count
    shaped = (count >= 3) & (character[first] == SPACE) & (character[first + 1] == SPACE)
    shaped &= (character[first + 2] == HASH) & (layout.data[layout.start] == OPEN)
    shaped &= layout.data[place[first] - 1] == CLOSE
    lines = np.flatnonzero(shaped)
    if not len(lines):
        return []
    first = first[lines]
    after_stamp, after_name, hash_at = place[first], place[first + 1], place[first + 2]
    stop = layout.end[lines]
    columns = Columns.of_size(len(lines))
    columns.time_ns, good = parse_stamps(layout, layout.start[lines] + 1, after_stamp - 1, stamps)
    columns.id, columns.flags, possible = parse_identifiers(layout, after_name + 1, hash_at)
    good &= possible
    odd = np.flatnonzero(count[lines] != 3)
    fd = odd[:0]
    if len(odd):
        stop, fd, fits = _suffixes(layout, first[odd], stop, odd, columns)
        good[odd] &= fits
    size = stop - hash_at - 1
    size[fd] = 16  # overwritten below
    whole = _classic_payloads(layout, hash_at + 1, size, columns)
    if len(fd):
        whole[fd] = _fd_payloads(layout, hash_at[fd] + 2, stop[fd], fd, columns)
    columns.bus, named = parse_names(layout, after_stamp + 1, after_name, good & whole, reading)
    return [keep_good(columns, lines, named, done)]


def _suffixes(
    layout: Layout, first: Places, stop: Places, odd: Places, columns: Columns
) -> tuple[Places, Places, Bools]:
    """Look at lines with more delimiters than three: which are CAN FD, where payloads stop, which of them fit."""
    fourth = first + 3
    end, count = stop[odd], layout.count[np.searchsorted(layout.start, stop[odd], side="right") - 1]
    fd = (layout.character[fourth] == HASH) & (layout.place[fourth] == layout.place[fourth - 1] + 1)
    extra = count - 3 - fd
    turn = layout.data[end - 1]
    turned = (extra == 1) & (layout.character[fourth + fd] == SPACE) & (layout.place[fourth + fd] == end - 2)
    turned &= (turn == _R) | (turn == _T)
    stop = stop.copy()
    stop[odd] -= 2 * turned
    columns.flags[odd] |= (turned & (turn == _T)) * np.uint8(Flag.TRANSMITTED)
    return stop, odd[fd], turned | (extra == 0)


def _classic_payloads(layout: Layout, start: Places, size: Places, columns: Columns) -> Bools:
    """Fill payload, length and length code from up to sixteen hex digits; return which are well formed."""
    near, far = layout.loaded[start], layout.loaded[start + 8]
    good: Bools = size <= 16
    if not (size == 16).all():
        good &= (size & 1) == 0
        size = np.minimum(size, 16)
        one = alike(size)
        near = first_characters(near, up_to_eight(one))
        far = first_characters(far, up_to_eight(one - 8))
    good &= are_hex(near)
    good &= are_hex(far)
    payload = hex_bytes(far)
    payload <<= np.uint64(32)
    payload |= hex_bytes(near)
    columns.payload = payload.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    columns.length = (size >> 1).astype(np.uint8)
    columns.dlc = columns.length.copy()
    return good


def _fd_payloads(layout: Layout, start: Places, stop: Places, rows: Places, columns: Columns) -> Bools:
    """Overwrite the rows that are CAN FD: a flag digit, then up to 128 hex digits."""
    flag_digit = first_characters(layout.loaded[start], np.ones(len(rows), dtype=np.int64))
    start = start + 1
    size = stop - start
    good: Bools = are_hex(flag_digit) & (size >= 0) & (size <= 128) & ((size & 1) == 0)
    size = np.minimum(np.maximum(size, 0), 128)
    good &= IS_FD_LENGTH[size >> 1]
    words = (int(size.max(initial=0)) + 7) // 8
    steps = 8 * np.arange(words)
    digits = layout.loaded[np.minimum(start[:, None] + steps, len(layout.loaded) - 1)]
    digits = first_characters(digits, up_to_eight(alike(size)[:, None] - steps))
    good &= are_hex(digits).all(axis=1)
    wide = np.zeros((len(rows), 16), dtype="<u4")
    wide[:, :words] = hex_bytes(digits)
    payload = wide.view(np.uint8)
    length = (size >> 1).astype(np.uint8)
    long = length > 8
    columns.flags[rows] |= _FD_FLAGS[(hex_bytes(flag_digit) >> np.uint64(4)).astype(np.intp) & 15]
    columns.length[rows] = length
    columns.dlc[rows] = FD_CODE_OF_LENGTH[length]
    columns.payload[rows] = payload[:, :8]
    columns.long_row = rows[long].astype(np.int32)
    columns.long_payload = payload[long]
    return good


def keep_good(columns: Columns, lines: Places, good: Bools, done: Bools) -> tuple[Columns, Places]:
    """Drop what is not good; those lines are read exactly later. Mark the others in `done`."""
    if not good.all():
        columns, lines = columns.take(np.flatnonzero(good)), lines[good]
    done[lines] = True
    return columns, lines
