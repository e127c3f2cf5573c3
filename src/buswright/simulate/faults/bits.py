"""The bits of one signal in payloads: read, written, and read where a wrong database looks for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from buswright.simulate.car.definition import Message, Signal
from buswright.simulate.wire.bus import Bools, Released, UInt8s

UInt64s = npt.NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Bits:
    """Some bits of a payload that follow each other.

    Attributes
    ----------
    lowest
        Place of the lowest bit: counted from the first byte's lowest bit, or, with `big_endian`, from the first byte's
        highest.
    count
        At most 32.
    """

    lowest: int
    count: int
    big_endian: bool

    @classmethod
    def of(cls, signal: Signal, message: Message) -> Bits:
        """Return those of a signal."""
        if not message.big_endian:
            return cls(signal.start, signal.bits, big_endian=False)
        highest = 8 * (signal.start // 8) + 7 - signal.start % 8
        return cls(highest + signal.bits - 1, signal.bits, big_endian=True)

    def lower(self, by: int) -> Bits:
        """Return as many bits that begin so many places lower."""
        return replace(self, lowest=self.lowest + (by if self.big_endian else -by))

    def read(self, payload: UInt8s) -> UInt64s:
        """Return their number; uint64[n]. Bits outside the payload are 0."""
        word, shift = self._word(payload)
        return (word >> shift) & self._mask

    def write(self, payload: UInt8s, rows: Bools, raw: UInt64s) -> None:
        """Put numbers into some rows."""
        word, shift = self._word(payload)
        whole = (word & ~(self._mask << shift)) | ((raw & self._mask) << shift)
        for place, byte in enumerate(self._bytes()):
            part = (whole >> np.uint64(8 * place)).astype(np.uint8)
            if 0 <= byte < payload.shape[1]:
                payload[rows, byte] = part[rows]

    @property
    def _mask(self) -> np.uint64:
        return np.uint64((1 << self.count) - 1)

    def _bytes(self) -> range:
        """Return the bytes concerned, the one with the lowest bit first."""
        first = self.lowest // 8
        if self.big_endian:
            return range(first, (self.lowest - self.count + 1) // 8 - 1, -1)
        return range(first, (self.lowest + self.count - 1) // 8 + 1)

    def _word(self, payload: UInt8s) -> tuple[UInt64s, np.uint64]:
        word = np.zeros(len(payload), dtype=np.uint64)
        for place, byte in enumerate(self._bytes()):
            if 0 <= byte < payload.shape[1]:
                word |= payload[:, byte].astype(np.uint64) << np.uint64(8 * place)
        return word, np.uint64(7 - self.lowest % 8 if self.big_endian else self.lowest % 8)


@dataclass(slots=True, eq=False)
class Repack:
    """A sender packs something else into one signal, in start <= t < end; its checksum is right for that.

    Attributes
    ----------
    change
        (raw numbers, the frames) -> other ones; uint64[n] each, of the frames concerned.
    """

    signal: Signal
    start_s: float
    end_s: float
    change: Callable[[UInt64s, Released], UInt64s]
    order: int = 5

    def __call__(self, part: Released, message: Message) -> Released:
        """Pack it."""
        rows: Bools = (part.seconds >= self.start_s) & (part.seconds < self.end_s)
        if self.signal.mux is not None and message.multiplexer is not None:
            rows &= Bits.of(message.multiplexer, message).read(part.payload) == self.signal.mux
        if rows.any():
            bits = Bits.of(self.signal, message)
            raw = bits.read(part.payload)
            raw[rows] = self.change(raw[rows], part.take(rows))
            bits.write(part.payload, rows, raw)
            if message.checksum:
                message.checksum.fill(part.payload, message.id)
        return part


@dataclass(slots=True)
class Hold:
    """Keeps a raw number: for good, or until the next of `hertz` samples per second is taken."""

    hertz: float = 0.0
    _sample: int = -1
    _raw: int = 0

    def __call__(self, raw: UInt64s, part: Released) -> UInt64s:
        """Return what is held in each frame."""
        samples = np.floor(part.seconds * self.hertz).astype(np.int64)
        new = np.diff(samples, prepend=self._sample) != 0
        held: UInt64s = np.concatenate([np.array([self._raw], dtype=np.uint64), raw[new]])[np.cumsum(new)]
        self._sample, self._raw = int(samples[-1]), int(held[-1])
        return held
