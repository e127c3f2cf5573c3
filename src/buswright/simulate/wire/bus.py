"""One bus as time goes on: messages become due, are handed over, win the bus and get their stamps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag, Frames
from buswright.frames.wire.arbitration import arbitrate, rank
from buswright.frames.wire.bits import INTERFRAME_BITS, wire_bits
from buswright.messages.decoding.encode import encode
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Bus, Message, Node, Signal, in_database
from buswright.simulate.car.sensing import Disturb, Moment, value_of
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle

Int64s = npt.NDArray[np.int64]
UInt8s = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]

BLOCK_S = 30
"""Frames are made this many seconds at a time; a cycle is a whole number of blocks."""

RESOLUTION_NS = 1000
"""Time stamps are cut to whole microseconds, as adapters give them."""

SECOND = 1_000_000_000

MOST_JITTER = 6.0
"""Release jitter ends at this many times its scale."""


Adjust = Callable[[Signal, Floats, Moment], Floats]
"""(signal, its values, moment) -> the values that are sent instead, before their noise; float64[n] each."""

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
    disturbs
        What happens on the wires to its sender's inputs.
    moments
        (cycle, start, stop) -> seconds at which it is sent, for a message without a period.
    stream
        Chooses the random numbers; 0 for the car's own messages.
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
    disturbs: tuple[Disturb, ...] = ()
    moments: Callable[[Cycle, float, float], Floats] | None = None
    stream: int = 0
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

    def take(self, rows: npt.NDArray[np.intp] | slice) -> Due:
        """Return some of them."""
        return Due(self.released[rows], self.sender[rows], self.payload[rows])


class Wire:
    """One bus as time goes on; what could not be settled in one block waits for the next."""

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

    def block(self, cycle: Cycle, block: int, seed: int, epoch_ns: int, *, last: bool) -> tuple[Frames, int]:
        """Send what is due in one block; what could still be overtaken by the next block's frames waits for it.

        Returns the frames, stamped in nanoseconds from key-on, and a time: whatever the bus still sends is stamped
        later.
        """
        due = self._due(cycle, block, seed, epoch_ns)
        end_ns = (block + 1) * BLOCK_S * SECOND
        duration, tail = self._durations(due)
        order, starts = arbitrate(due.released, self._ranks[due.sender], duration)
        keep = len(order) if last else self._settled(due.released, starts + duration[order], end_ns)
        self._held = due.take(slice(keep, None))
        sent = self._stamped(due, order[:keep], starts[:keep] + (duration - tail)[order[:keep]])
        return sent, min([end_ns, *self._held.released[:1].tolist()])

    def put_in_order(self, due: Due, free_ns: int) -> tuple[Frames, int]:
        """Send what was released in a stretch of time, on a bus that is free from a moment on.

        Returns the frames, stamped in nanoseconds from key-on, and when the bus is free again.
        """
        due = replace(due, released=np.maximum(due.released, free_ns))
        duration, tail = self._durations(due)
        order, starts = arbitrate(due.released, self._ranks[due.sender], duration)
        sent = self._stamped(due, order, starts + (duration - tail)[order])
        return sent, int((starts + duration[order]).max()) if len(order) else free_ns

    def _stamped(self, due: Due, order: npt.NDArray[np.intp], stamps: Int64s) -> Frames:
        return self._frames(replace(due.take(order), released=stamps - stamps % RESOLUTION_NS))

    def _frames(self, due: Due) -> Frames:
        """Return frames as a capture has them, stamped with their release."""
        lengths = self._lengths[due.sender]
        long_row = np.flatnonzero(lengths > 8).astype(np.int32)
        return Frames(
            time_ns=due.released,
            bus=np.zeros(len(lengths), dtype=np.uint8),
            id=self._ids[due.sender],
            flags=self._flags[due.sender],
            dlc=FD_CODE_OF_LENGTH[lengths],
            length=lengths,
            payload=np.ascontiguousarray(due.payload[:, :8]),
            buses=(self.bus.interface,),
            long_row=long_row,
            long_payload=wide_payload(due.payload[long_row], 64),
        )

    def _durations(self, due: Due) -> tuple[Int64s, Int64s]:
        """Return how long each frame keeps the bus, and how much of that comes after its end; ns, int64[n] each."""
        duration = wire_bits(self._frames(due)).time_ns(self.bus.bitrate, self.bus.data_bitrate)
        return duration, np.full(len(duration), INTERFRAME_BITS * (SECOND // self.bus.bitrate), dtype=np.int64)

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
            payload = wide_payload(released.payload[:, : talker.bytes], self.width)
            parts.append(Due(released.released, np.full(len(payload), row), payload))
        return parts

    def _released(self, talker: Talker, cycle: Cycle, block: int, seed: int, epoch_ns: int) -> Released:
        """Release one talker's frames of one block, stretch by stretch.

        Up to where its sender is first switched off they are those of a sender that never was.
        """
        none = np.zeros(0, np.int64)
        parts = [Released(none, np.zeros(0), none, np.zeros((0, talker.message.length), np.uint8), block)]
        streams = [seed, 2, block, talker.message.id]
        for place, (begin, end) in enumerate(talker.stretches):
            if begin >= (block + 1) * BLOCK_S or end <= block * BLOCK_S:
                continue
            own = [talker.stream, place] if begin else [talker.stream] if talker.stream else []
            part = _stretch(talker, cycle, block, begin, np.random.default_rng([*streams, *own]), epoch_ns)
            parts.append(part if end >= (block + 1) * BLOCK_S else part.take(part.seconds < end))
        return Released(
            np.concatenate([part.number for part in parts]),
            np.concatenate([part.seconds for part in parts]),
            np.concatenate([part.released for part in parts]),
            np.concatenate([part.payload for part in parts]),
            block,
        )


def _stretch(
    talker: Talker, cycle: Cycle, block: int, begin_s: float, rng: np.random.Generator, epoch_ns: int
) -> Released:
    """Release one talker's frames of one block, its sender switched on at `begin_s` and on from there."""
    start, stop = block * BLOCK_S, (block + 1) * BLOCK_S
    if talker.moments is not None:
        seconds = talker.moments(cycle, start, stop)
        seconds = seconds[seconds >= begin_s]
        number = np.arange(len(seconds), dtype=np.int64)
    else:
        number, seconds = due_times(talker.message, talker.node, max(start - begin_s, 0.0), stop - begin_s)
        seconds = seconds + begin_s
    node, released = talker.node, handed_over(seconds, talker.node, rng)
    if begin_s:
        node = replace(node, boot_ms=node.boot_ms + 1000.0 * begin_s)  # what its up-time counts from
    due = seconds - talker.message.delay_s
    moment = Moment(cycle, talker.message, node, due, number, epoch_ns / 1e9, rng, talker.disturbs)
    return Released(number, seconds, released, contents(moment, talker.adjust), block)


def handed_over(seconds: Floats, node: Node, rng: np.random.Generator) -> Int64s:
    """Return when frames that are due are handed to the bus controller, nanoseconds: a little later, by chance."""
    jitter = np.minimum(rng.standard_gamma(1.5, len(seconds)) / 1.5, MOST_JITTER) * node.jitter_us
    return np.rint(seconds * 1e9 + jitter * 1e3).astype(np.int64)


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
            value = adjust(signal, value, moment)
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
    """Return payloads zero-padded to `width` bytes."""
    return np.pad(payload, ((0, 0), (0, width - payload.shape[1])))
