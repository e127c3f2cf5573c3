"""The data frames of a chunk of ASC text, all lines at once: classic lines, then CAN FD lines among the rest."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from buswright.frames.formats.asc.fields import NO, WINDOW, Layout, hex_at_start, leading
from buswright.frames.formats.asc.lines import FD_BIT
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.digits import HIGH_BITS, KEEP_FIRST, Bools, Places, Words, hex_bits
from buswright.frames.table import FD_LENGTH_OF_CODE, Flag, UInt8s

_LENGTH_IS = np.uint64(int.from_bytes(b"Length =", "little"))
_CANFD = np.uint64(int.from_bytes(b"CANFD", "little"))


def _unasked() -> list[Words]:
    """Return, for each word of a payload's text, the high bits of all characters but the digits of n bytes; [9]."""
    digits = [{3 * byte + k for byte in range(n) for k in (0, 1)} for n in range(9)]
    return [
        np.array([sum(0x80 << 8 * k for k in range(8) if 8 * w + k not in asked) for asked in digits], dtype=np.uint64)
        for w in range(3)
    ]


_UNASKED = _unasked()
_ONE = np.uint64(1)
_BYTES_A_WINDOW = WINDOW // 3
_SPACED: Words = np.array([sum(3 << 3 * k for k in range(n)) for n in range(_BYTES_A_WINDOW + 1)], dtype=np.uint64)
"""Ink of n bytes, `XX XX ...`."""
_SPACED_WIDTH: Words = np.array([(1 << 3 * n) - 1 for n in range(_BYTES_A_WINDOW + 1)], dtype=np.uint64)
"""The same with the blanks: between bytes, and behind the last."""


@dataclass(slots=True)
class LineColumns:
    """Columns with a row for every line of a chunk, frame or not.

    Attributes
    ----------
    rows
        `time_ns` holds stamps, still to be understood; `bus` is not filled.
    channel, digits : uint8[lines]
        Channel number, and fraction digits of the stamp.
    good : bool[lines]
        Which rows hold a frame; the others hold anything.
    stamped : bool[lines]
        Which begin with a time stamp.
    places, number
        Where the first fields of each line begin, and how many were found: see `Layout.fields`.
    """

    rows: Columns
    channel: UInt8s
    digits: UInt8s
    good: Bools
    stamped: Bools
    places: list[Places] = field(default_factory=list)
    number: UInt8s = field(default_factory=lambda: np.zeros(0, dtype=np.uint8))


def no_lines(n: int) -> LineColumns:
    """Columns for n lines of which none holds a frame yet."""
    zeros, never = np.zeros(n, dtype=np.uint8), np.zeros(n, dtype=np.bool_)
    return LineColumns(Columns.of_size(n), zeros, zeros, never, never)


def read_classic(layout: Layout) -> LineColumns:
    """Read `STAMP CHANNEL ID DIRECTION d CODE BYTES [Length = ...]`."""
    places, number = layout.fields(layout.start, 7)
    far = np.flatnonzero(number < 7)
    if len(far):  # columns far apart, or no data line
        more, more_number = layout.fields(places[2][far], 5)
        for place, found in zip(places[3:], more[1:], strict=True):
            place[far] = found
        number[far] = np.where(number[far] < 3, 0, more_number + 2)
    stamp, bus, identifier, turn, kind, code, payload = places
    rows = Columns.of_size(0)
    rows.time_ns, digits, stamped = layout.stamps(stamp)
    channel, good = layout.channels(bus)
    good &= stamped
    rows.id, extended, fits = layout.identifiers(identifier)
    good &= fits
    sent, fits = layout.directions(turn)
    good &= fits
    good &= layout.data[kind] == ord("d")
    good &= layout.blank(kind + 1)
    rows.dlc = layout.digits(code)
    good &= rows.dlc != NO
    rows.length = np.minimum(rows.dlc, np.uint8(8))
    rows.flags = extended * np.uint8(Flag.EXTENDED)
    rows.flags |= sent * np.uint8(Flag.TRANSMITTED)
    good &= number >= 6 + (rows.length > 0)
    value, fits = _eight_bytes(layout, code, payload, rows.length)
    good &= fits
    rows.payload = value.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    return LineColumns(rows, channel, digits, good, stamped, places, number)


def _eight_bytes(layout: Layout, code: Places, at: Places, length: UInt8s) -> tuple[Words, Bools]:
    """Return payloads of up to eight bytes as words, and which lines are good in it and behind it."""
    size = length.astype(np.int64)
    none = size == 0
    if none.any():
        at = np.where(none, code + 1, at)
    payload, digits = layout.payloads(at)
    good = digits[0] | _UNASKED[0].take(size)
    for word, unasked in zip(digits[1:], _UNASKED[1:], strict=True):
        good &= word | unasked.take(size)
    good &= HIGH_BITS
    fits = good == HIGH_BITS
    payload &= KEEP_FIRST.take(size)
    ink = layout.ink(at)
    fits &= (ink & _SPACED_WIDTH.take(size)) == _SPACED.take(size)
    size *= 3
    fits &= _ends_well(layout, at + size, ink >> size.view(np.uint64), WINDOW - size)
    return payload, fits


def _ends_well(layout: Layout, stop: Places, ink: Words, known: Places) -> Bools:
    """Whether the line ends at `stop` or nothing but `Length = ...` follows.

    Parameters
    ----------
    stop
        Behind the blank (or line end) behind the last byte.
    ink
        From there on, of which the first `known` bits are known.
    """
    room = layout.end - stop
    ink &= (_ONE << np.maximum(room, 0).view(np.uint64)) - _ONE
    bare = (ink == 0) & (room <= known)
    longer = np.flatnonzero(ink != 0)
    if len(longer):
        left = ink[longer]
        left = (left & (np.uint64(0) - left)) - _ONE
        bare[longer] = layout.loaded[stop[longer] + np.bitwise_count(left)] == _LENGTH_IS
    bare &= room >= -1
    return np.asarray(bare)


