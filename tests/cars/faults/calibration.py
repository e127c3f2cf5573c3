"""Faults of calibrations: the wires are well, the numbers are not."""

from __future__ import annotations

from dataclasses import replace

from tests.cars.car import Channel
from tests.cars.faults.plan import Plan, has_role, need, of, wired

RESTS = {
    "brake_f": 0.03,
    "brake_r": 0.03,
    "ax": 0.03,
    "ay": 0.03,
    "yaw": 0.03,
    "throttle": 0.05,
    "steer": 0.04,
    "p_oil": 0.06,
}


def span_of(channel: Channel) -> float:
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
    targets = of(plan, *RESTS) + [c for c in of(plan, "d_fl", "d_rr", "p_fuel") if plan.rng.random() < 0.2]
    channel = need(plan.pick([c for c in targets if c.sensor or c.signed]))
    plan.channel("offset", channel)
    part = (0.015 + 0.12 * plan.level) * (
        -1 if plan.rng.random() < 0.4 and channel.quantity not in ("throttle",) else 1
    )
    by = part * span_of(channel)
    if channel.quantity == "p_oil" and plan.rng.random() < 0.6:
        by = 1.013 * (channel.sensor.per_unit if channel.sensor else 1.0)
        part = by / span_of(channel)
        plan.alternative("unit-mixup", "an absolute sensor called a gauge one is off by one atmosphere")
    plan.faults.value[channel.name] = lambda _, x: x + by
    if channel.quantity not in RESTS:
        plan.hidden("nothing on the car says what it should read at rest")
    elif abs(part) < RESTS[channel.quantity]:
        plan.hidden("too small for what is known of the value at rest", small=True)
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
    if channel.how == "ready":
        plan.alternative("scale-or-unit", "the module scales it, so that no volts tell database from sensor")
    if channel.quantity == "v_gps":
        _wheels_as_well(plan, "gain")
    if channel.quantity == "ay":
        for other in of(plan, "yaw"):
            plan.alternative("gain", "of two that disagree frames can't say which is right", f"channel:{other.name}")
    least = {"w": 0.05, "v": 0.05, "a": 0.2}.get(channel.quantity[0], 9.0)
    if least > 1:
        plan.hidden("nothing else on the car measures the same")
    elif abs(factor - 1) < least:
        plan.hidden("too small against what tyres, slip and mounting do", small=True)
    elif not channel.role or (
        channel.quantity == "ay" and not (has_role(plan, "yaw") and has_role(plan, "v_gps", "ws_fl", "ws_fr"))
    ):
        plan.hidden("no role says what it could be compared with")


def _wheels_as_well(plan: Plan, fault: str) -> None:
    """Four wheels share one circumference: frames can't say whether it or the other speed is wrong."""
    for wheel in of(plan, "ws_fl", "ws_fr", "ws_rl", "ws_rr"):
        plan.alternative(
            fault, "all wheels share one circumference or unit, which may be what is wrong", f"channel:{wheel.name}"
        )


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
            plan.hidden("the wrong reading is a temperature that an engine can have", small=True)
    else:
        sensor = channel.sensor
        (v0, x0), (v1, x1) = sensor.points
        wrong = replace(sensor, label=f"{sensor.label}_psi", points=((v0, x0), (v1, round(x1 * 14.503774, 1))))
        plan.faults.value[channel.name] = lambda _, x: x * 14.503774  # the sensor is as before, its sheet is in psi
        channel.sensor = wrong
    if channel.quantity == "v_gps":
        _wheels_as_well(plan, "unit-mixup")
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
