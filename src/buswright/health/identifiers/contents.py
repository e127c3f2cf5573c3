"""What one identifier carries: lengths, and which bits of the payload move."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTH_OF_CODE, Bools, Int64s, UInt8s
from buswright.health.model.identifiers import LengthChange, Lengths, PayloadFigures

UInt64s = npt.NDArray[np.uint64]
_LENGTH_EVENTS = 200


class Block(NamedTuple):
    """Consecutive frames of one identifier.

    Attributes
    ----------
    time_ns : int64[n]
    payload : uint8[n, w]
        Zero-padded; w is 8, or 64 once a longer frame has come.
    length : uint8[n]
    bits : int32[n]
        On the wire, at both rates.
    timed : bool[n] or None
        Which have a time; None: all.
    """

    time_ns: Int64s
    payload: UInt8s
    length: UInt8s
    bits: npt.NDArray[np.int32]
    timed: Bools | None = None

    def words(self) -> UInt64s:
        """Payloads as uint64[n, w / 8], the first byte lowest."""
        return np.ascontiguousarray(self.payload).view("<u8")


class LengthFold:
    """Payload lengths and their changes."""

    def __init__(self, declared: int | None) -> None:
        self.declared = declared
        self._counts: Int64s = np.zeros(65, dtype=np.int64)
        self._last: int | None = None
        self._changes = 0
        self._events: list[LengthChange] = []

    @property
    def shortest(self) -> int:
        """Shortest length so far."""
        return int(np.flatnonzero(self._counts)[0])

    def add(self, block: Block) -> None:
        """Take a block."""
        length = block.length
        before = length[0] if self._last is None else self._last
        if (length == before).all():
            self._counts[int(before)] += len(length)
        else:
            self._counts += np.bincount(length, minlength=65)
            previous = np.concatenate([[before], length[:-1]])
            changed = np.flatnonzero(length != previous)
            self._changes += len(changed)
            for row in changed[: _LENGTH_EVENTS - len(self._events)].tolist():
                self._events.append(LengthChange(int(block.time_ns[row]), int(previous[row]), int(length[row])))
        self._last = int(length[-1])

    def figures(self) -> Lengths:
        """Return what was seen."""
        counts = {size: int(self._counts[size]) for size in np.flatnonzero(self._counts).tolist()}
        off = 0
        if self.declared is not None and self.declared <= 64:
            padded = int(FD_LENGTH_OF_CODE[FD_CODE_OF_LENGTH[self.declared]])
            off = sum(count for size, count in counts.items() if size not in (self.declared, padded))
        return Lengths(counts, self.declared, off, self._changes, tuple(self._events))


class PayloadFold:
    """Which bits move, and how long the data stood still."""

    def __init__(self) -> None:
        self.first: UInt8s | None = None
        self._first_length = 0
        self._moved: UInt64s = np.zeros(1, dtype=np.uint64)
        self._last: UInt64s | None = None
        self._frames = 0
        self._changes = 0
        self._last_change: int | None = None
        self._run = 0
        self._run_start = self._run_end = 0
        self._longest = (0, 0, 0)

    def add(self, block: Block, aside: UInt64s | None) -> Bools:
        """Take a block, and return which rows carry other data than the row before; bool[n].

        `aside` has the bits of counter and checksum, which are no data (None: there are none).
        """
        words = block.words()
        if self._moved.shape[0] < words.shape[1]:  # a first long frame: what was short so far had zeros there
            self._moved = _widened(self._moved, words.shape[1])
            self._last = _widened(self._last, words.shape[1]) if self._last is not None else None
            if self.first is not None:
                self.first = np.concatenate([self.first, np.zeros(64 - len(self.first), dtype=np.uint8)])
        if self.first is None:
            self.first = block.payload[0].copy()
            self._first_length = int(block.length[0])
        self._moved |= np.bitwise_or.reduce(words ^ self.first.view("<u8"), axis=0)
        data = words if aside is None else words & ~aside[: words.shape[1]]
        # What counts as data may have been learned since the last block: compare under the same mask.
        last = data[:1] if self._last is None else (self._last if aside is None else self._last & ~aside)[np.newaxis]
        self._last = words[-1].copy()
        before = np.concatenate([last, data[:-1]])
        differs: Bools = (data != before).ravel() if data.shape[1] == 1 else (data != before).any(axis=1)
        self._runs(np.flatnonzero(differs), block.time_ns)
        self._frames += len(data)
        return differs

    def _runs(self, changed: npt.NDArray[np.intp], time_ns: Int64s) -> None:
        """Follow stretches of equal data; `changed` are the rows that differ from the one before."""
        n = len(time_ns)
        if self._run == 0:
            self._run_start = int(time_ns[0])
        if not len(changed):
            self._run += n
        else:
            first = int(changed[0])
            end = int(time_ns[first - 1]) if first else self._run_end
            self._close(self._run + first, self._run_start, end)
            if len(changed) > 1:
                sizes = np.diff(changed)
                at = int(np.argmax(sizes))
                self._close(int(sizes[at]), int(time_ns[changed[at]]), int(time_ns[changed[at + 1] - 1]))
            self._changes += len(changed)
            self._run = n - int(changed[-1])
            self._run_start = self._last_change = int(time_ns[changed[-1]])
        self._run_end = int(time_ns[-1])

    def _close(self, size: int, start: int, end: int) -> None:
        if size > self._longest[0]:
            self._longest = (size, start, end)

    def figures(self, shortest: int) -> PayloadFigures:
        """Return what was seen; `shortest` is the length that every frame has at least."""
        assert self.first is not None
        self._close(self._run, self._run_start, self._run_end)
        moved = self._moved.astype("<u8").view(np.uint8)
        constant = np.flatnonzero(moved[:shortest] == 0).tolist() if self._frames > 1 else []
        size, start, end = self._longest
        return PayloadFigures(
            constant_bytes=tuple(constant),
            changing_bits=moved.tobytes(),
            changes=self._changes,
            longest_same=size,
            longest_same_start_ns=start,
            longest_same_end_ns=end,
            last_change_ns=self._last_change,
            first=self.first[: self._first_length].tobytes(),
        )


def _widened(words: UInt64s, size: int) -> UInt64s:
    return np.concatenate([words, np.zeros(size - len(words), dtype=np.uint64)])
