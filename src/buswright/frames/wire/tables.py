"""Tables behind the exact wire time: bit stuffing as a finite automaton, CRC as table look-ups.

A stuffing state is what the next bit needs to know: the last bit sent and how many equal bits in a row
that makes, stuff bits included. After the fifth equal bit a stuff bit of the other value follows at once
(ISO 11898-1; Bosch CAN 2.0, section 5), so a row is never longer than four between bits and eight states
are enough. A table of `STUFF` maps (state, next k bits) to one byte: stuff bits added in bits 3.., new
state in bits 0..2. One look-up then does the work of up to sixteen bits.

All tables are built on first use, by NumPy, from one-bit steps; together they cost a few milliseconds.
"""

from __future__ import annotations

from functools import cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

UInt8s = npt.NDArray[np.uint8]
UInt16s = npt.NDArray[np.uint16]
UInt32s = npt.NDArray[np.uint32]
_Array = TypeVar("_Array", UInt8s, UInt16s, UInt32s)

STATES = 8
STATE_MASK = np.uint8(7)
COUNT_SHIFT = np.uint8(3)

CRC15 = (15, 0x4599)
"""Width and polynomial (Bosch CAN 2.0, section 3.1.1; CRC catalogue, "CRC-15/CAN")."""


def state(bit: int, run: int) -> int:
    """Return the number of the state "`run` equal bits of value `bit` so far", run 1..4."""
    return bit << 2 | (run - 1)


AFTER_START = state(0, 1)
"""After the start-of-frame bit: one dominant bit."""
BUS_IDLE = state(1, 1)
"""Before it: recessive, and the row that it begins does not count."""


def _one_bit() -> UInt8s:
    table = np.zeros((STATES, 2), dtype=np.uint8)
    for last in (0, 1):
        for run in (1, 2, 3, 4):
            same = state(1 - last, 1) | 1 << 3 if run == 4 else state(last, run + 1)
            table[state(last, run), last] = same
            table[state(last, run), 1 - last] = state(1 - last, 1)
    return table


@cache
def stuff_table(bits: int) -> UInt8s:
    """Return the look-up table for `bits` bits at once, most significant first: uint8[8 << bits].

    Index it with ``state << bits | value``.
    """
    if bits == 1:
        return _frozen(_one_bit().reshape(-1))
    first, second = bits // 2, bits - bits // 2
    high = stuff_table(first).reshape(STATES, -1)
    low = stuff_table(second).reshape(STATES, -1)
    both = low[high & STATE_MASK]
    both += (high & ~STATE_MASK)[:, :, None]
    return _frozen(both.reshape(-1))


@cache
def last_stuff_table() -> UInt8s:
    """Stuff bits that the 15 bits of a classic CRC add, by state: uint8[8 << 15]; index as in `stuff_table`."""
    return _frozen(stuff_table(15) >> COUNT_SHIFT)


def run_stuffing(start: int, pieces: list[tuple[npt.NDArray[np.intp], int]]) -> UInt8s:
    """Feed arrays of bit fields through the automaton; each piece is (values, width up to 16)."""
    code, count = np.full(len(pieces[0][0]), start, dtype=np.uint8), np.zeros(len(pieces[0][0]), dtype=np.uint8)
    for values, width in pieces:
        code = step(code, values, width)
        count += code >> COUNT_SHIFT
    return count << COUNT_SHIFT | code & STATE_MASK


def step(code: UInt8s, values: npt.NDArray[np.intp], width: int) -> UInt8s:
    """Feed one bit field: the entry of the table of `width` bits for the state of the entry before."""
    index = (code & STATE_MASK).astype(np.intp)
    index <<= width
    index |= values
    return stuff_table(width).take(index)


@cache
def crc_table(width: int, polynomial: int, bits: int) -> UInt32s:
    """Return the remainder of every value of `bits` bits: uint32[1 << bits], ``value * x**width mod P``.

    A step over k <= `bits` message bits of a register `crc` is
    ``(crc << k) & mask ^ table[(crc >> (width - k)) ^ message]`` (k <= width).
    """
    table = np.zeros(1 << bits, dtype=np.uint32)
    mask = (1 << width) - 1
    power = polynomial & mask
    for bit in range(bits):
        table[1 << bit : 2 << bit] = table[: 1 << bit] ^ power
        power = (power << 1) & mask ^ ((polynomial & mask) if power >> (width - 1) else 0)
    return _frozen(table)


