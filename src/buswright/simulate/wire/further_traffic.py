"""More traffic than the bare car has: plausible messages of further modules, as many as a wanted load needs.

And one message without a period, sent when something changes.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle

import numpy as np

from buswright.errors import UserError
from buswright.frames.wire.bits import classic_bits
from buswright.simulate.car import networks as car
from buswright.simulate.car.definition import Bus, Message, Node, counter, number, state
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle
from buswright.simulate.physics.story import RATE
from buswright.simulate.wire.bus import Talker, car_talkers

FILLER_NODES = (
    Node("dash_node", "Shows and relays what the driver needs.", 27.0, 410.0, 70.0),
    Node("tyre_node", "Tyre pressures and temperatures.", -8.0, 260.0, 55.0),
    Node("strain_node", "Strain gauges of the suspension links.", 51.0, 130.0, 35.0),
    Node("aero_node", "Pressure taps of the wings and the floor.", -22.0, 300.0, 45.0),
)

PERIODS_MS = (5, 10, 20, 25, 40, 50, 100, 200, 500, 1000)

_MIX = ((10, 8), (20, 8), (10, 6), (50, 8), (5, 8), (100, 4), (20, 6), (10, 8), (25, 8), (200, 8), (10, 4), (40, 8))
"""Period in milliseconds and length in bytes, over and over."""

_PLACES, _STEP = 124, 37
"""So many identifiers, taken in steps of so many places."""

TYPICAL_STUFFING = 0.25
"""Share of the worst case's stuff bits that the car's payloads have: measured over the simulated car."""
FILLER_STUFFING = 0.105
"""Share of the worst case's stuff bits that these payloads have: measured."""
_OWN = frozenset(message.id for message in (*car.messages(), *car.messages(fd=True)))

CHANGE_SOURCES = ("gear", "brake_switch", "fan_state", "engine_state", "shift_active")
"""What makes the change-driven message go out."""

DRIVER_EVENTS = Message(
    "DRIVER_EVENTS", 0x0C8, "engine_controller", "engine", 0, 0.0,
    "Sent when something in it changes, never otherwise.", (
        number("Gear", "gear", "1", 1.0, 0, 6, "Engaged gear; 0 is neutral.", bits=4),
        state("BrakeSwitch", 1, "brake_switch", {0: "off", 1: "on"}, "Of the brake pedal."),
        state("FanCommand", 1, "fan_state", {0: "off", 1: "on"}, "Command to the power node."),
        state("ShiftActive", 1, "shift_active", {0: "off", 1: "on"}, "Ignition is cut for a shift."),
        state("EngineState", 3, "engine_state", {0: "stopped", 1: "cranking", 2: "running"}, "Of the controller."),
    ), length=2,
)  # fmt: skip


_EVENTS_NODE = next(node for node in car.NODES if node.name == DRIVER_EVENTS.sender)


def _spread(first: int, stride: int, taken: frozenset[int]) -> tuple[int, ...]:
    """Return identifiers so far apart, in an order in which no priority is left out for long."""
    places = (first + stride * (place * _STEP % _PLACES) for place in range(_PLACES))
    return tuple(at for at in places if at not in taken)


_ALL = _spread(0x060, 13, _OWN | {DRIVER_EVENTS.id})
_URGENT = _spread(0x062, 5, _OWN | {DRIVER_EVENTS.id, *_ALL})


def filler_messages(bus: Bus, load: float, *, urgent: bool = False) -> tuple[Message, ...]:
    """Return further messages that bring a bus of the car to a mean load.

    Parameters
    ----------
    bus, load
        Which bus, and its load with them, 0..1 (more for a bus that can't carry it).
    urgent
        Take other identifiers, all of them in the upper third of the priorities.

    Raises
    ------
    UserError
        The car's own messages are more than that already.
    """
    left = load - sum(load_of(talker.message, bus, TYPICAL_STUFFING) for talker in car_talkers(bus, False))
    if left < 0:
        raise UserError(
            f"the {bus.name} bus already carries {load - left:.0%}, more than {load:.0%}", hint="ask for a higher load"
        )
    found: list[Message] = []
    numbers = _URGENT if urgent else _ALL
    for at, (period, length), node in zip(numbers, cycle(_MIX), cycle(FILLER_NODES), strict=False):
        message = _filler(at, bus.name, node, period, length)
        if load_of(message, bus) > left:
            slower = [ms for ms in PERIODS_MS if load_of(replace(message, period_ms=ms), bus) <= left]
            if not slower:
                break
            message = replace(message, period_ms=slower[0])
        left -= load_of(message, bus)
        found.append(message)
    return tuple(found)


def filler_talkers(bus: Bus, load: float, stream: int, *, urgent: bool = False) -> list[Talker]:
    """Return the talkers of `filler_messages`; random streams count from `stream`."""
    nodes = {node.name: node for node in FILLER_NODES}
    messages = filler_messages(bus, load, urgent=urgent)
    return [
        Talker(message.name, message, nodes[message.sender], stream=stream + k) for k, message in enumerate(messages)
    ]


def change_talker() -> Talker:
    """Return the talker of the change-driven message."""
    return Talker(DRIVER_EVENTS.name, DRIVER_EVENTS, _EVENTS_NODE, moments=_changes, stream=1)


def load_of(message: Message, bus: Bus, stuffing: float = FILLER_STUFFING) -> float:
    """Return about how much of a bus a periodic message takes, 0..1."""
    return typical_bits(message, stuffing) / (message.period_ms / 1000.0) / bus.bitrate


def typical_bits(message: Message, stuffing: float = TYPICAL_STUFFING) -> float:
    """Return how many bits a classic message takes on the wire, about, interframe space included.

    `stuffing` is the share of the worst case's stuff bits.
    """
    best = classic_bits(message.length, message.extended, "best")
    return best + stuffing * (classic_bits(message.length, message.extended, "worst") - best)


def _filler(at: int, bus: str, node: Node, period: int, length: int) -> Message:
    """Return one message: values that wander, and a counter in every message of six bytes."""
    count = (length - 1) // 2 if length == 6 else length // 2
    signals = tuple(
        number(f"Value{k}", f"slow_{k}", "1", 0.01, 0, 655, "Wanders.", noise=0.05) for k in range(1, count + 1)
    )
    if length == 6:
        signals = (*signals, counter())
    name, phase = f"{node.name.split('_')[0].upper()}_{at:03X}", (at * 7 % 100) / 100.0 * period
    return Message(name, at, node.name, bus, period, phase, "Further traffic.", signals, length=length)


def _changes(cycle_: Cycle, start_s: float, stop_s: float) -> Floats:
    """Return the times at which the message goes out: at the sender's start, and at every change."""
    times = np.arange(round(start_s * RATE) - 1, round(stop_s * RATE)) / RATE
    changed = np.zeros(len(times), dtype=np.bool_)
    for source in CHANGE_SOURCES:
        changed[1:] |= np.diff(cycle_.at(source, times)) != 0
    boot = _EVENTS_NODE.boot_ms / 1000.0
    changed[times < boot] = False
    changed |= np.abs(times - boot) < 0.5 / RATE
    return times[changed]


def further_messages(bus: Bus, *, load: float | None = None, change_driven: bool = False) -> tuple[Message, ...]:
    """Return what a run with these options carries on a bus besides the car's own messages."""
    fillers = filler_messages(bus, load) if load is not None else ()
    return (*fillers, DRIVER_EVENTS) if change_driven and bus.name == DRIVER_EVENTS.bus else fillers
