"""Checksums of unknown frames: which, over what.

First every kind that a car file may name (`health` looks for these, too), in the first and last byte. Then each byte
that moves, over each stretch of bytes, with every polynomial: the CRC of two payloads' exclusive or is the exclusive
or of their CRCs, whatever value the register starts with and whatever constant is mixed in (linearity over GF(2);
Peterson, Brown, "Cyclic Codes for Error Detection", Proc. IRE 49, 1961). So differences of payloads tell the
polynomial alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.frames.table import UInt8s
from buswright.health.identifiers.checksum import find_checksum
from buswright.messages.checksum import KINDS, Checksum, crc_table

LEAST_FRAMES = 48
"""Different payloads from which a checksum of unknown constant is believed."""
MOST_FRAMES = 256
RIGHT = 0.97
"""Share of the frames that must be right."""
_LEAST_RANK = 4
"""Independent differences (over GF(2)) in the bytes covered: a wrong byte passes by chance once in 2^(8 * rank)."""
_LEAST_BYTES = 2
"""Bytes covered that move: of one, any CRC is but another way of writing it."""
_RESTLESS = 0.05
"""Share of the frames in which each of the three highest bits of a checksum flips at the least."""
_MOST_PLACES = 8
_GLANCE = 12
_REVERSED = np.packbits(np.unpackbits(np.arange(256, dtype=np.uint8)[:, np.newaxis], axis=1)[:, ::-1], axis=1)[:, 0]


@dataclass(frozen=True, slots=True)
class Check:
    """A checksum that was found.

    Attributes
    ----------
    byte, bits
        Its first byte, and its bits; bit 0 is the lowest of byte 0.
    over
        First and last byte covered, both included, its own left out.
    kind
        Its name in a car file; empty where a car file has none for it.
    checksum
        As a car file can describe it; None where it can't.
    right, frames
        Of the frames looked at, those where it is right.
    """

    byte: int
    bits: tuple[int, ...]
    over: tuple[int, int]
    kind: str
    text: str
    checksum: Checksum | None
    right: int
    frames: int


def find_check(payload: UInt8s, identifier: int) -> Check | None:
    """Look for the checksum of one identifier's frames.

    `payload` (uint8[n, L]): frames in order, all of one length.
    """
    size = payload.shape[1]
    if not len(payload):
        return None
    known, _ = find_checksum(payload, np.full(len(payload), size, dtype=np.uint8), identifier)
    fresh = np.concatenate([[True], (payload[1:] != payload[:-1]).any(axis=1)])
    some = payload[fresh]
    if len(some) > MOST_FRAMES:
        some = some[np.linspace(0, len(some) - 1, MOST_FRAMES).astype(np.intp)]
    if known is not None:
        right = int(known.verify(some, identifier).sum())
        if right >= RIGHT * len(some):
            return _of_kind(known, size, right, len(some))
    if len(some) < LEAST_FRAMES or size < _LEAST_BYTES + 1:
        return None
    return _any_sum(some, identifier) or _any_crc(some)


def _of_kind(checksum: Checksum, size: int, right: int, frames: int) -> Check:
    kind = KINDS[checksum.kind]
    first = 8 * checksum.byte + kind.shift
    text = kind.description
    if checksum.data_id is not None:
        text += ", with the identifier mixed in"
    over = checksum.over or (0, size - 1)
    return Check(
        checksum.byte, tuple(range(first, first + kind.width)), _trimmed(over, checksum.byte, kind.bytes),
        kind.name, text, checksum, right, frames,
    )  # fmt: skip


def _trimmed(over: tuple[int, int], at: int, own: int) -> tuple[int, int]:
    """Leave the checksum's own bytes out where they lie at an end."""
    first, last = over
    return (at + own if first == at else first), (at - 1 if last == at + own - 1 else last)


def _stretches(size: int, at: int) -> list[tuple[int, int]]:
    """Return which bytes may be covered, the most likely first: all but its own, then what stands before or behind."""
    found = [(0, size - 1), (0, at - 1), (at + 1, size - 1)]
    found += [(first, last) for first in range(min(size, 4)) for last in (at - 1, size - 1)]
    return [(a, b) for a, b in dict.fromkeys(found) if b - a >= 1 or (a <= b and at not in (a, b))]


def _places(payload: UInt8s) -> list[int]:
    """Bytes whose highest bits flip often, as no quantity's do: the most restless first, then the last."""
    size = payload.shape[1]
    moved = (payload[1:] ^ payload[:-1]) & np.uint8(0xE0)
    restless = np.unpackbits(moved, axis=1).reshape(len(moved), size, 8).mean(axis=(0, 2)) * 8 / 3
    places = [at for at in range(size - 1, -1, -1) if restless[at] >= _RESTLESS]
    return sorted(places, key=lambda at: (-round(4 * float(restless[at])), at not in (0, size - 1)))[:_MOST_PLACES]


