"""Exact time on the wire: how many bits each frame took, stuff bits included.

What is counted, per frame: start of frame to the last bit of the end-of-frame field, plus `interframe` bits
(default 3, the intermission that every frame is followed by, so that sums give bus load; 0 gives the frame
alone). Classic frames: stuff bits from the actual identifier, payload and CRC-15. CAN FD: dynamic stuff bits
from start of frame to the last data bit, fixed stuff bits in the CRC field, the stuff count of the ISO form.
A remote frame has no data field whatever its length code; codes 9..15 stand in the length field of a classic
frame as they are, and mean eight bytes.

CAN FD with a bit-rate switch runs from the BRS bit's sample point to the CRC delimiter's at the data rate. The
BRS bit is counted as nominal and the CRC delimiter as data: one bit is switched at each end at the same sample
points, so what the one gains the other loses and the sum is exact. Without the switch all bits are nominal.

Error frames: `ERROR_FRAME_BITS` where the error report means an error flag on the bus; none for reports of a
controller's state (arbitration lost, bus off, restarted, counters), which take no time on the wire. The bits of
the broken frame before the flag are unknown and not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from buswright.errors import UserError
from buswright.frames.table import (
    FD_LENGTH_OF_CODE,
    FD_LENGTHS,
    NO_LONG_PAYLOAD,
    NO_LONG_ROWS,
    Flag,
    Frames,
    Int32s,
    Int64s,
    UInt8s,
    UInt32s,
    long_ones,
)
from buswright.frames.wire import tables

FdForm = Literal["iso", "non-iso"]
"""ISO 11898-1:2015 with a stuff count, or the form before it."""
Stuffing = Literal["best", "worst"]
Rows = npt.NDArray[np.intp]
_Words = npt.NDArray[np.uint64]

INTERFRAME_BITS = 3
"""Intermission between frames (Bosch CAN 2.0, section 3.1.5)."""

ERROR_FRAME_BITS = 20
"""Longest error frame: superposed error flags, 12 bits, and error delimiter, 8 bits (Bosch CAN 2.0, section
3.1.3, from memory). The shortest is 6 + 8; a capture doesn't say which it was, so the longer is assumed."""

ERROR_CLASSES_ON_THE_WIRE = 0x08 | 0x20 | 0x80
"""Classes of the Linux error frame that mean an error flag on the bus: protocol violation, no acknowledge, bus
error (include/uapi/linux/can/error.h). An error frame that names no class counts as one too."""

TAIL_BITS = 1 + 1 + 7
"""Acknowledge slot, acknowledge delimiter, end of frame."""

_BASE_HEADER = 1 + 11 + 1 + 1 + 1 + 4
_EXTENDED_HEADER = 1 + 11 + 1 + 1 + 18 + 1 + 2 + 4
_BASE_FD_NOMINAL = 1 + 11 + 1 + 1 + 1 + 1 + 1
"""Start of frame, ID, RRS, IDE, FDF, reserved, BRS."""
_EXTENDED_FD_NOMINAL = 1 + 11 + 1 + 1 + 18 + 1 + 1 + 1 + 1
_FD_LATE_HEADER = 1 + 4
"""ESI and length code."""

_BLOCK = 8192
"""Frames worked on at once: their columns stay in the first-level cache."""

_EXTENDED, _FD, _ERROR, _QUIET = 16, 32, 64, 65
"""Kinds: payload code 0..15, plus EXTENDED and FD; error frames with and without wire time."""


@dataclass(frozen=True, slots=True, eq=False)
class WireBits:
    """Bits on the wire for n frames.

    Attributes
    ----------
    nominal : int32[n]
        Bits at the arbitration bit rate, interframe space included if asked for.
    data : int32[n]
        Bits at the data bit rate; zero for all but CAN FD frames with a bit-rate switch.
    stuff : uint8[n]
        Dynamic stuff bits among them (the fixed ones of CAN FD are not), at most 153.
    """

    nominal: Int32s
    data: Int32s
    stuff: UInt8s

    def __len__(self) -> int:
        return int(self.nominal.shape[0])

    @property
    def total(self) -> Int32s:
        """All bits, whatever their rate; int32[n]."""
        return self.nominal + self.data

    def time_ns(self, bitrate: int, data_bitrate: int | None = None) -> Int64s:
        """Duration of each frame in nanoseconds, rounded to the nearest; int64[n].

        Raises
        ------
        UserError
            A frame switches its bit rate and `data_bitrate` is not given, or a rate is not positive.
        """
        if bitrate <= 0 or (data_bitrate is not None and data_bitrate <= 0):
            raise UserError(f"bit rate {bitrate} / {data_bitrate}: must be positive", hint="give bits per second")
        time = self.nominal * (1e9 / bitrate)
        if data_bitrate is not None:
            time += self.data * (1e9 / data_bitrate)
        elif self.data.any():
            raise UserError(
                "the bus carries CAN FD frames with a bit-rate switch and has no data bit rate",
                hint="give the data bit rate of the bus (data_bitrate)",
            )
        rounded: Int64s = np.rint(time).astype(np.int64)
        return rounded


