"""Faults of the wire between a sensor and its input: the frames are right, what is in them is not.

They act on the volts at the input, before its filter and its converter.
"""

from __future__ import annotations

import numpy as np

from buswright.simulate.car.sensing import Disturb, Moment, sensor_mv
from buswright.simulate.car.sensors import INPUTS, OPEN_V, SENSORS
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.inputs import (
    FULL_SCALE_MV,
    THERMOCOUPLE_SCALE_MV,
    added,
    always,
    inputs_of,
    is_thermocouple,
    shaken,
    touching,
)
from buswright.simulate.faults.plan import Plan
from buswright.simulate.physics.hill import Floats
from buswright.simulate.physics.quantities import Cycle

GROUND_MV = 10.0
"""What an input reads that is shorted to ground; the car file's fingerprints say the same."""
SUPPLY_MV = 4990.0
"""What it reads shorted to 5 V."""

DISTURBED_MV = 30.0
"""How far a battery voltage on one input lifts those beside it, through the protection of the converter."""

STEERED_DEG = 20.0
COMPRESSED_MM = 6.0
"""Beyond these a chafed wire touches."""
ELSEWHERE = 0.02
"""How likely it touches elsewhere."""


def floating_mv(name: str, moment: Moment) -> Floats:
    """Return what an input without any bias reads: it wanders, follows the input beside it, and hums."""
    t = moment.seconds + 1.7 * list(INPUTS).index(name)
    scale = THERMOCOUPLE_SCALE_MV if is_thermocouple(name) else FULL_SCALE_MV
    wander = 0.45 + 0.22 * np.sin(0.71 * t) + 0.09 * np.sin(2.3 * t + 1.0) + 0.05 * np.sin(2 * np.pi * 50.0 * t)
    beside = neighbour(name)
    full = THERMOCOUPLE_SCALE_MV if is_thermocouple(beside) else FULL_SCALE_MV
    return scale * (wander + 0.15 * (sensor_mv(beside, moment) / full - 0.5))


def neighbour(name: str) -> str:
    """Return the input on the pin before, or after the first of a kind."""
    same = [other for other in INPUTS if is_thermocouple(other) == is_thermocouple(name)]
    place = same.index(name)
    return same[place - 1] if place else same[1]


def open_mv(name: str, moment: Moment, bias: str) -> Floats:
    """Return what an input reads with its wire off: "high", "low" or "floating"."""
    return floating_mv(name, moment) if bias == "floating" else moment.constant(1000.0 * OPEN_V[bias])


def _bias(name: str, fault: Fault) -> str:
    given = fault.words & {"high", "low", "floating"}
    return min(given) if given else str(SENSORS[INPUTS[name].sensor].get("open_reads", "floating"))


def _opened(fault: Fault) -> Disturb:
    return lambda name, millivolts, moment: open_mv(name, moment, _bias(name, fault)) - millivolts


def _grounded(left_mv: float) -> Disturb:
    """Return the change that leaves so much, or of a thermocouple nothing."""
    return lambda name, millivolts, _: (0.0 if is_thermocouple(name) else left_mv) - millivolts


@injector(
    "open-circuit",
    "A signal wire is broken. Its input reads high, low or floating, by its bias; a variant gives another bias.",
    subject="channel:damper_fr", takes=("channel", "plug"), variants=("high", "low", "floating"),
    company=("impossible-rate", "short-to-ground", "short-to-supply"),
    tried=(
        Tried((1.0,)),
        Tried((1.0,), subject="channel:oil_pressure", duration_s=6.0),
        Tried((1.0,), subject="channel:steering_angle", variant="floating"),
        Tried((1.0,), subject="channel:exhaust_temperature_2"),
        Tried((1.0,), subject="plug:C12"),
    ),
)  # fmt: skip
def _open_circuit(fault: Fault, plan: Plan) -> None:
    added(fault, plan, inputs_of(fault), _opened(fault))


