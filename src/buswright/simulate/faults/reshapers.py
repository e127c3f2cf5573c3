"""What senders do wrong: changes to the frames that one sender releases, before the bus decides who goes first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from buswright.messages.checksum import KINDS as CHECKSUMS
from buswright.simulate.car.definition import Message
from buswright.simulate.faults.plan import Record
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import Bools, Int64s, Released


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Frames that are due in start <= t < end are not sent, or with `only` no others; phase and counter go on.

    `record` counts those that are due in the stretch.
    """

    start_s: float
    end_s: float
    record: Record | None = None
    only: bool = False
    order: int = 60

    def __call__(self, part: Released, message: Message) -> Released:  # noqa: ARG002 - every reshaper gets it
        """Leave them out."""
        inside = (part.seconds >= self.start_s) & (part.seconds < self.end_s)
        if self.record is not None:
            self.record.add_due(part.seconds[inside])
        return part.take(inside if self.only else ~inside)


@dataclass(frozen=True, slots=True, eq=False)
class Skip:
    """Frames that are left out by their sender, which counts only what it sends."""

    due: Floats
    order: int = 10

    def __call__(self, part: Released, message: Message) -> Released:
        """Leave them out and count on."""
        part = recounted(part, message, -np.searchsorted(self.due, part.seconds))
        return part.take(~np.isin(part.seconds, self.due))


@dataclass(frozen=True, slots=True, eq=False)
class Jump:
    """A counter that goes too far at some frames."""

    due: Floats
    size: int
    order: int = 20

    def __call__(self, part: Released, message: Message) -> Released:
        """Count too far."""
        return recounted(part, message, self.size * np.searchsorted(self.due, part.seconds, side="right"))


@dataclass(slots=True, eq=False)
class Freeze:
    """The payload of the first frame due in start <= t < end is sent in all of them."""

    start_s: float
    end_s: float
    record: Record | None = None
    order: int = 30
    _payload: np.ndarray[tuple[int], np.dtype[np.uint8]] | None = None

    def __call__(self, part: Released, message: Message) -> Released:  # noqa: ARG002 - every reshaper gets it
        """Repeat it."""
        rows = np.flatnonzero((part.seconds >= self.start_s) & (part.seconds < self.end_s))
        if len(rows):
            if self._payload is None:
                self._payload = part.payload[rows[0]].copy()
            part.payload[rows] = self._payload
            if self.record is not None:
                self.record.add_due(part.seconds[rows])
        return part


@dataclass(frozen=True, slots=True, eq=False)
class Miscalculate:
    """A checksum that is wrong in some frames; `flips` has the bits that are, one number for each."""

    due: Floats
    flips: Int64s
    order: int = 40

    def __call__(self, part: Released, message: Message) -> Released:
        """Spoil it."""
        checksum = message.checksum
        assert checksum is not None
        rows = np.flatnonzero(np.isin(part.seconds, self.due))
        flips = self.flips[np.searchsorted(self.due, part.seconds[rows])]
        part.payload[rows, checksum.byte] ^= (flips << CHECKSUMS[checksum.kind].shift).astype(np.uint8)
        return part


@dataclass(slots=True, eq=False)
class Delay:
    """Frames due in start <= t < end are handed over up to `most_s` late, and never before an earlier one."""

    start_s: float
    end_s: float
    most_s: float
    seed: int
    order: int = 50
    _last_ns: int = 0

    def __call__(self, part: Released, message: Message) -> Released:
        """Delay them."""
        rng = np.random.default_rng([self.seed, 23, message.id, part.block])
        delay = np.rint(rng.random(len(part.seconds)) * self.most_s * 1e9).astype(np.int64)
        inside: Bools = (part.seconds >= self.start_s) & (part.seconds < self.end_s)
        released = part.released + np.where(inside, delay, 0)
        if len(released):
            released = np.maximum(np.maximum.accumulate(released), self._last_ns)
            self._last_ns = int(released[-1])
        return replace(part, released=released)


def recounted(part: Released, message: Message, further: Int64s) -> Released:
    """Move the counter in payloads on, and make their checksums right again."""
    number = part.number + further
    payload = part.payload
    if message.counter:
        message.counter.insert(payload, number)
    if message.checksum and len(payload):
        message.checksum.fill(payload, message.id)
    return replace(part, number=number)