def _any_sum(payload: UInt8s, identifier: int) -> Check | None:
    """Try the kinds that a car file may name in every place, over every stretch, with the identifier and without."""
    size = payload.shape[1]
    glance = payload[:: max(1, len(payload) // _GLANCE)]
    for at in _places(payload):
        for over in _stretches(size, at):
            if not _varied(payload, at, over):
                continue
            for kind in KINDS.values():
                if kind.width != 8 or kind.name.startswith("e2e-p01"):
                    continue
                for data_id in (None, identifier) if kind.name.startswith("crc8") else (None,):
                    checksum = Checksum(kind.name, at, None if over == (0, size - 1) else over, data_id)
                    if checksum.shortest > size or checksum.verify(glance, identifier).mean() < RIGHT:
                        continue
                    right = int(checksum.verify(payload, identifier).sum())
                    if right >= RIGHT * len(payload):
                        return _of_kind(checksum, size, right, len(payload))
    return None


def _any_crc(payload: UInt8s) -> Check | None:
    """Try every polynomial of eight bits, both bit orders, whatever it starts with; and sums that a constant joins."""
    size = payload.shape[1]
    delta = payload[1:] ^ payload[:-1]
    for at in _places(payload):
        for first, last in _stretches(size, at):
            if not _varied(payload, at, (first, last)):
                continue
            columns = [byte for byte in range(first, last + 1) if byte != at]
            steps = payload[:, columns].sum(axis=1, dtype=np.uint8)
            for sign, words in (
                (1, "sum of the bytes and of a constant"),
                (-1, "a constant less the sum of the bytes"),
            ):
                rest = payload[:, at] - np.uint8(sign % 256) * steps
                constant = int(np.bincount(rest).argmax())
                right = int((rest == constant).sum())
                if right >= RIGHT * len(payload):
                    return _plain(at, (first, last), f"{words}, modulo 256 (constant 0x{constant:02X})", right, payload)
            found = _polynomial(delta, at, columns)
            if found is not None:
                words, wrong = found
                return _plain(at, (first, last), words, len(payload) - wrong, payload)
    return None


def _plain(at: int, over: tuple[int, int], text: str, right: int, payload: UInt8s) -> Check:
    return Check(at, tuple(range(8 * at, 8 * at + 8)), _trimmed(over, at, 1), "", text, None, right, len(payload))


def _polynomial(delta: UInt8s, at: int, columns: list[int]) -> tuple[str, int] | None:
    """Return the CRC-8 that differences obey, and how many frames are wrong."""
    if (delta[:, at] == np.bitwise_xor.reduce(delta[:, columns], axis=1)).mean() >= RIGHT:
        return "exclusive or of the bytes and of a constant", 0
    glance = delta[:: max(1, len(delta) // _GLANCE)]
    for reflected in (False, True):
        some, whole = (_REVERSED[each] if reflected else each for each in (glance, delta))
        register = np.zeros((len(_TABLES), len(some)), dtype=np.uint8)
        for column in columns:
            register = np.take_along_axis(_TABLES, (register ^ some[:, column]).astype(np.intp), axis=1)
        fits = (register == some[:, at]).mean(axis=1)
        for number in np.flatnonzero(fits >= 0.9 * RIGHT).tolist():
            final = np.zeros(len(whole), dtype=np.uint8)
            for column in columns:
                final = _TABLES[number][final ^ whole[:, column]]
            wrong = int((final != whole[:, at]).sum())
            if wrong <= (1 - RIGHT) * len(whole):
                order = ", lowest bit first" if reflected else ""
                return f"CRC-8 with polynomial 0x{2 * number + 1:02X}{order}, and a constant", wrong
    return None


def _varied(payload: UInt8s, at: int, over: tuple[int, int]) -> bool:
    """Whether what is covered moves in enough bytes and ways for a fit to be no chance."""
    columns = [byte for byte in range(over[0], over[1] + 1) if byte != at]
    some = payload[:64, columns]
    if np.count_nonzero((some != some[:1]).any(axis=0)) < _LEAST_BYTES:
        return False
    return rank(some[1:] ^ some[:-1]) >= _LEAST_RANK


def rank(rows: UInt8s) -> int:
    """Return how many rows of bits are independent over GF(2); rows uint8[n, L]."""
    basis: dict[int, int] = {}
    for row in rows:
        number = int.from_bytes(row.tobytes(), "little")
        while number:
            top = number.bit_length()
            if top not in basis:
                basis[top] = number
                break
            number ^= basis[top]
    return len(basis)


_TABLES: UInt8s = np.stack([crc_table(polynomial, 8) for polynomial in range(1, 256, 2)]).astype(np.uint8)
"""Of every CRC-8 whose polynomial is odd (an even one forgets bits); uint8[128, 256]."""