@injector(
    "short-to-ground", "A signal wire touches ground. Its input reads nearly 0 V, and is quieter than any sensor.",
    severity="volts that are left", default=GROUND_MV / 1000.0, subject="channel:damper_rl", takes=("channel", "plug"),
    company=("impossible-rate", "open-circuit"),
    tried=(
        Tried((0.01, 0.04)),
        Tried((0.01,), subject="channel:oil_temperature", duration_s=8.0),
        Tried((0.01,), subject="plug:C12"),
    ),
)  # fmt: skip
def _short_to_ground(fault: Fault, plan: Plan) -> None:
    added(fault, plan, inputs_of(fault), _grounded(1000.0 * fault.amount))


@injector(
    "short-to-supply",
    "A signal wire touches its 5 V. `battery`: it touches battery voltage, which moves the inputs beside it too.",
    severity="volts that are read", default=SUPPLY_MV / 1000.0, subject="channel:fuel_pressure", takes=("channel",),
    variants=("battery",), company=("impossible-rate", "open-circuit", "cross-talk", "saturated"),
    tried=(
        Tried((4.99,)),
        Tried((4.99,), subject="channel:damper_fl", duration_s=8.0),
        Tried((4.99,), subject="channel:coolant_pressure", variant="battery"),
    ),
)  # fmt: skip
def _short_to_supply(fault: Fault, plan: Plan) -> None:
    own = inputs_of(fault, thermocouples=False)
    battery = "battery" in fault.words
    names = list(INPUTS)
    beside = {
        other
        for name in own
        for other in (names[names.index(name) - 1], names[names.index(name) + 1])
        if battery and not is_thermocouple(other)
    }

    level = FULL_SCALE_MV if battery else 1000.0 * fault.amount

    def change(name: str, millivolts: Floats, moment: Moment) -> Floats:
        return level - millivolts if name in own else moment.constant(DISTURBED_MV)

    added(fault, plan, own | beside, change)


@injector(
    "loose-contact",
    "A sensor's plug opens for moments, more often the harder the car shakes. `by-hand`: evenly, as if a hand moved "
    "it, also at a standstill.",
    severity="breaks per second where the car shakes hard", default=4.0, subject="channel:damper_fl",
    takes=("channel", "plug"), variants=("by-hand",), company=("impossible-rate", "chafed-wire"),
    tried=(
        Tried((2.0, 4.0)),
        Tried((4.0,), subject="channel:oil_pressure"),
        Tried((4.0,), duration_s=15.0, subject="plug:C13"),
        Tried((2.0,), subject="plug:C12", variant="by-hand"),
    ),
)  # fmt: skip
def _loose_contact(fault: Fault, plan: Plan) -> None:
    chance = always if "by-hand" in fault.words else shaken
    touching(fault, plan, inputs_of(fault), chance, _opened(fault))


@injector(
    "chafed-wire",
    "A wire touches ground for moments while the steering is turned left. `damper`: while its own damper, else the "
    "front left one, is compressed.",
    severity="touches per second in that position", default=8.0, subject="channel:damper_fr",
    takes=("channel", "plug"), variants=("damper",), company=("impossible-rate", "loose-contact"),
    tried=(
        Tried((4.0, 8.0)),
        Tried((8.0,), subject="plug:C12"),
        Tried((8.0,), subject="channel:damper_rr", variant="damper"),
    ),
)  # fmt: skip
def _chafed_wire(fault: Fault, plan: Plan) -> None:
    inputs = inputs_of(fault)
    moving = next((INPUTS[n].channel for n in sorted(inputs) if INPUTS[n].channel.startswith("damper")), "damper_fl")
    position, beyond = (moving, COMPRESSED_MM) if "damper" in fault.words else ("steering_angle", STEERED_DEG)

    def chance(cycle: Cycle, seconds: Floats) -> Floats:
        return np.where(cycle.at(position, seconds) > beyond, 1.0, ELSEWHERE)

    touching(fault, plan, inputs, chance, _grounded(GROUND_MV), f"channel:{position}")
