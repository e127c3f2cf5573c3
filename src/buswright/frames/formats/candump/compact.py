"""candump's compact form as arrays: `(stamp) name ID#payload` and `(stamp) name ID##flags payload`."""

from __future__ import annotations

import numpy as np

from buswright.frames.formats.candump.fields import (
    CLOSE,
    HASH,
    OPEN,
    SPACE,
    Layout,
    parse_identifiers,
    parse_names,
    parse_stamps,
)
from buswright.frames.formats.candump.lines import Stamps
from buswright.frames.formats.reading import Columns, Reading
from buswright.frames.formats.text import Bools, Bytes, Places, alike, are_hex, first_characters, hex_bytes, up_to_eight
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag

_IS_FD_LENGTH: Bools = np.zeros(65, dtype=np.bool_)
_IS_FD_LENGTH[list(FD_LENGTHS)] = True
_FD_FLAGS: Bytes = np.array(
    [Flag.FD | (Flag.BRS if k & 1 else 0) | (Flag.ESI if k & 2 else 0) for k in range(16)], dtype=np.uint8
)
_R, _T = 82, 84


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
    columns.bus, named = parse_names(layout, after_stamp + 1, after_name, reading)
    good &= possible
    good &= named
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
    return [keep(columns, lines, good & whole, done)]


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
    good &= _IS_FD_LENGTH[size >> 1]
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


def with_long_payload(columns: Columns, wide: Bytes) -> Columns:
    """Put uint8[n, 64] payloads into the columns: eight bytes each, and the long ones aside."""
    columns.payload = np.ascontiguousarray(wide[:, :8])
    columns.long_row = np.flatnonzero(columns.length > 8).astype(np.int32)
    columns.long_payload = wide[columns.long_row]
    return columns


def keep(columns: Columns, lines: Places, good: Bools, done: Bools) -> tuple[Columns, Places]:
    """Drop what is not good; those lines are read exactly later."""
    if not good.all():
        columns, lines = columns.take(np.flatnonzero(good)), lines[good]
    done[lines] = True
    return columns, lines
