"""The Wrenfell 3 as numbers: engine, gearbox, body; and the driver's choice of gear and throttle."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.simulate.physics.hill import GRAVITY, Floats, Grip

CIRCUMFERENCE_FRONT_M = 1.620
CIRCUMFERENCE_REAR_M = 1.700
TRACK_M = 1.36
WHEELBASE_M = 2.38
STEERING_RATIO = 11.5
"""Steering wheel angle over road wheel angle."""

GEAR_RATIOS = (15.20, 11.40, 9.20, 7.70, 6.60, 5.80)
"""Engine turns per turn of the rear wheels, first to sixth."""

MASS_KG = 548.0
"""With driver and fuel."""

EFFICIENCY = 0.91
AIR_DRAG = 0.62
"""N per (m/s)^2."""

ROLLING_N = 95.0
IDLE_RPM = 1850.0
LAUNCH_RPM = 6400.0
LIMIT_RPM = 10_900.0

_TORQUE_RPM = (0, 1500, 3000, 4500, 6000, 7500, 8500, 9500, 10_500, 11_500)
_TORQUE_NM = (0, 52, 78, 96, 112, 123, 125, 119, 108, 80)

_BUTTERFLY = 2.6
_RPM_PER_MPS = 60.0 / CIRCUMFERENCE_REAR_M


def full_torque(rpm: Floats) -> Floats:
    """Torque at full throttle, Nm."""
    return np.interp(rpm, _TORQUE_RPM, _TORQUE_NM)


def friction_torque(rpm: Floats) -> Floats:
    """Torque that the closed engine takes, Nm."""
    return 7.0 + 0.0011 * rpm


def wheel_force(torque: Floats, ratio: Floats) -> Floats:
    """Force at the rear contact patches, N, for engine torque and gear ratio."""
    return torque * ratio * EFFICIENCY * (2 * math.pi / CIRCUMFERENCE_REAR_M)


def best_drive() -> Floats:
    """Acceleration that the best gear gives at each whole m/s, m/s^2."""
    speeds = np.arange(80.0)
    best = np.zeros(80)
    for ratio in GEAR_RATIOS:
        rpm = np.maximum(speeds * _RPM_PER_MPS * ratio, LAUNCH_RPM)
        force = np.where(rpm < LIMIT_RPM, wheel_force(full_torque(rpm), np.array(ratio)), 0.0)
        best = np.maximum(best, force / MASS_KG)
    return best


def racing_grip(skill: float) -> Grip:
    """Grip against the clock; `skill` around 1."""
    return Grip(1.30 * skill, 1.08 * skill, 0.86, 0.0026, best_drive(), AIR_DRAG / MASS_KG, 58.0)


def gentle_grip() -> Grip:
    """How the car is driven outside the timed climb."""
    return Grip(0.45, 0.28, 0.26, 0.0026, np.full(80, 2.6), AIR_DRAG / MASS_KG, 15.5)


@dataclass(frozen=True, slots=True, eq=False)
class Gears:
    """The gearbox over time.

    `gear` (float64[n]): 0 is neutral; `up`, `down` (intp[k]): samples at which an up or down shift begins.
    """

    gear: Floats
    up: npt.NDArray[np.intp]
    down: npt.NDArray[np.intp]


def choose_gears(speed: Floats, racing: npt.NDArray[np.bool_], neutral: npt.NDArray[np.bool_], rate: int) -> Gears:
    """Choose the gear at every sample.

    Shifts go one gear at a time and at most four times a second, as a sequential box does.

    Parameters
    ----------
    speed
        m/s, float64[n].
    racing
        Whether the engine is revved out.
    neutral
        Whether no gear is engaged.
    """
    stride = max(1, rate // 50)
    rpm_per_ratio = (speed[::stride] * _RPM_PER_MPS).tolist()
    fast, idle = racing[::stride].tolist(), neutral[::stride].tolist()
    chosen = []
    gear, wait = 0, 0
    for turns, race, out in zip(rpm_per_ratio, fast, idle, strict=True):
        wait -= 1
        if out:
            gear = 0
        elif gear == 0:
            gear, wait = 1, 12
        elif wait <= 0:
            ratio = GEAR_RATIOS[gear - 1]
            if gear < 6 and turns * ratio > (10_250 if race else 6200):
                gear, wait = gear + 1, 12
            elif gear > 1 and turns * GEAR_RATIOS[gear - 2] < (9000 if race else 4600):
                gear, wait = gear - 1, 12
        chosen.append(gear)
    steps = np.array(chosen, dtype=np.float64)
    change = np.diff(steps, prepend=steps[0])
    shifting = (steps > 0) & (np.concatenate([[0.0], steps[:-1]]) > 0)
    return Gears(
        np.repeat(steps, stride)[: len(speed)],
        np.flatnonzero((change > 0) & shifting) * stride,
        np.flatnonzero((change < 0) & shifting) * stride,
    )


def ratio_of(gear: Floats) -> Floats:
    """Gear ratio; 0 in neutral."""
    return np.array((0.0, *GEAR_RATIOS))[gear.astype(np.intp)]


def demand(speed: Floats, acceleration: Floats, grade: Floats) -> Floats:
    """Force that the contact patches must give for this motion, N (negative: braking)."""
    resistance = AIR_DRAG * speed**2 + ROLLING_N * np.minimum(speed, 1.0)
    return MASS_KG * (acceleration + GRAVITY * grade) + resistance


def throttle_for(torque: Floats, rpm: Floats) -> Floats:
    """Throttle opening in 0..1 that makes the engine give `torque`; the inverse of `torque_share`."""
    friction = friction_torque(rpm)
    share = np.clip((torque + friction) / np.maximum(full_torque(rpm) + friction, 1.0), 0.0, 1.0)
    return -np.log1p(-share * (1 - math.exp(-_BUTTERFLY))) / _BUTTERFLY


def torque_share(opening: Floats) -> Floats:
    """Share of the torque between shut and wide open: ``(1 - exp(-2.6 x)) / (1 - exp(-2.6))``.

    The first half of the travel does most of the work, as with any butterfly.
    """
    return (1 - np.exp(-_BUTTERFLY * opening)) / (1 - math.exp(-_BUTTERFLY))
