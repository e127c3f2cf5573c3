"""Faults of modules and their frames: what senders do wrong before the bus decides who goes first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from buswright.errors import UserError
from buswright.messages.checksum import KINDS as CHECKSUMS
from buswright.simulate.car.definition import Message, Node, Signal
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.plan import BusPlan, Plan, Record, gaps, identifier, picks, spread, stranger
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import Adjust, Bools, Int64s, Released, Talker

DIP_S = 0.12
"""A supply is low for this long before a module gives up."""
DIP_SHARE = 0.35
"""By how much of its voltage."""

SUPPLIES = frozenset({"battery_voltage", "power_supply", "node_supply"})
"""Sources that are supply voltages."""

FAMILY_SHARE = 0.83
"""Where in its range every signal of a second sender stands."""


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """Frames that are due in start <= t < end are not sent; phase and counter go on."""

    start_s: float
    end_s: float
    limit_s: float
    record: Record | None = None
    order: int = 60

    def __call__(self, part: Released, message: Message) -> Released:  # noqa: ARG002 - every reshaper gets it
        """Leave them out."""
        inside = (part.seconds >= self.start_s) & (part.seconds < self.end_s)
        if self.record is not None:
            self.record.add(int((inside & (part.seconds < self.limit_s)).sum()))
        return part.take(~inside)


@dataclass(frozen=True, slots=True, eq=False)
class Only:
    """Frames are sent only if they are due in start <= t < end."""

    start_s: float
    end_s: float
    limit_s: float
    record: Record
    order: int = 60

    def __call__(self, part: Released, message: Message) -> Released:  # noqa: ARG002 - every reshaper gets it
        """Leave the others out."""
        inside = (part.seconds >= self.start_s) & (part.seconds < self.end_s)
        self.record.add(int((inside & (part.seconds < self.limit_s)).sum()))
        return part.take(inside)


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
    limit_s: float
    record: Record
    order: int = 30
    _payload: np.ndarray[tuple[int], np.dtype[np.uint8]] | None = None

    def __call__(self, part: Released, message: Message) -> Released:  # noqa: ARG002 - every reshaper gets it
        """Repeat it."""
        rows = np.flatnonzero((part.seconds >= self.start_s) & (part.seconds < self.end_s))
        if len(rows):
            if self._payload is None:
                self._payload = part.payload[rows[0]].copy()
            part.payload[rows] = self._payload
            self.record.add(int((part.seconds[rows] < self.limit_s).sum()))
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


def dip(windows: list[tuple[float, float]]) -> Adjust:
    """Return the change of supply voltages shortly before each of the moments at which power is lost."""

    def adjust(signal: Signal, values: Floats, seconds: Floats) -> Floats:
        if signal.source not in SUPPLIES:
            return values
        low = np.zeros(len(seconds), dtype=np.bool_)
        for off, _ in windows:
            low |= (seconds >= off - DIP_S) & (seconds < off)
        return np.where(low, (1 - DIP_SHARE) * values, values)

    return adjust


def own_keys(plan: Plan, node: str) -> list[tuple[BusPlan, str]]:
    """Return the talkers of a module on all buses."""
    return [(bus, talker.key) for bus in plan.buses.values() for talker in bus.talkers if talker.node.name == node]


def _id_subjects(plan: Plan, node: str) -> tuple[str, ...]:
    return tuple(f"id:{bus.bus.name}/{identifier(bus.of(key).message)}" for bus, key in own_keys(plan, node))


def _module_missing(fault: Fault, plan: Plan) -> None:
    _, node = plan.module(fault.subject)
    end = fault.end_s(plan.seconds) if fault.duration_s is not None else float("inf")
    record = plan.lasting(fault, related=_id_subjects(plan, node.name))
    record.count = sum(
        len(plan.due(bus.of(key), fault.onset_s, min(end, plan.seconds))) for bus, key in own_keys(plan, node.name)
    )
    plan.cut_power(node.name, fault.onset_s, end)


def _module_reset(fault: Fault, plan: Plan) -> None:
    _, node = plan.module(fault.subject)
    rng = np.random.default_rng([fault.seed, 24])
    record = plan.record(fault, related=_id_subjects(plan, node.name))
    windows = [(off, on + float(rng.uniform(0.0, 0.2))) for off, on in gaps(fault, plan.seconds, fault.amount)]
    for off, on in windows:
        plan.cut_power(node.name, off, on)
        record.spans.append((off, on + node.boot_ms / 1000.0))
    record.count = len(windows)
    if "no-dip" not in fault.words:
        plan.adjust(node.name, dip(windows))


def _power_cycle(fault: Fault, plan: Plan) -> None:
    nodes: dict[str, Node] = {}
    for bus in plan.buses.values():
        nodes |= {talker.node.name: talker.node for talker in bus.talkers}
    windows = gaps(fault, plan.seconds, fault.amount)
    record = plan.record(fault, "capture", [f"module:{name}" for name in nodes])
    for off, on in windows:
        for place, name in enumerate(nodes):
            plan.cut_power(name, off + 0.002 * place, on)  # what is stored in each module's supply differs a little
        record.spans.append((off, on + max(node.boot_ms for node in nodes.values()) / 1000.0))
    for name in nodes:
        plan.adjust(name, dip(windows))
    record.count = len(windows)


def _id_missing(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    record = plan.lasting(fault, related=(f"module:{talker.node.name}",))
    end = fault.end_s(plan.seconds) if fault.duration_s is not None else float("inf")
    bus.reshape([talker.key], Cut(fault.onset_s, end, plan.seconds, record))


def _chosen(fault: Fault, plan: Plan, share: float) -> tuple[BusPlan, Talker, Record, Floats]:
    bus, talker = plan.talker(fault.subject)
    due = picks(fault, plan.due(talker, fault.onset_s, fault.end_s(plan.seconds)), share)
    record = plan.record(fault, related=(f"module:{talker.node.name}",))
    record.spans += [(at, at + talker.message.period_ms / 1000.0) for at in due.tolist()]
    record.count = len(due)
    return bus, talker, record, due


def _sender_skips(fault: Fault, plan: Plan) -> None:
    bus, talker, _, due = _chosen(fault, plan, fault.amount)
    bus.reshape([talker.key], Skip(due))


def _checksum_wrong(fault: Fault, plan: Plan) -> None:
    bus, talker, _, due = _chosen(fault, plan, fault.amount)
    checksum = talker.message.checksum
    if checksum is None:
        raise UserError(f"{talker.message.name} has no checksum", hint=_those_with("checksum", plan))
    width = min(CHECKSUMS[checksum.kind].width, 8)
    flips = np.random.default_rng([fault.seed, 25]).integers(1, 1 << width, len(due))
    bus.reshape([talker.key], Miscalculate(due, flips))


def _counter_jump(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    if talker.message.counter is None:
        raise UserError(f"{talker.message.name} has no counter", hint=_those_with("counter", plan))
    due = spread(fault, plan.due(talker, fault.onset_s, fault.end_s(plan.seconds)))
    record = plan.record(fault, related=(f"module:{talker.node.name}",))
    record.spans += [(at, at) for at in due.tolist()]
    record.count = len(due)
    bus.reshape([talker.key], Jump(due, round(fault.amount)))


def _those_with(what: str, plan: Plan) -> str:
    return "these have one: " + ", ".join(
        f"id:{bus.bus.name}/{identifier(talker.message)}"
        for bus in plan.buses.values()
        for talker in bus.talkers
        if getattr(talker.message, what)
    )


def _frozen_frame(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    record = plan.lasting(fault, related=(f"module:{talker.node.name}",))
    bus.reshape([talker.key], Freeze(fault.onset_s, fault.end_s(plan.seconds), plan.seconds, record))


def _late_frames(fault: Fault, plan: Plan) -> None:
    if fault.subject.startswith("module:"):
        keys = own_keys(plan, plan.module(fault.subject)[1].name)
        plan.lasting(fault, related=_id_subjects(plan, fault.subject.partition(":")[2]))
    else:
        bus, talker = plan.talker(fault.subject)
        keys = [(bus, talker.key)]
        plan.lasting(fault, related=(f"module:{talker.node.name}",))
    for bus, key in keys:
        most_s = fault.amount * bus.of(key).message.period_ms / 1000.0
        bus.reshape([key], Delay(fault.onset_s, fault.end_s(plan.seconds), most_s, fault.seed))


def _wrong_length(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    record = plan.lasting(fault, related=(f"module:{talker.node.name}",))
    length = round(fault.amount)
    if length == talker.message.length or not 0 <= length <= 8:
        raise UserError(
            f"{talker.message.name} with {length} bytes is no wrong length", hint="another number from 0 to 8"
        )
    end = fault.end_s(plan.seconds)
    copy = replace(talker, key=f"{talker.key}, {length} bytes", length=length)
    bus.talkers.append(copy)
    for reshaper in bus.reshapers.get(talker.key, ()):
        bus.reshape([copy.key], reshaper)
    bus.reshape([talker.key], Cut(fault.onset_s, end, plan.seconds))
    bus.reshape([copy.key], Only(fault.onset_s, end, plan.seconds, record))


def _unknown_id(fault: Fault, plan: Plan) -> None:
    bus, number, extended = plan.identifier(fault.subject)
    plan.lasting(fault)
    stream = plan.stream()
    message = stranger(f"STRANGER_{stream}", number, extended, bus.bus.name, fault.amount)
    node = Node("stranger", "", -37.0, 0.0, 60.0)
    stretch = (fault.onset_s, fault.end_s(plan.seconds))
    bus.talkers.append(Talker(message.name, message, node, (stretch,), stream=stream))


def _second_family(signal: Signal, values: Floats, seconds: Floats) -> Floats:
    """Return values that are steady and far from what the car sends."""
    slow = 0.01 * np.sin(seconds / 3.0)
    high = min(signal.high, signal.low + signal.scale * ((1 << signal.bits) - 1))
    return np.asarray(signal.low + (FAMILY_SHARE + slow) * (high - signal.low) + 0.0 * values, dtype=np.float64)


def _duplicate_id(fault: Fault, plan: Plan) -> None:
    bus, talker = plan.talker(fault.subject)
    record = plan.lasting(fault, related=(f"module:{talker.node.name}", f"bus:{bus.bus.name}"))
    rng = np.random.default_rng([fault.seed, 26])
    stream = plan.stream()
    period = talker.message.period_ms
    node = Node(
        "second_sender",
        "",
        talker.node.clock_ppm + fault.amount,
        float(rng.uniform(0.2, 0.8)) * period,
        talker.node.jitter_us,
    )
    second = Talker(
        f"{talker.key}, second sender",
        talker.message,
        node,
        ((fault.onset_s, fault.end_s(plan.seconds)),),
        _second_family,
        stream=stream,
    )
    bus.talkers.append(second)
    bus.rivals.append((talker.key, second.key))
    record.count = len(plan.due(second, 0.0, plan.seconds))


NODE_FAULTS: Mapping[str, Callable[[Fault, Plan], None]] = MappingProxyType(
    {
        "module-missing": _module_missing,
        "module-reset": _module_reset,
        "power-cycle": _power_cycle,
        "id-missing": _id_missing,
        "sender-skips": _sender_skips,
        "late-frames": _late_frames,
        "duplicate-id": _duplicate_id,
        "counter-jump": _counter_jump,
        "checksum-wrong": _checksum_wrong,
        "frozen-frame": _frozen_frame,
        "wrong-length": _wrong_length,
        "unknown-id": _unknown_id,
    }
)
