"""What a run's faults come to: who is switched off when, what senders do wrong, what the wire and recorder see."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from buswright.errors import UserError
from buswright.frames.table import Event, Frames
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Bus, Message, Node, Signal, counter
from buswright.simulate.car.sensing import Disturb, Moment
from buswright.simulate.faults.catalogue import KINDS, Fault, GroundTruth
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import SECOND, Adjust, Released, Talker, car_talkers, due_times


@dataclass(slots=True)
class Record:
    """What is known so far about one fault; times are seconds on the true clock.

    `subject`, `related`: see `GroundTruth`; `run_s`: length of the run.
    """

    fault: Fault
    subject: str
    run_s: float
    related: tuple[str, ...] = ()
    spans: list[tuple[float, float]] = field(default_factory=list)
    count: int | None = None

    def add(self, count: int) -> None:
        """Count something."""
        self.count = (self.count or 0) + count

    def add_due(self, seconds: Floats) -> None:
        """Count frames that are due at these times, as far as the run goes."""
        self.add(int((seconds < self.run_s).sum()))

    def truth(self, clock: Callable[[float], int]) -> GroundTruth:
        """Return it for good; `clock` turns seconds into the capture's nanoseconds."""
        kind = KINDS[self.fault.kind]
        spans = tuple((clock(start), max(clock(start), clock(end))) for start, end in self.spans)
        return GroundTruth(
            kind=kind.name,
            layer=kind.layer,
            subject=self.subject,
            related=self.related,
            company=kind.company,
            start_ns=min(start for start, _ in spans),
            end_ns=max(end for _, end in spans),
            spans=spans,
            count=self.count,
        )


class Reshaper(Protocol):
    """Changes what one sender releases. The one with the lowest `order` comes first."""

    @property
    def order(self) -> int:
        """Its place among the reshapers of a talker."""

    def __call__(self, part: Released, message: Message) -> Released:
        """Return the changed frames; the argument's payload may be overwritten."""


class RecorderFault(Protocol):
    """Changes what is recorded. The one with the lowest `order` is nearest to the wire."""

    @property
    def order(self) -> int:
        """Its place between wire and file."""

    def __call__(self, frames: Frames, events: list[Event], *, final: bool) -> Frames:
        """Return what is recorded instead, and append what the recorder says about it; `final`: nothing follows."""


@dataclass(frozen=True, slots=True, eq=False)
class ErrorPlan:
    """Frames that are destroyed by an error flag and sent again.

    Attributes
    ----------
    times : float64[k]
        Seconds, ascending; each destroys the next frame of a victim.
    victims
        Keys of talkers.
    repeat
        How often that frame is destroyed.
    kills
        It is given up after that.
    what
        A key of `disturbed.ERRORS`.
    """

    times: Floats
    victims: frozenset[str]
    repeat: int
    what: str
    record: Record
    kills: bool = False


@dataclass(slots=True)
class BusPlan:
    """What happens to one bus.

    Attributes
    ----------
    talkers
        All that is ever sent on it.
    reshapers
        By the talker's key.
    rivals
        Pairs of talkers with one identifier, which collide when both wait for the bus.
    crowded
        A frame may have to wait until the next one of its kind replaces it.
    """

    bus: Bus
    talkers: list[Talker]
    reshapers: dict[str, list[Reshaper]] = field(default_factory=dict)
    errors: list[ErrorPlan] = field(default_factory=list)
    rivals: list[tuple[str, str]] = field(default_factory=list)
    crowded: bool = False

    @property
    def clean(self) -> bool:
        """Whether the wire needs nothing beyond its talkers."""
        return not (self.reshapers or self.errors or self.rivals or self.crowded)

    def reshape(self, talkers: Iterable[Talker], reshaper: Reshaper) -> None:
        """Put a reshaper on talkers."""
        for talker in talkers:
            self.reshapers.setdefault(talker.key, []).append(reshaper)

    def keys(self) -> frozenset[str]:
        """Return the keys of all talkers."""
        return frozenset(talker.key for talker in self.talkers)

    def subject(self, message: Message) -> str:
        """Return a message as the subject of a finding."""
        return f"id:{self.bus.name}/{message.digits}"


