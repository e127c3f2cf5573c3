"""The checksum that each frame carried on the wire: CRC-15 of classic frames, CRC-17 and CRC-21 of CAN FD.

No capture holds it, and the length on the wire of a CAN FD frame doesn't depend on it; this is for a bit-true
picture of a frame.
"""

from __future__ import annotations

import numpy as np

from buswright.frames.table import FD_LENGTH_OF_CODE, Flag, Frames, UInt8s, UInt32s
from buswright.frames.wire import tables
from buswright.frames.wire.bits import FdForm

STUFF_COUNT_FIELD: UInt8s = np.array([0b0000, 0b0011, 0b0110, 0b0101, 0b1100, 0b1111, 0b1010, 0b1001], dtype=np.uint8)
"""Four bits for the number of dynamic stuff bits modulo 8: Gray code, then even parity (ISO 11898-1:2015)."""
STUFF_COUNT_FIELD.flags.writeable = False

Fields = list[tuple[UInt32s, int]]
"""Consecutive bit fields: a value a frame, and the width in bits, at most eight."""


def frame_crc(frames: Frames, *, fd: FdForm = "iso") -> UInt32s:
    """Return the CRC that each frame carried; uint32[n], 0 for error frames.

    The classic CRC covers the bits before stuffing, that of CAN FD the dynamic stuff bits too and, in the ISO
    form, the stuff count; there its register starts with its first bit set, else with zero (ISO 11898-1:2015;
    Bosch CAN FD 1.0, section 3.2.1).
    """
    crc = np.zeros(len(frames), dtype=np.uint32)
    is_fd, is_error = frames.has(Flag.FD), frames.has(Flag.ERROR)
    sizes = FD_LENGTH_OF_CODE[frames.dlc & 15]
    bare = frames.has(Flag.REMOTE) & ~is_fd
    classic_size = np.where(bare, 0, np.minimum(sizes, 8))
    kind = np.where(is_fd, sizes, classic_size).astype(np.int64) << 2 | is_fd.astype(np.int64) << 1
    kind |= frames.has(Flag.EXTENDED)
    kind[is_error] = -1
    for value in np.unique(kind[~is_error]):
        rows = np.flatnonzero(kind == value)
        batch, size, extended = frames.take(rows), int(value) >> 2, bool(value & 1)
        data = _payload(batch, size)
        if value & 2:
            crc[rows] = _fd_crc(_fd_header(batch, extended) + data, size, fd)
        else:
            crc[rows] = _classic_crc(_classic_header(batch, extended) + data)
    return crc


def _bit(frames: Frames, flag: Flag) -> UInt32s:
    return frames.has(flag).astype(np.uint32)


def _payload(frames: Frames, size: int) -> Fields:
    wide = frames.payload if size <= 8 else frames.whole_payload()
    return [(wide[:, at].astype(np.uint32), 8) for at in range(size)]


def _identifier(frames: Frames, extended: bool) -> Fields:
    """Start of frame and identifier, with the recessive SRR and IDE inside the long one."""
    number = frames.id
    if not extended:
        return [(number >> np.uint32(4), 8), (number & np.uint32(15), 4)]
    upper = number >> np.uint32(18)
    return [
        (upper >> np.uint32(4), 8),
        ((upper & np.uint32(15)) << np.uint32(2) | np.uint32(3), 6),
        (number >> np.uint32(10) & np.uint32(0xFF), 8),
        (number >> np.uint32(2) & np.uint32(0xFF), 8),
        (number & np.uint32(3), 2),
    ]


def _classic_header(frames: Frames, extended: bool) -> Fields:
    control = _bit(frames, Flag.REMOTE) << np.uint32(6) | frames.dlc & np.uint32(15)
    return [*_identifier(frames, extended), (control, 7)]


def _fd_header(frames: Frames, extended: bool) -> Fields:
    # RRS, (IDE of the short form,) FDF, reserved; then BRS, ESI, length code
    fixed = np.full(len(frames), 0b010, dtype=np.uint32)
    control = _bit(frames, Flag.BRS) << np.uint32(5) | _bit(frames, Flag.ESI) << np.uint32(4)
    control |= frames.dlc & np.uint32(15)
    return [*_identifier(frames, extended), (fixed, 3 if extended else 4), (control, 6)]


def _classic_crc(fields: Fields) -> UInt32s:
    crc = np.zeros(len(fields[0][0]), dtype=np.uint32)
    for value, width in fields:
        crc = _advance(crc, value, np.uint32(width), tables.CRC15)
    return crc


def _fd_crc(fields: Fields, size: int, fd: FdForm) -> UInt32s:
    polynomial = tables.CRC17 if size <= 16 else tables.CRC21
    n = len(fields[0][0])
    start = 1 << (polynomial[0] - 1) if fd == "iso" else 0
    crc = np.full(n, start, dtype=np.uint32)
    state = np.full(n, tables.BUS_IDLE, dtype=np.intp)
    count = np.zeros(n, dtype=np.uint32)
    for place, (value, width) in enumerate(fields):
        index = state << width | value.astype(np.intp)
        code = tables.stuff_table(width).take(index)
        bits, widths = (table.take(index).astype(np.uint32) for table in tables.emitted(width))
        state = (code & tables.STATE_MASK).astype(np.intp)
        stuffed = (code >> tables.COUNT_SHIFT).astype(np.uint32)
        if place == len(fields) - 1:
            # No stuff bit follows the last bit before the CRC field: the first fixed stuff bit stands there.
            after = state == np.where(value & np.uint32(1), tables.state(0, 1), tables.state(1, 1))
            bits, widths, stuffed = bits >> after, widths - after, stuffed - after
        count += stuffed
        crc = _advance(crc, bits, widths, polynomial)
    if fd == "iso":
        field = STUFF_COUNT_FIELD[count & np.uint32(7)].astype(np.uint32)
        crc = _advance(crc, field, np.uint32(4), polynomial)
    return crc


def _advance(crc: UInt32s, bits: UInt32s, widths: UInt32s | np.uint32, polynomial: tuple[int, int]) -> UInt32s:
    """Feed `widths` (at most ten) bits into the registers."""
    register = np.uint32(polynomial[0])
    table = tables.crc_table(*polynomial, 10)
    advanced: UInt32s = (crc << widths) & np.uint32((1 << polynomial[0]) - 1)
    advanced ^= table[(crc >> (register - widths)) ^ bits]
    return advanced