@cache
def crc15_words() -> UInt16s:
    """CRC-15 of sixteen bits at once, the register kept in the upper 15 bits of a uint16: uint16[65536].

    ``crc = table[crc ^ word]``: the register is shorter than the word, so nothing of it is left over.
    """
    return _frozen((crc_table(*CRC15, 16) << 1).astype(np.uint16))


@cache
def base_header() -> tuple[UInt8s, UInt16s]:
    """Stuffing code and CRC after a classic base header, by ``id << 5 | rtr << 4 | dlc``; [65536] each.

    The header: start of frame 0, ID 11, RTR, IDE 0, r0 0, DLC 4.
    """
    index = np.arange(1 << 16, dtype=np.intp)
    identifier, rtr, dlc = index >> 5, index >> 4 & 1, index & 15
    code = run_stuffing(AFTER_START, [(identifier, 11), (rtr << 6 | dlc, 7)])
    head = identifier << 7 | rtr << 6 | dlc
    words = crc15_words()
    crc = words[words[head >> 16].astype(np.intp) ^ (head & 0xFFFF)]
    return _frozen(code), _frozen(crc)


@cache
def extended_start() -> UInt8s:
    """Stuffing code after 19 bits of an extended header, by the upper 16 bits of the identifier; uint8[65536].

    The bits: start of frame 0, ID 11, SRR 1, IDE 1, the next 5 of the ID.
    """
    index = np.arange(1 << 16, dtype=np.intp)
    return _frozen(run_stuffing(AFTER_START, [(index >> 5, 11), (3 << 5 | index & 31, 7)]))


@cache
def extended_crc() -> tuple[UInt16s, UInt16s, UInt16s]:
    """CRC of an extended header in three parts to XOR together (the CRC is linear, its start value zero).

    By the upper 15 bits of the identifier (uint16[32768], the recessive SRR and IDE included), its lower 14
    (uint16[16384]), and ``rtr << 4 | dlc`` (uint16[32]). The header: start of frame 0, ID 11, SRR 1, IDE 1,
    ID 18, RTR, r1 0, r0 0, DLC 4.
    """
    upper = np.arange(1 << 15, dtype=np.int64)
    upper = upper >> 4 << 27 | 3 << 25 | (upper & 15) << 21
    lower = np.arange(1 << 14, dtype=np.int64) << 7
    rest = np.arange(32, dtype=np.int64)
    return _crc15_of(upper), _crc15_of(lower), _crc15_of(rest >> 4 << 6 | rest & 15)


def _crc15_of(message: npt.NDArray[np.int64]) -> UInt16s:
    words = crc15_words()
    crc = np.zeros(message.shape, dtype=np.uint16)
    for shift in (32, 16, 0):
        crc = words[crc ^ (message >> shift & 0xFFFF).astype(np.uint16)]
    return _frozen(crc)


@cache
def base_fd_start() -> UInt8s:
    """Stuffing code after ID 11, RRS 0, IDE 0, FDF 1, reserved 0 of a CAN FD base header: uint8[2048]."""
    identifier = np.arange(1 << 11, dtype=np.intp)
    return _frozen(run_stuffing(AFTER_START, [(identifier << 4 | 2, 15)]))


def most_stuff_bits(pattern: str, start: int = BUS_IDLE) -> int:
    """Return the most stuff bits that a field can take: "0" and "1" are fixed bits, "x" any.

    A stuff bit after the last bit is counted. An exact maximum over all free bits (longest path through
    the automaton), where Davis' formula is a bound that ignores which bits are fixed.
    """
    step = _one_bit()
    most: dict[int, int] = {start: 0}
    for symbol in pattern:
        after: dict[int, int] = {}
        for current, count in most.items():
            for bit in (0, 1) if symbol == "x" else (int(symbol),):
                code = int(step[current, bit])
                new, total = code & 7, count + (code >> 3)
                after[new] = max(after.get(new, 0), total)
        most = after
    return max(most.values())


def _frozen(table: _Array) -> _Array:
    table.flags.writeable = False
    return table