class Plan:
    """Everything that a run's faults come to. Builders of the kinds fill it.

    `extra`: talkers by bus besides the car's own.
    """

    def __init__(self, seconds: float, epoch_ns: int, fd: bool, extra: Mapping[str, Sequence[Talker]]) -> None:
        self.seconds = seconds
        self.epoch_ns = epoch_ns
        self.buses = {
            bus.name: BusPlan(bus, [*car_talkers(bus, fd), *extra.get(bus.name, [])]) for bus in car.buses(fd=fd)
        }
        self.recorder: list[RecorderFault] = []
        self.records: list[Record] = []
        self.jumps: list[tuple[float, float]] = []
        self._streams = 1000

    def record(self, fault: Fault, subject: str = "", related: Sequence[str] = ()) -> Record:
        """Begin to record what is true about a fault; it lasts from onset to end until spans are given."""
        record = Record(fault, subject or fault.subject, self.seconds, tuple(related))
        self.records.append(record)
        return record

    def lasting(self, fault: Fault, subject: str = "", related: Sequence[str] = ()) -> Record:
        """Record a fault that lasts from its onset to its end."""
        record = self.record(fault, subject, related)
        record.spans.append(self.window(fault))
        return record

    def window(self, fault: Fault) -> tuple[float, float]:
        """Return onset and end of a fault, seconds of the run."""
        return fault.onset_s, fault.end_s(self.seconds)

    def absence(self, fault: Fault) -> tuple[float, float]:
        """Return from when to when something is gone; without a duration it never comes back."""
        return fault.onset_s, float("inf") if fault.duration_s is None else fault.end_s(self.seconds)

    def bus(self, name: str) -> BusPlan:
        """Return a bus by name."""
        if name not in self.buses:
            raise UserError(f"the {car.NAME} has no bus {name!r}", hint=f"one of {', '.join(self.buses)}")
        return self.buses[name]

    def identifier(self, subject: str) -> tuple[BusPlan, int, bool]:
        """Return bus, identifier and whether it has 29 bits, of a subject like `id:chassis/1A0`."""
        bus, _, digits = subject.partition(":")[2].partition("/")
        try:
            return self.bus(bus), int(digits, 16), len(digits) == 8
        except ValueError:
            raise UserError(f"{subject!r} is not an identifier", hint="write it like id:chassis/1A0") from None

    def talker(self, subject: str) -> tuple[BusPlan, Talker]:
        """Return the car's own talker with an identifier."""
        bus, number, extended = self.identifier(subject)
        for talker in bus.talkers:
            if (talker.message.id, talker.message.extended) == (number, extended):
                return bus, talker
        known = ", ".join(talker.message.digits for talker in bus.talkers)
        raise UserError(f"the {bus.bus.name} bus has no {subject!r}", hint=f"one of {known}")

    def talkers(self) -> list[tuple[BusPlan, Talker]]:
        """Return every talker with its bus."""
        return [(bus, talker) for bus in self.buses.values() for talker in bus.talkers]

    def module(self, subject: str) -> tuple[Node, list[tuple[BusPlan, Talker]]]:
        """Return a module and its talkers on all buses."""
        name = subject.partition(":")[2]
        own = [(bus, talker) for bus, talker in self.talkers() if talker.node.name == name]
        if not own:
            names = sorted({talker.node.name for _, talker in self.talkers()})
            raise UserError(f"the {car.NAME} has no module {name!r}", hint=f"one of {', '.join(names)}")
        return own[0][1].node, own

    def stream(self) -> int:
        """Return a number for a further talker's random stream."""
        self._streams += 1
        return self._streams

    def cut_power(self, node: str, off_s: float, on_s: float) -> None:
        """Switch a module off for a while, on all of its buses."""
        self._change(node, lambda talker: replace(talker, stretches=without(talker.stretches, off_s, on_s)))

    def adjust(self, node: str, adjust: Adjust) -> None:
        """Change the values that a module sends."""
        self._change(node, lambda talker: replace(talker, adjust=_both(talker.adjust, adjust)))

    def disturb(self, inputs: Set[str], disturb: Disturb) -> list[str]:
        """Change what reaches some inputs of the damper node; return its messages that carry them, as subjects."""

        def on_these(name: str, millivolts: Floats, moment: Moment) -> Floats:
            return disturb(name, millivolts, moment) if name in inputs else millivolts

        carrying = []
        for bus in self.buses.values():
            for place, talker in enumerate(bus.talkers):
                if not inputs.isdisjoint({signal.source for signal in talker.message.signals}):
                    bus.talkers[place] = replace(talker, disturbs=(*talker.disturbs, on_these))
                    carrying.append(bus.subject(talker.message))
        return list(dict.fromkeys(carrying))

    def _change(self, node: str, change: Callable[[Talker], Talker]) -> None:
        for bus in self.buses.values():
            bus.talkers = [change(talker) if talker.node.name == node else talker for talker in bus.talkers]

    def due(self, talker: Talker, start_s: float, stop_s: float) -> Floats:
        """Return when a periodic talker is due, in seconds."""
        parts = [np.zeros(0)]
        for begin, end in talker.stretches:
            first, last = max(start_s, begin), min(stop_s, end)
            if first < last:
                parts.append(due_times(talker.message, talker.node, first - begin, last - begin)[1] + begin)
        return np.concatenate(parts)

    def clock_ns(self, seconds: float) -> int:
        """Turn true seconds into nanoseconds since 1970."""
        return self.epoch_ns + round(seconds * SECOND)

    def stamp_ns(self, seconds: float) -> int:
        """Turn true seconds into the stamp that the recorder gives at that moment."""
        moved = sum(step for onset, step in self.jumps if onset <= seconds)
        return self.clock_ns(seconds + moved)

    def truths(self) -> tuple[GroundTruth, ...]:
        """Return what is true about all faults; counts are complete at the end of the run."""
        return tuple(record.truth(self.stamp_ns) for record in self.records if record.spans)


