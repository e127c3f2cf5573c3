"""Faults, put in where they happen: on the wire, in the supply, in the sensor, in the frames or in the description."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from tests.cars.car import Car, Channel
from tests.cars.recorder import Bench, Faults, Floats, hum
from tests.cars.styles import open_volts
from tests.cars.world import SLOW, World, lag

Named = tuple[str, str]
"""A fault and its subject."""


@dataclass
class Plan:
    """A case while it is made: the car, the world, what is broken in them, and what is true about it.

    Attributes
    ----------
    level
        0..1, how bad.
    detectable, why
        Whether frames can show it, and why (not).
    also
        Answers that are as right as the true one, with the reason.
    touched
        Subjects that really are not well; a finding on any other is wrong blame.
    symptoms
        Subjects on which only the cause shows.
    least
        The lowest severity that a right answer may have.
    """

    car: Car
    world: World
    rng: np.random.Generator
    level: float
    faults: Faults = field(default_factory=Faults)
    fault: str = ""
    subject: str = ""
    also: dict[Named, str] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    symptoms: set[str] = field(default_factory=set)
    start: float = 0.0
    end: float | None = None
    detectable: bool = True
    why: str = ""
    least: str = "suspect"

    def truth(self, fault: str, subject: str, *touched: str) -> None:
        """Say what is broken."""
        self.fault, self.subject = fault, subject
        self.touched |= {subject, *touched}

    def channel(self, fault: str, channel: Channel) -> None:
        """Say that one channel is broken."""
        plug = {f"plug:{channel.plug}"} if channel.tells_wiring else set()
        self.truth(fault, f"channel:{channel.name}", *plug)

    def alternative(self, fault: str, why: str, subject: str = "") -> None:
        """Say what else is as right."""
        self.also[fault, subject or self.subject] = why
        self.touched.add(subject or self.subject)

    def hidden(self, why: str) -> None:
        """Say that frames can't show it."""
        self.detectable, self.why = False, why

    def window(self, whole: float = 0.15, shortest: float = 6.0) -> tuple[float, float]:
        """Choose from when to when: mostly from somewhere in the drive, to the end or for a while."""
        seconds = self.car.seconds
        first, last = self.world.phase("laps")
        last = last or seconds
        if self.rng.random() < whole:
            self.start, self.end = 0.0, None
        else:
            self.start = float(self.rng.uniform(first + 2, first + 0.6 * (last - first)))
            self.end = (
                None if self.rng.random() < 0.6 else min(seconds, self.start + float(self.rng.uniform(shortest, 20)))
            )
        return self.start, self.end if self.end is not None else seconds + 1

    def pick(self, items):  # type: ignore[no-untyped-def]
        """Choose one; None if there is none."""
        items = list(items)
        return items[int(self.rng.integers(len(items)))] if items else None


class NoTargetError(Exception):
    """This car has nothing that could break so."""


def wired(plan: Plan, *kinds: str, hertz: float = 0.0) -> list[Channel]:
    """Give the channels with volts in their signals."""
    return [
        channel
        for channel in plan.car.channels.values()
        if channel.sensor
        and channel.how != "ready"
        and channel.sensor.electrical == "V"
        and channel.sensor.kind != "switch"
        and (not kinds or channel.sensor.kind in kinds)
        and 1 / plan.car.messages[channel.message].period >= hertz
    ]


def of(plan: Plan, *quantities: str) -> list[Channel]:
    """Give the channels of these quantities."""
    return [channel for channel in plan.car.channels.values() if channel.quantity in quantities]


def need(item):  # type: ignore[no-untyped-def]
    """Give it, or say that there is no target."""
    if item is None or item == []:
        raise NoTargetError
    return item


def step_of(plan: Plan, channel: Channel) -> float:
    """Give volts per step of its converter."""
    module = plan.car.modules[channel.module]
    return module.full / 2**module.bits


def has_role(plan: Plan, *quantities: str) -> bool:
    """Say whether one of these quantities is there and its role is told."""
    return any(channel.role for channel in of(plan, *quantities))


# -- electrical -----------------------------------------------------------------------------------------------------


