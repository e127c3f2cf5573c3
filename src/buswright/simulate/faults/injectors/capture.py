"""Faults of the recording: what happens to frames after the wire."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.plan import Plan, gaps
from buswright.simulate.faults.recorder_stages import Drop, Echo, Filter, HostStamps, Lose, Part, WrongBitrate


def _interface(fault: Fault, plan: Plan) -> str | None:
    """Return the interface of a fault's bus; None for a fault of the whole capture."""
    subject, _, name = fault.subject.partition(":")
    return None if subject == "capture" else plan.bus(name.partition("/")[0]).bus.interface


def _part(fault: Fault, plan: Plan) -> Part:
    end = fault.end_s(plan.seconds) if fault.duration_s is not None else plan.seconds + 1.0
    start_ns, end_ns = map(plan.clock_ns, (fault.onset_s, end))
    return Part(_interface(fault, plan), start_ns, end_ns)


def _buses(fault: Fault, plan: Plan) -> tuple[str, ...]:
    """Return the buses of a fault of the recording, as related subjects."""
    interface = _interface(fault, plan)
    return tuple(f"bus:{bus.bus.name}" for bus in plan.buses.values() if interface in (None, bus.bus.interface))


@injector(
    "clock-jump", "The recorder's clock is set, so all later time stamps move by one amount.",
    severity="seconds, negative for backwards", default=0.75, subject="capture", live=False,
    tried=(Tried((0.75, 3600.0, -0.4, -20.0), onset_s=15.0),),
)  # fmt: skip
def _clock_jump(fault: Fault, plan: Plan) -> None:
    record = plan.record(fault)
    record.spans.append((np.nextafter(fault.onset_s, 0.0), fault.onset_s))
    record.count = 1
    plan.jumps.append((fault.onset_s, fault.amount))


@injector(
    "capture-drop", "The recorder loses everything for a while, `repeat` times.",
    severity="seconds of each gap", default=0.3, subject="capture", takes=("capture", "bus"),
    variants=("burst", "events", "overflow"), company=("frames-lost", "counter-jump", "host-timestamps"),
    tried=(
        Tried((0.1, 0.3, 1.0), duration_s=24.0, repeat=4),
        Tried((0.3,), duration_s=24.0, repeat=4, variant="burst", load=0.40),
        Tried((0.3,), duration_s=24.0, repeat=4, variant="burst+events", load=0.40),
        Tried((0.3,), duration_s=24.0, repeat=4, variant="overflow", load=0.40),
    ),
)  # fmt: skip
def _capture_drop(fault: Fault, plan: Plan) -> None:
    record = plan.record(fault, "capture", _buses(fault, plan))
    record.spans += gaps(fault, plan.seconds, fault.amount)
    lost = [replace(_part(fault, plan), start_ns=plan.clock_ns(a), end_ns=plan.clock_ns(b)) for a, b in record.spans]
    plan.recorder.append(Drop(lost, fault.words, record))


@injector(
    "echo", "Recorded frames appear twice, less than 1 ms apart.",
    severity="share of the frames", default=1.0, subject="bus:chassis", takes=("bus", "capture"),
    company=("host-timestamps", "counter-jump", "frozen-frame"),
    tried=(Tried((1.0, 0.3), onset_s=0.0), Tried((1.0,), onset_s=0.0, subject="capture")),
)  # fmt: skip
def _echo(fault: Fault, plan: Plan) -> None:
    record = plan.lasting(fault, "capture", _buses(fault, plan))
    rng = np.random.default_rng([fault.seed, 41])
    plan.recorder.append(Echo(_part(fault, plan), fault.amount, rng, record))


@injector(
    "host-timestamps", "A frame is stamped when a USB transfer brings it, so stamps clump closer than a wire allows.",
    severity="milliseconds between transfers", default=1.0, subject="capture", takes=("capture", "bus"),
    company=("late-frames",), tried=(Tried((1.0, 4.0), onset_s=0.0),),
)  # fmt: skip
def _host_timestamps(fault: Fault, plan: Plan) -> None:
    record = plan.lasting(fault, "capture", _buses(fault, plan))
    step_ns = round(fault.amount * 1_000_000)
    plan.recorder.append(HostStamps(_part(fault, plan), step_ns, record))


@injector(
    "filter-in-force", "The recorder's filter passes only the identifiers around the subject.",
    severity="low bits of the identifier that are let through", default=3.0, subject="id:chassis/110",
    company=("id-missing", "module-missing"), tried=(Tried((1.0, 3.0), onset_s=0.0),),
)  # fmt: skip
def _filter_in_force(fault: Fault, plan: Plan) -> None:
    _, number, extended = plan.identifier(fault.subject)
    record = plan.lasting(fault, "capture", (*_buses(fault, plan), fault.subject))
    mask = (0x1FFF_FFFF if extended else 0x7FF) & ~((1 << round(fault.amount)) - 1)
    plan.recorder.append(Filter(_part(fault, plan), mask, number & mask, extended, record))


@injector(
    "frames-lost", "Some frames of one identifier are sent but not recorded. Their timing stays; the counter jumps.",
    severity="share of the frames", default=0.02, subject="id:chassis/1A0", company=("counter-jump",),
    tried=(Tried((0.003, 0.02, 0.1)), Tried((0.02,), subject="id:engine/0A0")),
)  # fmt: skip
def _frames_lost(fault: Fault, plan: Plan) -> None:
    _, talker = plan.talker(fault.subject)
    record = plan.record(fault, related=(f"module:{talker.node.name}",))
    message, rng = talker.message, np.random.default_rng([fault.seed, 42])
    plan.recorder.append(
        Lose(_part(fault, plan), message.id, message.extended, fault.amount, rng, record, plan.epoch_ns)
    )


@injector(
    "wrong-bitrate", "The recorder listens at the wrong bit rate and sees only error frames.",
    severity="share of the frames that give an error frame", default=1.0, subject="bus:chassis",
    company=("bus-errors", "module-missing", "id-missing"), tried=(Tried((1.0, 0.3), onset_s=0.0),),
)  # fmt: skip
def _wrong_bitrate(fault: Fault, plan: Plan) -> None:
    record = plan.lasting(fault)
    rng = np.random.default_rng([fault.seed, 43])
    plan.recorder.append(WrongBitrate(_part(fault, plan), fault.amount, rng, record))
