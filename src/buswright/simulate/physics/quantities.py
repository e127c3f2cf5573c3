"""Every quantity of the car over a cycle, all of them agreeing with each other."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.simulate.physics import chassis, thermal
from buswright.simulate.physics.engine import (
    CIRCUMFERENCE_REAR_M,
    IDLE_RPM,
    MASS_KG,
    STEERING_RATIO,
    TRACK_M,
    WHEELBASE_M,
    choose_gears,
    demand,
    friction_torque,
    full_torque,
    ratio_of,
    throttle_for,
    torque_share,
    wheel_force,
)  # fmt: skip
from buswright.simulate.physics.hill import GRAVITY, ORIGIN, STEP_M, Floats, lap, smooth
from buswright.simulate.physics.story import CYCLE_S, RATE, SAMPLES, Scenario, Story, tell

_STRIDE = 10
"""Fast samples per slow one: what changes slowly is computed at 50 Hz."""

_SLOW_HZ = RATE // _STRIDE
_FUEL_TANK_L = 9.0
_FUEL_GRAMS_PER_L = 745.0
_BRAKE_FRONT_N_PER_BAR = 88.0
_BRAKE_REAR_N_PER_BAR = 74.0
_BRAKE_BIAS = 0.62
"""Share of the braking force at the front axle."""

SHUT_PERCENT, OPEN_PERCENT = 0.6, 99.2
"""What the throttle sensor shows shut, and how much more wide open."""

CORNERS = ("fl", "fr", "rl", "rr")

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius, IUGG."""


@dataclass(frozen=True, slots=True)
class Carry:
    """What one cycle hands to the next."""

    heat: thermal.Heat
    fuel_l: float
    fuel_used_l: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """One cycle of the day.

    Attributes
    ----------
    start_s
        When it begins, seconds from the first key-on.
    channels
        Quantities by name, each float64[n] over the whole cycle at a uniform rate of its own.
    end
        What the next cycle starts with.
    """

    start_s: float
    channels: Mapping[str, Floats]
    end: Carry

    def at(self, name: str, seconds: Floats) -> Floats:
        """Sample a quantity at times counted from the first key-on; linear, or the last value for states."""
        values = self.channels[name]
        place = np.clip((seconds - self.start_s) * ((len(values) - 1) / CYCLE_S), 0.0, len(values) - 1)
        index = place.astype(np.intp)
        if name in STATES:
            return values[index]
        after = np.minimum(index + 1, len(values) - 1)
        return values[index] + (values[after] - values[index]) * (place - index)


STATES = frozenset({"gear", "fan_state", "running", "cranking", "brake_switch", "shift_active", "engine_state"})
"""Quantities that step; all others are continuous."""


def start(scenario: Scenario) -> Carry:
    """Return the car at the first key-on."""
    return Carry(thermal.soaked() if scenario == "key-on" else thermal.warm(), fuel_l=7.4)


def simulate_cycle(number: int, seed: int, carry: Carry, scenario: Scenario) -> Cycle:
    """Simulate one cycle; the same number, seed and start give the same arrays."""
    rng = np.random.default_rng([seed, 1, number])
    story = tell(scenario, rng)
    motion = _motion(story)
    drive = _drive(story, motion, rng)
    wheels = _wheels(motion, drive)
    heat = _heat(carry.heat, motion, drive)
    fast = {**motion, **drive, **wheels, "_time": number * CYCLE_S + np.arange(SAMPLES) / RATE}
    slow = _slow(story, fast, heat.columns, carry, rng)
    published = {name: values for name, values in {**fast, **slow}.items() if not name.startswith("_")}
    end = Carry(heat.end, float(slow["fuel_level"][-1]), float(slow["fuel_used"][-1]))
    return Cycle(number * float(CYCLE_S), published, end)


def _motion(story: Story) -> dict[str, Floats]:
    """Where the car is and how it moves."""
    course = lap()
    points = np.arange(len(course.curvature)) * STEP_M
    v, s = story.speed, story.distance
    curvature, grade = np.interp(s, points, course.curvature), np.interp(s, points, course.grade)
    acceleration = np.gradient(v) * RATE
    along, across = acceleration / GRAVITY, v * v * curvature / GRAVITY
    body = chassis.ride(s, v, along, across, RATE)
    understeer = 0.18 * across  # degrees at the road wheels per g
    steer = np.degrees(np.arctan(WHEELBASE_M * curvature)) * np.minimum(1.0, v / 0.5) + understeer
    return {
        "_acceleration": acceleration,
        "_grade": grade,
        "_v": v,
        "_s": s,
        "vehicle_speed": v * 3.6,
        "accel_long": along + np.sin(np.arctan(grade)),
        "accel_lat": across + np.sin(np.radians(body["roll"])),
        "accel_vert": body["accel_vert"],
        "yaw_rate": np.degrees(v * curvature),
        "roll_rate": body["roll_rate"],
        "pitch_rate": body["pitch_rate"],
        "steering_angle": smooth(steer * STEERING_RATIO, 0.05 * RATE),
        "roll": body["roll"],
        "pitch": body["pitch"] - np.degrees(np.arctan(grade)),
        **{f"{what}_{corner}": body[f"{what}_{corner}"] for what in ("damper", "hub") for corner in CORNERS},
    }