def without(stretches: Sequence[tuple[float, float]], off_s: float, on_s: float) -> tuple[tuple[float, float], ...]:
    """Take a time without power out of stretches; after it the sender starts again."""
    left = []
    for begin, end in stretches:
        if end <= off_s or begin >= on_s:
            left.append((begin, end))
            continue
        if begin < off_s:
            left.append((begin, off_s))
        if end > on_s:
            left.append((on_s, end))
    return tuple(left)


def _both(first: Adjust | None, second: Adjust) -> Adjust:
    if first is None:
        return second
    before = first

    def adjust(signal: Signal, values: Floats, moment: Moment) -> Floats:
        return second(signal, before(signal, values, moment), moment)

    return adjust


def gaps(fault: Fault, seconds: float, length_s: float) -> list[tuple[float, float]]:
    """Spread `repeat` stretches of one length over a fault's duration; the first begins at its onset."""
    rng = np.random.default_rng([fault.seed, 21])
    end = fault.end_s(seconds)
    slot = (end - fault.onset_s) / fault.repeat
    free = max(slot - 1.5 * length_s, 0.0)
    starts = [fault.onset_s + k * slot + (free * float(rng.random()) * 0.6 if k else 0.0) for k in range(fault.repeat)]
    return [(start, min(start + length_s, end)) for start in starts if start < seconds]


def picks(fault: Fault, due: Floats, share: float) -> Floats:
    """Choose a share of the times at which a message is due, at least one of them; ascending."""
    rng = np.random.default_rng([fault.seed, 22])
    chosen = due[rng.random(len(due)) < share]
    return chosen if len(chosen) or not len(due) else due[len(due) // 2 :][:1]


def spread(fault: Fault, due: Floats) -> Floats:
    """Choose `repeat` of the times at which a message is due: the first, and later ones at even distances."""
    places = np.unique(np.linspace(0, len(due) - 1, fault.repeat + 1).astype(np.intp)[: fault.repeat])
    return due[places] if len(due) else due


def stranger(name: str, number: int, extended: bool, bus: str, period_ms: float) -> Message:
    """Return a message that stands in no database: a counter, and values that wander."""
    signals = tuple(
        Signal(f"Value{k}", 16, f"slow_{k}", "", 0.01, 0.0, 0.0, 655.0, "Wanders.", noise=0.02) for k in (1, 2, 3)
    )
    fields = (counter(8), *signals)
    return Message(name, number, "stranger", bus, period_ms, 0.0, "Of nobody.", fields, extended=extended)
