"""What happens when: the phases of one cycle of a day on the hill, as columns over time."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from buswright.frames.table import Bools
from buswright.simulate.physics.engine import IDLE_RPM, LAUNCH_RPM, gentle_grip, racing_grip
from buswright.simulate.physics.hill import STAGING_M, STEP_M, Floats, lap, over_time, smooth, speed_plan

Scenario = Literal["hill-climb", "key-on"]

RATE = 500
"""Samples per second of the fast grid."""

CYCLE_S = 240
"""Seconds from one key-on to the next."""

SAMPLES = CYCLE_S * RATE + 1
"""Samples of a cycle, both ends included."""

CRANK_S = 0.75


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """One cycle on the fast grid; each column has `SAMPLES` entries.

    Attributes
    ----------
    speed
        m/s.
    distance
        Metres along the lap.
    cranking, running
        State of the engine.
    racing, neutral
        Against the clock; no gear engaged.
    floor_rpm
        Engine speed below which the clutch slips.
    blips
        Throttle added by the driver at a standstill, 0..1.
    braked
        The brake pedal is held at a standstill.
    """

    speed: Floats
    distance: Floats
    cranking: Bools
    running: Bools
    racing: Bools
    neutral: Bools
    floor_rpm: Floats
    blips: Floats
    braked: Bools


@dataclass(frozen=True, slots=True)
class _Phase:
    name: str
    speed: Floats
    engine: Literal["off", "crank", "run"] = "run"
    neutral: bool = False
    racing: bool = False
    floor: float = 2300.0
    braked: bool = False


def _still(seconds: float) -> Floats:
    return np.zeros(round(seconds * RATE))


@lru_cache(maxsize=8)
def _drives(skill: float) -> tuple[Floats, Floats, Floats]:
    """Speed over time to the line, up the hill, and down again."""
    course = lap()
    line, top = round(STAGING_M / STEP_M), round(course.top_m / STEP_M)
    racing, gentle = racing_grip(skill), gentle_grip()
    staging = speed_plan(slice(0, line + 1), [(0.0, 1e9, 3.6)], gentle)
    climb = speed_plan(slice(line, top + 1), [(course.finish_m + 25, 1e9, 16.0)], racing)
    descent = speed_plan(slice(top, len(course.curvature)), [], gentle)
    return over_time(staging, RATE), over_time(climb, RATE), over_time(descent, RATE)


def _phases(rng: np.random.Generator) -> list[_Phase]:
    staging, climb, descent = _drives(round(float(rng.normal(1.0, 0.004)), 3))
    reaction = float(rng.uniform(1.2, 1.6))
    phases = [
        _Phase("key on", _still(2.6), "off", neutral=True),
        _Phase("crank", _still(CRANK_S), "crank", neutral=True, braked=True),
        _Phase("idle", _still(2.6), neutral=True, floor=IDLE_RPM),
        _Phase("staging", staging),
        _Phase("hold", _still(reaction), floor=LAUNCH_RPM, braked=True, racing=True),
        _Phase("climb", climb, racing=True, floor=LAUNCH_RPM),
        _Phase("cool down", _still(5.0), neutral=True, floor=IDLE_RPM, braked=True),
        _Phase("top paddock", _still(6.0), "off", neutral=True),
        _Phase("restart", _still(CRANK_S), "crank", neutral=True, braked=True),
        _Phase("idle at the top", _still(2.0), neutral=True, floor=IDLE_RPM, braked=True),
        _Phase("descent", descent),
        _Phase("idle", _still(2.0), neutral=True, floor=IDLE_RPM, braked=True),
    ]
    used = sum(len(phase.speed) for phase in phases)
    return [*phases, _Phase("paddock", np.zeros(SAMPLES - used), "off", neutral=True)]


def tell(scenario: Scenario, rng: np.random.Generator) -> Story:
    """Lay out one cycle."""
    key_on = [_Phase("key on", np.zeros(SAMPLES), "off", neutral=True)]
    phases = key_on if scenario == "key-on" else _phases(rng)
    sizes = [len(phase.speed) for phase in phases]
    speed = np.maximum(smooth(np.concatenate([phase.speed for phase in phases]), 0.07 * RATE), 0.0)
    speed[speed < 1e-4] = 0.0
    distance = np.concatenate([[0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) / RATE)])
    cranking = np.repeat([phase.engine == "crank" for phase in phases], sizes)
    return Story(
        speed,
        # Sampling and smoothing leave the distance a few metres off the lap's; the lap is what must close.
        distance * (lap().length_m / distance[-1] if distance[-1] else 1.0),
        cranking,
        np.repeat([phase.engine == "run" for phase in phases], sizes),
        np.repeat([phase.racing for phase in phases], sizes),
        np.repeat([phase.neutral for phase in phases], sizes),
        smooth(np.repeat([phase.floor for phase in phases], sizes), 0.08 * RATE),
        _blips(phases, sizes, rng),
        np.repeat([phase.braked for phase in phases], sizes),
    )


def _blips(phases: list[_Phase], sizes: list[int], rng: np.random.Generator) -> Floats:
    """Throttle blips while the engine idles: one a second or so, short."""
    time = np.arange(SAMPLES) / RATE
    blips = np.zeros(SAMPLES)
    starts = np.cumsum([0, *sizes[:-1]]) / RATE
    for phase, start, size in zip(phases, starts, sizes, strict=True):
        if phase.name == "idle" and size > RATE:
            moment = start + 1.1 + float(rng.uniform(0.0, 0.3))
            blips += 0.42 * np.exp(-0.5 * ((time - moment) / 0.09) ** 2)
    return blips