def _drive(story: Story, motion: dict[str, Floats], rng: np.random.Generator) -> dict[str, Floats]:
    """Engine, gearbox and brakes: what the motion asks of them."""
    v = motion["_v"]
    gears = choose_gears(v, story.racing, story.neutral, RATE)
    ratio = ratio_of(gears.gear)
    force = demand(v, motion["_acceleration"], motion["_grade"])
    slip = _rear_slip(force, v)
    locked = v * (1 + slip) * ratio * (60.0 / CIRCUMFERENCE_REAR_M)
    rpm = smooth(np.where(gears.gear > 0, np.maximum(locked, story.floor_rpm), IDLE_RPM), 0.028 * RATE)
    run = story.running.astype(np.float64)
    rpm = rpm + 8200.0 * smooth(story.blips, 0.03 * RATE) * (gears.gear == 0)
    rpm *= 1 + 0.006 * _wander(rng, 3.0) * (rpm < 3000) + 0.0008 * _wander(rng, 20.0)
    rpm = smooth(np.where(story.cranking, 285.0, rpm * run), 0.05 * RATE)
    rpm[rpm < 2.0] = 0.0
    engaged = ratio > 0
    turning = np.maximum(rpm, 600.0)
    overrun = -wheel_force(friction_torque(turning), ratio) * engaged * run
    push = np.maximum(force, overrun)
    torque = np.where(engaged, push / np.maximum(wheel_force(np.ones(1), ratio), 1e-9), 0.0)
    torque = np.minimum(torque, full_torque(turning)) * run
    throttle = throttle_for(np.where(v < 0.3, 0.0, torque), turning)
    throttle = np.where(torque <= -0.98 * friction_torque(turning), 0.0, throttle) * run + story.blips
    throttle += 0.22 * (story.floor_rpm > 5000) * (v < 0.5) * run
    throttle += 0.45 * _pulses(gears.down, 0.045) * (v > 3)
    throttle = np.clip(smooth(throttle, 0.030 * RATE), 0.0, 1.0)
    brake_n = np.maximum(-(force - push), 0.0) * (v > 0.05) + 2100.0 * story.braked * (v < 0.05)
    brake_n = smooth(brake_n, 0.035 * RATE)
    return {
        "_torque": torque,
        "_force": force,
        "_brake_n": brake_n,
        "engine_speed": rpm,
        "gear": gears.gear,
        "shift_active": (_pulses(gears.up, 0.03) > 0.3).astype(np.float64),
        "throttle": SHUT_PERCENT + OPEN_PERCENT * throttle,
        "pedal": np.clip(100.0 * smooth(throttle, 0.02 * RATE), 0.0, 100.0),
        "engine_torque": torque,
        "brake_pressure_front": brake_n * _BRAKE_BIAS / _BRAKE_FRONT_N_PER_BAR,
        "brake_pressure_rear": brake_n * (1 - _BRAKE_BIAS) / _BRAKE_REAR_N_PER_BAR,
        "brake_switch": (brake_n > 180.0).astype(np.float64),
        "clutch_pressure": 21.0 * smooth(((v < 0.4) & engaged & story.running).astype(np.float64), 0.06 * RATE),
        "running": run,
        "cranking": story.cranking.astype(np.float64),
        "engine_state": 2.0 * run + story.cranking,
    }


def _rear_slip(force: Floats, v: Floats) -> Floats:
    """Slip of the rear tyres: they take all of what drives and their share of what brakes."""
    load = 0.57 * (MASS_KG * GRAVITY + 2.0 * v * v)
    taken = np.clip(np.where(force > 0, force, (1 - _BRAKE_BIAS) * force), -0.6 * load, load)
    return taken / load * np.where(force > 0, 0.085, 0.05)


def _wheels(motion: dict[str, Floats], drive: dict[str, Floats]) -> dict[str, Floats]:
    """Wheel speeds in km/h: the body's speed, the yaw, and what the tyres slip."""
    v, yaw = motion["_v"], np.radians(motion["yaw_rate"])
    load = MASS_KG * GRAVITY + 2.0 * v * v
    front_slip = -0.045 * drive["_brake_n"] * _BRAKE_BIAS / (0.46 * load)
    rear_slip = _rear_slip(drive["_force"], v)
    return {
        f"wheel_speed_{axle}{side}": np.maximum(3.6 * (v + sign * yaw * TRACK_M / 2) * (1 + slip), 0.0)
        for axle, slip in (("f", front_slip), ("r", rear_slip))
        for side, sign in (("l", -1), ("r", 1))
    }


