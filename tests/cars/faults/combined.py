"""One cause that brings symptoms on several channels."""

from __future__ import annotations

from functools import partial

import numpy as np

from tests.cars.builder import open_volts
from tests.cars.car import Channel
from tests.cars.faults.electrical import draw_bursts, dropouts, hold, rail_of, seen_bursts
from tests.cars.faults.plan import Plan, need, of, raw_of, step_of, wired


def loose_plug(plan: Plan) -> None:
    """A plug that opens over bumps: several channels go to their rails in the same moments."""
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in wired(plan, hertz=45):
        held.setdefault((channel.module, channel.plug), []).append(channel)
    (module, plug), on_it = need(plan.pick([item for item in held.items() if len(item[1]) >= 2]))
    step, bumps = plan.world.columns["bumps"]
    bursts = draw_bursts(plan, bumps**1.5 + 0.002, step, 15 + 60 * plan.level)
    bursts = [(a, b + 0.015, c) for a, b, c in bursts]
    for channel in on_it:
        plan.faults.volts[channel.name] = partial(dropouts, rail_of(channel), bursts)
    told = on_it[0].tells_wiring
    plan.truth("loose-contact", f"plug:{plug}" if told else f"module:{module}", f"module:{module}")
    plan.symptoms = {f"channel:{c.name}" for c in on_it}
    ids = {plan.car.id_of(plan.car.messages[c.message]) for c in on_it}
    plan.touched |= plan.symptoms | {f"id:{name}" for name in ids}
    if len(ids) == 1 and not told:
        plan.alternative(
            "loose-contact", "nobody says the wiring, and all of them travel in one frame", f"id:{next(iter(ids))}"
        )
    shared = {("ground", c.ground) for c in on_it} if len({c.ground for c in on_it}) == 1 and told else set()
    members = {c.name for c in wired(plan) if c.ground == on_it[0].ground and c.module == module}
    if shared and members == {c.name for c in on_it}:
        plan.alternative("loose-contact", "the same channels share this ground", f"ground:{on_it[0].ground}")
    plan.start = bursts[0][0] if bursts else 0.0
    if min(seen_bursts(plan, c, bursts) for c in on_it) < 8:
        plan.hidden("too few excursions reach a sample", small=True)


def reference_open(plan: Plan) -> None:
    """The measurement of the 5 V is broken, not the 5 V: sensors that follow it look wrong."""
    followed = {
        c.sensor.reference for c in plan.car.channels.values() if c.sensor and c.sensor.reference and c.how != "ready"
    }
    name = need(plan.pick(sorted(followed)))
    channel = plan.car.channels[name]
    start, end = plan.window(whole=0.0)
    low = float(plan.rng.uniform(0.0, 0.05))
    plan.faults.value[name] = lambda t, x: np.where((t >= start) & (t < end), low, x)
    plan.channel("short-to-ground", channel)
    for fault in ("open-circuit", "stuck", "impossible-rate", "offset", "out-of-range"):
        plan.alternative(fault, "only the number of the module is there, no volts of the wire behind it")
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.channels.values() if c.sensor and c.sensor.reference == name}
    plan.touched |= plan.symptoms


def plug_off(plan: Plan) -> None:
    """A plug that comes off: all its channels are open from one moment on."""
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in wired(plan):
        held.setdefault((channel.module, channel.plug), []).append(channel)
    (module, plug), on_it = need(plan.pick([item for item in held.items() if len(item[1]) >= 2]))
    start, end = plan.window(whole=0.0)
    for channel in on_it:
        loud = 0.3 if channel.bias == "floating" else 1.3 * step_of(plan, channel)
        plan.faults.volts[channel.name] = partial(
            hold, open_volts(channel) + float(plan.rng.normal(0, 0.004)), loud, start, end, name=channel.name
        )
    told = on_it[0].tells_wiring
    plan.truth("open-circuit", f"plug:{plug}" if told else f"module:{module}", f"module:{module}")
    plan.symptoms = {f"channel:{c.name}" for c in on_it}
    ids = {plan.car.id_of(plan.car.messages[c.message]) for c in on_it}
    plan.touched |= plan.symptoms | {f"id:{name}" for name in ids}
    if not told and len(ids) == 1:
        plan.alternative("open-circuit", "nobody says the wiring, and all travel in one frame", f"id:{next(iter(ids))}")
    fed = {c.supply for c in on_it}
    if all(c.bias == "low" for c in on_it):
        others = [c for c in plan.car.channels.values() if c.supply in fed and c not in on_it]
        shared = f"supply:{on_it[0].supply}" if told else f"module:{module}"
        if len(fed) == 1 and "" not in fed and not others:
            plan.alternative(
                "supply-lost", "all that this supply feeds reads zero, as it would without the supply", shared
            )
    if not told:
        plan.why = "nobody says which channels share a plug"


def message_order(plan: Plan) -> None:
    """A database that has the byte order of a whole frame wrong."""
    frames = [
        message
        for message in plan.car.messages.values()
        if len(held := plan.car.of_message(message.name)) >= 2
        and not message.pages
        and all(c.bits == 16 and c.start % 8 == (7 if message.big else 0) for c in held)
    ]
    message = need(plan.pick(frames))
    moved = 0
    for channel in plan.car.of_message(message.name):
        channel.other_order = True
        channel.said_start = channel.start - 7 if message.big else channel.start + 7
        high = (raw_of(plan, channel).astype(np.int64) >> 8) & 0xFF
        moved += int(np.sum(np.unique(high, return_counts=True)[1] >= 0.01 * len(high)) >= 5)
    plan.truth("byte-order", f"id:{plan.car.id_of(message)}")
    for channel in plan.car.of_message(message.name):
        plan.alternative("byte-order", "it is one of those that are wrong", f"channel:{channel.name}")
    if not moved:
        plan.hidden("no high byte takes five values in this run")


def cold_junction_lost(plan: Plan) -> None:
    """A cold junction that its module declares invalid: the thermocouples that need it have no value."""
    channel = need(plan.pick([c for c in of(plan, "t_module") if c.how == "ready"]))
    couples = need(wired(plan, "couple"))
    start, end = plan.window(whole=0.0)
    channel.invalid = 2**channel.bits - 1
    channel.range = (0.0, 0.0)
    plan.faults.code[channel.name] = lambda t, r: np.where((t >= start) & (t < end), channel.invalid, r)
    plan.channel("sender-invalid", channel)
    plan.symptoms = {f"channel:{c.name}" for c in couples}
    plan.touched |= plan.symptoms