def wire_bits(frames: Frames, *, fd: FdForm = "iso", interframe: int = INTERFRAME_BITS) -> WireBits:
    """Count the bits that each frame of a batch took on the wire.

    Parameters
    ----------
    frames
        Any batch; UNTIMED frames too.
    fd
        Form of the CAN FD frames.
    interframe
        Bits of interframe space added to each frame that takes time on the wire.
    """
    columns = frames.id, frames.flags, frames.dlc, frames.payload, frames.long_row, frames.long_payload
    return wire_bits_of(*columns, fd=fd, interframe=interframe)


def wire_bits_of(
    identifier: UInt32s,
    flags: UInt8s,
    dlc: UInt8s,
    payload: UInt8s,
    long_row: Int32s = NO_LONG_ROWS,
    long_payload: UInt8s = NO_LONG_PAYLOAD,
    *,
    fd: FdForm = "iso",
    interframe: int = INTERFRAME_BITS,
) -> WireBits:
    """Count bits for columns that are not a batch yet; the columns are those of `Frames`.

    How many bytes a frame carries follows from `dlc`; bytes that are not there count as zeros.
    """
    kind = _kinds()[flags.astype(np.uint16) << 4 | (dlc & 15)]
    errors = np.flatnonzero(kind == _ERROR)
    if len(errors):
        quiet = (identifier[errors] != 0) & (identifier[errors] & ERROR_CLASSES_ON_THE_WIRE == 0)
        kind[errors[quiet]] = _QUIET
    stuff = np.zeros(len(kind), dtype=np.uint8)
    early = np.zeros(len(kind), dtype=np.uint8)
    eight = np.ascontiguousarray(payload).view(">u8").reshape(-1)
    for code, rows in _groups(kind):
        for block in _blocks(rows, len(kind)):
            if code < _FD:
                stuff[block] = _classic_stuff(code, identifier[block], flags[block], dlc[block], eight[block])
            elif code < _ERROR:
                numbers = np.arange(len(kind))[block] if isinstance(block, slice) else block
                data = _fd_bytes(code, numbers, payload, long_row, long_payload)
                early[block], stuff[block] = _fd_stuff(code, identifier[block], flags[block], dlc[block], data)
    return _add_up(kind, flags, stuff, early, fd, interframe)


def _add_up(kind: UInt8s, flags: UInt8s, stuff: UInt8s, early: UInt8s, fd: FdForm, interframe: int) -> WireBits:
    fixed_nominal, fixed_data = _fixed_bits(fd, interframe)
    nominal = fixed_nominal.take(kind)
    data = np.zeros(len(kind), dtype=np.int32)
    nominal += stuff
    rows = np.flatnonzero(fixed_data.take(kind))
    if len(rows):
        switched = (flags[rows] & np.uint8(Flag.BRS)) != 0
        late = fixed_data[kind[rows]] + stuff[rows] - early[rows]
        data[rows] = np.where(switched, late, 0)
        nominal[rows] += np.where(switched, early[rows].astype(np.int32) - stuff[rows], fixed_data[kind[rows]])
    return WireBits(nominal, data, stuff)


@cache
def _kinds() -> UInt8s:
    """Kind by ``flags << 4 | dlc``; uint8[4096]."""
    index = np.arange(4096)
    flags, dlc = index >> 4, index & 15
    fd = (flags & Flag.FD) != 0
    kind = np.where(fd, dlc | _FD, np.where(flags & Flag.REMOTE, 0, np.minimum(dlc, 8)))
    kind = np.where(flags & Flag.EXTENDED, kind | _EXTENDED, kind)
    return np.where(flags & Flag.ERROR, _ERROR, kind).astype(np.uint8)