def read_fd(layout: Layout, out: LineColumns) -> None:
    """Read `STAMP CANFD CHANNEL DIRECTION ID [NAME] BRS ESI CODE LENGTH BYTES [DURATION BITS FLAGS ...]`."""
    lines = np.flatnonzero(out.stamped & ~out.good & (out.number >= 5))
    lines = lines[layout.data[out.places[1][lines]] == ord("C")]
    if not len(lines):
        return
    word, bus, turn, identified = (place[lines] for place in out.places[1:5])
    good = (layout.loaded[word] & KEEP_FIRST[5]) == _CANFD
    good &= layout.blank(word + 5)
    channel, fits = layout.channels(bus)
    good &= fits
    sent, fits = layout.directions(turn)
    good &= fits
    identifier, extended, fits = layout.identifiers(identified)
    good &= fits
    (_, field_at), fits = _fields(layout, identified, 2)
    good &= fits
    named = layout.digits(field_at) > 1
    if named.any():
        (_, behind_name), fits = _fields(layout, field_at, 2)
        good &= fits | ~named
        field_at = np.where(named, behind_name, field_at)
    (*bits, size_at, payload_at), fits = _fields(layout, field_at, 5)
    good &= fits
    switched, passive, code = (layout.digits(place) for place in bits)
    good &= (switched <= 1) & (passive <= 1) & (code <= 15)
    length, fits = _fd_length(layout, size_at)
    good &= fits & (FD_LENGTH_OF_CODE[code & 15] == length)
    size = np.minimum(length, 64).astype(np.int64)
    wide, fits = _wide_payload(layout, payload_at, size)
    good &= fits
    fd, fits = _fd_format(layout, payload_at + 3 * size, layout.end[lines])
    good &= fits
    switched, passive = switched == 1, passive == 1
    fd |= switched | passive | (length > 8)
    flags = extended * np.uint8(Flag.EXTENDED) | sent * np.uint8(Flag.TRANSMITTED)
    flags |= fd * (np.uint8(Flag.FD) | switched * np.uint8(Flag.BRS) | passive * np.uint8(Flag.ESI))
    fitting = np.flatnonzero(good)
    rows, to = out.rows, lines[fitting]
    out.channel[to], rows.id[to], rows.flags[to] = channel[fitting], identifier[fitting], flags[fitting]
    rows.dlc[to], rows.length[to], rows.payload[to] = code[fitting], length[fitting], wide[fitting, :8]
    out.good[to] = True
    long = fitting[length[fitting] > 8]
    rows.long_row, rows.long_payload = lines[long].astype(np.int32), wide[long]


def _fields(layout: Layout, at: Places, count: int) -> tuple[list[Places], Bools]:
    """Find `count` fields, and where all are there; places stay within the chunk and its padding either way."""
    places, number = layout.fields(at, count)
    found = number >= count
    if not found.all():
        places = [np.minimum(place, layout.end[-1]) for place in places]
    return places, found


def _fd_length(layout: Layout, at: Places) -> tuple[UInt8s, Bools]:
    """Parse decimal numbers 1..64 of one or two digits."""
    tens = layout.data[at] - np.uint8(48)
    ones = layout.data[at + 1] - np.uint8(48)
    two = ones <= 9
    length = np.where(two, tens * np.uint8(10) + ones, tens)
    return length, (tens <= 9) & (length > 0) & (length <= 64) & layout.blank(at + 1 + two)


def _wide_payload(layout: Layout, at: Places, length: Places) -> tuple[UInt8s, Bools]:
    """Return payloads of 1..64 bytes as uint8[n, 64], and which are good."""
    edge = len(layout.data) - 32
    eighth = np.arange(8)
    there = np.clip(length[:, None] - 8 * eighth, 0, 8)
    value, digits = layout.payloads(np.minimum(at[:, None] + 24 * eighth, edge).ravel())
    good = np.ones(there.size, dtype=np.bool_)
    for bits, unasked in zip(digits, _UNASKED, strict=True):
        bits |= unasked[there.ravel()]
        good &= (bits & HIGH_BITS) == HIGH_BITS
    value &= KEEP_FIRST[there.ravel()]
    wide = value.astype("<u8", copy=False).view(np.uint8).reshape(-1, 64)
    window = np.arange(4)
    there = np.clip(length[:, None] - _BYTES_A_WINDOW * window, 0, _BYTES_A_WINDOW)
    ink = layout.ink(np.minimum(at[:, None] + WINDOW * window, edge))
    spaced = (ink & _SPACED_WIDTH[there]) == _SPACED[there]
    return wide, np.asarray(good.reshape(-1, 8).all(axis=1) & spaced.all(axis=1))


def _fd_format(layout: Layout, stop: Places, end: Places) -> tuple[Bools, Bools]:
    """Whether the flags column says CAN FD, as lines without one do; and where there is none or it is good.

    `stop` is behind the blank (or line end `end`) behind the last byte.
    """
    fits = stop <= end + 1
    stop = np.minimum(stop, end)
    (first, _, at), found = _fields(layout, stop, 3)
    bare = (first >= end) & (end - stop <= WINDOW)
    loaded = layout.loaded[at]
    _, count = leading(hex_bits(loaded))
    found &= (at < end) & (count > 0) & layout.blank(at + count)
    fd = (hex_at_start(loaded, count) & np.uint32(FD_BIT)) != 0
    return fd | bare, fits & (found | bare)
