"""candump's compact form as arrays: `(stamp) name ID#payload` and `(stamp) name ID##flags payload`."""

from __future__ import annotations

import numpy as np

from buswright.frames.candump_fields import (
    CLOSE,
    HASH,
    OPEN,
    SPACE,
    Layout,
    parse_identifiers,
    parse_names,
    parse_stamps,
)
from buswright.frames.candump_lines import Stamps
from buswright.frames.reading import Columns, Reading
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag
from buswright.frames.text import Bools, Bytes, Places, are_hex, first_characters, hex_bytes

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
    shaped[:1] = False  # no room before the first line: see WIDEST_STAMP
    plain = shaped & (count == 3)
    parts = [_classic(layout, np.flatnonzero(plain), None, reading, stamps, done)]
    odd = np.flatnonzero(shaped & ~plain)
    if len(odd):
        fourth = first[odd] + 3
        fd = (character[fourth] == HASH) & (place[fourth] == place[fourth - 1] + 1)
        extra = count[odd] - 3 - fd
        turn = layout.data[layout.end[odd] - 1]
        turned = (extra == 1) & (character[fourth + fd] == SPACE) & (place[fourth + fd] == layout.end[odd] - 2)
        turned &= (turn == _R) | (turn == _T)
        parts.append(_classic(layout, odd[turned & ~fd], turn[turned & ~fd], reading, stamps, done))
        fd &= turned | (extra == 0)
        parts.append(_fd(layout, odd[fd], np.where(turned, turn, 0)[fd], reading, stamps, done))
    return parts


def _common(layout: Layout, lines: Places, reading: Reading, stamps: Stamps) -> tuple[Columns, Bools, Places]:
    """Return columns with time, identifier and flags filled, which lines are good so far, and where # stands."""
    first = layout.first[lines]
    after_stamp, after_name, hash_at = layout.place[first], layout.place[first + 1], layout.place[first + 2]
    columns = Columns.of_size(len(lines))
    columns.time_ns, good = parse_stamps(layout, layout.start[lines] + 1, after_stamp - 1, stamps)
    columns.id, columns.flags, possible = parse_identifiers(layout, after_name + 1, hash_at)
    good &= possible
    columns.bus, named = parse_names(layout, after_stamp + 1, after_name, reading)
    good &= named
    return columns, good, hash_at


def _classic(
    layout: Layout, lines: Places, turn: Bytes | None, reading: Reading, stamps: Stamps, done: Bools
) -> tuple[Columns, Places]:
    columns, good, hash_at = _common(layout, lines, reading, stamps)
    stop = layout.end[lines] if turn is None else layout.end[lines] - 2
    size = stop - hash_at - 1
    near, far = layout.loaded[hash_at + 1], layout.loaded[hash_at + 9]
    if not (size == 16).all():
        good &= (size <= 16) & ((size & 1) == 0)
        size = np.minimum(size, 16)
        near = first_characters(near, np.minimum(size, 8))
        far = first_characters(far, np.maximum(size - 8, 0))
    good &= are_hex(near)
    good &= are_hex(far)
    payload = hex_bytes(near) | (hex_bytes(far) << np.uint64(32))
    columns.payload = payload.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    columns.length = (size >> 1).astype(np.uint8)
    columns.dlc = columns.length.copy()
    if turn is not None:
        columns.flags |= (turn == _T) * np.uint8(Flag.TRANSMITTED)
    return keep(columns, lines, good, done)


def _fd(
    layout: Layout, lines: Places, turn: Bytes, reading: Reading, stamps: Stamps, done: Bools
) -> tuple[Columns, Places]:
    columns, good, hash_at = _common(layout, lines, reading, stamps)
    stop = layout.end[lines] - 2 * (turn != 0)
    flag_digit = first_characters(layout.loaded[hash_at + 2], np.ones(len(lines), dtype=np.int64))
    start = hash_at + 3
    size = stop - start
    good &= are_hex(flag_digit) & (size >= 0) & (size <= 128) & ((size & 1) == 0)
    size = np.clip(size, 0, 128)
    good &= _IS_FD_LENGTH[size >> 1]
    wide = np.zeros((len(lines), 16), dtype="<u4")
    for k in range((int(size.max(initial=0)) + 7) // 8):
        at = np.minimum(start + 8 * k, len(layout.loaded) - 1)
        digits = first_characters(layout.loaded[at], np.clip(size - 8 * k, 0, 8))
        good &= are_hex(digits)
        wide[:, k] = hex_bytes(digits)
    columns.flags |= _FD_FLAGS[(hex_bytes(flag_digit) >> np.uint64(4)).astype(np.intp) & 15]
    columns.flags |= (turn == _T) * np.uint8(Flag.TRANSMITTED)
    columns.length = (size >> 1).astype(np.uint8)
    columns.dlc = FD_CODE_OF_LENGTH[columns.length]
    return keep(with_long_payload(columns, wide.view(np.uint8)), lines, good, done)


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
