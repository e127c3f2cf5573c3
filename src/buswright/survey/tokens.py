"""Where signals begin and end: the partition of a payload that describes the changes of its bits in the fewest bits.

Published methods cut where neighbouring bits flip at different rates (READ: Marchetti, Stabili, "READ: Reverse
Engineering of Automotive Data Frames", IEEE TIFS 14(4), 2019; TANG: Nolan et al., 2018), or where the flip of a bit
no longer makes the flip of the next one likely (CAN-D: Verma et al., IEEE TVT 70(10), 2021, arXiv:2006.05993). They
look at two neighbours, and READ at one byte order. Here a whole signal is judged at once, in both byte orders: by
how long a description its steps take (minimum description length: Rissanen, "Modeling by shortest data description",
Automatica 14, 1978). A step is the difference modulo 2^width, so a carry into the bits above costs nothing: bits that
belong together are cheaper together, and independent ones apart. The shortest path through both byte orders, which
meet at byte edges, is the partition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.messages.model import Signal

UInt64s = npt.NDArray[np.uint64]
Float64s = npt.NDArray[np.float64]

LONGEST = 32
"""Bits of the longest signal looked for."""
PAIRS = 1_536
"""Steps looked at: enough to tell costs apart by far more than one bit."""
_RARE = 64
"""Further steps looked at for bits that hardly ever move."""
_RESTS = 4
_STILL_INSIDE = 2
"""Bits in a row inside a signal that may never have moved."""
_LISTED = 8
"""Steps up to this size may also be described by how often each comes."""
_BY_VALUE = 8
"""Up to so many bits a signal may also be described by how often it comes to each value."""
_OFF_BYTE = 3.0
_OFF_NIBBLE = 2.0
"""Cost, in bits, of an end that is not at the edge of a byte, and not even of a nibble: layouts favour these edges
(common practice)."""
_RESTLESS = 0.8
"""Cost of each flip of a signal's highest bit: the highest bit of a quantity seldom moves, and the lowest bits of a
noisy one, which move by themselves, are no signals."""
_SPLIT = 2.0
"""Cost of each further signal: its place has to be said."""


@dataclass(frozen=True, slots=True)
class Token:
    """A run of bits that belong together, as `Signal` counts them.

    Attributes
    ----------
    start, length, big_endian
        Place. A token within one byte has no byte order, and is little-endian.
    """

    start: int
    length: int
    big_endian: bool = False

    @property
    def bits(self) -> tuple[int, ...]:
        """Its bits from the lowest up; bit 0 is the lowest of byte 0."""
        return bits_of(self.start, self.length, self.big_endian)

    def values(self, payload: UInt8s) -> Int64s:
        """Read it from payloads, int64[n] of uint8[n, L], as unsigned numbers."""
        return read(payload, self.start, self.length, self.big_endian)


def bits_of(start: int, length: int, big_endian: bool) -> tuple[int, ...]:
    """Return the bits of a signal from the lowest up; bit 0 is the lowest of byte 0."""
    if not big_endian:
        return tuple(range(start, start + length))
    first = Signal("", start, length, big_endian=True).first_bit
    return tuple(_flipped(place) for place in range(first + length - 1, first - 1, -1))


def _flipped(place: int) -> int:
    """From bits counted as they are sent to bits counted from the lowest of byte 0, and back."""
    return place ^ 7


def read(payload: UInt8s, start: int, length: int, big_endian: bool) -> Int64s:
    """Read a signal of at most 32 bits from payloads, int64[n] of uint8[n, L], as unsigned numbers."""
    bits = bits_of(start, length, big_endian)
    value = np.zeros(len(payload), dtype=np.int64)
    at = 0
    while at < length:
        byte, low = divmod(bits[at], 8)
        taken = min(8 - low, length - at)
        part = (payload[:, byte] >> np.uint8(low)) & np.uint8((1 << taken) - 1)
        value |= part.astype(np.int64) << at
        at += taken
    return value


def steps(values: Int64s, follows: Bools, length: int) -> Int64s:
    """Return the steps between frames that follow each other, modulo 2^length, as the shorter way round."""
    half = 1 << (length - 1)
    return (np.diff(values)[follows[1:]] + half) % (1 << length) - half


def tokens_of(payload: UInt8s, follows: Bools, moving: Bools) -> list[Token]:
    """Cut a payload into tokens.

    Parameters
    ----------
    payload : uint8[n, L]
        Frames in order.
    follows : bool[n]
        Whether a row is the frame just after the row before.
    moving : bool[8 * L]
        Bits to be put into tokens; the others are constant, or known to be something else.

    Returns
    -------
    By their place. Each begins and ends with a moving bit; together they have all bits that moved in these frames.
    """
    return described(payload, follows, moving)[0]


def described(payload: UInt8s, follows: Bools, moving: Bools) -> tuple[list[Token], float]:
    """Cut a payload into tokens as `tokens_of` does, and return how many bits describe all steps, too."""
    pairs = _pairs(payload, follows, moving)
    if not len(pairs.before):
        return [], 0.0
    changed = np.unpackbits(pairs.before ^ pairs.after, axis=1, bitorder="little").any(axis=0)
    cut = _Cutter(pairs, moving & changed)
    tokens = cut.cut()
    return tokens, cut.bits * pairs.changed / len(pairs.before)


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """Frames and those just after them, in which a moving bit changed.

    Attributes
    ----------
    before, after : uint8[k, L]
        An even part of them, and those in which a bit changes that otherwise wouldn't.
    changed
        How many there are.
    still
        Pairs without a change that stand beside the chosen ones. They say how seldom a bit changes: changes that
        hardly ever meet belong to different signals. But a sender repeats itself until its values are new, so no more
        of these than `_RESTS` times the others are counted.
    """

    before: UInt8s
    after: UInt8s
    changed: int
    still: int


def _pairs(payload: UInt8s, follows: Bools, moving: Bools) -> _Pairs:
    rows = np.flatnonzero(follows)
    rows = rows[rows > 0]
    mask = np.packbits(moving, bitorder="little")
    moved = (payload[rows] ^ payload[rows - 1]) & mask
    changes = moved.any(axis=1)
    still = int(len(rows) - np.count_nonzero(changes))
    rows, moved = rows[changes], moved[changes]
    count = len(rows)
    if count > PAIRS:
        chosen = np.linspace(0, count - 1, PAIRS).astype(np.intp)
        unseen = np.bitwise_or.reduce(moved, axis=0) & ~np.bitwise_or.reduce(moved[chosen], axis=0)
        rare = np.flatnonzero((moved & unseen).any(axis=1))[:_RARE]
        rows = rows[np.union1d(chosen, rare)]
    still = min(int(still * len(rows) / max(1, count)), _RESTS * len(rows))
    return _Pairs(payload[rows - 1], payload[rows], count, still)


class _Cutter:
    """The shortest path through one payload.

    Nodes are places in two lines of bits: the little-endian one, lowest bit of byte 0 first, and the big-endian one,
    highest bit of byte 0 first. At byte edges both lines meet.
    """

    def __init__(self, pairs: _Pairs, moving: Bools) -> None:
        self._before, self._after, self._still, self._moving = pairs.before, pairs.after, pairs.still, moving
        self._size = len(moving)
        self._cost: dict[tuple[int, ...], float] = {}
        self.bits = 0.0

    def cut(self) -> list[Token]:
        """Return the tokens."""
        came, self.bits = self._forward()
        found, line, place = [], 0, self._size
        while place:
            line, place, token = came[line, place]
            if token is not None:
                found.append(token)
        return sorted(found, key=lambda token: token.bits[0])

    def _forward(self) -> tuple[dict[tuple[int, int], tuple[int, int, Token | None]], float]:
        """Find the cheapest way to every place, and what the whole way costs; lines 0 and 1, joined at byte edges."""
        cost = np.full((2, self._size + 1), np.inf)
        cost[:, 0] = 0.0
        came: dict[tuple[int, int], tuple[int, int, Token | None]] = {}
        for place in range(1, self._size + 1):
            for line in (0, 1):
                for first, price, token in self._ending(line, place):
                    if cost[line, first] + price < cost[line, place]:
                        cost[line, place] = cost[line, first] + price
                        came[line, place] = (line, first, token)
            if place % 8 == 0:
                better = int(cost[1, place] < cost[0, place])
                cost[:, place] = cost[better, place]
                came[1 - better, place] = came[better, place]
        return came, float(cost[0, self._size])

    def _ending(self, line: int, place: int) -> list[tuple[int, float, Token | None]]:
        """Return what may end just before a place of a line: (first place, cost, token or None for a still bit)."""
        moving = self._moving[_flipped(place - 1) if line else place - 1]
        if not moving:
            return [(place - 1, 0.0, None)]
        found: list[tuple[int, float, Token | None]] = []
        still = 0
        for first in range(place - 1, max(-1, place - 1 - LONGEST), -1):
            if not self._moving[_flipped(first) if line else first]:
                still += 1
                if still > _STILL_INSIDE:
                    break
                continue
            still = 0
            token = self._token(line, first, place)
            found.append((first, self._price(token), token))
        return found

    def _token(self, line: int, first: int, place: int) -> Token:
        if first // 8 == (place - 1) // 8:  # one byte: no order
            return Token(_flipped(place - 1) if line else first, place - first)
        return Token(_flipped(first) if line else first, place - first, bool(line))

    def _price(self, token: Token) -> float:
        """Bits that the description of a token's steps takes."""
        key = (token.start, token.length, int(token.big_endian))
        price = self._cost.get(key)
        if price is None:
            before, after = token.values(self._before), token.values(self._after)
            bits = token.bits
            ends = sum(
                (_OFF_NIBBLE if edge % 4 else 0.0) + (_OFF_BYTE if edge % 8 else 0.0)
                for edge in (bits[0], bits[-1] + 1)
            )
            restless = float(np.count_nonzero((before ^ after) >> (token.length - 1)))
            price = self._cost[key] = (
                description(before, after, token.length, self._still) + _SPLIT + ends / 2 + _RESTLESS * restless
            )
        return price


