"""Wrenfell Hill: the invented course, and how fast the car can take it.

The car drives up against the clock, turns round in the top paddock, comes down gently and turns round again, so
that one lap ends where the next begins. Distance along that lap is the coordinate of everything here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

STEP_M = 1.0
"""Spacing of the course's points."""

GRAVITY = 9.80665

STAGING_M = 12.0
"""From the paddock gate to the start line."""

COURSE: tuple[tuple[float, float, float], ...] = (
    # length in m, radius in m (0: straight; positive: left), grade
    (STAGING_M + 10, 0, 0.0),
    (85, 0, 0.035),
    (42, 46, 0.050),
    (60, 0, 0.070),
    (38, -29, 0.080),
    (85, 0, 0.090),
    (41, 16, 0.070),
    (110, 0, 0.085),
    (60, -62, 0.095),
    (40, 0, 0.100),
    (44, 38, 0.080),
    (40, -34, 0.080),
    (150, 0, 0.060),
    (38, -14.5, 0.070),
    (75, 0, 0.110),
    (82, 72, 0.090),
    (120, 0, 0.060),
    (52, 52, 0.050),
    (90, 0, 0.040),  # the finish line is at the end of this straight
    (170, 0, 0.020),
)
RUN_OFF_M = 170.0
TURN_M = 28

ORIGIN = (47.5, -27.25, 212.0)
"""Latitude and longitude in degrees and altitude in metres of the paddock gate.

The hill is invented. It stands in the open sea, in the middle of the North Atlantic, so that it is no real place.
"""

HEADING_AT_GATE = math.radians(35.0)
"""Counter-clockwise from east."""


@dataclass(frozen=True, slots=True, eq=False)
class Lap:
    """Geometry along one lap, every `STEP_M`; float64[n] each.

    Attributes
    ----------
    curvature
        1/m, positive to the left.
    grade
        Rise per metre driven.
    heading
        Radians, counter-clockwise from east, not wrapped.
    east, north, up
        Metres from the gate.
    finish_m, top_m
        Distance of the finish line and of the turning place at the top.
    """

    curvature: Floats
    grade: Floats
    heading: Floats
    east: Floats
    north: Floats
    up: Floats
    finish_m: float
    top_m: float

    @property
    def length_m(self) -> float:
        """Distance of the whole lap."""
        return STEP_M * (len(self.curvature) - 1)


def smooth(values: Floats, sigma: float) -> Floats:
    """Gaussian smoothing, `sigma` in samples; the ends are held."""
    reach = max(1, math.ceil(3.5 * sigma))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.convolve(np.pad(values, reach, mode="edge"), kernel / kernel.sum(), mode="valid")


@cache
def lap() -> Lap:
    """Return the course up and down with its two turning places."""
    up_curvature = np.concatenate([np.full(round(m / STEP_M), 1 / r if r else 0.0) for m, r, _ in COURSE])
    up_grade = np.concatenate([np.full(round(m / STEP_M), grade) for m, _, grade in COURSE])
    turn = np.full(TURN_M, math.pi / (TURN_M * STEP_M))
    flat = np.zeros(8)
    curvature = np.concatenate([up_curvature, turn, flat, -up_curvature[::-1], turn, flat])
    grade = np.concatenate([up_grade, 0 * turn, flat, -up_grade[::-1], 0 * turn, flat])
    curvature, grade = smooth(curvature, 4.0), smooth(grade, 6.0)
    heading = HEADING_AT_GATE + np.concatenate([[0.0], np.cumsum(curvature[:-1])]) * STEP_M
    east = np.concatenate([[0.0], np.cumsum(np.cos(heading[:-1]))]) * STEP_M
    north = np.concatenate([[0.0], np.cumsum(np.sin(heading[:-1]))]) * STEP_M
    rise = np.concatenate([[0.0], np.cumsum(grade[:-1])]) * STEP_M
    # What is left of the loop's closing error is spread over the way down, so that laps join without a step.
    top_m = float(len(up_curvature)) * STEP_M
    share = np.clip((np.arange(len(curvature)) * STEP_M - top_m) / (len(curvature) * STEP_M - top_m), 0, 1)
    return Lap(
        curvature,
        grade,
        heading,
        east - share * east[-1],
        north - share * north[-1],
        rise - share * rise[-1],
        top_m - RUN_OFF_M,
        top_m,
    )


