"""Faults of modules and their frames: what senders do wrong before the bus decides who goes first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buswright.errors import UserError
from buswright.messages.checksum import KINDS as CHECKSUMS
from buswright.simulate.car.definition import Node, Signal
from buswright.simulate.car.sensing import Moment
from buswright.simulate.faults.catalogue import SENDER_GONE, Fault, Tried, Turn, injector
from buswright.simulate.faults.plan import BusPlan, Plan, Record, gaps, picks, spread, stranger
from buswright.simulate.faults.reshapers import Cut, Delay, Freeze, Jump, Miscalculate, Skip
from buswright.simulate.physics.hill import Floats
from buswright.simulate.wire.bus import Adjust, Talker

DIP_S = 0.12
"""A supply is low for this long before a module gives up."""
DIP_SHARE = 0.35
"""By how much of its voltage."""

SUPPLIES = frozenset({"battery_voltage", "power_supply", "node_supply"})
"""Sources that are supply voltages."""

FAMILY_SHARE = 0.83
"""Where in its range every signal of a second sender stands."""


def dip(windows: list[tuple[float, float]]) -> Adjust:
    """Return the change of supply voltages shortly before each of the moments at which power is lost."""

    def adjust(signal: Signal, values: Floats, moment: Moment) -> Floats:
        if signal.source not in SUPPLIES:
            return values
        low = np.zeros(len(values), dtype=np.bool_)
        for off, _ in windows:
            low |= (moment.seconds >= off - DIP_S) & (moment.seconds < off)
        return np.where(low, (1 - DIP_SHARE) * values, values)

    return adjust


def _subjects(own: list[tuple[BusPlan, Talker]]) -> tuple[str, ...]:
    return tuple(bus.subject(talker.message) for bus, talker in own)


def _message(fault: Fault, plan: Plan, *, lasts: bool = True) -> tuple[BusPlan, Talker, Record]:
    """Return the message that a fault is about, and what is recorded of it."""
    bus, talker = plan.talker(fault.subject)
    begin = plan.lasting if lasts else plan.record
    return bus, talker, begin(fault, related=(f"module:{talker.node.name}",))


@injector(
    "module-missing", "A module is absent from the onset on.",
    subject="module:wheel_node", company=("id-missing",), turn=Turn.POWER,
    tried=(
        Tried((1.0,), onset_s=20.0),
        Tried((1.0,), onset_s=0.0, subject="module:inertial_node"),
        Tried((1.0,), onset_s=12.0, duration_s=6.0, subject="module:power_node"),
    ),
)  # fmt: skip
def _module_missing(fault: Fault, plan: Plan) -> None:
    node, own = plan.module(fault.subject)
    record = plan.lasting(fault, related=_subjects(own))
    record.count = sum(len(plan.due(talker, *plan.window(fault))) for _, talker in own)
    plan.cut_power(node.name, *plan.absence(fault))


@injector(
    "late-start", "A module sends nothing at first, then comes.",
    severity="seconds from key-on", default=10.0, subject="module:damper_node", turn=Turn.POWER,
    tried=(Tried((4.0, 10.0), onset_s=0.0), Tried((8.0,), onset_s=0.0, subject="module:power_node")),
)  # fmt: skip
def _late_start(fault: Fault, plan: Plan) -> None:
    node, own = plan.module(fault.subject)
    record = plan.record(fault, related=_subjects(own))
    record.spans.append((0.0, fault.amount))
    record.count = 1
    plan.cut_power(node.name, 0.0, fault.amount)


@injector(
    "module-reset",
    "A module restarts, `repeat` times: its supply dips, its timing is new, its counters start at zero.",
    severity="seconds without power, boot time not included", default=0.15, subject="module:damper_node",
    variants=("no-dip",), company=SENDER_GONE, turn=Turn.POWER,
    tried=(
        Tried((0.05, 0.15, 0.6), duration_s=24.0, repeat=4),
        Tried((0.2,), duration_s=24.0, repeat=4, subject="module:wheel_node", variant="no-dip"),
    ),
)  # fmt: skip
def _module_reset(fault: Fault, plan: Plan) -> None:
    node, own = plan.module(fault.subject)
    rng = np.random.default_rng([fault.seed, 24])
    record = plan.record(fault, related=_subjects(own))
    windows = [(off, on + float(rng.uniform(0.0, 0.2))) for off, on in gaps(fault, plan.seconds, fault.amount)]
    for off, on in windows:
        plan.cut_power(node.name, off, on)
        record.spans.append((off, on + node.boot_ms / 1000.0))
    record.count = len(windows)
    if "no-dip" not in fault.words:
        plan.adjust(node.name, dip(windows))


@injector(
    "power-cycle", "Main power fails and returns. All modules restart, one after the other.",
    severity="seconds without power", default=1.2, subject="car", turn=Turn.POWER,
    tried=(Tried((0.4, 1.2, 6.0), onset_s=18.0), Tried((0.8,), onset_s=12.0, duration_s=24.0, repeat=3)),
)  # fmt: skip
def _power_cycle(fault: Fault, plan: Plan) -> None:
    nodes = {talker.node.name: talker.node for _, talker in plan.talkers()}
    windows = gaps(fault, plan.seconds, fault.amount)
    record = plan.record(fault, "capture", [f"module:{name}" for name in nodes])
    for off, on in windows:
        for place, name in enumerate(nodes):
            plan.cut_power(name, off + 0.002 * place, on)  # what is stored in each module's supply differs a little
        record.spans.append((off, on + max(node.boot_ms for node in nodes.values()) / 1000.0))
    for name in nodes:
        plan.adjust(name, dip(windows))
    record.count = len(windows)


@injector(
    "id-missing", "One message is no longer sent.",
    subject="id:chassis/1B1",
    tried=(Tried((1.0,), onset_s=20.0), Tried((1.0,), onset_s=14.0, duration_s=5.0, subject="id:engine/0A8")),
)  # fmt: skip
def _id_missing(fault: Fault, plan: Plan) -> None:
    bus, talker, record = _message(fault, plan)
    bus.reshape([talker], Cut(*plan.absence(fault), record))


@injector(
    "rhythm-changed", "A message that nobody declares a period for is sent at a longer one for a while.",
    severity="how many times longer", default=5.0, subject="id:chassis/5B5",
    company=("unknown-id",), tried=(Tried((3.0, 5.0), onset_s=10.0, duration_s=14.0),),
)  # fmt: skip
def _rhythm_changed(fault: Fault, plan: Plan) -> None:
    bus, number, extended = plan.identifier(fault.subject)
    plan.record(fault).spans.append(plan.window(fault))
    stream, (begin, end) = plan.stream(), plan.window(fault)
    node = Node("stranger", "", -37.0, 0.0, 60.0)
    for name, period_ms, stretches in (
        ("USUAL", 20.0, ((0.0, begin), (end, plan.seconds))),
        ("SLOW", 20.0 * fault.amount, ((begin, end),)),
    ):
        message = stranger(f"{name}_{stream}", number, extended, bus.bus.name, period_ms)
        bus.talkers.append(Talker(message.name, message, node, stretches, stream=stream))


def _chosen(fault: Fault, plan: Plan, share: float) -> tuple[BusPlan, Talker, Floats]:
    bus, talker, record = _message(fault, plan, lasts=False)
    due = picks(fault, plan.due(talker, *plan.window(fault)), share)
    record.spans += [(at, at + talker.message.period_ms / 1000.0) for at in due.tolist()]
    record.count = len(due)
    return bus, talker, due


@injector(
    "sender-skips", "The sender leaves out frames. Their timing stays; the counter has no jump.",
    severity="share of the frames", default=0.02, subject="id:chassis/1A0",
    tried=(Tried((0.003, 0.02, 0.1)), Tried((0.02,), subject="id:engine/0C0")),
)  # fmt: skip
def _sender_skips(fault: Fault, plan: Plan) -> None:
    bus, talker, due = _chosen(fault, plan, fault.amount)
    bus.reshape([talker], Skip(due))


@injector(
    "checksum-wrong", "The sender puts a wrong checksum into some frames.",
    severity="share of the frames", default=0.05, subject="id:chassis/111", tried=(Tried((0.002, 0.05, 1.0)),),
)  # fmt: skip
def _checksum_wrong(fault: Fault, plan: Plan) -> None:
    bus, talker, due = _chosen(fault, plan, fault.amount)
    checksum = talker.message.checksum
    if checksum is None:
        raise UserError(f"{talker.message.name} has no checksum", hint=_those_with("checksum", plan))
    width = min(CHECKSUMS[checksum.kind].width, 8)
    flips = np.random.default_rng([fault.seed, 25]).integers(1, 1 << width, len(due))
    bus.reshape([talker], Miscalculate(due, flips))


@injector(
    "counter-jump", "The sender's counter jumps, `repeat` times; no frame is missing.",
    severity="counts too many", default=3.0, subject="id:chassis/0F0",
    tried=(Tried((3.0, 6.0), duration_s=24.0, repeat=5),),
)  # fmt: skip
def _counter_jump(fault: Fault, plan: Plan) -> None:
    bus, talker, record = _message(fault, plan, lasts=False)
    if talker.message.counter is None:
        raise UserError(f"{talker.message.name} has no counter", hint=_those_with("counter", plan))
    due = spread(fault, plan.due(talker, *plan.window(fault)))
    record.spans += [(at, at) for at in due.tolist()]
    record.count = len(due)
    bus.reshape([talker], Jump(due, round(fault.amount)))


def _those_with(what: str, plan: Plan) -> str:
    return "these have one: " + ", ".join(
        bus.subject(talker.message) for bus, talker in plan.talkers() if getattr(talker.message, what)
    )


@injector(
    "frozen-frame", "The payload never changes, counter included.",
    subject="id:chassis/0F0", company=("counter-jump",),
    tried=(Tried((1.0,), duration_s=8.0), Tried((1.0,), subject="id:engine/0A0")),
)  # fmt: skip
def _frozen_frame(fault: Fault, plan: Plan) -> None:
    bus, talker, record = _message(fault, plan)
    bus.reshape([talker], Freeze(*plan.window(fault), record))


@injector(
    "late-frames", "The sender hands its frames over late, by a random delay.",
    severity="largest delay, in periods", default=0.8, subject="id:chassis/0F1", takes=("id", "module"),
    tried=(Tried((0.6, 0.9)), Tried((0.8,), subject="module:wheel_node")),
)  # fmt: skip
def _late_frames(fault: Fault, plan: Plan) -> None:
    if fault.subject.startswith("module:"):
        _, late = plan.module(fault.subject)
        plan.lasting(fault, related=_subjects(late))
    else:
        late = [_message(fault, plan)[:2]]
    for bus, talker in late:
        most_s = fault.amount * talker.message.period_ms / 1000.0
        bus.reshape([talker], Delay(*plan.window(fault), most_s, fault.seed))


@injector(
    "wrong-length", "The frame has another length.",
    severity="payload bytes", default=6.0, subject="id:chassis/112",
    tried=(Tried((6.0, 4.0)), Tried((8.0,), subject="id:chassis/0F2", duration_s=8.0)),
)  # fmt: skip
def _wrong_length(fault: Fault, plan: Plan) -> None:
    bus, talker, record = _message(fault, plan)
    length = round(fault.amount)
    if length == talker.message.length or not 0 <= length <= 8:
        raise UserError(
            f"{length} bytes can't be a wrong length of {talker.message.name}", hint="give another number from 0 to 8"
        )
    copy = replace(talker, key=f"{talker.key}, {length} bytes", length=length)
    bus.talkers.append(copy)
    for reshaper in bus.reshapers.get(talker.key, ()):
        bus.reshape([copy], reshaper)
    bus.reshape([talker], Cut(*plan.window(fault)))
    bus.reshape([copy], Cut(*plan.window(fault), record, only=True))


@injector(
    "unknown-id", "An identifier appears that no database knows.",
    severity="period in milliseconds", default=50.0, subject="id:chassis/5A5", tried=(Tried((10.0, 50.0, 500.0)),),
)  # fmt: skip
def _unknown_id(fault: Fault, plan: Plan) -> None:
    bus, number, extended = plan.identifier(fault.subject)
    plan.lasting(fault)
    stream = plan.stream()
    message = stranger(f"STRANGER_{stream}", number, extended, bus.bus.name, fault.amount)
    node = Node("stranger", "", -37.0, 0.0, 60.0)
    bus.talkers.append(Talker(message.name, message, node, (plan.window(fault),), stream=stream))


def _second_family(signal: Signal, values: Floats, moment: Moment) -> Floats:
    """Return values that are steady and far from what the car sends."""
    slow = 0.01 * np.sin(moment.seconds / 3.0)
    high = min(signal.high, signal.low + signal.scale * ((1 << signal.bits) - 1))
    return np.asarray(signal.low + (FAMILY_SHARE + slow) * (high - signal.low) + 0.0 * values, dtype=np.float64)


@injector(
    "duplicate-id", "A second module sends the same identifier with its own phase, clock, values and counter.",
    severity="parts per million between the two clocks", default=200.0, subject="id:chassis/111",
    company=("counter-jump", "bus-errors", "late-frames"),
    tried=(Tried((60.0, 200.0, 1000.0)), Tried((200.0,), subject="id:engine/0A0")),
)  # fmt: skip
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
        (plan.window(fault),),
        _second_family,
        stream=stream,
    )
    bus.talkers.append(second)
    bus.rivals.append((talker.key, second.key))
    record.count = len(plan.due(second, 0.0, plan.seconds))
