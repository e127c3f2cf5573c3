"""Faults of wires, supplies, grounds and inputs, in volts before the converter."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from tests.cars.builder import open_volts
from tests.cars.car import Channel
from tests.cars.faults.plan import NoTargetError, Plan, has_role, need, of, step_of, wired
from tests.cars.recorder import Bench, Floats, hum
from tests.cars.world import SLOW, lag


def hold(
    level: float,
    loudness: float,
    start: float,
    end: float,
    times: Floats,
    volts: Floats,
    noise: Floats,
    bench: Bench,
    name: str = "",
) -> tuple[Floats, Floats]:
    on = (times >= start) & (times < end)
    held = np.full(len(times), level) + (loudness * hum(bench, times, name) if name else 0.0)
    return np.where(on, held, volts), np.where(on, noise * (0.15 if not name else 1.0), noise)


def open_circuit(plan: Plan) -> None:
    """A broken signal wire: the input goes where its bias takes it, or drifts."""
    channel = need(plan.pick(wired(plan)))
    start, end = plan.window()
    plan.channel("open-circuit", channel)
    volts = open_volts(channel) + float(plan.rng.normal(0, 0.004))
    loud = 0.3 if channel.bias == "floating" else 1.3 * step_of(plan, channel)
    plan.faults.volts[channel.name] = partial(hold, volts, loud, start, end, name=channel.name)
    if not channel.fingerprints and channel.bias != "floating":
        other = "short-to-supply" if channel.bias == "high" else "short-to-ground"
        plan.alternative(
            other, "the input reads nearly the same, and no bench test says which volts an open wire gives"
        )


def short_to_ground(plan: Plan) -> None:
    """A signal wire on ground."""
    channel = need(plan.pick(wired(plan)))
    start, end = plan.window()
    plan.channel("short-to-ground", channel)
    plan.faults.volts[channel.name] = partial(hold, float(plan.rng.uniform(0.0, 0.008)), 0.0, start, end)
    if channel.bias == "low" and not channel.fingerprints:
        plan.alternative("open-circuit", "an open wire reads low, too, and no bench test tells them apart")


def short_to_supply(plan: Plan) -> None:
    """A signal wire on 5 V, or on the battery: then the neighbours shift, too."""
    channel = need(plan.pick(wired(plan)))
    start, end = plan.window()
    plan.channel("short-to-supply", channel)
    battery = plan.rng.random() < 0.4
    level = 5.6 if battery else float(plan.rng.uniform(4.993, 5.004))
    plan.faults.volts[channel.name] = partial(hold, level, 0.0, start, end)
    if channel.bias == "high" and not channel.fingerprints:
        plan.alternative("open-circuit", "an open wire reads high, too, and no bench test tells them apart")
    if battery:
        shift = float(plan.rng.uniform(0.025, 0.06))
        for other in wired(plan):
            if other.module == channel.module and other.name != channel.name:
                plan.faults.volts[other.name] = partial(
                    add_volts, lambda t: np.where((t >= start) & (t < end), shift, 0.0)
                )
                plan.symptoms.add(f"channel:{other.name}")
        plan.touched |= plan.symptoms | {f"module:{channel.module}"}


def add_volts(
    extra: Callable[[Floats], Floats], times: Floats, volts: Floats, noise: Floats, _: Bench
) -> tuple[Floats, Floats]:
    return volts + extra(times), noise


def supply_target(plan: Plan, least: int) -> tuple[str, str, list[Channel]]:
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in plan.car.channels.values():
        if channel.supply:
            held.setdefault((channel.module, channel.supply), []).append(channel)
    return need(plan.pick([(module, supply, fed) for (module, supply), fed in held.items() if len(fed) >= least]))


def supply_truth(plan: Plan, fault: str, module: str, supply: str, fed: list[Channel]) -> None:
    subject = f"supply:{supply}" if fed[0].tells_wiring else f"module:{module}"
    measured = [
        f"channel:{channel.name}" for channel in plan.car.channels.values() if channel.quantity == f"vref:{supply}"
    ]
    plan.truth(fault, subject, f"module:{module}", *measured)
    plan.symptoms = {f"channel:{channel.name}" for channel in fed}
    plan.touched |= plan.symptoms | {f"plug:{channel.plug}" for channel in fed}
    if not fed[0].tells_wiring:
        ids = {plan.car.id_of(plan.car.messages[channel.message]) for channel in fed}
        plan.touched |= {f"id:{name}" for name in ids}  # too small a subject, but no healthy one
        if len(ids) == 1:
            plan.alternative(fault, "nobody says the wiring, and all of them travel in one frame", f"id:{ids.pop()}")


def supply_lost(plan: Plan) -> None:
    """A sensor supply at zero: all that lives on it falls together."""
    module, supply, fed = supply_target(plan, 2)
    if plan.car.modules[module].ratio:
        raise NoTargetError
    start, end = plan.window(whole=0.1)
    supply_truth(plan, "supply-lost", module, supply, fed)
    plan.faults.supply[supply] = lambda t, v: np.where((t >= start) & (t < end), 0.015, v)


def supply_sag(plan: Plan) -> None:
    """A sensor supply that is pulled down: all that lives on it shrinks by one factor."""
    module, supply, fed = supply_target(plan, 2)
    start, end = plan.window(whole=0.0)
    factor = 1 - 0.02 - 0.26 * plan.level
    supply_truth(plan, "supply-sag", module, supply, fed)
    plan.faults.supply[supply] = lambda t, v: np.where((t >= start) & (t < end), factor * v, v)
    measured = bool(of(plan, f"vref:{supply}"))
    if plan.car.modules[module].ratio:
        plan.hidden("the converter measures against the same supply, so that the ratio stays")
    elif factor > 0.95:
        plan.hidden("too small: less than 5 % of the supply", small=True)
    elif not measured and (factor > 0.88 or len(fed) < 3):
        plan.hidden("nothing measures the supply, and too little moves to see a common factor")


def ground_shift(plan: Plan) -> None:
    """A bad ground: all sensors on it shift by the same millivolts when a load switches."""
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in wired(plan):
        held.setdefault((channel.module, channel.ground), []).append(channel)
    (module, ground), on_it = need(plan.pick([item for item in held.items() if len(item[1]) >= 2]))
    cycle_fan(plan)
    step = 0.008 + 0.09 * plan.level
    subject = f"ground:{ground}" if on_it[0].tells_wiring else f"module:{module}"
    plan.truth("ground-shift", subject, f"module:{module}")
    plan.symptoms = {f"channel:{channel.name}" for channel in on_it}
    plan.touched |= plan.symptoms | {f"plug:{channel.plug}" for channel in on_it}
    plan.faults.ground[ground] = lambda t: step / 14.0 * (plan.world.at("amps", t) - 6)
    if step < 0.025:
        plan.hidden("too small: the fan moves it by less than 25 mV", small=True)
    elif step < 4 * step_of(plan, on_it[0]):
        plan.hidden("too small for the steps of this converter", small=True)


def cycle_fan(plan: Plan) -> None:
    """Let the fan come and go, as on a hot day."""
    world, rng = plan.world, plan.rng
    n = len(world.columns["fan"][1])
    fan, now, state = np.zeros(n), 0.0, False
    running = world.columns["rpm"][1] > 500
    while now < world.seconds:
        after = now + float(rng.uniform(7, 13))
        fan[int(now / SLOW) : int(after / SLOW)] = state
        state, now = not state, after
    fan *= running
    before = world.columns["amps"][1]
    amps = before - 14 * lag(world.columns["fan"][1], SLOW, 0.15) + 14 * lag(fan, SLOW, 0.15)
    battery = world.columns["vbat"][1] - 0.012 * (amps - before)
    world.columns["fan"], world.columns["amps"], world.columns["vbat"] = (SLOW, fan), (SLOW, amps), (SLOW, battery)


def draw_bursts(plan: Plan, weight: Floats, step: float, how_many: float) -> list[tuple[float, float, float]]:
    """Draw moments of contact loss: (from, to, how far towards the rail), more often where the weight is high."""
    total = float(weight.sum())
    if total <= 0:
        return []
    chance = weight / total * how_many
    moments = np.flatnonzero(plan.rng.random(len(weight)) < chance) * step
    found: list[tuple[float, float, float]] = []
    for moment in moments.tolist():
        if found and moment < found[-1][1] + 0.12:
            continue
        long = float(plan.rng.exponential(0.018)) + 0.006
        found.append(
            (moment, moment + min(long, 0.09), float(plan.rng.uniform(0.5, 1.0) if plan.rng.random() < 0.3 else 1.0))
        )
    return found


def dropouts(
    level: float, bursts: list[tuple[float, float, float]], times: Floats, volts: Floats, noise: Floats, _: Bench
) -> tuple[Floats, Floats]:
    out = volts.copy()
    for start, end, part in bursts:
        rows = slice(int(np.searchsorted(times, start)), int(np.searchsorted(times, end)))
        out[rows] = volts[rows] + part * (level - volts[rows])
    return out, noise


def seen_bursts(plan: Plan, channel: Channel, bursts: list[tuple[float, float, float]]) -> int:
    times, _ = Bench(plan.car, plan.world).times_of(plan.car.messages[channel.message])
    return sum(int(np.searchsorted(times, end) > np.searchsorted(times, start)) for start, end, _ in bursts)


def rail_of(channel: Channel) -> float:
    return {"high": 4.965, "low": 0.045, "floating": 0.4}[channel.bias]


def loose_contact(plan: Plan) -> None:
    """A contact that opens over bumps: short excursions to the rail of the open input."""
    channel = need(plan.pick(wired(plan, hertz=45)))
    step, bumps = plan.world.columns["bumps"]
    bursts = draw_bursts(plan, bumps**1.5 + 0.002, step, 4 + 70 * plan.level)
    plan.channel("loose-contact", channel)
    plan.faults.volts[channel.name] = partial(dropouts, rail_of(channel), bursts)
    seen = seen_bursts(plan, channel, bursts)
    plan.start = bursts[0][0] if bursts else 0.0
    if seen < 8:
        plan.hidden(f"too few: {seen} excursions reach a sample", small=True)


def chafed_wire(plan: Plan) -> None:
    """A wire that touches ground where the steering or a damper takes it."""
    channel = need(plan.pick([c for c in wired(plan, hertz=45) if c.quantity != "steer" and c.sensor.kind != "couple"]))
    options = [name for name in ("steer", "d_fl", "d_rr") if of(plan, name) and name != channel.quantity]
    name = need(plan.pick(options))
    step, place = plan.world.columns[name]
    laps = plan.world.phase("laps")
    times = np.arange(len(place)) * step
    inside = (times > laps[0]) & (times < laps[1]) if laps[1] else times >= 0
    side = 1 if plan.rng.random() < 0.5 or name != "steer" else -1
    edge = float(np.quantile(side * place[inside], 0.9))
    bursts = draw_bursts(plan, ((side * place > edge) & inside).astype(float), step, 6 + 60 * plan.level)
    plan.channel("chafed-wire", channel)
    plan.faults.volts[channel.name] = partial(dropouts, float(plan.rng.uniform(0.0, 0.03)), bursts)
    seen = seen_bursts(plan, channel, bursts)
    plan.start = bursts[0][0] if bursts else 0.0
    if not has_role(plan, name):
        plan.alternative("loose-contact", "no role says which channel is the one that it follows")
    if seen < 10:
        plan.hidden(f"too few: {seen} excursions reach a sample", small=True)


def ignition_noise(plan: Plan) -> None:
    """Ignition on a signal wire: a line at the firing frequency and spikes, both growing with engine speed."""
    quiet = [
        c for c in wired(plan) if c.quantity[:2] in ("p_", "t_") or c.quantity in ("brake_f", "brake_r", "throttle")
    ]
    channel = need(plan.pick(quiet))
    group = [channel]
    if plan.rng.random() < 0.3:
        group = [c for c in wired(plan) if c.plug == channel.plug and c.module == channel.module]
    plan.channel("ignition-noise", channel)
    for other in group:
        plan.touched.add(f"channel:{other.name}")
        plan.also["ignition-noise", f"channel:{other.name}"] = "the same noise is on all wires of this plug"
    if len(group) > 1:
        shared = [f"plug:{channel.plug}"] if channel.tells_wiring else []
        if channel.tells_wiring and len({other.ground for other in group}) == 1:
            shared.append(f"ground:{channel.ground}")
        ids = {plan.car.id_of(plan.car.messages[c.message]) for c in group}
        for subject in [*shared, f"module:{channel.module}", *(f"id:{name}" for name in ids)]:
            plan.alternative("ignition-noise", "the wires of one plug share it", subject)
    step, rpm = plan.world.columns["rpm"]
    fires = np.cumsum(rpm / 60 * plan.car.cylinders * 2 / plan.car.strokes) * step
    fastest = float(rpm.max())
    peak = 0.008 + 0.09 * plan.level
    part = {c.name: 1.0 if c is channel else float(plan.rng.uniform(0.6, 1.0)) for c in group}

    def ring(name: str, times: Floats, volts: Floats, noise: Floats, bench: Bench) -> tuple[Floats, Floats]:
        speed = np.interp(times, np.arange(len(rpm)) * step, rpm)
        turn = np.interp(times, np.arange(len(rpm)) * step, fires)
        dice = bench.rng("ignition", name)
        spikes = (dice.random(len(times)) < 0.04 * speed / fastest) * dice.choice([-2.5, 2.5], len(times))
        swing = np.sin(2 * np.pi * turn + 0.3) * 0.8 + dice.standard_normal(len(times)) * 0.5 + spikes
        return volts + peak * part[name] * (speed / fastest) * swing, noise

    for other in group:
        plan.faults.volts[other.name] = partial(ring, other.name)
    plan.start = plan.world.phase("crank")[1]
    if 0.45 * peak < 3 * max(channel.noise, 0.35) * step_of(plan, channel):
        plan.hidden("too small: below three times the noise that the channel has anyway", small=True)


def impossible_rate(plan: Plan) -> None:
    """A fluid that seems to jump by tens of degrees: a contact resistance that comes and goes."""
    channel = need(plan.pick([c for c in wired(plan, "ntc", "rtd") if c.quantity.startswith("t_")]))
    start, _ = plan.window(whole=0.0)
    plan.end = None
    spells, now = [], start
    while now < plan.car.seconds - 4 and len(spells) < 3 + 8 * plan.level:
        long = float(plan.rng.uniform(0.6, 3.0))
        spells.append((now, now + long, float(plan.rng.uniform(14, 38)) * (1 if plan.rng.random() < 0.3 else -1)))
        now += long + float(plan.rng.uniform(1.0, 5.0))

    def jump(times: Floats, value: Floats) -> Floats:
        out = value.copy()
        for begin, finish, by in spells:
            out[(times >= begin) & (times < finish)] += by
        return out

    plan.channel("impossible-rate", channel)
    plan.faults.value[channel.name] = jump
    plan.alternative("loose-contact", "a contact whose resistance comes and goes is what does this")


def saturated(plan: Plan) -> None:
    """A sensor or an input whose range is too small: the value goes into the end, stays flat and comes back."""
    channel = need(plan.pick([c for c in of(plan, "brake_f", "brake_r", "ay", "ax") if c.sensor and c.how != "ready"]))
    _, values = plan.world.columns[channel.quantity]
    sensor = channel.sensor
    assert sensor is not None
    peak = float(np.quantile(np.abs(values), 0.999)) * sensor.per_unit
    part = 0.97 - 0.5 * plan.level
    (v0, x0), (v1, _) = sensor.points
    small = round(peak * part, 2)
    points = ((v0, -small if x0 < 0 else 0.0), (v1, small))
    limits = (0.3 if x0 >= 0 else 0.42, 4.58)
    channel.sensor = replace(sensor, label=f"{sensor.label}_{channel.name}"[:40], points=points, limits=limits)
    plan.channel("saturated", channel)
    at_end = float(np.mean(np.abs(values) * sensor.per_unit > small * (1 + 0.08 / 4 * 1.0)))
    if at_end * plan.car.seconds < 1.0:
        plan.hidden("it is at its end for less than a second", small=True)


def cross_talk(plan: Plan) -> None:
    """An input that shows a few per cent of its neighbour's movement."""
    loud = ("d_fl", "d_fr", "d_rl", "d_rr", "steer", "brake_f", "brake_r", "ay", "ax", "yaw", "throttle")
    quiet = ("t_oil", "t_water", "t_box", "p_fuel", "p_water", "p_oil")
    order = {module: [c for c in wired(plan) if c.module == module] for module in plan.car.modules}
    pairs = [
        (victim, other)
        for channels in order.values()
        for before, after in itertools.pairwise(channels)
        for victim, other in ((before, after), (after, before))
        if victim.quantity in quiet and other.quantity in loud
    ]
    victim, other = need(plan.pick(pairs))
    gain = 0.006 + 0.1 * plan.level
    bench = Bench(plan.car, plan.world)

    def talk(times: Floats, volts: Floats, noise: Floats, _: Bench) -> tuple[Floats, Floats]:
        moved = other.sensor.volts(bench.quantity(other, times) - (other.zero or 0.0), np.full(len(times), 5.0), None)
        return volts + gain * (moved - moved[0]), noise

    plan.channel("cross-talk", victim)
    plan.faults.volts[victim.name] = talk
    times, _ = bench.times_of(plan.car.messages[victim.message])
    moved = other.sensor.volts(bench.quantity(other, times) - (other.zero or 0.0), np.full(len(times), 5.0), None)
    if gain * float(np.std(moved)) < 3 * step_of(plan, victim) * max(victim.noise, 0.5):
        plan.hidden("too small: below three times the noise of the victim", small=True)
    elif victim.quantity == "p_oil":
        plan.hidden("the victim itself moves with engine speed, so that the share of its neighbour can't be told")
