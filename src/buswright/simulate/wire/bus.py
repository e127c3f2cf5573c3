"""One bus as time goes on: messages become due, are handed over, win the bus and get their stamps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag
from buswright.frames.wire.bits import wire_bits_of
from buswright.messages.encode import encode
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Bus, Message, Node, Signal, in_database
from buswright.simulate.car.sensing import Moment, value_of
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle
from buswright.simulate.wire.arbitration import arbitrate, rank

Int64s = npt.NDArray[np.int64]
UInt8s = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]

BLOCK_S = 30
"""Frames are made this many seconds at a time; a cycle is a whole number of blocks."""

RESOLUTION_NS = 1000
"""Time stamps are cut to whole microseconds, as adapters give them."""

SECOND = 1_000_000_000

INTERFRAME_BITS = 3
MOST_JITTER = 6.0
"""Release jitter ends at this many times its scale."""


Adjust = Callable[[Signal, Floats, Floats], Floats]
"""(signal, its values, seconds) -> the values that are sent instead; float64[n] each."""

ALWAYS: tuple[tuple[float, float], ...] = ((0.0, float("inf")),)


@dataclass(frozen=True, slots=True, eq=False)
class Talker:
    """One message and when and how its sender is on.

    Attributes
    ----------
    key
        Tells it from all other talkers of the run.
    stretches
        Seconds at which the sender is switched on and off again. Each stretch begins with its boot time, its own
        phase and a counter of zero.
    adjust
        Changes the values that are sent.
    moments
        (cycle, start, stop) -> seconds at which it is sent, for a message without a period.
    stream
        Chooses the random numbers; 0 for the car's own messages.
    frozen
        The payload never changes from the first one on.
    length
        Payload bytes sent, where they differ from the message's.
    tail_bits
        Bits that the sender waits after each frame besides the interframe space.
    """

    key: str
    message: Message
    node: Node
    stretches: tuple[tuple[float, float], ...] = ALWAYS
    adjust: Adjust | None = None
    moments: Callable[[Cycle, float, float], Floats] | None = None
    stream: int = 0
    frozen: bool = False
    length: int | None = None
    tail_bits: int = 0

    @property
    def bytes(self) -> int:
        """Payload bytes on the wire."""
        return self.message.length if self.length is None else self.length


@dataclass(frozen=True, slots=True, eq=False)
class Released:
    """Frames of one talker in one block, in the order of their numbers.

    Attributes
    ----------
    number : int64[n]
        How often the message was due before, since its sender was switched on.
    seconds : float64[n]
        When they were due, from the first key-on.
    released : int64[n]
        Nanoseconds when they were handed to the bus controller.
    payload : uint8[n, message.length]
        Writable.
    block
        Number of the block.
    """

    number: Int64s
    seconds: Floats
    released: Int64s
    payload: UInt8s
    block: int

    def take(self, rows: Bools) -> Released:
        """Return some of them."""
        return Released(self.number[rows], self.seconds[rows], self.released[rows], self.payload[rows], self.block)


@dataclass(frozen=True, slots=True, eq=False)
class Due:
    """Frames of one bus handed to their senders' bus controllers, before arbitration.

    Attributes
    ----------
    released : int64[n]
        Nanoseconds from key-on, ascending.
    sender : intp[n]
        Row of the message in the car's list for this bus.
    payload : uint8[n, w]
        Zero-padded.
    """

    released: Int64s
    sender: npt.NDArray[np.intp]
    payload: UInt8s

    def rows(self, start: int, stop: int | None) -> Due:
        """Return part of them."""
        return Due(self.released[start:stop], self.sender[start:stop], self.payload[start:stop])

    def take(self, rows: npt.NDArray[np.intp]) -> Due:
        """Return some of them."""
        return Due(self.released[rows], self.sender[rows], self.payload[rows])


@dataclass(frozen=True, slots=True, eq=False)
class Sent:
    """Frames of one bus as they were sent, columns as in `Frames`.

    Attributes
    ----------
    time_ns
        Stamps, nanoseconds from key-on.
    payload
        uint8[n, w], zero-padded.
    horizon_ns
        Whatever the bus still sends is stamped later than this.
    """

    time_ns: Int64s
    id: npt.NDArray[np.uint32]
    flags: UInt8s
    dlc: UInt8s
    length: UInt8s
    payload: UInt8s
    horizon_ns: int

    def split(self, at_ns: int) -> tuple[Sent, Sent]:
        """Return the frames stamped before a time, and the others."""
        cut = int(np.searchsorted(self.time_ns, at_ns))
        return self._part(slice(None, cut)), self._part(slice(cut, None))

    def after(self, earlier: Sent) -> Sent:
        """Return earlier frames and these."""
        joined = {name: np.concatenate([getattr(earlier, name), getattr(self, name)]) for name in COLUMNS}
        return Sent(**joined, horizon_ns=self.horizon_ns)

    def _part(self, rows: slice) -> Sent:
        return Sent(**{name: getattr(self, name)[rows] for name in COLUMNS}, horizon_ns=self.horizon_ns)


COLUMNS = ("time_ns", "id", "flags", "dlc", "length", "payload")


class Wire:
    """One bus as time goes on; what could not be settled in one block waits for the next.

    Parameters
    ----------
    bus
        The network.
    talkers
        Everything that is sent on it.
    """

    def __init__(self, bus: Bus, talkers: Sequence[Talker]) -> None:
        self.bus = bus
        self.talkers = tuple(talkers)
        self.messages = [talker.message for talker in self.talkers]
        self.width = max(8, *(max(talker.bytes, talker.message.length) for talker in self.talkers))
        self._held = Due(np.zeros(0, np.int64), np.zeros(0, np.intp), np.zeros((0, self.width), np.uint8))
        self._ranks = np.array([rank(message.id, message.extended) for message in self.messages], dtype=np.int64)
        self._ids = np.array([message.id for message in self.messages], dtype=np.uint32)
        self._lengths = np.array([talker.bytes for talker in self.talkers], dtype=np.uint8)
        self._flags = np.array([_flags(message) for message in self.messages], dtype=np.uint8)

    def block(self, cycle: Cycle, block: int, seed: int, epoch_ns: int, *, last: bool) -> Sent:
        """Send what is due in one block; what could still be overtaken by the next block's frames waits for it."""
        due = self._due(cycle, block, seed, epoch_ns)
        end_ns = (block + 1) * BLOCK_S * SECOND
        duration, tail = self._durations(due)
        order, starts = arbitrate(due.released, self._ranks[due.sender], duration)
        keep = len(order) if last else self._settled(due.released, starts + duration[order], end_ns)
        order, starts = order[:keep], starts[:keep]
        finish = starts + duration[order]
        self._held = due.rows(keep, None)
        stamps = finish - tail[order]
        sender = due.sender[order]
        lengths = self._lengths[sender]
        return Sent(
            stamps - stamps % RESOLUTION_NS,
            self._ids[sender],
            self._flags[sender],
            FD_CODE_OF_LENGTH[lengths],
            lengths,
            due.payload[order],
            min(int(self._held.released[0]), end_ns) if len(self._held.released) else end_ns,
        )

    def _durations(self, due: Due) -> tuple[Int64s, Int64s]:
        """Return how long each frame keeps the bus, and how much of that comes after its end; ns, int64[n] each."""
        flags, lengths = self._flags[due.sender], self._lengths[due.sender]
        long_row = np.flatnonzero(lengths > 8).astype(np.int32)
        bits = wire_bits_of(
            self._ids[due.sender],
            flags,
            FD_CODE_OF_LENGTH[lengths],
            wide_payload(due.payload, 8),
            long_row,
            wide_payload(due.payload[long_row], 64),
        )
        tail = np.full(len(lengths), INTERFRAME_BITS * (SECOND // self.bus.bitrate), dtype=np.int64)
        return bits.time_ns(self.bus.bitrate, self.bus.data_bitrate), tail

    @staticmethod
    def _settled(released: Int64s, finish: Int64s, end_ns: int) -> int:
        """Count the frames that nothing released from `end_ns` on can disturb: whole busy stretches before it."""
        if len(released) == 0:
            return 0
        boundary = np.append(released[1:] > finish[:-1], finish[-1] < end_ns)
        safe = np.flatnonzero(boundary & (finish < end_ns))
        return int(safe[-1]) + 1 if len(safe) else 0

    def _due(self, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> Due:
        """Release all messages of one block, with what was held back, in the order of release."""
        return in_order([self._held, *self._parts(cycle, block, seed, epoch_ns)])

    def _parts(self, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> list[Due]:
        parts = []
        for row, talker in enumerate(self.talkers):
            released = self._released(talker, cycle, block, seed, epoch_ns)
            wide = np.zeros((len(released.payload), self.width), dtype=np.uint8)
            size = min(talker.message.length, talker.bytes)
            wide[:, :size] = released.payload[:, :size]
            parts.append(Due(released.released, np.full(len(wide), row), wide))
        return parts

    def _released(self, talker: Talker, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> Released:
        """Release one talker's frames of one block, stretch by stretch.

        Up to where its sender is first switched off they are those of a sender that never was.
        """
        parts = []
        streams = [seed, 2, block, talker.message.id]
        for place, (begin, end) in enumerate(talker.stretches):
            if begin >= (block + 1) * BLOCK_S or end <= block * BLOCK_S:
                continue
            own = [talker.stream, place] if begin else [talker.stream] if talker.stream else []
            moments = Moments(talker, cycle, block, begin, np.random.default_rng([*streams, *own]))
            part = moments.released(epoch_ns)
            parts.append(part if end >= (block + 1) * BLOCK_S else part.take(part.seconds < end))
        if len(parts) == 1:
            return parts[0]
        joined = {
            name: np.concatenate([getattr(part, name) for part in parts] or [empty])
            for name, empty in (
                ("number", np.zeros(0, np.int64)),
                ("seconds", np.zeros(0)),
                ("released", np.zeros(0, np.int64)),
                ("payload", np.zeros((0, talker.message.length), np.uint8)),
            )
        }
        return Released(**joined, block=block)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """When one talker's frames of one block are due, on a sender that was switched on at `begin_s` and stays on."""

    talker: Talker
    cycle: Cycle
    block: int
    begin_s: float
    rng: np.random.Generator

    def released(self, epoch_ns: int) -> Released:
        """Release them, with what they carry."""
        talker, rng = self.talker, self.rng
        number, seconds = self._due()
        jitter = np.minimum(rng.standard_gamma(1.5, len(seconds)) / 1.5, MOST_JITTER) * talker.node.jitter_us
        released = np.rint(seconds * 1e9 + jitter * 1e3).astype(np.int64)
        node = talker.node
        if self.begin_s:
            node = replace(node, boot_ms=node.boot_ms + 1000.0 * self.begin_s)  # what its up-time counts from
        due = seconds - talker.message.delay_s
        moment = Moment(self.cycle, talker.message, node, due, number, epoch_ns / 1e9, rng)
        return Released(number, seconds, released, contents(moment, talker.adjust), self.block)

    def _due(self) -> tuple[Int64s, Floats]:
        talker, begin = self.talker, self.begin_s
        start, stop = self.block * BLOCK_S, (self.block + 1) * BLOCK_S
        if talker.moments is not None:
            seconds = talker.moments(self.cycle, start, stop)
            seconds = seconds[seconds >= begin]
            return np.arange(len(seconds), dtype=np.int64), seconds
        number, seconds = due_times(talker.message, talker.node, max(start - begin, 0.0), stop - begin)
        return number, seconds + begin


def in_order(parts: Sequence[Due]) -> Due:
    """Join frames in the order of their release; those released together stay in the order of the parts."""
    released = np.concatenate([part.released for part in parts])
    order = np.argsort(released, kind="stable")
    sender = np.concatenate([part.sender for part in parts])[order]
    return Due(released[order], sender, np.concatenate([part.payload for part in parts])[order])


def car_talkers(bus: Bus, fd: bool) -> list[Talker]:
    """Return the car's own messages on a bus, by priority."""
    nodes = {node.name: node for node in car.NODES}
    own = [message for message in car.messages(fd=fd) if message.bus == bus.name]
    own.sort(key=lambda message: rank(message.id, message.extended))
    return [Talker(message.name, message, nodes[message.sender]) for message in own]


def due_times(message: Message, node: Node, start_s: float, stop_s: float) -> tuple[Int64s, Floats]:
    """Return the running numbers and the times at which a message is due on its sender's clock.

    Times are true seconds from key-on, in start_s <= t < stop_s; a fast crystal makes the periods shorter.
    """
    rate = 1 + node.clock_ppm * 1e-6
    first_s, period_s = (node.boot_ms + message.phase_ms) / 1000.0, message.period_ms / 1000.0
    least = max(int((start_s * rate - first_s) / period_s) - 1, 0)
    number = np.arange(least, int((stop_s * rate - first_s) / period_s) + 2, dtype=np.int64)
    seconds = (first_s + number.astype(np.float64) * period_s) / rate
    inside = (seconds >= start_s) & (seconds < stop_s)
    return number[inside], seconds[inside]


def contents(moment: Moment, adjust: Adjust | None = None) -> UInt8s:
    """Return the payloads that a message carries at these moments, counter and checksum included."""
    message, count = moment.message, len(moment.seconds)
    values: dict[str, Floats] = {}
    for signal in message.signals:
        if signal.source in {"counter", "checksum"}:
            continue
        value = value_of(signal.source, moment)
        if adjust is not None:
            value = adjust(signal, value, moment.seconds)
        if signal.noise:
            value = value + signal.noise * moment.rng.standard_normal(count)
        values[signal.name] = np.clip(value, signal.low, signal.high)
    payload = encode(in_database(message), values, count=count)
    if message.counter:
        message.counter.insert(payload, moment.number)
    if message.checksum:
        message.checksum.fill(payload, message.id)
    return payload


def _flags(message: Message) -> int:
    return (Flag.EXTENDED if message.extended else 0) | (Flag.FD | Flag.BRS if message.fd else 0)


def wide_payload(payload: UInt8s, width: int) -> UInt8s:
    """Return payloads cut or zero-padded to `width` bytes."""
    if payload.shape[1] == width:
        return payload
    wide = np.zeros((len(payload), width), dtype=np.uint8)
    shared = min(width, payload.shape[1])
    wide[:, :shared] = payload[:, :shared]
    return wide