@dataclass(frozen=True, slots=True)
class Grip:
    """What tyres, engine and driver allow, as a point mass.

    Attributes
    ----------
    lateral, braking, traction
        Friction coefficients.
    downforce
        Extra grip in m/s^2 per (m/s)^2.
    drive
        Acceleration that the engine can give at each whole m/s; float64[n].
    drag
        Deceleration by air and rolling in m/s^2 per (m/s)^2.
    top
        Highest speed in m/s.
    """

    lateral: float
    braking: float
    traction: float
    downforce: float
    drive: Floats
    drag: float
    top: float


def speed_plan(stretch: slice, limits: Sequence[tuple[float, float, float]], grip: Grip) -> Floats:
    """Return the speed at every point of a stretch that begins and ends at rest; m/s, float64[n].

    Quasi-steady: the cornering limit, then what can be gained from the start, then what must be lost towards the
    end, each on what the friction circle leaves (Milliken and Milliken, Race Car Vehicle Dynamics, on lap-time
    simulation by the point-mass method).

    Parameters
    ----------
    stretch
        Points of the lap.
    limits
        Further speed limits: (from m, to m, m/s).
    """
    course = lap()
    curvature, grade = np.abs(course.curvature[stretch]), course.grade[stretch]
    room = curvature - grip.lateral * grip.downforce  # downforce lifts the limit with the square of speed
    with np.errstate(divide="ignore"):
        corner = np.sqrt(np.where(room > 1e-4, grip.lateral * GRAVITY / np.maximum(room, 1e-4), 1e4))
    corner = np.minimum(corner, grip.top)
    metres = np.arange(stretch.start, stretch.stop) * STEP_M
    for start, stop, speed in limits:
        corner[(metres >= start) & (metres < stop)] = np.minimum(corner[(metres >= start) & (metres < stop)], speed)
    corner[0] = corner[-1] = 0.0
    speeds = corner.tolist()
    drive, bends, slopes = grip.drive.tolist(), curvature.tolist(), grade.tolist()
    for i in range(len(speeds) - 1):
        v = speeds[i]
        spare = _left(v, bends[i], grip)
        gain = min(grip.traction * GRAVITY * spare, drive[min(int(v), len(drive) - 1)]) - grip.drag * v * v
        reached = math.sqrt(max(v * v + 2 * STEP_M * (gain - GRAVITY * slopes[i]), 0.25))
        speeds[i + 1] = min(speeds[i + 1], reached)
    for i in range(len(speeds) - 1, 0, -1):
        v = speeds[i]
        loss = grip.braking * (GRAVITY + grip.downforce * v * v) * _left(v, bends[i], grip) + grip.drag * v * v
        speeds[i - 1] = min(speeds[i - 1], math.sqrt(v * v + 2 * STEP_M * (loss + GRAVITY * slopes[i])))
    return np.array(speeds)


def _left(v: float, curvature: float, grip: Grip) -> float:
    """Share of the grip that cornering leaves for going faster or slower."""
    used = v * v * curvature / (grip.lateral * (GRAVITY + grip.downforce * v * v))
    return math.sqrt(max(1.0 - used * used, 0.02))


def over_time(speeds: Floats, rate: float) -> Floats:
    """Turn speed over distance into speed over time, every 1/`rate` s, from rest to rest."""
    pairs = speeds[1:] + speeds[:-1]
    times = np.concatenate([[0.0], np.cumsum(2 * STEP_M / np.maximum(pairs, 0.05))])
    return np.interp(np.arange(math.ceil(times[-1] * rate) + 1) / rate, times, speeds)
