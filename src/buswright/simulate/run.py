"""A day on the hill as it is seen on the wire: batches of frames of both buses, for as long as wanted."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from buswright.frames.table import Event, Frames, concatenate, empty_frames
from buswright.simulate.car import networks as car
from buswright.simulate.car.channels import CHASSIS_CHANNELS, ENGINE_CHANNELS
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle, simulate_cycle, start
from buswright.simulate.physics.story import CYCLE_S, RATE, Scenario
from buswright.simulate.wire.bus import BLOCK_S, Wire, car_talkers

if TYPE_CHECKING:
    from buswright.simulate.faults.catalogue import Fault, GroundTruth
    from buswright.simulate.faults.plan import Plan

START_EPOCH_NS = 1_775_901_600_000_000_000
"""2026-04-11 10:00:00 UTC, the morning of the invented meeting."""


class SimulatedRun(Iterator[Frames]):
    """One run: its batches, and what else is known when they have all been taken.

    `events`: what the recorder said besides frames, in order of time.
    """

    def __init__(self, batches: Iterator[Frames], events: list[Event], plan: Plan | None) -> None:
        self._batches = batches
        self._plan = plan
        self.events = events

    def __next__(self) -> Frames:
        return next(self._batches)

    @property
    def ground_truth(self) -> tuple[GroundTruth, ...]:
        """What is true about each fault of the run; counts are complete when the last batch was taken."""
        return self._plan.truths() if self._plan is not None else ()


def simulate_run(
    seconds: float,
    seed: int = 1,
    *,
    start_epoch_ns: int = START_EPOCH_NS,
    fd: bool = False,
    scenario: Scenario = "hill-climb",
    load: float | None = None,
    change_driven: bool = False,
    faults: Sequence[Fault] = (),
) -> SimulatedRun:
    """Drive the Wrenfell and record both of its buses.

    The same arguments always give the same frames, and, without faults, a longer run begins with the shorter one.

    Parameters
    ----------
    seconds
        Length of the run from key-on; hours are made of one climb after the other.
    seed
        Chooses the noise and the small differences between runs.
    start_epoch_ns
        Time of key-on, nanoseconds since 1970.
    fd
        The variant with a CAN FD message on the chassis bus.
    scenario
        "hill-climb", or "key-on": a cold car with the ignition on and the engine off.
    load
        Mean load of both buses, 0..1, reached with messages of further modules; None: the bare car.
    change_driven
        Add a message that is sent only when something in it changes.
    faults
        What is wrong. Parts of the run that a fault doesn't concern are as without it, as far as a bus allows.

    Returns
    -------
    SimulatedRun
        Yields batches in order of time (as recorded: a fault may set the clock back); buses "can0" (engine) and
        "can1" (chassis). Stamps mark the end of a frame.

    Raises
    ------
    UserError
        A fault's subject isn't there, or the load can't be reached.
    """
    events: list[Event] = []
    if load is None and not change_driven and not faults:
        wires = [Wire(bus, car_talkers(bus, fd)) for bus in car.buses(fd=fd)]
        return SimulatedRun(_batches(wires, seconds, seed, start_epoch_ns, scenario), events, None)
    from buswright.simulate.faults.faulty_run import make_plan, recorder_of, wires_of

    plan = make_plan(seconds, start_epoch_ns, fd=fd, load=load, change_driven=change_driven, faults=faults)
    batches = _batches(wires_of(plan), seconds, seed, start_epoch_ns, scenario)
    return SimulatedRun(recorder_of(plan, batches, events), events, plan)


def _batches(
    wires: Sequence[Wire], seconds: float, seed: int, start_epoch_ns: int, scenario: Scenario
) -> Iterator[Frames]:
    names = tuple(wire.bus.interface for wire in wires)
    blocks = math.ceil(seconds / BLOCK_S)
    waiting = empty_frames(names)
    block = 0
    for cycle in cycles(seed, scenario):
        for _ in range(CYCLE_S // BLOCK_S):
            if block >= blocks:
                return
            last = block + 1 >= blocks
            sent, horizons = zip(
                *(wire.block(cycle, block, seed, start_epoch_ns, last=last) for wire in wires), strict=True
            )
            block += 1
            numbered = [
                replace(part, bus=np.full(len(part), bus, dtype=np.uint8), buses=names) for bus, part in enumerate(sent)
            ]
            merged = concatenate([waiting, *numbered])
            merged = merged.take(np.lexsort((merged.bus, merged.time_ns)))
            # Up to where all buses are complete, and at the end up to where the run stops.
            edge_ns = round(seconds * 1e9) if last else min(horizons)
            ready = int(np.searchsorted(merged.time_ns, edge_ns))
            frames, waiting = merged.slice(0, ready), merged.slice(ready, len(merged))
            if ready:
                yield replace(frames, time_ns=frames.time_ns + start_epoch_ns)


def cycles(seed: int, scenario: Scenario = "hill-climb") -> Iterator[Cycle]:
    """Simulate one cycle after the other, without end."""
    carry = start(scenario)
    number = 0
    while True:
        cycle = simulate_cycle(number, seed, carry, scenario)
        yield cycle
        carry, number = cycle.end, number + 1


def truth(seconds: float, seed: int = 1, *, scenario: Scenario = "hill-climb") -> Mapping[str, Floats]:
    """Return the quantities themselves, without sensors or delays.

    By name, and by the car file's channels where those have another; all at 500 Hz with their "seconds",
    float64[n] each.
    """
    times = np.arange(int(seconds * RATE) + 1) / RATE
    columns: dict[str, list[Floats]] = {}
    for cycle in cycles(seed, scenario):
        here = times[(times >= cycle.start_s) & (times < cycle.start_s + CYCLE_S)]
        if len(here) == 0:
            break
        for name in cycle.channels:
            columns.setdefault(name, []).append(cycle.at(name, here))
    quantities = {name: np.concatenate(parts) for name, parts in columns.items()}
    channels = {entry.name: quantities[entry.truth] for entry in (*ENGINE_CHANNELS, *CHASSIS_CHANNELS) if entry.truth}
    return MappingProxyType({"seconds": times} | quantities | channels)