def description(before: Int64s, after: Int64s, length: int, still: int) -> float:
    """Return how many bits describe a signal's steps, and so many further pairs without one.

    Which steps there are is described by the share that change, then by the size's power of two, then by the sign
    and the rest of the size as it is; or, if that is shorter, by how often each step or value comes. Each share that
    has to be known costs half the logarithm of the number of steps (Rissanen).
    """
    n = len(before) + still
    known = 0.5 * np.log2(n)
    half = 1 << (length - 1)
    step = (after - before + half) % (1 << length) - half
    step = step[step != 0]
    m = len(step)
    cost = _spread(np.array([m, n - m])) + known
    if not m or length == 1:
        return float(cost)
    size = np.log2(np.abs(step)).astype(np.int64)
    sizes = np.bincount(size)
    falls = int(np.count_nonzero(step < 0))
    used = int(np.count_nonzero(sizes))
    by_size = _spread(sizes) + float(sizes @ np.arange(len(sizes))) + _spread(np.array([falls, m - falls]))
    by_size += known * (used + 1)
    ways = [by_size]
    largest = int(np.abs(step).max())
    if largest <= _LISTED:
        ways.append(_listed(step + largest, known))
    if length <= _BY_VALUE:
        ways.append(_listed(after[after != before], known))
    return float(cost + min(ways))