def _hold(
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
    plan.faults.volts[channel.name] = partial(_hold, volts, loud, start, end, name=channel.name)
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
    plan.faults.volts[channel.name] = partial(_hold, float(plan.rng.uniform(0.0, 0.008)), 0.0, start, end)
    if channel.bias == "low" and not channel.fingerprints:
        plan.alternative("open-circuit", "an open wire reads low, too, and no bench test tells them apart")


def short_to_supply(plan: Plan) -> None:
    """A signal wire on 5 V, or on the battery: then the neighbours shift, too."""
    channel = need(plan.pick(wired(plan)))
    start, end = plan.window()
    plan.channel("short-to-supply", channel)
    battery = plan.rng.random() < 0.4
    level = 5.6 if battery else float(plan.rng.uniform(4.993, 5.004))
    plan.faults.volts[channel.name] = partial(_hold, level, 0.0, start, end)
    if channel.bias == "high" and not channel.fingerprints:
        plan.alternative("open-circuit", "an open wire reads high, too, and no bench test tells them apart")
    if battery:
        shift = float(plan.rng.uniform(0.025, 0.06))
        for other in wired(plan):
            if other.module == channel.module and other.name != channel.name:
                plan.faults.volts[other.name] = partial(_add, lambda t: np.where((t >= start) & (t < end), shift, 0.0))
                plan.symptoms.add(f"channel:{other.name}")
        plan.touched |= plan.symptoms | {f"module:{channel.module}"}


def _add(
    extra: Callable[[Floats], Floats], times: Floats, volts: Floats, noise: Floats, _: Bench
) -> tuple[Floats, Floats]:
    return volts + extra(times), noise


def _supply_target(plan: Plan, least: int) -> tuple[str, str, list[Channel]]:
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in plan.car.channels.values():
        if channel.supply:
            held.setdefault((channel.module, channel.supply), []).append(channel)
    return need(plan.pick([(module, supply, fed) for (module, supply), fed in held.items() if len(fed) >= least]))


def _supply_truth(plan: Plan, fault: str, module: str, supply: str, fed: list[Channel]) -> None:
    subject = f"supply:{supply}" if fed[0].tells_wiring else f"module:{module}"
    measured = [
        f"channel:{channel.name}" for channel in plan.car.channels.values() if channel.quantity == f"vref:{supply}"
    ]
    plan.truth(fault, subject, f"module:{module}", *measured)
    plan.symptoms = {f"channel:{channel.name}" for channel in fed}
    plan.touched |= plan.symptoms | {f"plug:{channel.plug}" for channel in fed}
    if not fed[0].tells_wiring:
        ids = {plan.car.id_of(plan.car.messages[channel.message]) for channel in fed}
        if len(ids) == 1:
            plan.alternative(fault, "nobody says the wiring, and all of them travel in one frame", f"id:{ids.pop()}")


def supply_lost(plan: Plan) -> None:
    """A sensor supply at zero: all that lives on it falls together."""
    module, supply, fed = _supply_target(plan, 2)
    if plan.car.modules[module].ratio:
        raise NoTargetError
    start, end = plan.window(whole=0.1)
    _supply_truth(plan, "supply-lost", module, supply, fed)
    plan.faults.supply[supply] = lambda t, v: np.where((t >= start) & (t < end), 0.015, v)


def supply_sag(plan: Plan) -> None:
    """A sensor supply that is pulled down: all that lives on it shrinks by one factor."""
    module, supply, fed = _supply_target(plan, 2)
    start, end = plan.window(whole=0.0)
    factor = 1 - 0.02 - 0.26 * plan.level
    _supply_truth(plan, "supply-sag", module, supply, fed)
    plan.faults.supply[supply] = lambda t, v: np.where((t >= start) & (t < end), factor * v, v)
    measured = bool(of(plan, f"vref:{supply}"))
    if plan.car.modules[module].ratio:
        plan.hidden("the converter measures against the same supply, so that the ratio stays")
    elif factor > 0.95:
        plan.hidden("too small: less than 5 % of the supply")
    elif not measured and (factor > 0.88 or len(fed) < 3):
        plan.hidden("nothing measures the supply, and too little moves to see a common factor")


def ground_shift(plan: Plan) -> None:
    """A bad ground: all sensors on it shift by the same millivolts when a load switches."""
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in wired(plan):
        held.setdefault((channel.module, channel.ground), []).append(channel)
    (module, ground), on_it = need(plan.pick([item for item in held.items() if len(item[1]) >= 2]))
    _cycle_fan(plan)
    step = 0.008 + 0.09 * plan.level
    subject = f"ground:{ground}" if on_it[0].tells_wiring else f"module:{module}"
    plan.truth("ground-shift", subject, f"module:{module}")
    plan.symptoms = {f"channel:{channel.name}" for channel in on_it}
    plan.touched |= plan.symptoms | {f"plug:{channel.plug}" for channel in on_it}
    plan.faults.ground[ground] = lambda t: step / 14.0 * (plan.world.at("amps", t) - 6)
    if step < 0.025:
        plan.hidden("too small: the fan moves it by less than 25 mV")
    elif step < 4 * step_of(plan, on_it[0]):
        plan.hidden("too small for the steps of this converter")


def _cycle_fan(plan: Plan) -> None:
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


def _bursts(plan: Plan, weight: Floats, step: float, how_many: float) -> list[tuple[float, float, float]]:
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


def _dropouts(
    level: float, bursts: list[tuple[float, float, float]], times: Floats, volts: Floats, noise: Floats, _: Bench
) -> tuple[Floats, Floats]:
    out = volts.copy()
    for start, end, part in bursts:
        rows = slice(int(np.searchsorted(times, start)), int(np.searchsorted(times, end)))
        out[rows] = volts[rows] + part * (level - volts[rows])
    return out, noise


def _seen(plan: Plan, channel: Channel, bursts: list[tuple[float, float, float]]) -> int:
    times, _ = Bench(plan.car, plan.world).times_of(plan.car.messages[channel.message])
    return sum(int(np.searchsorted(times, end) > np.searchsorted(times, start)) for start, end, _ in bursts)


def _rail(channel: Channel) -> float:
    return {"high": 4.965, "low": 0.045, "floating": 0.4}[channel.bias]


def loose_contact(plan: Plan) -> None:
    """A contact that opens over bumps: short excursions to the rail of the open input."""
    channel = need(plan.pick(wired(plan, hertz=45)))
    step, bumps = plan.world.columns["bumps"]
    bursts = _bursts(plan, bumps**1.5 + 0.002, step, 4 + 70 * plan.level)
    plan.channel("loose-contact", channel)
    plan.faults.volts[channel.name] = partial(_dropouts, _rail(channel), bursts)
    seen = _seen(plan, channel, bursts)
    plan.start = bursts[0][0] if bursts else 0.0
    if seen < 8:
        plan.hidden(f"too few: {seen} excursions reach a sample")


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
    bursts = _bursts(plan, ((side * place > edge) & inside).astype(float), step, 6 + 60 * plan.level)
    plan.channel("chafed-wire", channel)
    plan.faults.volts[channel.name] = partial(_dropouts, float(plan.rng.uniform(0.0, 0.03)), bursts)
    seen = _seen(plan, channel, bursts)
    plan.start = bursts[0][0] if bursts else 0.0
    if not has_role(plan, name):
        plan.alternative("loose-contact", "no role says which channel is the one that it follows")
    if seen < 10:
        plan.hidden(f"too few: {seen} excursions reach a sample")


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
        shared = [f"plug:{channel.plug}", f"ground:{channel.ground}"] if channel.tells_wiring else []
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
        plan.hidden("too small: below three times the noise that the channel has anyway")


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
        plan.hidden("it is at its end for less than a second")


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
        plan.hidden("too small: below three times the noise of the victim")
    elif victim.quantity == "p_oil":
        plan.hidden("the victim itself moves with engine speed, so that the share of its neighbour can't be told")


# -- calibration ----------------------------------------------------------------------------------------------------

_RESTS = {
    "brake_f": 0.03,
    "brake_r": 0.03,
    "ax": 0.03,
    "ay": 0.03,
    "yaw": 0.03,
    "throttle": 0.05,
    "steer": 0.04,
    "p_oil": 0.06,
}


def _span(channel: Channel) -> float:
    if channel.sensor and channel.how != "ready":
        (_, low), (_, high) = channel.sensor.points
        return abs(high - low)
    return {
        "ax": 6.0,
        "ay": 6.0,
        "az": 6.0,
        "yaw": 200.0,
        "throttle": 100.0,
        "steer": 400.0,
        "p_oil": 10.0,
        "t_water": 120.0,
    }.get(channel.quantity, 100.0)


def offset(plan: Plan) -> None:
    """A value off by a constant from beginning to end."""
    targets = of(plan, *_RESTS) + [c for c in of(plan, "d_fl", "d_rr", "p_fuel") if plan.rng.random() < 0.2]
    channel = need(plan.pick([c for c in targets if c.sensor or c.signed]))
    plan.channel("offset", channel)
    part = (0.015 + 0.12 * plan.level) * (
        -1 if plan.rng.random() < 0.4 and channel.quantity not in ("throttle",) else 1
    )
    by = part * _span(channel)
    if channel.quantity == "p_oil" and plan.rng.random() < 0.6:
        by = 1.013 * (channel.sensor.per_unit if channel.sensor else 1.0)
        part = by / _span(channel)
        plan.alternative("unit-mixup", "an absolute sensor called a gauge one is off by one atmosphere")
    plan.faults.value[channel.name] = lambda _, x: x + by
    if channel.quantity not in _RESTS:
        plan.hidden("nothing on the car says what it should read at rest")
    elif abs(part) < _RESTS[channel.quantity]:
        plan.hidden("too small for what is known of the value at rest")
    elif not channel.role:
        plan.hidden("no role says what it measures, so that nothing says what it should read at rest")


def gain(plan: Plan) -> None:
    """A value off by a factor."""
    targets = of(plan, "ws_fl", "ws_fr", "ws_rl", "ws_rr", "v_gps", "ay") + [
        c for c in of(plan, "d_fr", "brake_f", "p_oil") if plan.rng.random() < 0.25
    ]
    channel = need(plan.pick(targets))
    plan.channel("gain", channel)
    factor = 1 + (0.01 + 0.3 * plan.level) * (1 if plan.rng.random() < 0.6 else -1)
    plan.faults.value[channel.name] = lambda _, x: x * factor
    least = {"w": 0.05, "v": 0.05, "a": 0.2}.get(channel.quantity[0], 9.0)
    if least > 1:
        plan.hidden("nothing else on the car measures the same")
    elif abs(factor - 1) < least:
        plan.hidden("too small against what tyres, slip and mounting do")
    elif not channel.role or (
        channel.quantity == "ay" and not (has_role(plan, "yaw") and has_role(plan, "v_gps", "ws_fl", "ws_fr"))
    ):
        plan.hidden("no role says what it could be compared with")


def unit_mixup(plan: Plan) -> None:
    """A unit written wrongly: miles for kilometres, psi for bar, metres per second squared for g, Fahrenheit."""
    options = [
        (channel, factor, plus)
        for quantities, factor, plus in (
            (("v_gps",), 1 / 1.609344, 0.0),
            (("ax", "ay"), 9.80665, 0.0),
            (("t_water",), 1.8, 32.0),
        )
        for channel in of(plan, *quantities)
        if channel.how == "ready"
    ] + [
        (channel, 0.0, 0.0)
        for channel in of(plan, "p_oil", "brake_f")
        if channel.sensor and channel.sensor.unit == "bar"
    ]
    channel, factor, plus = need(plan.pick(options))
    plan.channel("unit-mixup", channel)
    if factor:
        channel.range = (0.0, 0.0)
        if channel.quantity in ("ax", "ay"):
            channel.resolution *= 1.0
        plan.faults.value[channel.name] = lambda _, x: x * factor + plus
        plan.alternative("scale-or-unit", "the module scales it, so that no volts stand between database and unit")
        if channel.quantity == "t_water" and float(plan.world.columns["t_water"][1].max()) < 65:
            plan.hidden("the wrong reading is a temperature that an engine can have")
    else:
        sensor = channel.sensor
        (v0, x0), (v1, x1) = sensor.points
        wrong = replace(sensor, label=f"{sensor.label}_psi", points=((v0, x0), (v1, round(x1 * 14.503774, 1))))
        plan.faults.value[channel.name] = lambda _, x: x * 14.503774  # the sensor is as before, its sheet is in psi
        channel.sensor = wrong
    if not channel.role:
        plan.hidden("no role says what it measures")
    elif channel.quantity == "v_gps" and not has_role(plan, "ws_fl", "ws_fr", "ws_rl", "ws_rr"):
        plan.hidden("no role says what it could be compared with")


def calibration_overdue(plan: Plan) -> None:
    """A calibration whose date has passed."""
    channel = need(plan.pick(wired(plan)))
    plan.channel("calibration-overdue", channel)
    channel.log = 'date = 2024-03-01\nby = "crew"\nreference = "test gauge"\ndue = 2025-03-01'
    plan.least = "note"


# -- physics --------------------------------------------------------------------------------------------------------


def swapped_channels(plan: Plan) -> None:
    """Two wires in each other's place, left for right."""
    pairs = [("d_fl", "d_fr"), ("d_rl", "d_rr"), ("ws_fl", "ws_fr"), ("ws_rl", "ws_rr")]
    pair = need(plan.pick([p for p in pairs if len(of(plan, *p)) == 2]))
    one, two = of(plan, *pair)
    plan.channel("swapped-channels", one)
    plan.alternative("swapped-channels", "the pair is what is wrong", f"channel:{two.name}")
    one.quantity, two.quantity = two.quantity, one.quantity
    one.zero, two.zero = two.zero, one.zero
    if not (one.role and two.role):
        plan.hidden("no role says which corner is which")
    elif not has_role(plan, "ay", "yaw", "steer"):
        plan.hidden("no role says in which direction the car turns")


def sign_flipped(plan: Plan) -> None:
    """A sensor mounted or wired the wrong way round."""
    channel = need(plan.pick(of(plan, "ay", "yaw", "steer", "ax")))
    plan.channel("sign-flipped", channel)
    plan.faults.value[channel.name] = lambda _, x: -x
    others = [c for c in of(plan, "ay", "yaw", "steer") if c.role and c is not channel]
    if not channel.role:
        plan.hidden("no role says what it measures")
    elif channel.quantity == "ax":
        if not has_role(plan, "v_gps", "ws_fl", "ws_fr", "ws_rl", "ws_rr"):
            plan.hidden("no role says what it could be compared with")
    elif len(others) < 2:
        for other in others:
            plan.alternative(
                "sign-flipped", "of two that disagree frames can't say which is right", f"channel:{other.name}"
            )
        if not others:
            plan.hidden("no role says what it could be compared with")


def stuck(plan: Plan) -> None:
    """A raw value that stays while frames keep arriving."""
    slow = {"gear", "fan", "baro", "t_air", "t_module", "lat", "lon"}
    targets = [
        c for c in plan.car.channels.values() if c.quantity.partition(":")[0] not in slow | {"vref", "vsup", "vbat"}
    ]
    channel = need(plan.pick(targets))
    start, end = plan.window(whole=0.0, shortest=9.0)
    bench = Bench(plan.car, plan.world)
    message = plan.car.messages[channel.message]
    frames = bench.frames_of(message)
    times, raw = bench.raw[channel.name]
    del frames
    at = min(int(np.searchsorted(times, start)), len(raw) - 1)
    held = float(raw[at])
    plan.faults.code[channel.name] = lambda t, r: np.where((t >= start) & (t < end), held, r)
    plan.channel("stuck", channel)
    rows = raw[(times >= start) & (times < end)]
    longest = _longest_run(raw) * message.period
    if end - start > 0 and len(np.unique(rows)) < 8:
        plan.hidden("the healthy channel would hardly have moved either")
    elif min(end, plan.car.seconds) - start < 3 * longest:
        plan.hidden("the healthy channel is as still for a third of that time")
    if len(plan.car.of_message(channel.message)) == 1:
        plan.alternative("frozen-frame", "it is all that its frame carries", f"id:{plan.car.id_of(message)}")


def _longest_run(raw: Floats) -> int:
    change = np.flatnonzero(np.diff(raw) != 0)
    edges = np.concatenate([[-1], change, [len(raw) - 1]])
    return int(np.diff(edges).max()) if len(raw) else 0


def drift(plan: Plan) -> None:
    """A zero that wanders away in the course of the run."""
    targets = of(plan, "brake_f", "brake_r", "ax", "ay", "yaw") + [
        c for c in of(plan, "d_fl", "p_oil") if plan.rng.random() < 0.25
    ]
    channel = need(plan.pick([c for c in targets if c.sensor or c.signed]))
    plan.channel("drift", channel)
    part = 0.01 + 0.14 * plan.level
    by, seconds = part * _span(channel), plan.car.seconds
    plan.faults.value[channel.name] = lambda t, x: x + by * np.clip(t / seconds, 0, 1) ** 1.2
    if channel.quantity not in _RESTS or channel.quantity == "p_oil":
        plan.hidden("nothing on the car says what it should read at the end")
    elif part < 0.04:
        plan.hidden("too small")
    elif not channel.role:
        plan.hidden("no role says what it measures")
    elif not plan.world.phase("laps")[1]:
        plan.hidden("no two times at rest to compare")


def under_sampled(plan: Plan) -> None:
    """Dampers sent far too seldom."""
    message = plan.car.messages[need(plan.pick(of(plan, "d_fl", "d_rr"))).message]
    message.period = float(plan.rng.choice([0.1, 0.05]))
    held = plan.car.of_message(message.name)
    plan.channel("under-sampled", held[0])
    for channel in held:
        plan.alternative("under-sampled", "the whole frame is sent too seldom", f"channel:{channel.name}")
    plan.alternative("under-sampled", "the whole frame is sent too seldom", f"id:{plan.car.id_of(message)}")
    plan.least = "note"


# -- decoding -------------------------------------------------------------------------------------------------------


def _raw_of(plan: Plan, channel: Channel) -> Floats:
    bench = Bench(plan.car, plan.world)
    bench.frames_of(plan.car.messages[channel.message])
    return bench.raw[channel.name][1]


def byte_order(plan: Plan) -> None:
    """A database that has the bytes of a signal the wrong way round."""
    aligned = [
        c
        for c in plan.car.channels.values()
        if c.bits == 16
        and c.start % 8 == (7 if plan.car.messages[c.message].big else 0)
        and c.quantity[:4] not in ("vref", "vsup")
    ]
    channel = need(plan.pick(aligned))
    big = plan.car.messages[channel.message].big
    channel.other_order = True
    channel.said_start = channel.start - 7 if big else channel.start + 7
    plan.channel("byte-order", channel)
    high = (_raw_of(plan, channel).astype(np.int64) >> 8) & 0xFF
    _, counts = np.unique(high, return_counts=True)
    if np.sum(counts >= 0.01 * len(high)) < 5:
        plan.hidden("its high byte takes fewer than five values in this run")


def signedness(plan: Plan) -> None:
    """A database that has the sign of a signal wrong."""
    options = []
    for channel in plan.car.channels.values():
        if channel.bits not in (12, 16) or channel.quantity[:4] in ("vref", "vsup"):
            continue
        if channel.signed and channel.quantity in ("ax", "ay", "yaw", "steer"):
            options.append((channel, False))
        elif not channel.signed and channel.how == "counts" and plan.car.modules[channel.module].bits == 16:
            options.append((channel, True))
    channel, says = need(plan.pick(options))
    channel.said_signed = says
    channel.range = (0.0, 0.0)
    plan.channel("signedness", channel)
    raw = _raw_of(plan, channel)
    half = 0 if channel.signed else 2 ** (channel.bits - 1)
    share = float(np.mean(raw < half))
    if not 0.01 < share < 0.99:
        plan.hidden("it stays on one side of the sign bit in this run")


def bit_position(plan: Plan) -> None:
    """A database that has a signal one or two bits beside its place."""
    options: list[tuple[Channel, int, bool]] = []
    for message in plan.car.messages.values():
        held = [c for c in plan.car.of_message(message.name) if c.page is None]
        for one, two in itertools.pairwise(held):
            if one.bits == two.bits == 16:
                # What is named reads the neighbour's low bits as its own high ones: values jump.
                options.append((two, -1, True) if message.big else (one, 1, True))
                options.append((one, 1, False) if message.big else (two, -1, False))
    channel, direction, leaks = need(plan.pick(options))
    bits = int(plan.rng.integers(1, 3))
    message = plan.car.messages[channel.message]
    if message.big:
        place = (channel.start // 8) * 8 + 7 - channel.start % 8 + direction * bits
        channel.said_start = place // 8 * 8 + 7 - place % 8
    else:
        channel.said_start = channel.start + direction * bits
    channel.range = (0.0, 0.0)
    plan.channel("bit-position", channel)
    if not leaks:
        plan.alternative("scale-or-unit", "every value is doubled, as with a wrong scale")


def mux_undefined(plan: Plan) -> None:
    """Pages of a multiplexed frame that no database knows."""
    message = need(plan.pick([m for m in plan.car.messages.values() if m.pages]))
    message.pages += int(plan.rng.integers(1, 3))
    plan.truth("mux-undefined", f"id:{plan.car.id_of(message)}")


def scale_or_unit(plan: Plan) -> None:
    """A database with a scale ten times too large."""
    options = wired(plan) + of(plan, "vbat", "ws_fl", "ws_rr", "rpm")
    channel = need(plan.pick([c for c in options if c.how != "counts"]))
    channel.said_scale = 10.0
    channel.range = (0.0, 0.0)
    plan.channel("scale-or-unit", channel)
    plan.alternative("unit-mixup", "a wrong unit shows the same factor")
    if channel.sensor is None or channel.sensor.electrical != "V":
        plan.alternative("gain", "no volts tell the scale of the database from the gain of the sensor")
        if not channel.role:
            plan.hidden("no role says what it measures")


def _spells(plan: Plan, low: float, high: float, how_many: int) -> list[tuple[float, float]]:
    first, last = plan.world.phase("laps")
    last = last or plan.car.seconds
    return [
        (s, s + float(plan.rng.uniform(low, high)))
        for s in np.sort(plan.rng.uniform(first, last - high, how_many)).tolist()
    ]


def out_of_range(plan: Plan) -> None:
    """A module that sends what its database rules out."""
    options = [
        c
        for c in plan.car.channels.values()
        if c.how == "ready" and c.bits == 16 and c.range[1] > 0 and c.invalid is None
    ]
    channel = need(plan.pick(options))
    high = channel.range[1]
    most = (2**15 - 1 if channel.signed else 2**16 - 1) * channel.resolution + channel.offset
    raw = round(
        (high + float(plan.rng.uniform(0.15, 0.8)) * (min(most, 2 * high) - high) - channel.offset) / channel.resolution
    )
    spells = _spells(plan, 0.6, 4.0, 2 + int(4 * plan.level))
    plan.start = spells[0][0]
    plan.faults.code[channel.name] = lambda t, r: np.where(
        np.any([(t >= a) & (t < b) for a, b in spells], axis=0), raw, r
    )
    plan.channel("out-of-range", channel)


def sender_invalid(plan: Plan) -> None:
    """A module that says it has no value."""
    options = [c for c in plan.car.channels.values() if c.how == "ready" and c.bits == 16 and c.quantity != "gear"]
    channel = need(plan.pick(options))
    code = 2**15 - 1 if channel.signed else 2**16 - 1
    channel.invalid = code
    spells = _spells(plan, 0.6, 5.0, 2 + int(4 * plan.level))
    plan.start = spells[0][0]
    plan.faults.code[channel.name] = lambda t, r: np.where(
        np.any([(t >= a) & (t < b) for a, b in spells], axis=0), code, r
    )
    plan.channel("sender-invalid", channel)


# -- frames, modules, the recorder ----------------------------------------------------------------------------------


def _periodic(plan: Plan, least: int = 2) -> list[str]:
    return [
        name
        for name in plan.car.modules
        if sum(1 for m in plan.car.messages.values() if m.module == name and not m.on_change) >= least
    ]


def module_reset(plan: Plan) -> None:
    """A module that restarts because its supply dips; its channels are silent meanwhile."""
    module = need(plan.pick(_periodic(plan)))
    first, last = plan.world.phase("laps")
    count = 1 + int(4 * plan.level)
    moments = first + 3 + (last - first - 8) * (np.arange(count) + plan.rng.uniform(0.1, 0.9, count)) / count
    plan.faults.gaps[module] = [(m, m + float(plan.rng.uniform(0.35, 0.95))) for m in moments.tolist()]
    volts = float(plan.rng.uniform(5.2, 6.3))
    plan.faults.dips = [(module, m - 0.22, e, volts) for m, e in plan.faults.gaps[module]]
    plan.truth("module-reset", f"module:{module}")
    plan.start = float(moments[0])
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.of_module(module)}
    plan.touched |= plan.symptoms | {
        f"id:{plan.car.id_of(m)}" for m in plan.car.messages.values() if m.module == module
    }


def module_missing(plan: Plan) -> None:
    """A module that falls silent for good."""
    module = need(plan.pick(_periodic(plan)))
    start, _ = plan.window(whole=0.0)
    plan.end = None
    plan.faults.gaps[module] = [(start, plan.car.seconds + 1)]
    plan.truth("module-missing", f"module:{module}")
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
    spells = _spells(plan, 1.5, 4.0, 1 + int(3 * plan.level))
    plan.faults.frozen[message.name] = spells
    plan.start = spells[0][0]
    plan.truth("frozen-frame", f"id:{plan.car.id_of(message)}")
    plan.symptoms = {f"channel:{c.name}" for c in plan.car.of_message(message.name)}
    plan.touched |= plan.symptoms


def capture_drop(plan: Plan) -> None:
    """A recorder that misses everything for a while."""
    spells = _spells(plan, 0.25, 0.6, 2 + int(5 * plan.level))
    plan.faults.dropped = spells
    plan.start = spells[0][0]
    plan.truth("capture-drop", "capture")
    plan.touched |= {f"bus:{name}" for name in plan.car.buses}
    for name in plan.car.buses:
        plan.also["capture-drop", f"bus:{name}"] = "the bus on which it was missed"


# -- combined -------------------------------------------------------------------------------------------------------


def loose_plug(plan: Plan) -> None:
    """A plug that opens over bumps: several channels go to their rails in the same moments."""
    held: dict[tuple[str, str], list[Channel]] = {}
    for channel in wired(plan, hertz=45):
        held.setdefault((channel.module, channel.plug), []).append(channel)
    (module, plug), on_it = need(plan.pick([item for item in held.items() if len(item[1]) >= 2]))
    step, bumps = plan.world.columns["bumps"]
    bursts = _bursts(plan, bumps**1.5 + 0.002, step, 15 + 60 * plan.level)
    bursts = [(a, b + 0.015, c) for a, b, c in bursts]
    for channel in on_it:
        plan.faults.volts[channel.name] = partial(_dropouts, _rail(channel), bursts)
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
    if min(_seen(plan, c, bursts) for c in on_it) < 8:
        plan.hidden("too few excursions reach a sample")


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


SINGLE: dict[str, Callable[[Plan], None]] = {
    "byte-order": byte_order,
    "signedness": signedness,
    "bit-position": bit_position,
    "mux-undefined": mux_undefined,
    "scale-or-unit": scale_or_unit,
    "out-of-range": out_of_range,
    "sender-invalid": sender_invalid,
    "open-circuit": open_circuit,
    "short-to-ground": short_to_ground,
    "short-to-supply": short_to_supply,
    "loose-contact": loose_contact,
    "chafed-wire": chafed_wire,
    "ignition-noise": ignition_noise,
    "impossible-rate": impossible_rate,
    "saturated": saturated,
    "cross-talk": cross_talk,
    "offset": offset,
    "gain": gain,
    "unit-mixup": unit_mixup,
    "calibration-overdue": calibration_overdue,
    "swapped-channels": swapped_channels,
    "sign-flipped": sign_flipped,
    "stuck": stuck,
    "drift": drift,
    "under-sampled": under_sampled,
    "frames-lost": frames_lost,
}
COMBINED: dict[str, Callable[[Plan], None]] = {
    "supply-lost": supply_lost,
    "supply-sag": supply_sag,
    "ground-shift": ground_shift,
    "module-reset": module_reset,
    "module-missing": module_missing,
    "frozen-frame": frozen_frame,
    "capture-drop": capture_drop,
    "loose-plug": loose_plug,
    "reference-open": reference_open,
}
INJECTORS = SINGLE | COMBINED
"""By the name of the case; all but two are named after the fault."""
