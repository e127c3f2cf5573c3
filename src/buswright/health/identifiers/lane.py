"""One identifier as its frames come: gathered into blocks of a fixed number of frames, then folded block by block.

The blocks are the same however the capture is cut into batches, so whatever is computed from a block, averages of
floating-point numbers included, is the same too. The rest that doesn't fill a block is folded into a copy when
figures are asked for.
"""

from __future__ import annotations

import copy
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation
from buswright.frames.table import Bools, Int64s, UInt8s
from buswright.health.folds.bounded import FirstAndLast
from buswright.health.folds.histogram import Histogram
from buswright.health.identifiers.bursts import BurstFold
from buswright.health.identifiers.checksum import ChecksumFold
from buswright.health.identifiers.contents import Block, LengthFold, PayloadFold
from buswright.health.identifiers.counter import CounterField, CounterFold, find_counter
from buswright.health.identifiers.crowding import Crowding
from buswright.health.identifiers.gaps import KeptGaps
from buswright.health.identifiers.senders import SendersFold
from buswright.health.identifiers.timing import TimingFold
from buswright.health.model.gaps import GapLimits

BLOCK = 8_192
"""Frames folded at once: enough to spread the cost of some hundred array operations."""
_FIRST_ROOM = 64
_LONG = 64
_FOLDS = (LengthFold, PayloadFold, CounterFold, ChecksumFold, TimingFold, BurstFold, SendersFold, Histogram)
_T = TypeVar("_T")


class Told(NamedTuple):
    """What one identifier's own frames say: fields of `IdFigures`, its gaps, and its counter."""

    figures: dict[str, Any]
    gaps: KeptGaps
    counter: CounterField | None


class IdLane:
    """Folds the data frames of one identifier; `told` is what came of them, until there are more."""

    def __init__(self, name: FrameName, expected: Expectation, limits: GapLimits) -> None:
        self.name, self.limits = name, limits
        self.frames = self.untimed = 0
        self.bits = self.data_bits = 0
        self.fold = IdFold(name.id, expected, limits.short)
        self.told: Told | None = None
        self._filled = 0
        self._time: Int64s = np.empty(_FIRST_ROOM, dtype=np.int64)
        self._payload: UInt8s = np.empty((_FIRST_ROOM, 8), dtype=np.uint8)
        self._length: UInt8s = np.empty(_FIRST_ROOM, dtype=np.uint8)
        self._bits: npt.NDArray[np.int32] = np.empty(_FIRST_ROOM, dtype=np.int32)
        self._timed: Bools = np.empty(_FIRST_ROOM, dtype=np.bool_)

    def add(self, rows: Block, nominal_bits: int, data_bits: int) -> None:
        """Take frames in order, at least one, with their bits at each rate summed up."""
        n = len(rows.time_ns)
        self.told = None
        self.frames += n
        self.bits += nominal_bits
        self.data_bits += data_bits
        if rows.timed is not None:
            self.untimed += n - int(np.count_nonzero(rows.timed))
        if rows.payload.shape[1] > self._payload.shape[1]:
            self._payload = _padded(self._payload)
        payload = rows.payload if rows.payload.shape[1] == self._payload.shape[1] else _padded(rows.payload)
        done = 0
        while done < n:
            if self._filled == 0 and n - done >= BLOCK:  # a whole block needs no copy
                part = slice(done, done + BLOCK)
                timed = None if rows.timed is None else rows.timed[part]
                self.fold.add(Block(rows.time_ns[part], payload[part], rows.length[part], rows.bits[part], timed))
                done += BLOCK
                continue
            size = min(BLOCK - self._filled, n - done)
            self._make_room(self._filled + size)
            target, source = slice(self._filled, self._filled + size), slice(done, done + size)
            self._time[target], self._payload[target] = rows.time_ns[source], payload[source]
            self._length[target], self._bits[target] = rows.length[source], rows.bits[source]
            self._timed[target] = True if rows.timed is None else rows.timed[source]
            self._filled += size
            done += size
            if self._filled == BLOCK:
                self.fold.add(self._rest())
                self._filled = 0

    def _make_room(self, size: int) -> None:
        room = len(self._time)
        if size > room:
            room = min(BLOCK, max(2 * room, size))
            for column in ("_time", "_payload", "_length", "_bits", "_timed"):
                old = getattr(self, column)
                new = np.empty((room, *old.shape[1:]), dtype=old.dtype)
                new[: self._filled] = old[: self._filled]
                setattr(self, column, new)

    def _rest(self) -> Block:
        n = self._filled
        return Block(self._time[:n], self._payload[:n], self._length[:n], self._bits[:n], self._timed[:n])

    def folded(self) -> IdFold:
        """Return a copy of the fold with everything in it."""
        fold = forked(self.fold)
        if self._filled:
            fold.add(self._rest())
            self.fold.checksum.settle(fold.checksum)
        fold.timing.finish()
        return fold


