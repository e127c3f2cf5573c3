"""A module on a bench: what it sends, made a slice at a time, so that what is done to it can depend on what it sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from buswright.frames.table import Flag, Frames, empty_frames
from buswright.simulate.bench.stand import Stand, quantities
from buswright.simulate.car.definition import Bus, Message, Node
from buswright.simulate.car.sensing import Moment
from buswright.simulate.wire.bus import (
    Due,
    Talker,
    UInt8s,
    Wire,
    contents,
    due_times,
    handed_over,
    in_order,
    wide_payload,
)


@dataclass(frozen=True, slots=True)
class Build:
    """How a module is built, and what is wrong with it.

    Attributes
    ----------
    bus, node, messages
        What it sends, and where.
    starts_at_v
        Below this supply it is off.
    restart_ms
        From power to its first frame, when it was on before; None: as at first.
    missing, late
        Names of messages that it doesn't send, and that it sends at half their rate.
    frozen
        Messages whose counter stands.
    scaled
        By signal, a factor on what is sent.
    unheard
        Nobody acknowledges: its first frame is repeated for ever.
    """

    bus: Bus
    node: Node
    messages: tuple[Message, ...]
    starts_at_v: float = 6.5
    restart_ms: float | None = None
    missing: frozenset[str] = frozenset()
    late: frozenset[str] = frozenset()
    frozen: frozenset[str] = frozenset()
    scaled: Mapping[str, float] = field(default_factory=dict)
    unheard: bool = False


class BenchModule:
    """A module that goes on from slice to slice.

    Parameters
    ----------
    stand
        What is on its inputs; whoever tests changes it.
    seed
        Of its noise.
    epoch_ns
        Time of its first second, nanoseconds since 1970.

    `now_s`: up to when it has sent, seconds from the beginning.
    """

    def __init__(self, build: Build, stand: Stand, *, seed: int = 1, epoch_ns: int = 0) -> None:
        self.build, self.stand = build, stand
        self.now_s = 0.0
        self._seed, self._epoch_ns = seed, epoch_ns
        self._messages = [
            replace(message, period_ms=2 * message.period_ms) if message.name in build.late else message
            for message in build.messages
            if message.name not in build.missing
        ]
        talkers = [Talker(message.name, message, build.node) for message in self._messages]
        self._wire = Wire(build.bus, talkers)
        self._cycle = quantities(stand)
        self._free_ns = 0
        self._slice = 0
        self._on_s: float | None = 0.0
        self._starts = 0
        self._switches: list[tuple[float, bool]] = []

    def power(self, on: bool, at_s: float) -> None:
        """Take its supply away, or give it back, at a moment that is still to come."""
        self._switches.append((at_s, on))

    def frames(self, until_s: float) -> Frames:
        """Return what it sends up to a moment, stamped since 1970."""
        parts = [self._part(start, stop) for start, stop in self._stretches(until_s) if stop > start]
        sent, self._free_ns = self._wire.put_in_order(in_order(parts), self._free_ns) if parts else (empty_frames(), 0)
        self.now_s, self._slice = until_s, self._slice + 1
        if self.build.unheard and len(sent):
            sent = _repeated(sent)
        return replace(sent, time_ns=sent.time_ns + self._epoch_ns) if len(sent) else sent

    def _stretches(self, until_s: float) -> list[tuple[float, float]]:
        """Return the parts of the coming slice in which it is on; a switch ends or begins one."""
        due = [(at, on) for at, on in sorted(self._switches) if at < until_s]
        self._switches = [each for each in self._switches if each not in due]
        due += self._by_supply(until_s) if not due else []
        found, at = [], self.now_s
        for moment, on in sorted(due):
            moment = max(moment, at)
            if not on and self._on_s is not None:
                found.append((at, moment))
                self._on_s = None
            elif on and self._on_s is None:
                self._on_s, self._starts = moment, self._starts + 1
                at = moment
        if self._on_s is not None:
            found.append((max(at, self.now_s, min(self._on_s, until_s)), until_s))
        return found

    def _by_supply(self, until_s: float) -> list[tuple[float, bool]]:
        volts = float(self.stand.supply.at(np.array([until_s]))[0])
        enough = volts >= self.build.starts_at_v
        powered = self._on_s is not None
        dipped = any(not on for _, on in self._switches)
        if enough == powered or dipped or (enough and self._held_off()):
            return []
        return [(self.now_s, enough)]

    def _held_off(self) -> bool:
        """Whether it is off because its supply was taken away, and not given back yet."""
        return any(on for _, on in self._switches)

    def _part(self, start_s: float, stop_s: float) -> Due:
        begin, node = self._on_s or 0.0, self.build.node
        if begin > start_s:
            begin = 0.0
        if self._starts and self.build.restart_ms is not None:
            node = replace(node, boot_ms=self.build.restart_ms)
        parts = []
        for row, message in enumerate(self._messages):
            number, seconds = due_times(message, node, max(start_s - begin, 0.0), stop_s - begin)
            seconds = seconds + begin
            rng = np.random.default_rng([self._seed, self._slice, message.id])
            released = handed_over(seconds, node, rng)
            later = replace(node, boot_ms=node.boot_ms + 1000.0 * begin)
            moment = Moment(
                self._cycle, message, later, seconds, number, self._epoch_ns / 1e9, rng, (self.stand.disturb(),)
            )
            payload = wide_payload(self._payload(moment), self._wire.width)
            parts.append(Due(released, np.full(len(seconds), row), payload))
        return in_order(parts)

    def _payload(self, moment: Moment) -> UInt8s:
        scaled = self.build.scaled
        payload = contents(moment, lambda signal, values, _: values * scaled.get(signal.name, 1.0))
        message = moment.message
        if message.name in self.build.frozen and message.counter is not None:
            message.counter.insert(payload, np.zeros(len(payload), dtype=np.int64))
            if message.checksum is not None:
                message.checksum.fill(payload, message.id)
        return payload


def _repeated(sent: Frames) -> Frames:
    """Return the first frame of a stretch again and again, back to back: nobody acknowledges it."""
    spacing = 250_000
    count = max(1, int((sent.time_ns[-1] - sent.time_ns[0]) // spacing))
    first = int(np.argmin(sent.id.astype(np.int64) + (1 << 30) * sent.has(Flag.EXTENDED)))
    same = sent.take(np.full(count, first, dtype=np.intp))
    payload = np.zeros_like(same.payload)
    payload[:, 0] = 7
    return replace(same, time_ns=sent.time_ns[0] + spacing * np.arange(count), payload=payload)
