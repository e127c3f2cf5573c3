"""Puts a run's faults together: the plan of them all, the wires that it needs, the recorder behind these."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from buswright.errors import UserError
from buswright.frames.table import Event, Frames, empty_frames
from buswright.simulate.car import networks as car
from buswright.simulate.faults.catalogue import KINDS, Fault
from buswright.simulate.faults.disturbed import DisturbedWire
from buswright.simulate.faults.plan import Plan, RecorderFault
from buswright.simulate.faults.recorder_stages import ClockSteps
from buswright.simulate.wire.bus import SECOND, Talker, Wire
from buswright.simulate.wire.further_traffic import change_talker, filler_talkers

MOST_LOAD = 0.9
"""A bus that carries more has frames that never get through; that is a fault (`bus-overload`), not an option."""

_FILLER_STREAM = 10
"""Random streams of the fillers begin here; further talkers have higher ones."""


def make_plan(
    seconds: float,
    epoch_ns: int,
    *,
    fd: bool = False,
    load: float | None = None,
    change_driven: bool = False,
    faults: Sequence[Fault] = (),
) -> Plan:
    """Work out what a run's options and faults come to; see `simulate_run`."""
    extra: dict[str, list[Talker]] = {bus.name: [] for bus in car.buses(fd=fd)}
    if load is not None:
        if load > MOST_LOAD:
            raise UserError(f"a mean load of {load:.0%} is too high for a clean bus", hint=f"{MOST_LOAD:.0%} at most")
        for bus in car.buses(fd=fd):
            extra[bus.name] += filler_talkers(bus, load, _FILLER_STREAM)
    if change_driven:
        extra["engine"].append(change_talker())
    plan = Plan(seconds, epoch_ns, fd, extra)
    for fault in sorted(faults, key=lambda fault: KINDS[fault.kind].turn):
        if fault.onset_s >= seconds:
            raise UserError(
                f"{fault.kind} at {fault.onset_s} s begins after the end of a run of {seconds} s",
                hint="choose an earlier onset, or a longer run",
            )
        KINDS[fault.kind].put_in(fault, plan)
    given = {id(fault): place for place, fault in enumerate(faults)}
    plan.records.sort(key=lambda record: given[id(record.fault)])
    return plan


def wires_of(plan: Plan) -> list[Wire]:
    """Return the wires of a plan."""
    return [
        Wire(bus.bus, bus.talkers) if bus.clean else DisturbedWire(bus, plan.seconds) for bus in plan.buses.values()
    ]


def recorder_of(plan: Plan, batches: Iterator[Frames], events: list[Event]) -> Iterator[Frames]:
    """Record batches as the plan's recorder does, and append to `events` what it says."""
    stages = sorted(plan.recorder, key=lambda stage: stage.order)
    if plan.jumps:
        steps = ((plan.clock_ns(at), round(by * SECOND)) for at, by in plan.jumps)
        stages.append(ClockSteps(tuple(steps)))
    interfaces = tuple(bus.bus.interface for bus in plan.buses.values())
    for frames in batches:
        recorded = _through(frames, stages, plan, events, final=False)
        if len(recorded):
            yield recorded
    last = _through(empty_frames(interfaces), stages, plan, events, final=True)
    if len(last):
        yield last


def _through(
    frames: Frames, stages: Sequence[RecorderFault], plan: Plan, events: list[Event], *, final: bool
) -> Frames:
    said: list[Event] = []
    for stage in stages:
        frames = stage(frames, said, final=final)
    for event in said:
        assert event.time_ns is not None
        events.append(replace(event, time_ns=plan.stamp_ns((event.time_ns - plan.epoch_ns) / SECOND)))
    return frames