def _listed(numbers: Int64s, known: float) -> float:
    """Bits that describe numbers by how often each comes."""
    counts = np.bincount(numbers)
    return _spread(counts) + known * int(np.count_nonzero(counts))


def _spread(counts: npt.NDArray[np.int64]) -> float:
    """Bits that say which of several things came, each so often: their number times their entropy."""
    counts = counts[counts > 0]
    total = int(counts.sum())
    return float(total * np.log2(total) - counts @ np.log2(counts)) if total else 0.0


def order_gain(payload: UInt8s, follows: Bools, token: Token) -> float:
    """Return how sure a token's byte order is, 0.5 to 1: how many more bits the other order's reading would take."""
    low, high = min(token.bits) // 8, max(token.bits) // 8
    if low == high:
        return 1.0
    start = 8 * low + 7 if not token.big_endian else 8 * low
    length = min(8 * (high - low + 1), 8 * LONGEST)
    moving = np.zeros(8 * payload.shape[1], dtype=bool)
    moving[list(token.bits)] = True
    pairs = _pairs(payload, follows, moving)
    before, after = pairs.before, pairs.after
    if not len(before):
        return 0.5
    mask = np.packbits(moving, bitorder="little")
    before, after = before & mask, after & mask
    other = Token(start, length, not token.big_endian)
    now = description(token.values(before), token.values(after), token.length, pairs.still)
    then = description(other.values(before), other.values(after), length, pairs.still)
    return float(1 - 0.5 * 2.0 ** -max(0.0, (then - now) / 8))