@cache
def _fixed_bits(fd: FdForm, interframe: int) -> tuple[Int32s, Int32s]:
    """Bits by kind but for dynamic stuffing, at the nominal and (where switched) at the data rate; int32[66] each."""
    nominal, data = np.zeros(_QUIET + 1, dtype=np.int32), np.zeros(_QUIET + 1, dtype=np.int32)
    for size in range(9):
        nominal[size] = _BASE_HEADER + 8 * size + 15 + 1 + TAIL_BITS
        nominal[size | _EXTENDED] = _EXTENDED_HEADER + 8 * size + 15 + 1 + TAIL_BITS
    for code, size in enumerate(FD_LENGTHS):
        nominal[code | _FD] = _BASE_FD_NOMINAL + TAIL_BITS
        nominal[code | _FD | _EXTENDED] = _EXTENDED_FD_NOMINAL + TAIL_BITS
        data[code | _FD] = data[code | _FD | _EXTENDED] = _FD_LATE_HEADER + 8 * size + _fd_crc_field(size, fd)
    nominal[_ERROR] = ERROR_FRAME_BITS
    nominal += np.int32(interframe)
    nominal[_QUIET] = 0
    return nominal, data


def _fd_crc_field(size: int, fd: FdForm) -> int:
    """Bits of the CRC field with its fixed stuff bits and delimiter, for `size` bytes of payload.

    A fixed stuff bit comes first and after every fourth bit (ISO 11898-1:2015; the sums 28 and 33 of the ISO
    form also stand in Linux include/linux/can/length.h).
    """
    bits = (17 if size <= 16 else 21) + (4 if fd == "iso" else 0)
    return bits + 1 + bits // 4 + 1


def _groups(kind: UInt8s) -> list[tuple[int, Rows | None]]:
    """Return each kind with its rows; None stands for all rows."""
    if len(kind) == 0:
        return []
    counts = np.bincount(kind)
    present = np.flatnonzero(counts)
    if len(present) == 1:
        return [(int(present[0]), None)]
    order = np.argsort(kind, kind="stable")
    ends = np.cumsum(counts[present])
    return [(int(c), order[end - counts[c] : end]) for c, end in zip(present, ends, strict=True)]


def _blocks(rows: Rows | None, n: int) -> list[Rows | slice]:
    if rows is None:
        return [slice(at, at + _BLOCK) for at in range(0, n, _BLOCK)]
    return [rows[at : at + _BLOCK] for at in range(0, len(rows), _BLOCK)]


def _classic_stuff(kind: int, identifier: UInt32s, flags: UInt8s, dlc: UInt8s, payload: _Words) -> UInt8s:
    """Stuff bits of classic frames of one kind, the one that may follow the last CRC bit included; uint8[n]."""
    size = kind & 15
    remote = ((flags & np.uint8(Flag.REMOTE)) != 0).astype(np.intp)
    tail = remote << 4 | (dlc & 15)
    number = identifier.astype(np.intp)
    if kind & _EXTENDED:
        upper, lower, last = tables.extended_crc()
        crc = upper.take(number >> 14) ^ lower.take(number & 0x3FFF) ^ last.take(tail)
        code = tables.extended_start().take(number >> 13)
        count = code >> tables.COUNT_SHIFT
        code = tables.step(code, (number & 0x1FFF) << 3 | remote << 2, 16)
        count += code >> tables.COUNT_SHIFT
        code = tables.step(code, tail & 15, 4)
    else:
        header, start = tables.base_header()
        tail |= number << 5
        code, crc = header.take(tail), start.take(tail)
        count = np.zeros(len(number), dtype=np.uint8)
    count += code >> tables.COUNT_SHIFT
    words = tables.crc15_words()
    data = payload.astype(np.uint64).view(np.int64)
    for shift in range(48, 63 - 8 * size, -16):
        word = data >> shift & 0xFFFF
        crc = words.take(crc ^ word)
        code = tables.step(code, word, 16)
        count += code >> tables.COUNT_SHIFT
    if size & 1:
        byte = data >> (64 - 8 * size) & 0xFF
        crc = words.take(crc >> 8 ^ byte) ^ crc << 8
        code = tables.step(code, byte, 8)
        count += code >> tables.COUNT_SHIFT
    state = (code & tables.STATE_MASK).astype(np.intp)
    count += tables.last_stuff_table().take(state << 15 | crc >> 1)
    return count


def _fd_bytes(kind: int, rows: Rows, payload: UInt8s, long_row: Int32s, long_payload: UInt8s) -> UInt8s:
    """Payloads of CAN FD rows, as many bytes as their length code says; uint8[n, size]."""
    size = int(FD_LENGTH_OF_CODE[kind & 15])
    if size <= 8:
        return payload[rows, :size]
    wide = np.zeros((len(rows), size), dtype=np.uint8)
    wide[:, :8] = payload[rows]
    here, at = long_ones(long_row, rows)
    wide[here] = long_payload[at, :size]
    return wide


