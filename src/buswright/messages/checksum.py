"""Counters and checksums that senders put into their payloads, computed on whole columns of payloads.

A checksum is described as in the car file: which kind, where it stands, which bytes it covers. Every kind is a
small value in `KINDS`, so a recogniser can try them all.

Sources
-------
CRC parameters: AUTOSAR Specification of CRC Routines (SAE J1850: polynomial 0x1D, start and final XOR 0xFF;
8H2F: 0x2F, 0xFF, 0xFF; 16-bit CCITT-FALSE: 0x1021, start 0xFFFF). End-to-end profiles 1, 2 and 5: AUTOSAR E2E
protocol specification. J1939: SAE J1939-71, the message counter and checksum of SPN 4206 and 4207.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import partial
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from buswright.frames.wire.tables import crc_table as wire_table

UInt8s = npt.NDArray[np.uint8]
UInt16s = npt.NDArray[np.uint16]
UInt64s = npt.NDArray[np.uint64]
Int64s = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

DataId = int | tuple[int, ...] | None
"""None, one number, or (e2e-p02 only) one byte for each of the sixteen counter values."""


@dataclass(frozen=True, slots=True, eq=False)
class _Given:
    """A column of payloads, and what a checksum of them is computed from.

    Attributes
    ----------
    payload : uint8[n, L]
    position
        The checksum's (first) byte.
    covered
        The byte columns that count, never those of the checksum itself; uint8[n] each.
    data_id
        As in `Checksum`; the identifier where the kind takes it and there is no other.
    """

    payload: UInt8s
    position: int
    covered: Sequence[UInt8s]
    data_id: DataId

    def id_bytes(self, size: int | None = None) -> list[UInt8s]:
        """Bytes of the data ID, least significant first: as many as it needs; with `size` so many, 0 without an ID."""
        number = self.data_id
        if number is None and size is None:
            return []
        if isinstance(number, tuple):
            raise TypeError("a list of data IDs belongs to e2e-p02 only")
        number = number or 0
        places = range(max(1, (number.bit_length() + 7) // 8) if size is None else size)
        return [np.array(number >> 8 * place & 0xFF, dtype=np.uint8) for place in places]

    def behind(self, mask: int) -> UInt8s:
        """Bits of the byte behind the checksum, where the end-to-end profiles have their counter; uint8[n]."""
        return self.payload[:, self.position + 1] & np.uint8(mask)


@dataclass(frozen=True, slots=True)
class ChecksumKind:
    """One way of computing a checksum.

    Attributes
    ----------
    name
        As written in a car file.
    width
        Bits: 4, 8 or 16 (16: least significant byte first).
    description
        Plain words.
    compute
        What the checksum should be, for every payload of a column; uint16[n].
    shift
        Lowest bit of the checksum in its byte; 4 for one that shares its byte with a counter.
    uses_identifier
        Takes the frame's identifier where no `data_id` is given.
    """

    name: str
    width: int
    description: str
    compute: Callable[[_Given], UInt16s]
    shift: int = 0
    uses_identifier: bool = False

    @property
    def bytes(self) -> int:
        """How many bytes it stands in."""
        return (self.width + self.shift + 7) // 8

    def stored(self, payload: UInt8s, position: int) -> UInt16s:
        """Read the checksum that stands in the payloads, uint16[n]."""
        value = payload[:, position].astype(np.uint16)
        if self.bytes == 2:
            value |= payload[:, position + 1].astype(np.uint16) << np.uint16(8)
        return (value >> np.uint16(self.shift)) & np.uint16((1 << self.width) - 1)


def crc_table(polynomial: int, width: int) -> UInt16s:
    """Return the 256-entry table of a most-significant-bit-first CRC of 8 or 16 bits."""
    return wire_table(width, polynomial, 8).astype(np.uint16)


_J1850 = crc_table(0x1D, 8)
_H2F = crc_table(0x2F, 8)
_CCITT = crc_table(0x1021, 16)


def crc8(table: UInt16s, columns: Sequence[UInt8s], count: int, start: int, final: int) -> UInt16s:
    """CRC-8 over byte columns, each uint8[count] (or a scalar array); uint16[count]."""
    small = table.astype(np.uint8)
    register = np.full(count, start, dtype=np.uint8)
    for column in columns:
        register = small[register ^ column]
    return (register ^ np.uint8(final)).astype(np.uint16)


def crc16(table: UInt16s, columns: Sequence[UInt8s], count: int, start: int, final: int) -> UInt16s:
    """CRC-16 over byte columns, each uint8[count] (or a scalar array); uint16[count]."""
    register = np.full(count, start, dtype=np.uint16)
    for column in columns:
        register = (register << np.uint16(8)) ^ table[(register >> np.uint16(8)) ^ column]
    return register ^ np.uint16(final)


def _sum(columns: Sequence[UInt8s], count: int) -> UInt16s:
    total = np.zeros(count, dtype=np.uint16)  # 64 bytes of 255 and an ID stay below 65536
    for column in columns:
        total += column
    return total


def _xor(given: _Given) -> UInt16s:
    folded = np.zeros(len(given.payload), dtype=np.uint8)
    for column in (*given.covered, *given.id_bytes()):
        folded ^= column
    return folded.astype(np.uint16)


def _sum8(given: _Given, complement: int = 0) -> UInt16s:
    """Sum modulo 256; `complement` 1 inverts it, 2 negates it."""
    total = _sum((*given.covered, *given.id_bytes()), len(given.payload))
    if complement:
        total = ~total + np.uint16(complement - 1)
    return total & np.uint16(0xFF)


def _crc8(given: _Given, table: UInt16s, ends: int) -> UInt16s:
    """CRC-8 over the payload, then over the data ID if there is one; `ends` is its start value and final XOR."""
    return crc8(table, (*given.covered, *given.id_bytes()), len(given.payload), ends, ends)


def _profile1(given: _Given, mode: str) -> UInt16s:
    """E2E profile 1: CRC-8 J1850 over data ID bytes chosen by `mode`, then the data.

    The profile undoes the routine's own start value and final XOR, so both are 0 in effect. The counter is the low
    nibble of the byte after the CRC.
    """
    low, high = given.id_bytes(2)
    seeds = [low]
    if mode == "both":
        seeds.append(high)
    elif mode == "nibble":
        seeds.append(np.array(0, dtype=np.uint8))
    elif mode == "alt":
        seeds = [np.where(given.behind(0x01) == 1, high, low)]
    return crc8(_J1850, (*seeds, *given.covered), len(given.payload), 0x00, 0x00)


def _profile2(given: _Given) -> UInt16s:
    """E2E profile 2: CRC-8H2F over the data, then one data ID byte chosen by the counter."""
    ids = given.data_id
    if isinstance(ids, tuple):
        if len(ids) != 16:
            raise ValueError(f"e2e-p02 takes one data ID or sixteen, not {len(ids)}")
        last = np.array(ids, dtype=np.uint8)[given.behind(0x0F)]
    else:
        last = np.array((ids or 0) & 0xFF, dtype=np.uint8)
    return crc8(_H2F, (*given.covered, last), len(given.payload), 0xFF, 0xFF)


def _profile5(given: _Given) -> UInt16s:
    """E2E profile 5: CRC-16 CCITT-FALSE over the data, then the data ID, low byte first."""
    return crc16(_CCITT, (*given.covered, *given.id_bytes(2)), len(given.payload), 0xFFFF, 0x0000)


def _j1939(given: _Given) -> UInt16s:
    """J1939 message checksum: data, message counter (low nibble of the checksum's byte) and identifier bytes."""
    counter = given.payload[:, given.position] & np.uint8(0x0F)
    total = _sum((*given.covered, counter, *given.id_bytes()), len(given.payload))
    return (((total >> np.uint16(6)) & np.uint16(3)) + (total >> np.uint16(3)) + total) & np.uint16(7)


KINDS: Mapping[str, ChecksumKind] = MappingProxyType(
    {
        kind.name: kind
        for kind in (
            ChecksumKind("xor", 8, "exclusive or of all bytes", _xor),
            ChecksumKind("sum8", 8, "sum of all bytes, modulo 256", _sum8),
            ChecksumKind("sum8-id", 8, "sum of all bytes and of the identifier's bytes", _sum8, uses_identifier=True),
            ChecksumKind("sum8-ones", 8, "one's complement of the sum of all bytes", partial(_sum8, complement=1)),
            ChecksumKind("sum8-twos", 8, "two's complement of the sum of all bytes", partial(_sum8, complement=2)),
            ChecksumKind(
                "crc8-j1850", 8, "CRC-8 SAE J1850 (0x1D, start and final 0xFF)", partial(_crc8, table=_J1850, ends=0xFF)
            ),
            ChecksumKind(
                "crc8-j1850-zero", 8, "CRC-8 with 0x1D, start and final 0", partial(_crc8, table=_J1850, ends=0x00)
            ),
            ChecksumKind(
                "crc8-autosar", 8, "CRC-8 8H2F (0x2F, start and final 0xFF)", partial(_crc8, table=_H2F, ends=0xFF)
            ),
            ChecksumKind(
                "e2e-p01", 8, "AUTOSAR E2E profile 1, both bytes of the data ID", partial(_profile1, mode="both")
            ),
            ChecksumKind(
                "e2e-p01-alt", 8, "AUTOSAR E2E profile 1, data ID bytes in turn", partial(_profile1, mode="alt")
            ),
            ChecksumKind(
                "e2e-p01-low", 8, "AUTOSAR E2E profile 1, low byte of the data ID", partial(_profile1, mode="low")
            ),
            ChecksumKind(
                "e2e-p01-nibble", 8, "AUTOSAR E2E profile 1, 12-bit data ID", partial(_profile1, mode="nibble")
            ),
            ChecksumKind("e2e-p02", 8, "AUTOSAR E2E profile 2, data ID chosen by the counter", _profile2),
            ChecksumKind("e2e-p05", 16, "AUTOSAR E2E profile 5, CRC-16 and 16-bit data ID", _profile5),
            ChecksumKind(
                "j1939", 4, "J1939 message checksum, above a message counter", _j1939, shift=4, uses_identifier=True
            ),
        )
    }
)
"""Every kind by the name a car file uses."""


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum as a car file's frame entry describes it.

    Attributes
    ----------
    kind
        A name from `KINDS`.
    byte
        Its (first) byte, from 0.
    over
        First and last byte covered, both included; None covers all. Its own bytes are left out in any case.
    data_id
        What the sender mixes in besides the payload. The plain kinds append its bytes, least significant first,
        as many as it needs; `sum8-id` and `j1939` take the frame's identifier where it is None.
    """

    kind: str
    byte: int
    over: tuple[int, int] | None = None
    data_id: DataId = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"checksum kind {self.kind!r} is not one of {', '.join(KINDS)}")

    @property
    def shortest(self) -> int:
        """Payload bytes that a frame must have for this checksum to be there at all."""
        behind = 1 if self.kind in _COUNTER_BEHIND else 0
        return max(self.byte + KINDS[self.kind].bytes + behind, self.over[1] + 1 if self.over else 0)

    def expected(self, payload: UInt8s, identifier: int) -> UInt16s:
        """Return what the checksum should be, uint16[n], for uint8[n, L] payloads of one identifier.

        Raises
        ------
        ValueError
            The payloads are shorter than `shortest`.
        """
        if payload.shape[1] < self.shortest:
            raise ValueError(f"checksum {self.kind!r} needs {self.shortest} bytes, the payload has {payload.shape[1]}")
        kind = KINDS[self.kind]
        data_id = identifier if self.data_id is None and kind.uses_identifier else self.data_id
        first, last = self.over or (0, payload.shape[1] - 1)
        own = range(self.byte, self.byte + kind.bytes)
        covered = [payload[:, place] for place in range(first, last + 1) if place not in own]
        return kind.compute(_Given(payload, self.byte, covered, data_id))

    def verify(self, payload: UInt8s, identifier: int) -> Bools:
        """Say for every payload whether the checksum it carries is right; bool[n]."""
        expected = self.expected(payload, identifier)
        return np.asarray(KINDS[self.kind].stored(payload, self.byte) == expected)

    def fill(self, payload: UInt8s, identifier: int) -> None:
        """Write the right checksum into the payloads, in place."""
        kind = KINDS[self.kind]
        expected = self.expected(payload, identifier)
        if kind.bytes == 2:
            payload[:, self.byte] = expected & np.uint16(0xFF)
            payload[:, self.byte + 1] = expected >> np.uint16(8)
            return
        others = np.uint8(0xFF ^ ((1 << kind.width) - 1) << kind.shift)
        payload[:, self.byte] &= others
        payload[:, self.byte] |= (expected << np.uint16(kind.shift)).astype(np.uint8)


_COUNTER_BEHIND = frozenset({"e2e-p01-alt", "e2e-p02"})
"""Kinds that read the counter in the byte after the checksum."""


class Step(IntEnum):
    """What a counter did between a frame and the one before."""

    FIRST = 0
    """There is no frame before."""
    NEXT = 1
    """One further, as it should."""
    REPEAT = 2
    """The same again: a frame sent twice, or a stale one."""
    JUMP = 3
    """More than one further, at most half the range: frames lost."""
    BACK = 4
    """Further than half the range: a restart, or two senders."""


@dataclass(frozen=True, slots=True)
class Counter:
    """A counter in a payload.

    Attributes
    ----------
    start
        Its least significant bit, numbered as for little-endian signals: bit 0 is the lowest of byte 0.
    length
        Bits, 1 to 32.
    modulus
        How many values it takes; None: all that fit (15 for AUTOSAR profile 1, whose fifteenth means invalid).
    """

    start: int
    length: int
    modulus: int | None = None

    def __post_init__(self) -> None:
        if self.start < 0 or not 1 <= self.length <= 32:
            raise ValueError(f"a counter of {self.length} bits from bit {self.start} is impossible")

    @property
    def values(self) -> int:
        """How many values it takes before it wraps."""
        return self.modulus or 1 << self.length

    @property
    def shortest(self) -> int:
        """Payload bytes that a frame must have for the counter to be there."""
        return (self.start + self.length + 7) // 8

    def extract(self, payload: UInt8s) -> Int64s:
        """Read the counter, int64[n], from uint8[n, L] payloads.

        Raises
        ------
        ValueError
            The payloads are shorter than `shortest`.
        """
        if payload.shape[1] < self.shortest:
            raise ValueError(f"the counter needs {self.shortest} bytes, the payload has {payload.shape[1]}")
        word = np.zeros(len(payload), dtype=np.int64)
        first = self.start // 8
        for i in range(first, self.shortest):
            word |= payload[:, i].astype(np.int64) << (8 * (i - first))
        return (word >> (self.start % 8)) & ((1 << self.length) - 1)

    def insert(self, payload: UInt8s, values: Int64s) -> None:
        """Write counter values (wrapped to its range) into the payloads, in place."""
        first = self.start // 8
        word = (values % self.values) << (self.start % 8)
        mask = ((1 << self.length) - 1) << (self.start % 8)
        for i in range(first, self.shortest):
            payload[:, i] &= np.uint8(~(mask >> 8 * (i - first)) & 0xFF)
            payload[:, i] |= (word >> 8 * (i - first) & 0xFF).astype(np.uint8)

    def steps(self, values: Int64s) -> Int64s:
        """Return how far the counter went from one frame to the next, 0 .. `values` - 1; int64[n - 1]."""
        return np.diff(values) % self.values

    def classify(self, values: Int64s) -> UInt8s:
        """Sort every frame's step into `Step`; uint8[n]."""
        kinds = np.full(len(values), Step.FIRST, dtype=np.uint8)
        if len(values) > 1:
            steps = self.steps(values)
            kinds[1:] = np.select(
                [steps == 1, steps == 0, 2 * steps <= self.values],
                [np.uint8(Step.NEXT), np.uint8(Step.REPEAT), np.uint8(Step.JUMP)],
                np.uint8(Step.BACK),
            )
        return kinds
