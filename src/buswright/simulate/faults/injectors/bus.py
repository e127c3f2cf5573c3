"""Faults of the bus itself: frames destroyed, too much traffic, a break, no partner that acknowledges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buswright.errors import UserError
from buswright.frames.wire.arbitration import rank
from buswright.frames.wire.bits import INTERFRAME_BITS
from buswright.simulate.car.definition import Node
from buswright.simulate.car.file import CHAINS
from buswright.simulate.faults.catalogue import SENDER_GONE, Fault, Tried, Turn, injector
from buswright.simulate.faults.plan import BusPlan, ErrorPlan, Plan, gaps, stranger
from buswright.simulate.faults.reshapers import Cut, Freeze
from buswright.simulate.wire.bus import Talker
from buswright.simulate.wire.further_traffic import filler_talkers, typical_bits

BUS_OFF_FAILURES = 32
"""Failed transmissions, 8 counts each, until the error counter passes 255 and the controller leaves the bus."""
SUSPEND_BITS = 8
"""An error passive sender waits this long after its own frame (ISO 11898-1, suspend transmission)."""
BREAK_S = 0.05
"""A connector chatters for this long before it is open."""


def _module(fault: Fault, plan: Plan) -> tuple[BusPlan, list[Talker]]:
    """Return the first bus on which a module sends, and what it sends there."""
    _, own = plan.module(fault.subject)
    return own[0][0], [talker for bus, talker in own if bus is own[0][0]]


@injector(
    "bus-errors", "Random frames are destroyed and sent again.",
    severity="error frames per second", default=3.0, subject="bus:chassis", takes=("bus", "module"),
    variants=("stuff", "form", "crc", "ack"),
    tried=(
        Tried((3.0, 20.0), duration_s=20.0),
        Tried((5.0,), duration_s=20.0, subject="bus:engine", variant="form+crc"),
        Tried((5.0,), duration_s=20.0, subject="module:wheel_node"),
    ),
)  # fmt: skip
def _bus_errors(fault: Fault, plan: Plan) -> None:
    onset, end = plan.window(fault)
    if fault.subject.startswith("module:"):
        bus, own = _module(fault, plan)
        victims = frozenset(talker.key for talker in own)
        record = plan.lasting(fault, related=(f"bus:{bus.bus.name}",))
    else:
        bus = plan.bus(fault.subject.partition(":")[2])
        victims = bus.keys()
        record = plan.lasting(fault)
    rng = np.random.default_rng([fault.seed, 31])
    count = max(1, round(fault.amount * (end - onset)))
    times = np.sort(rng.uniform(onset, end, count))
    words = sorted(fault.words) or ["stuff"]
    for place, word in enumerate(words):
        bus.errors.append(ErrorPlan(times[place :: len(words)], victims, 1, word, record))


@injector(
    "bus-overload",
    "More frames want the bus than fit. Low priorities arrive late, or are replaced before they are sent.",
    severity="load aimed at", default=0.95, subject="bus:engine",
    company=("unknown-id", "late-frames", "frames-lost", "id-missing", "sender-skips"),
    tried=(Tried((0.85, 0.95, 1.3), duration_s=8.0),),
)  # fmt: skip
def _bus_overload(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    window = plan.window(fault)
    talkers = filler_talkers(bus.bus, fault.amount, plan.stream() * 100, urgent=True)
    talkers = [
        replace(talker, key=f"{talker.key}, overload", stretches=(window,), node=replace(talker.node, boot_ms=0.0))
        for talker in talkers
    ]
    bus.talkers += talkers
    bus.crowded = True
    plan.lasting(fault, related=[bus.subject(talker.message) for talker in talkers])


@injector(
    "babbling-node", "One identifier is sent so often that it takes this share of the bus.",
    severity="share of the bus", default=0.9, subject="id:chassis/0F0",
    company=("bus-overload", "late-frames", "frames-lost", "id-missing", "counter-jump", "unknown-id"),
    tried=(Tried((0.75, 0.9, 1.3), duration_s=4.0), Tried((0.9,), duration_s=4.0, subject="id:engine/008")),
)  # fmt: skip
def _babbling_node(fault: Fault, plan: Plan) -> None:
    bus, number, extended = plan.identifier(fault.subject)
    own = [t for t in bus.talkers if (t.message.id, t.message.extended) == (number, extended)]
    if own and own[0].message.fd:
        raise UserError(f"{own[0].message.name} is a CAN FD frame, which can't babble here", hint="name a classic one")
    stream = plan.stream()
    message = own[0].message if own else stranger(f"BABBLER_{stream}", number, extended, bus.bus.name, 1.0)
    ppm = own[0].node.clock_ppm if own else 0.0
    period_ms = 1000.0 * typical_bits(message) / bus.bus.bitrate / fault.amount
    window = plan.window(fault)
    bus.reshape(own, Cut(*window))
    message = replace(message, period_ms=period_ms, phase_ms=0.0)
    node = Node(f"babbling, {stream}", "", ppm, 0.0, 1.0)
    bus.talkers.append(Talker(f"babbling, {stream}", message, node, (window,), stream=stream))
    bus.crowded = True
    modules = [f"module:{talker.node.name}" for talker in own]
    plan.lasting(fault, related=(*modules, f"bus:{bus.bus.name}"))


@injector(
    "no-acknowledge", "One module is alone on the bus and repeats its most urgent frame without end.",
    severity="error frames before", default=16.0, subject="bus:chassis",
    company=("module-missing", "id-missing", "bus-overload", "frozen-frame", "bus-errors", "frames-lost"),
    turn=Turn.WHOLE_BUS, tried=(Tried((16.0,), onset_s=20.0), Tried((0.0,), onset_s=20.0, subject="bus:engine")),
)  # fmt: skip
def _no_acknowledge(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    window = plan.window(fault)
    alone = min(
        (talker for talker in bus.talkers if talker.moments is None and talker.message.length <= 8),
        key=lambda talker: rank(talker.message.id, talker.message.extended),
    )
    bus.reshape(bus.talkers, Cut(*window))
    shortest = 47 + 8 * alone.message.length + INTERFRAME_BITS
    message = replace(alone.message, period_ms=1000.0 * shortest / bus.bus.bitrate, phase_ms=0.0)
    stream = plan.stream()
    node = Node(f"alone, {stream}", "", alone.node.clock_ppm, 0.0, 0.0)
    talker = Talker(node.name, message, node, (window,), stream=stream, tail_bits=SUSPEND_BITS)
    bus.talkers.append(talker)
    bus.reshape([talker], Freeze(*window))
    bus.crowded = True
    record = plan.lasting(fault, related=(bus.subject(message), f"module:{alone.node.name}"))
    before = ErrorPlan(np.array([fault.onset_s]), frozenset([talker.key]), round(fault.amount), "ack", record)
    bus.errors.append(before)


@injector(
    "bus-off", "A module's frame fails 32 times in a row, then the module is silent. Its clock and counters run on.",
    severity="seconds of silence each time, 0: until the end", default=0.4, subject="module:damper_node",
    company=("bus-errors", *SENDER_GONE),
    tried=(Tried((0.3, 1.0), duration_s=24.0, repeat=4), Tried((0.0,), onset_s=20.0, subject="module:power_node")),
)  # fmt: skip
def _bus_off(fault: Fault, plan: Plan) -> None:
    bus, talkers = _module(fault, plan)
    forever = fault.amount == 0
    windows = [plan.window(fault)] if forever else gaps(fault, plan.seconds, fault.amount)
    names = [bus.subject(talker.message) for talker in talkers]
    record = plan.record(fault, related=(f"bus:{bus.bus.name}", *names))
    for off, on in windows:
        first, victim = min(
            (float(due[0]), talker.key) for talker in talkers if len(due := plan.due(talker, off, plan.seconds))
        )
        # The frame whose failures end in bus-off never goes out; what is due after it waits for the recovery.
        errors = ErrorPlan(np.array([first]), frozenset([victim]), BUS_OFF_FAILURES, "stuff", record, kills=True)
        bus.errors.append(errors)
        until = float("inf") if forever and fault.duration_s is None else on
        bus.reshape(talkers, Cut(np.nextafter(first, np.inf), until))
        record.spans.append((first, on))


@injector(
    "segment-open",
    "The bus breaks behind a connector. The modules beyond it disappear; `variant` names the first of them.",
    severity="error frames at the break", default=20.0, subject="bus:chassis", any_variant=True,
    company=("bus-errors", "module-missing", *SENDER_GONE),
    tried=(Tried((5.0, 20.0), onset_s=20.0), Tried((20.0,), onset_s=15.0, duration_s=6.0, variant="damper_node")),
)  # fmt: skip
def _segment_open(fault: Fault, plan: Plan) -> None:
    bus = plan.bus(fault.subject.partition(":")[2])
    chain = CHAINS[bus.bus.name]
    first = fault.variant or chain[min(len(chain) // 2 + 1, len(chain) - 1)]
    if first not in chain[1:]:
        raise UserError(
            f"the {bus.bus.name} bus has no connector before {first!r}", hint=f"one of {', '.join(chain[1:])}"
        )
    beyond = chain[chain.index(first) :]
    lost = [talker for talker in bus.talkers if talker.node.name in beyond]
    if not lost:
        raise UserError(f"nothing beyond {first} sends on the {bus.bus.name} bus", hint="name an earlier module")
    record = plan.lasting(fault, related=tuple(f"module:{name}" for name in beyond))
    rng = np.random.default_rng([fault.seed, 32])
    times = fault.onset_s - np.sort(rng.uniform(0.0, BREAK_S, round(fault.amount)))[::-1]
    record.spans[0] = (float(min(times, default=fault.onset_s)), record.spans[0][1])
    bus.errors.append(ErrorPlan(times, bus.keys(), 1, "form", record))
    bus.reshape(lost, Cut(*plan.absence(fault)))
