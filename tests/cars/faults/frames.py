"""Faults of frames, modules and the recorder."""

from __future__ import annotations

import numpy as np

from tests.cars.faults.plan import Plan, draw_spells, need


def periodic_modules(plan: Plan, least: int = 2) -> list[str]:
    return [
        name
        for name in plan.car.modules
        if sum(1 for m in plan.car.messages.values() if m.module == name and not m.on_change) >= least
    ]


def module_reset(plan: Plan) -> None:
    """A module that restarts because its supply dips; its channels are silent meanwhile."""
    module = need(plan.pick(periodic_modules(plan)))
    first, last = plan.world.phase("laps")
    count = 1 + int(4 * plan.level)
    moments = first + 3 + (last - first - 8) * (np.arange(count) + plan.rng.uniform(0.1, 0.9, count)) / count
    crank, end_of_crank = plan.world.phase("crank")
    if end_of_crank and plan.rng.random() < 0.3:  # the starter pulls it down
        moments = np.array([crank + 0.2])
    plan.faults.gaps[module] = [(m, m + float(plan.rng.uniform(0.35, 0.95))) for m in moments.tolist()]
    volts = float(plan.rng.uniform(5.2, 6.3))
    plan.faults.dips = [(module, m - 0.22, e, volts) for m, e in plan.faults.gaps[module]]
    plan.truth("module-reset", f"module:{module}", f"bus:{plan.car.modules[module].bus}")
    plan.start = float(moments[0])
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.of_module(module)}
    plan.touched |= plan.symptoms | {
        f"id:{plan.car.id_of(m)}" for m in plan.car.messages.values() if m.module == module
    }


def module_missing(plan: Plan) -> None:
    """A module that falls silent for good."""
    module = need(plan.pick(periodic_modules(plan)))
    start, _ = plan.window(whole=0.0)
    plan.end = None
    plan.faults.gaps[module] = [(start, plan.car.seconds + 1)]
    plan.truth("module-missing", f"module:{module}")
    bus = plan.car.modules[module].bus
    if {message.module for message in plan.car.messages.values() if message.bus == bus} == {module}:
        for fault in ("capture-drop", "segment-open", "bus-off"):
            plan.alternative(
                fault, "it is alone on its bus: what is silent may be the bus or its adapter", f"bus:{bus}"
            )
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.of_module(module)}
    plan.touched |= plan.symptoms | {
        f"id:{plan.car.id_of(m)}" for m in plan.car.messages.values() if m.module == module
    }


def frames_lost(plan: Plan) -> None:
    """Frames of one identifier that don't arrive."""
    message = need(plan.pick([m for m in plan.car.messages.values() if m.counter]))
    plan.faults.lost[message.name] = 0.004 + 0.03 * plan.level
    plan.truth("frames-lost", f"id:{plan.car.id_of(message)}")
    plan.touched |= {f"channel:{c.name}" for c in plan.car.of_message(message.name)}


def frozen_frame(plan: Plan) -> None:
    """A frame whose payload is repeated, its counter too: all its channels stand still."""
    message = need(plan.pick([m for m in plan.car.messages.values() if m.counter]))
    spells = draw_spells(plan, 1.5, 4.0, 1 + int(3 * plan.level))
    plan.faults.frozen[message.name] = spells
    plan.start = spells[0][0]
    plan.truth("frozen-frame", f"id:{plan.car.id_of(message)}")
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.of_message(message.name)}
    plan.touched |= plan.symptoms


def capture_drop(plan: Plan) -> None:
    """A recorder that misses everything for a while."""
    spells = draw_spells(plan, 0.25, 0.6, 2 + int(5 * plan.level))
    plan.faults.dropped = spells
    plan.start = spells[0][0]
    plan.truth("capture-drop", "capture")
    plan.touched |= {f"bus:{name}" for name in plan.car.buses}
    for name in plan.car.buses:
        plan.also["capture-drop", f"bus:{name}"] = "the bus on which it was missed"