def _heat(start_heat: thermal.Heat, motion: dict[str, Floats], drive: dict[str, Floats]) -> thermal.Course:
    block = RATE // thermal.RATE

    def mean(values: Floats) -> Floats:
        return np.append(values[:-1].reshape(-1, block).mean(axis=1), values[-1])

    power = np.maximum(drive["_torque"], 0.0) * drive["engine_speed"] * (2 * math.pi / 60e3)
    brake = drive["_brake_n"] * motion["_v"] / 1e3
    return thermal.follow(start_heat, mean(power), mean(drive["engine_speed"]), mean(motion["_v"]), mean(brake))


def _slow(
    story: Story, fast: dict[str, Floats], heat: dict[str, Floats], carry: Carry, rng: np.random.Generator
) -> dict[str, Floats]:
    """Everything that is computed at 50 Hz."""
    now = {name: values[::_STRIDE] for name, values in fast.items()}
    time = np.arange(len(now["_v"])) / _SLOW_HZ
    warmth = {name: np.interp(time, np.arange(len(values)) / thermal.RATE, values) for name, values in heat.items()}
    result = _mixture(now, rng) | _pressures(now, warmth) | _place(now) | _temperatures(warmth, now)
    power = np.maximum(now["_torque"], 0.0) * now["engine_speed"] * (2 * math.pi / 60e3)
    flow = thermal.lag(power * 310.0 / 3600.0 + 0.00016 * now["engine_speed"], 0.1, _SLOW_HZ)  # g/s
    burnt = np.cumsum(flow) / (_SLOW_HZ * _FUEL_GRAMS_PER_L)
    full = carry.fuel_l if carry.fuel_l > 2.5 else _FUEL_TANK_L  # filled in the paddock
    result["fuel_flow"] = flow * (3600.0 / _FUEL_GRAMS_PER_L)
    result["fuel_used"] = carry.fuel_used_l + burnt
    result["fuel_level"] = full - burnt
    result.update(_electrics(story, now, warmth))
    return result


def _mixture(now: dict[str, Floats], rng: np.random.Generator) -> dict[str, Floats]:
    """Air, fuel and spark."""
    altitude = np.interp(now["_s"], np.arange(len(lap().up)) * STEP_M, lap().up) + ORIGIN[2]
    baro = 101.325 * (1 - 2.25577e-5 * altitude) ** 5.25588  # ISO 2533
    run, rpm = now["running"], now["engine_speed"]
    opening = now["throttle"] / 100.0
    filling = 0.28 + 0.70 * torque_share((now["throttle"] - SHUT_PERCENT) / OPEN_PERCENT)
    pumped = thermal.lag(np.minimum(rpm / 1500.0, 1.0), 0.15, _SLOW_HZ)
    manifold = baro * (1 - pumped * (1 - filling))
    cut = (opening < 0.012) & (rpm > 3400) & (run > 0)
    target = np.where(opening > 0.8, 0.875, np.where(rpm < 2400, 0.99, 0.94 - 0.05 * opening))
    burnt = target * (1 + 0.012 * _wander_at(rng, len(rpm), _SLOW_HZ, 2.0)) + 0.02 * (now["cranking"] > 0)
    measured = np.where(cut, 1.42, np.where(run > 0, burnt, 1.45))
    warm_torque = np.maximum(now["_torque"], 0.0)
    return {
        "altitude": altitude,
        "barometric_pressure": baro,
        "manifold_pressure": manifold,
        "lambda_collector": thermal.lag(measured, 0.10, _SLOW_HZ),
        "lambda_target": np.where(run > 0, target, 1.0),
        "injection_time": run * np.where(cut, 0.0, 1.1 + 0.068 * (warm_torque + 5.0)),
        "ignition_advance": np.where(rpm > 500, np.clip(8.0 + rpm * 0.0028 - 0.07 * warm_torque, 5.0, 38.0), 0.0),
    }


def _pressures(now: dict[str, Floats], warmth: dict[str, Floats]) -> dict[str, Floats]:
    oil = thermal.oil_pressure(now["engine_speed"], warmth["oil"], now["accel_lat"])
    return {
        "oil_pressure": thermal.lag(oil, 0.22, _SLOW_HZ),
        "fuel_pressure": thermal.lag(
            np.where(_pump_on(now) > 0, 3.5 - 0.0012 * now["engine_torque"], 3.05), 0.16, _SLOW_HZ
        ),
        "coolant_pressure": thermal.coolant_pressure(warmth["coolant"], warmth["radiator_out"]),
    }


