"""The data frames of a chunk of ASC text, all lines at once: classic lines, then CAN FD lines among the rest."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from buswright.frames.asc_fields import NO, Layout, hex_at_start, hex_bits, leading
from buswright.frames.asc_lines import FD_BIT
from buswright.frames.reading import Columns
from buswright.frames.table import FD_LENGTH_OF_CODE, Flag, UInt8s
from buswright.frames.text import KEEP_FIRST, Bools, Places, Words

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
_ALL_GOOD = np.uint64(0x8080808080808080)
_MARKS_BEFORE_PAYLOAD = 7
_FEWEST_FD_MARKS = 11


@dataclass(slots=True)
class LineColumns:
    """Columns with a row for every line of a chunk, frame or not.

    Attributes
    ----------
    rows
        `time_ns` holds stamps, still to be understood; `bus` and the long payloads are not filled.
    channel, digits : uint8[lines]
        Channel number, and fraction digits of the stamp.
    good : bool[lines]
        Which rows hold a frame; the others hold anything.
    long_line : int64[m], long_payload : uint8[m, 64]
        Lines with more than eight bytes, and those bytes.
    """

    rows: Columns
    channel: UInt8s
    digits: UInt8s
    good: Bools
    long_line: Places = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    long_payload: UInt8s = field(default_factory=lambda: np.zeros((0, 64), dtype=np.uint8))


def no_lines(n: int) -> LineColumns:
    """Columns for n lines of which none holds a frame yet."""
    zeros = np.zeros(n, dtype=np.uint8)
    return LineColumns(Columns.of_size(n), zeros, zeros, np.zeros(n, dtype=np.bool_))


def read_classic(layout: Layout) -> LineColumns:
    """Read `STAMP CHANNEL ID DIRECTION d CODE BYTES [Length = ...]`."""
    stamp, point, bus, identifier, turn, kind, code, payload = layout.marks(layout.first)
    rows = Columns.of_size(0)
    rows.time_ns, digits, good = layout.stamps(stamp, point)
    channel, fits = layout.channels(bus)
    good &= fits
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
    value, fits = _eight_bytes(layout, payload, rows.length)
    good &= fits
    rows.payload = value.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    return LineColumns(rows, channel, digits, good)


def _eight_bytes(layout: Layout, at: Places, length: UInt8s) -> tuple[Words, Bools]:
    """Return payloads of up to eight bytes as words, and which lines are good in it and behind it.

    Each byte is a mark of its own, so the last byte's mark lies at three characters a byte exactly when all
    separators are single blanks.
    """
    payload, (good, middle, high) = layout.payloads(at)
    size = length.astype(np.int64)
    behind = layout.first + _MARKS_BEFORE_PAYLOAD
    behind += size
    fits = behind == layout.last
    longer = np.flatnonzero(behind < layout.last)
    fits[longer] = layout.loaded[layout.mark[behind[longer]]] == _LENGTH_IS
    good |= _UNASKED[0].take(size)
    good &= middle | _UNASKED[1].take(size)
    good &= high | _UNASKED[2].take(size)
    good &= _ALL_GOOD
    fits &= good == _ALL_GOOD
    payload &= KEEP_FIRST.take(size)
    none = size == 0
    size *= 3
    size += at
    behind -= 1
    fits &= (layout.mark[behind] + 3 == size) | none
    size -= 1
    fits &= layout.blank(size) | none
    return payload, fits


def read_fd(layout: Layout, out: LineColumns) -> None:
    """Read `STAMP CANFD CHANNEL DIRECTION ID [NAME] BRS ESI CODE LENGTH BYTES [DURATION BITS FLAGS ...]`."""
    mark = layout.mark
    lines = np.flatnonzero(~out.good)
    lines = lines[layout.data[mark[layout.first[lines] + 2]] == ord("C")]
    lines = lines[layout.last[lines] - layout.first[lines] >= _FEWEST_FD_MARKS]
    if not len(lines):
        return
    first, last = layout.first[lines], layout.last[lines]
    word = mark[first + 2]
    good = (layout.loaded[word] & KEEP_FIRST[5]) == _CANFD
    good &= layout.blank(word + 5)
    time_ns, digits, fits = layout.stamps(mark[first], mark[first + 1])
    good &= fits
    channel, fits = layout.channels(mark[first + 3])
    good &= fits
    sent, fits = layout.directions(mark[first + 4])
    good &= fits
    identifier, extended, fits = layout.identifiers(mark[first + 5])
    good &= fits
    field_at = first + 6
    field_at += layout.digits(mark[field_at]) > 1  # a symbolic name stands there
    switched, passive, code = (layout.digits(mark[field_at + k]) for k in range(3))
    good &= (switched <= 1) & (passive <= 1) & (code <= 15)
    length, fits = _fd_length(layout, mark[field_at + 3])
    good &= fits & (FD_LENGTH_OF_CODE[code & 15] == length)
    size = np.minimum(length, 64).astype(np.int64)
    wide, fits = _wide_payload(layout, field_at + 4, size)
    good &= fits
    fd, fits = _fd_format(layout, field_at + 4 + size, last)
    good &= fits
    switched, passive = switched == 1, passive == 1
    fd |= switched | passive | (length > 8)
    flags = extended * np.uint8(Flag.EXTENDED) | sent * np.uint8(Flag.TRANSMITTED)
    flags |= fd * (np.uint8(Flag.FD) | switched * np.uint8(Flag.BRS) | passive * np.uint8(Flag.ESI))
    keep = np.flatnonzero(good)
    rows, to = out.rows, lines[keep]
    rows.time_ns[to], out.digits[to], out.channel[to] = time_ns[keep], digits[keep], channel[keep]
    rows.id[to], rows.flags[to], rows.dlc[to] = identifier[keep], flags[keep], code[keep]
    rows.length[to], rows.payload[to] = length[keep], wide[keep, :8]
    out.good[to] = True
    long = keep[length[keep] > 8]
    out.long_line, out.long_payload = lines[long], wide[long]


def _fd_length(layout: Layout, at: Places) -> tuple[UInt8s, Bools]:
    """Parse decimal numbers 1..64 of one or two digits."""
    tens = layout.data[at] - np.uint8(48)
    ones = layout.data[at + 1] - np.uint8(48)
    two = ones <= 9
    length = np.where(two, tens * np.uint8(10) + ones, tens)
    return length, (tens <= 9) & (length > 0) & (length <= 64) & layout.blank(at + 1 + two)


def _wide_payload(layout: Layout, first: Places, length: Places) -> tuple[UInt8s, Bools]:
    """Return payloads of 1..64 bytes as uint8[n, 64], and which are good."""
    at = layout.mark[first]
    eighth = np.arange(8)
    there = np.clip(length[:, None] - 8 * eighth, 0, 8)
    begin = np.minimum(at[:, None] + 24 * eighth, len(layout.data) - 32)
    value, good = layout.payloads(begin.ravel())
    whole = np.ones(there.size, dtype=np.bool_)
    for bits, unasked in zip(good, _UNASKED, strict=True):
        bits |= unasked[there.ravel()]
        whole &= (bits & _ALL_GOOD) == _ALL_GOOD
    value &= KEEP_FIRST[there.ravel()]
    wide = value.astype("<u8", copy=False).view(np.uint8).reshape(-1, 64)
    final = np.minimum(at + 3 * (length - 1), len(layout.data) - 3)
    fits = np.asarray(whole.reshape(-1, 8).all(axis=1))
    fits &= layout.mark[first + length - 1] == final
    fits &= layout.blank(final + 2)
    return wide, fits


def _fd_format(layout: Layout, behind: Places, last: Places) -> tuple[Bools, Bools]:
    """Whether the flags column says CAN FD, as lines without one do; and where there is none or it is good."""
    bare = behind == last
    at = layout.mark[behind + 2]
    loaded = layout.loaded[at]
    _, count = leading(hex_bits(loaded))
    fits = (behind + 2 < last) & (count > 0) & layout.blank(at + count)
    fd = (hex_at_start(loaded, count) & np.uint32(FD_BIT)) != 0
    return fd | bare, fits | bare
