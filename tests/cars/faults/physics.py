"""Faults that only other channels, or time, can show."""

from __future__ import annotations

import numpy as np

from tests.cars.faults.calibration import RESTS, span_of
from tests.cars.faults.plan import Plan, has_role, need, of
from tests.cars.recorder import Bench, Floats


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
    longest = longest_run(raw) * message.period
    if end - start > 0 and len(np.unique(rows)) < 8:
        plan.hidden("the healthy channel would hardly have moved either")
    elif min(end, plan.car.seconds) - start < 3 * longest:
        plan.hidden("the healthy channel is as still for a third of that time")
    if len(plan.car.of_message(channel.message)) == 1:
        plan.alternative("frozen-frame", "it is all that its frame carries", f"id:{plan.car.id_of(message)}")


def longest_run(raw: Floats) -> int:
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
    by, seconds = part * span_of(channel), plan.car.seconds
    plan.faults.value[channel.name] = lambda t, x: x + by * np.clip(t / seconds, 0, 1) ** 1.2
    if channel.quantity not in RESTS or channel.quantity == "p_oil":
        plan.hidden("nothing on the car says what it should read at the end")
    elif part < 0.04:
        plan.hidden("too small", small=True)
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