def _pump_on(now: dict[str, Floats]) -> Floats:
    """Fuel pump: with the engine, and for two seconds at key-on to build up pressure."""
    return np.maximum(np.maximum(now["running"], now["cranking"]), now["_time"] < 2.0)


def _place(now: dict[str, Floats]) -> dict[str, Floats]:
    """Latitude and longitude in degrees, course over ground clockwise from north."""
    course = lap()
    points = np.arange(len(course.east)) * STEP_M
    s = now["_s"]
    latitude = ORIGIN[0] + np.degrees(np.interp(s, points, course.north) / EARTH_RADIUS_M)
    parallel = EARTH_RADIUS_M * math.cos(math.radians(ORIGIN[0]))
    return {
        "latitude": latitude,
        "longitude": ORIGIN[1] + np.degrees(np.interp(s, points, course.east) / parallel),
        "heading": 90.0 - np.degrees(np.interp(s, points, course.heading)),
    }


def _temperatures(warmth: dict[str, Floats], now: dict[str, Floats]) -> dict[str, Floats]:
    spread = (-0.012, 0.016, -0.004)  # no two cylinders are alike
    over = warmth["exhaust"] - thermal.AMBIENT
    return {
        "coolant_temperature": warmth["coolant"],
        "oil_temperature": warmth["oil"],
        "gearbox_temperature": warmth["gearbox"],
        "radiator_temperature": warmth["radiator_out"],
        "air_temperature": warmth["intake"],
        **{f"exhaust_temperature_{i + 1}": thermal.AMBIENT + over * (1 + spread[i]) for i in range(3)},
        "brake_temperature_fl": warmth["disc_front"] * 1.01,
        "brake_temperature_fr": warmth["disc_front"] * 0.985,
        "brake_temperature_rl": warmth["disc_rear"] * 1.015,
        "brake_temperature_rr": warmth["disc_rear"] * 0.99,
        "board_temperature": warmth["board"],
        "casing_temperature": thermal.AMBIENT + 0.86 * (warmth["gearbox"] - thermal.AMBIENT),
        "ambient_temperature": thermal.AMBIENT + 0.25 * np.sin(now["_time"] * (2 * math.pi / 1900.0)),
        "brake_bias_bar": np.full(len(warmth["board"]), 100 * _BRAKE_BIAS),
        "fan_state": (warmth["fan"] > 0.5).astype(np.float64),
    }


def _electrics(story: Story, now: dict[str, Floats], warmth: dict[str, Floats]) -> dict[str, Floats]:
    """Battery and the currents of the power node."""
    rpm, run = now["engine_speed"], now["running"]
    fan = np.where(warmth["fan"] > 0.5, 10.6, 0.0)
    currents = {
        "current_pump": 4.9 * _pump_on(now),
        "current_fan": thermal.lag(fan, 0.12, _SLOW_HZ),
        "current_ignition": run * (1.3 + rpm * 0.00034),
        "current_ecu": 1.45 + 0.25 * run,
        "current_data": np.full(len(rpm), 1.12),
    }
    total = sum(currents.values())
    charging = np.clip((rpm - 900.0) / 900.0, 0.0, 1.0) * run
    rest = 12.62 - 0.026 * total
    volts = np.where(
        story.cranking[::_STRIDE], 10.1 + 0.22 * np.sin(2 * np.pi * 9.0 * np.arange(len(rpm)) / _SLOW_HZ), rest
    )
    volts = thermal.lag(volts + charging * (13.92 - 0.012 * total - rest), 0.05, _SLOW_HZ)
    return {
        **currents,
        "current_total": np.asarray(total),
        "battery_voltage": volts,
        "reference_voltage": 4.9985 - 0.0012 * (warmth["board"] - thermal.AMBIENT) / 15.0,
    }


def _pulses(moments: npt.NDArray[np.intp], sigma_s: float) -> Floats:
    """One bell of height 1 after each moment."""
    train = np.zeros(SAMPLES)
    train[np.minimum(moments + round(2 * sigma_s * RATE), SAMPLES - 1)] = 1.0
    bells = smooth(train, sigma_s * RATE)
    height: Floats = bells * (sigma_s * RATE * math.sqrt(2 * math.pi))
    return height


def _wander(rng: np.random.Generator, hertz: float) -> Floats:
    return _wander_at(rng, SAMPLES, RATE, hertz)


def _wander_at(rng: np.random.Generator, count: int, rate: float, hertz: float) -> Floats:
    """Slow noise of standard deviation about 1: normal knots `hertz` times a second, joined by lines."""
    knots = rng.standard_normal(math.ceil(count / rate * hertz) + 2)
    steps = np.arange(count, dtype=np.float64) * (hertz / rate)
    return np.interp(steps, np.arange(len(knots)), knots)