def _fd_stuff(kind: int, identifier: UInt32s, flags: UInt8s, dlc: UInt8s, data: UInt8s) -> tuple[UInt8s, UInt8s]:
    """Dynamic stuff bits of CAN FD frames up to the BRS bit, and of the whole frame; uint8[n] each.

    With BRS set no stuff bit can follow the BRS bit: the reserved bit before it differs. The last bit before
    the CRC field gets none either: the first fixed stuff bit takes its place.
    """
    number = identifier.astype(np.intp)
    if kind & _EXTENDED:
        code = tables.extended_start().take(number >> 13)
        early = code >> tables.COUNT_SHIFT
        code = tables.step(code, (number & 0x1FFF) << 3 | 0b010, 16)
        early += code >> tables.COUNT_SHIFT
    else:
        code = tables.base_fd_start().take(number)
        early = code >> tables.COUNT_SHIFT
    brs, esi = (flags & np.uint8(Flag.BRS)) != 0, (flags & np.uint8(Flag.ESI)) != 0
    late = (dlc & 15).astype(np.intp) | brs.astype(np.intp) << 5 | esi.astype(np.intp) << 4
    code = tables.step(code, late, 6)
    count = early + (code >> tables.COUNT_SHIFT)
    last = late & 1
    size = data.shape[1]
    columns = data.T.astype(np.intp)
    for at in range(0, size - 1, 2):
        code = tables.step(code, columns[at] << 8 | columns[at + 1], 16)
        count += code >> tables.COUNT_SHIFT
    if size & 1:
        code = tables.step(code, columns[size - 1], 8)
        count += code >> tables.COUNT_SHIFT
    if size:
        last = columns[size - 1] & 1
    ended_stuffed = (code & tables.STATE_MASK) == tables.state(0, 1) + (1 - last) * 4
    return early, count - ended_stuffed


def classic_bits(
    length: int, extended: bool, stuffing: Stuffing = "worst", *, interframe: int = INTERFRAME_BITS
) -> int:
    """Bits of a classic frame of `length` bytes for planning; a remote frame is one of no bytes.

    Best: no stuff bit at all. Worst: ``g + 8n + 13 + floor((g + 8n - 1) / 4)`` with g = 34 or 54 bits subject
    to stuffing besides the data, which is 55 + 10n or 80 + 10n, the 3 bits of interframe space included (Davis,
    Burns, Bril, Lukkien: Controller Area Network schedulability analysis, Real-Time Systems 35, 2007, eq. 3, 4).

    Raises
    ------
    UserError
        `length` is not 0..8.
    """
    if not 0 <= length <= 8:
        raise UserError(f"a classic frame has 0 to 8 bytes, not {length}", hint="use CAN FD for longer payloads")
    subject = (54 if extended else 34) + 8 * length
    stuff = (subject - 1) // 4 if stuffing == "worst" else 0
    return subject + 10 + stuff + interframe


def fd_bits(
    length: int,
    extended: bool,
    stuffing: Stuffing = "worst",
    *,
    switched: bool = True,
    fd: FdForm = "iso",
    interframe: int = INTERFRAME_BITS,
) -> tuple[int, int]:
    """Bits of a CAN FD frame of `length` bytes for planning: (at the nominal rate, at the data rate).

    Best: no dynamic stuff bit. Worst: the exact maximum over every identifier and payload; with the bit-rate
    switch both parts reach theirs at once, because stuffing starts afresh at the BRS bit.

    Raises
    ------
    UserError
        CAN FD has no length code for `length`.
    """
    if length not in FD_LENGTHS:
        larger = next((size for size in FD_LENGTHS if size >= length), 64)
        raise UserError(f"CAN FD has no length of {length} bytes", hint=f"the next that it has is {larger}")
    first, second = _fd_worst_stuff(length, extended, switched) if stuffing == "worst" else (0, 0)
    nominal = (_EXTENDED_FD_NOMINAL if extended else _BASE_FD_NOMINAL) + TAIL_BITS + first + interframe
    data = _FD_LATE_HEADER + 8 * length + _fd_crc_field(length, fd) + second
    return (nominal, data) if switched else (nominal + data, 0)


@cache
def _fd_worst_stuff(length: int, extended: bool, switched: bool) -> tuple[int, int]:
    arbitration = "0" + "x" * 11 + ("11" + "x" * 18 + "010" if extended else "0010")
    # The last bit is left out: a stuff bit after it is replaced by the first fixed one.
    late = ("x" + f"{FD_LENGTHS.index(length):04b}" + "x" * (8 * length))[:-1]
    if not switched:
        return tables.most_stuff_bits(arbitration + "0" + late), 0
    return tables.most_stuff_bits(arbitration), tables.most_stuff_bits("1" + late, tables.state(0, 1))