class IdFold:
    """Everything that is measured about one identifier, folded block by block."""

    def __init__(self, identifier: int, expected: Expectation, gap_periods: float) -> None:
        self.blocks = 0
        self.lengths = LengthFold(expected.length.value)
        self.payload = PayloadFold()
        self.counter = CounterFold(CounterField.of(expected.counter))
        self.checksum = ChecksumFold(expected.checksum, identifier)
        self.timing = TimingFold(expected.period_ns.value, bool(expected.change_driven.value), gap_periods)
        self.senders = SendersFold(expected.period_ns.value)

    def add(self, block: Block) -> None:
        """Take the next block."""
        if block.timed is not None and block.timed.all():
            block = block._replace(timed=None)
        self.lengths.add(block)
        self._learn(block)
        self.blocks += 1
        if self.checksum.checksum is not None:
            self.checksum.add(block.payload, block.length, block.time_ns)
        aside = self._aside(block.payload.shape[1] // 8)
        changed = self.payload.add(block, aside)
        counter = self.counter.values(block.payload, block.length)
        in_gap = self._time(block, counter, aside, changed)
        if counter is not None:
            self.counter.add(counter, block.time_ns, in_gap, changed)

    def _time(
        self, block: Block, counter: Int64s | None, aside: npt.NDArray[np.uint64] | None, changed: Bools
    ) -> Bools:
        """Fold the arrival times; which rows end a gap, bool[n]."""
        words = block.words()
        assert self.payload.first is not None
        first = self.payload.first.view("<u8")[: words.shape[1]]
        as_first = (words == first).all(axis=1) if words.shape[1] > 1 else words[:, 0] == first[0]
        if block.timed is None:
            in_gap, _, own = self.timing.add(block.time_ns, block.bits, counter, as_first, changed)
            self.senders.add(block.time_ns, words if aside is None else words & ~aside, own)
            return in_gap
        all_gaps = np.zeros(len(block.time_ns), dtype=np.bool_)
        rows = np.flatnonzero(block.timed)
        if len(rows):
            some = None if counter is None else counter[rows]
            all_gaps[rows], _, _ = self.timing.add(
                block.time_ns[rows], block.bits[rows], some, as_first[rows], changed[rows]
            )
        return all_gaps

    def _learn(self, block: Block) -> None:
        """Look for a checksum and a counter in the first block, the second, the fourth, and so on."""
        if self.blocks & (self.blocks + 1):
            return
        self.checksum.learn(block.payload, block.length)
        if self.counter.field is None:
            shared = block.payload[:, : int(block.length.min())]
            self.counter.field = find_counter(shared, self.checksum.bytes)

    def _aside(self, size: int) -> npt.NDArray[np.uint64] | None:
        """Bits of counter and checksum, which are no data."""
        if self.counter.field is None and self.checksum.checksum is None:
            return None
        bits = self.checksum.bits(size)
        return bits | self.counter.field.bits(size) if self.counter.field is not None else bits


def forked(fold: _T) -> _T:
    """Return a fold that goes on from here by itself: what is changed in place is copied, the rest is shared."""
    other = object.__new__(type(fold))
    for name in getattr(fold, "__slots__", None) or vars(fold):
        value = getattr(fold, name)
        kind = type(value)
        if kind is np.ndarray:
            value = value.copy()
        elif kind is list:
            value = [each.copy() if isinstance(each, np.ndarray) else each for each in value]
        elif kind in (FirstAndLast, KeptGaps, Crowding):
            value = copy.copy(value)
        elif kind in _FOLDS:
            value = forked(value)
        setattr(other, name, value)
    return other


def _padded(payload: UInt8s) -> UInt8s:
    wide = np.zeros((len(payload), _LONG), dtype=np.uint8)
    wide[:, : payload.shape[1]] = payload
    return wide
