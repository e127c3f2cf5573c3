"""One bus as time goes on: messages become due, are handed over, win the bus and get their stamps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.frames.table import FD_CODE_OF_LENGTH, Flag
from buswright.frames.wire import wire_bits_of
from buswright.messages.encode import encode

from . import car
from .arbitration import arbitrate, rank
from .definition import Bus, Message, Node, in_database
from .hill import Floats
from .physics import Cycle
from .sensing import Moment, value_of

Int64s = npt.NDArray[np.int64]
UInt8s = npt.NDArray[np.uint8]

BLOCK_S = 30
"""Frames are made this many seconds at a time; a cycle is a whole number of blocks."""

RESOLUTION_NS = 1000
"""Time stamps are cut to whole microseconds, as adapters give them."""

INTERFRAME_BITS = 3
MOST_JITTER = 6.0
"""Release jitter ends at this many times its scale."""


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
    """One bus as time goes on; what could not be settled in one block waits for the next."""

    def __init__(self, bus: Bus, fd: bool) -> None:
        self.bus = bus
        self.messages = sorted(
            (message for message in car.messages(fd=fd) if message.bus == bus.name),
            key=lambda message: rank(message.id, message.extended),
        )
        nodes = {node.name: node for node in car.NODES}
        self.nodes = [nodes[message.sender] for message in self.messages]
        self.width = max(8, *(message.length for message in self.messages))
        self._held = Due(np.zeros(0, np.int64), np.zeros(0, np.intp), np.zeros((0, self.width), np.uint8))
        self._ranks = np.array([rank(message.id, message.extended) for message in self.messages], dtype=np.int64)
        self._ids = np.array([message.id for message in self.messages], dtype=np.uint32)
        self._lengths = np.array([message.length for message in self.messages], dtype=np.uint8)
        self._flags = np.array([_flags(message) for message in self.messages], dtype=np.uint8)

    def block(self, cycle: Cycle, block: int, seed: int, epoch_ns: int, *, last: bool) -> Sent:
        """Send what is due in one block; what could still be overtaken by the next block's frames waits for it."""
        due = self._due(cycle, block, seed, epoch_ns)
        end_ns = (block + 1) * BLOCK_S * 1_000_000_000
        flags, lengths = self._flags[due.sender], self._lengths[due.sender]
        codes = FD_CODE_OF_LENGTH[lengths]
        long_row = np.flatnonzero(lengths > 8).astype(np.int32)
        bits = wire_bits_of(
            self._ids[due.sender],
            flags,
            codes,
            wide_payload(due.payload, 8),
            long_row,
            wide_payload(due.payload[long_row], 64),
        )
        duration = bits.time_ns(self.bus.bitrate, self.bus.data_bitrate)
        order, starts = arbitrate(due.released, self._ranks[due.sender], duration)
        keep = len(order) if last else self._settled(due.released, starts + duration[order], end_ns)
        order, starts = order[:keep], starts[:keep]
        finish = starts + duration[order]
        self._held = due.rows(keep, None)
        stamps = finish - INTERFRAME_BITS * (1_000_000_000 // self.bus.bitrate)
        return Sent(
            stamps - stamps % RESOLUTION_NS,
            self._ids[due.sender[order]],
            flags[order],
            codes[order],
            lengths[order],
            due.payload[order],
            int(self._held.released[0]) if len(self._held.released) else end_ns,
        )

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
        parts = [self._held]
        for row, (message, node) in enumerate(zip(self.messages, self.nodes, strict=True)):
            rng = np.random.default_rng([seed, 2, block, message.id])
            number, seconds = due_times(message, node, block * BLOCK_S, (block + 1) * BLOCK_S)
            jitter = np.minimum(rng.standard_gamma(1.5, len(seconds)) / 1.5, MOST_JITTER) * node.jitter_us
            released = np.rint(seconds * 1e9 + jitter * 1e3).astype(np.int64)
            moment = Moment(cycle, message, node, seconds - message.delay_s, number, epoch_ns / 1e9, rng)
            payload = contents(moment)
            wide = np.zeros((len(payload), self.width), dtype=np.uint8)
            wide[:, : message.length] = payload
            parts.append(Due(released, np.full(len(released), row), wide))
        released = np.concatenate([part.released for part in parts])
        order = np.argsort(released, kind="stable")
        sender = np.concatenate([part.sender for part in parts])[order]
        return Due(released[order], sender, np.concatenate([part.payload for part in parts])[order])


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


def contents(moment: Moment) -> UInt8s:
    """Return the payloads that a message carries at these moments, counter and checksum included."""
    message, count = moment.message, len(moment.seconds)
    values: dict[str, Floats] = {}
    for signal in message.signals:
        if signal.source in {"counter", "checksum"}:
            continue
        value = value_of(signal.source, moment)
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
