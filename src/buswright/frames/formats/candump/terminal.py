"""candump's terminal form as arrays: `(stamp)  name  [RX B E]  ID  [length]  bytes`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.formats.candump.compact import (
    CLOSE,
    IS_FD_LENGTH,
    NEWLINE,
    OPEN,
    SPACE,
    Layout,
    keep_good,
    parse_identifiers,
    parse_names,
    parse_stamps,
)
from buswright.frames.formats.candump.lines import Stamps
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.digits import Bools, Bytes, Places, pair_table, pairs
from buswright.frames.formats.reading import Reading
from buswright.frames.table import FD_CODE_OF_LENGTH, Flag

_WORTH_IT = 64
"""Fewer lines than this are read one by one sooner."""
_BRACKET, _BRACKET_END, _X, _R, _T, _B, _E, _DASH, _REMOTE = 91, 93, 88, 82, 84, 66, 69, 45, 114
_PAIRS = pair_table()


@dataclass(frozen=True, slots=True)
class _Tokens:
    """Words of a chunk: positions of their first characters and behind their last ones, padded at the end."""

    start: Places
    end: Places


def read_terminal(layout: Layout, reading: Reading, stamps: Stamps, done: Bools) -> list[tuple[Columns, Places]]:
    """Read the terminal-form lines that fit, stamped and not; mark them in `done`."""
    left = np.flatnonzero(~done)
    if len(left) < _WORTH_IT:
        return []
    data = layout.data
    blank = data <= SPACE
    edge = np.flatnonzero(blank[1:] != blank[:-1]) + 1
    if not blank[0]:
        edge = np.concatenate(([0], edge))
    pad = np.full(8, len(data) - 80, dtype=np.int64)
    tokens = _Tokens(np.concatenate((edge[0::2], pad)), np.concatenate((edge[1::2], pad)))
    control = (layout.character < SPACE) & (layout.character != NEWLINE)
    if control.any():  # tabs and worse: the exact path knows which are blanks
        strange = np.searchsorted(layout.start, layout.place[control], side="right") - 1
        strange = strange[layout.place[control] < layout.end[strange]]
        left = np.setdiff1d(left, strange, assume_unique=False)
    stamped = data[layout.start[left] + (data[layout.start[left]] == SPACE)] == OPEN
    parts = []
    for lines, with_stamp in ((left[stamped], True), (left[~stamped], False)):
        if len(lines):
            parts.append(_read(layout, tokens, lines, with_stamp, reading, stamps, done))
    return parts


def _read(
    layout: Layout, tokens: _Tokens, lines: Places, stamped: bool, reading: Reading, stamps: Stamps, done: Bools
) -> tuple[Columns, Places]:
    data = layout.data
    token = np.searchsorted(tokens.start, layout.start[lines])
    if stamped:
        stamp_start, stamp_end = tokens.start[token], tokens.end[token]
        token = token + 1
    name = token
    has_direction = (data[tokens.start[name + 1] + 1] == _X) & (tokens.end[name + 1] - tokens.start[name + 1] == 2)
    identifier = name + 1 + 3 * has_direction
    bracket = tokens.start[identifier + 1]
    fd = data[bracket + 3] == _BRACKET_END
    good = (data[bracket] == _BRACKET) & (fd | (data[bracket + 2] == _BRACKET_END))
    good &= (bracket < layout.end[lines]) & (tokens.end[identifier + 1] == bracket + 3 + fd)
    columns = Columns.of_size(len(lines))
    if stamped:
        good &= data[stamp_end - 1] == CLOSE
        columns.time_ns, timed = parse_stamps(layout, stamp_start + 1, stamp_end - 1, stamps)
        good &= timed
    else:
        columns.time_ns[:] = 0
    columns.id, columns.flags, possible = parse_identifiers(layout, tokens.start[identifier], tokens.end[identifier])
    good &= possible
    if not stamped:
        columns.flags |= np.uint8(Flag.UNTIMED)
    length, sized = _lengths(data, bracket, fd)
    good &= sized
    columns.length = length
    columns.dlc = FD_CODE_OF_LENGTH[length]
    direction = data[tokens.start[name + 1]]
    brs, esi = data[tokens.start[name + 2]], data[tokens.start[name + 3]]
    single = tokens.end[name + 3] - tokens.start[name + 2] == 3
    marks = ((brs == _B) | (brs == _DASH)) & ((esi == _E) | (esi == _DASH))
    good &= ~has_direction | (single & marks & ((direction == _R) | (direction == _T)))
    columns.flags |= (has_direction & (direction == _T)) * np.uint8(Flag.TRANSMITTED)
    columns.flags |= fd * np.uint8(Flag.FD)
    columns.flags |= (fd & has_direction & (brs == _B)) * np.uint8(Flag.BRS)
    columns.flags |= (fd & has_direction & (esi == _E)) * np.uint8(Flag.ESI)
    behind = tokens.start[identifier + 2]
    good &= (data[behind] != _REMOTE) | (behind >= layout.end[lines])
    wide, whole = _payloads(data, behind, layout.end[lines], length)
    good &= whole
    columns.payload = np.ascontiguousarray(wide[:, :8])
    columns.long_row = np.flatnonzero(columns.length > 8).astype(np.int32)
    columns.long_payload = wide[columns.long_row]
    columns.bus, named = parse_names(layout, tokens.start[name], tokens.end[name], good, reading)
    return keep_good(columns, lines, named, done)


def _lengths(data: Bytes, bracket: Places, fd: Bools) -> tuple[Bytes, Bools]:
    """Return lengths from `[8]` or `[08]`, 0 where they are not possible, and which are possible."""
    tens = np.where(fd, data[bracket + 1] - np.uint8(48), 0)
    ones = data[bracket + 1 + fd] - np.uint8(48)
    number = np.minimum(tens, 9) * 10 + np.minimum(ones, 9)
    good = (tens <= 9) & (ones <= 9) & IS_FD_LENGTH[number] & (fd | (number <= 8))
    return np.where(good, number, 0).astype(np.uint8), good


def _payloads(data: Bytes, start: Places, end: Places, length: Bytes) -> tuple[Bytes, Bools]:
    """Return uint8[n, 64] payloads of bytes written three characters apart, and which are well formed."""
    wide = np.zeros((len(start), 64), dtype=np.uint8)
    two = pairs(data)
    good = np.ones(len(start), dtype=np.bool_)
    for k in range(int(length.max(initial=0))):
        there = length > k
        at = np.where(there, start + 3 * k, 0)
        value = _PAIRS[two[at]]
        behind = data[at + 2]
        fits = (value < 256) & (at + 2 <= end) & (behind <= SPACE)
        if k:
            fits &= data[at - 1] == SPACE
        good &= fits | ~there
        wide[:, k] = np.where(there, value, 0).astype(np.uint8)
    return wide, good
