"""Faults of what sensors share: their 5 V and their ground."""

from __future__ import annotations

import numpy as np

from buswright.simulate.car.definition import Signal
from buswright.simulate.car.sensing import Moment
from buswright.simulate.faults.catalogue import Fault, Tried, injector
from buswright.simulate.faults.inputs import added, disturbed, inputs_of, on_for
from buswright.simulate.faults.plan import Plan
from buswright.simulate.physics.hill import Floats

LOADS = ("current_fan", "current_pump", "current_ignition")
"""What is switched on and off, or grows with the engine's speed."""
FULL_LOAD_A = 20.0
"""About what they take together."""


def _scaled(fault: Fault, plan: Plan, factor: float) -> None:
    """Multiply all that is fed from a 5 V supply; the module's own measurement of it too, if it is at the module."""
    start, end = plan.window(fault)

    def left(seconds: Floats) -> Floats:
        return 1.0 - (1.0 - factor) * on_for(start, end, seconds)

    def disturb(name: str, millivolts: Floats, moment: Moment) -> Floats:  # noqa: ARG001 - every disturbance gets it
        return millivolts * left(moment.seconds)

    def adjust(signal: Signal, values: Floats, moment: Moment) -> Floats:
        return values * left(moment.seconds) if signal.source == "reference_mv" else values

    telling = () if "in-loom" in fault.words else ("channel:sensor_supply",)
    if telling:
        plan.adjust("damper_node", adjust)
    disturbed(fault, plan, inputs_of(fault), disturb, *telling).spans.append((start, end))


@injector(
    "supply-lost",
    "The 5 V of a group of sensors fails. All of them fall to 0 V together. `in-loom`: the wire is broken behind the "
    "module, which still measures 5 V.",
    subject="supply:5V-A", variants=("in-loom",),
    company=("short-to-ground", "open-circuit", "impossible-rate", "out-of-range", "supply-sag"),
    tried=(Tried((1.0,)), Tried((1.0,), duration_s=5.0, variant="in-loom")),
)  # fmt: skip
def _supply_lost(fault: Fault, plan: Plan) -> None:
    _scaled(fault, plan, 0.0)


@injector(
    "supply-sag",
    "The 5 V of a group of sensors sags. All of them fall by the same factor. `in-loom`: behind the module, which "
    "still measures 5 V.",
    severity="share of the 5 V that is left", default=0.9, subject="supply:5V-A", variants=("in-loom",),
    company=("impossible-rate", "offset", "gain", "out-of-range"),
    tried=(Tried((0.95, 0.8)), Tried((0.9,), duration_s=8.0, variant="in-loom")),
)  # fmt: skip
def _supply_sag(fault: Fault, plan: Plan) -> None:
    _scaled(fault, plan, fault.amount)


@injector(
    "ground-shift",
    "A ground has too much resistance. All sensors on it read the same millivolts too high, more when fan, pump and "
    "ignition draw current.",
    severity="millivolts at 20 A", default=60.0, subject="ground:G2", company=("offset", "drift", "ignition-noise"),
    tried=(Tried((30.0, 60.0)), Tried((60.0,), subject="ground:G3")),
)  # fmt: skip
def _ground_shift(fault: Fault, plan: Plan) -> None:
    def shift(_name: str, _millivolts: Floats, moment: Moment) -> Floats:
        found: Floats = fault.amount / FULL_LOAD_A * np.sum([moment[load] for load in LOADS], axis=0)
        return found

    added(fault, plan, inputs_of(fault), shift, *(f"channel:{load}" for load in LOADS))
