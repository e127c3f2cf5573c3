"""Faults of the bus itself: frames destroyed, too much traffic, a break, nobody to acknowledge."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from buswright.errors import UserError
from buswright.frames.wire.bits import INTERFRAME_BITS
from buswright.simulate.car.definition import Node
from buswright.simulate.car.file import CHAINS
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.fillers import filler_talkers
from buswright.simulate.faults.node import Cut
from buswright.simulate.faults.plan import ErrorPlan, Plan, gaps, identifier, stranger, typical_bits
from buswright.simulate.wire.arbitration import rank
from buswright.simulate.wire.bus import Talker

BUS_OFF_FAILURES = 32
"""Failed transmissions, 8 counts each, until the error counter passes 255 and the controller leaves the bus."""
SUSPEND_BITS = 8
"""An error passive sender waits this long after its own frame (ISO 11898-1, suspend transmission)."""
BREAK_S = 0.05
"""A connector chatters for this long before it is open."""


def _bus_errors(fault: Fault, plan: Plan) -> None:
    end = fault.end_s(plan.seconds)
    if fault.subject.startswith("module:"):
        bus, node = plan.module(fault.subject)
        victims = [talker.key for talker in bus.talkers if talker.node.name == node.name]
        record = plan.lasting(fault, related=(f"bus:{bus.bus.name}",))
    else:
        bus = plan.bus(fault.subject.partition(":")[2])
        victims = bus.keys()
        record = plan.lasting(fault)
    rng = np.random.default_rng([fault.seed, 31])
    count = max(1, round(fault.amount * (end - fault.onset_s)))
    times = np.sort(rng.uniform(fault.onset_s, end, count))
    words = sorted(fault.words) or ["stuff"]
    for place, word in enumerate(words):
        bus.errors.append(ErrorPlan(times[place :: len(words)], frozenset(victims), 1, word, record))


def _bus_overload(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    window = (fault.onset_s, fault.end_s(plan.seconds))
    talkers = filler_talkers(bus.bus, fault.amount, plan.stream() * 100, urgent=True)
    talkers = [
        replace(talker, key=f"{talker.key}, overload", stretches=(window,), node=replace(talker.node, boot_ms=0.0))
        for talker in talkers
    ]
    bus.talkers += talkers
    bus.crowded = True
    names = (f"id:{bus.bus.name}/{identifier(talker.message)}" for talker in talkers)
    plan.lasting(fault, related=tuple(names))


def _babbling_node(fault: Fault, plan: Plan) -> None:
    bus, number, extended = plan.identifier(fault.subject)
    own = [t for t in bus.talkers if (t.message.id, t.message.extended) == (number, extended)]
    if own and own[0].message.fd:
        raise UserError(f"{own[0].message.name} is a CAN FD frame, which can't babble here", hint="name a classic one")
    stream = plan.stream()
    message = own[0].message if own else stranger(f"BABBLER_{stream}", number, extended, bus.bus.name, 1.0)
    ppm = own[0].node.clock_ppm if own else 0.0
    period_ms = 1000.0 * typical_bits(message) / bus.bus.bitrate / fault.amount
    window = (fault.onset_s, fault.end_s(plan.seconds))
    for talker in own:
        bus.reshape([talker.key], Cut(*window, plan.seconds))
    message = replace(message, period_ms=period_ms, phase_ms=0.0)
    node = Node(f"babbling, {stream}", "", ppm, 0.0, 1.0)
    bus.talkers.append(Talker(f"babbling, {stream}", message, node, (window,), stream=stream))
    bus.crowded = True
    modules = [f"module:{talker.node.name}" for talker in own]
    plan.lasting(fault, related=(*modules, f"bus:{bus.bus.name}"))


def _no_acknowledge(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    window = (fault.onset_s, fault.end_s(plan.seconds))
    alone = min(
        (talker for talker in bus.talkers if talker.moments is None and talker.message.length <= 8),
        key=lambda talker: rank(talker.message.id, talker.message.extended),
    )
    bus.reshape(bus.keys(), Cut(*window, plan.seconds))
    shortest = 47 + 8 * alone.message.length + INTERFRAME_BITS
    message = replace(alone.message, period_ms=1000.0 * shortest / bus.bus.bitrate, phase_ms=0.0)
    stream = plan.stream()
    talker = Talker(
        f"alone, {stream}",
        message,
        Node(f"alone, {stream}", "", alone.node.clock_ppm, 0.0, 0.0),
        (window,),
        stream=stream,
        frozen=True,
        tail_bits=SUSPEND_BITS,
    )
    bus.talkers.append(talker)
    bus.crowded = True
    related = (f"id:{bus.bus.name}/{identifier(message)}", f"module:{alone.node.name}")
    record = plan.lasting(fault, related=related)
    before = ErrorPlan(np.array([fault.onset_s]), frozenset([talker.key]), round(fault.amount), "ack", record)
    bus.errors.append(before)


def _bus_off(fault: Fault, plan: Plan) -> None:
    bus, node = plan.module(fault.subject)
    talkers = [talker for talker in bus.talkers if talker.node.name == node.name]
    end = fault.end_s(plan.seconds)
    forever = fault.amount == 0
    windows = [(fault.onset_s, end)] if forever else gaps(fault, plan.seconds, fault.amount)
    names = [f"id:{bus.bus.name}/{identifier(talker.message)}" for talker in talkers]
    record = plan.record(fault, related=(f"bus:{bus.bus.name}", *names))
    for off, on in windows:
        first, victim = min(
            (float(due[0]), talker.key) for talker in talkers if len(due := plan.due(talker, off, plan.seconds))
        )
        # The frame whose failures end in bus-off never goes out; what is due after it waits for the recovery.
        errors = ErrorPlan(np.array([first]), frozenset([victim]), BUS_OFF_FAILURES, "stuff", record, kills=True)
        bus.errors.append(errors)
        until = float("inf") if forever and fault.duration_s is None else on
        bus.reshape([talker.key for talker in talkers], Cut(np.nextafter(first, np.inf), until, plan.seconds))
        record.spans.append((first, on))


def _segment_open(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    chain = CHAINS[bus.bus.name]
    first = fault.variant or chain[min(len(chain) // 2 + 1, len(chain) - 1)]
    if first not in chain[1:]:
        raise UserError(
            f"the {bus.bus.name} bus has no connector before {first!r}", hint=f"one of {', '.join(chain[1:])}"
        )
    beyond = chain[chain.index(first) :]
    lost = [talker.key for talker in bus.talkers if talker.node.name in beyond]
    if not lost:
        raise UserError(f"nothing beyond {first} sends on the {bus.bus.name} bus", hint="name an earlier module")
    record = plan.lasting(fault, related=tuple(f"module:{name}" for name in beyond))
    rng = np.random.default_rng([fault.seed, 32])
    end = fault.end_s(plan.seconds) if fault.duration_s is not None else float("inf")
    times = fault.onset_s - np.sort(rng.uniform(0.0, BREAK_S, round(fault.amount)))[::-1]
    record.spans[0] = (float(min(times, default=fault.onset_s)), record.spans[0][1])
    bus.errors.append(ErrorPlan(times, frozenset(bus.keys()), 1, "form", record))
    bus.reshape(lost, Cut(fault.onset_s, end, plan.seconds))


BUS_FAULTS: Mapping[str, Callable[[Fault, Plan], None]] = MappingProxyType(
    {
        "bus-errors": _bus_errors,
        "bus-overload": _bus_overload,
        "babbling-node": _babbling_node,
        "no-acknowledge": _no_acknowledge,
        "bus-off": _bus_off,
        "segment-open": _segment_open,
    }
)
