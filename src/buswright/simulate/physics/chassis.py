"""How the body and the wheels move: dampers, roll, pitch and vertical acceleration."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from buswright.simulate.physics.engine import TRACK_M, WHEELBASE_M
from buswright.simulate.physics.hill import GRAVITY, Floats, lap

Spectrum = npt.NDArray[np.complex128]

_ROAD_STEP_M = 0.05
_SHORTEST_M = 0.30
"""Shorter waves are swallowed by the tyre."""

_ROLL_MM_PER_G = 7.5
_PITCH_FRONT_MM_PER_G = 4.2
_PITCH_REAR_MM_PER_G = 5.0
_AERO_FRONT_MM = 3.4
_AERO_REAR_MM = 4.4
"""Damper travel by downforce at 50 m/s."""


@cache
def road() -> Floats:
    """Height of the road under the left and the right wheels along the lap, mm; float64[2, n].

    Random-phase synthesis of the spectrum of ISO 8608, Gd(n) = Gd(n0) (n / n0)^-2 with n0 = 0.1 cycles/m; its
    class B has Gd(n0) = 64e-6 m^3. The two tracks share the long waves.
    """
    count = round(lap().length_m / _ROAD_STEP_M)
    rng = np.random.default_rng(20_170)
    waves = np.fft.rfftfreq(count, _ROAD_STEP_M)
    density = np.zeros_like(waves)
    used = (waves > 0.02) & (waves < 1 / _SHORTEST_M)
    density[used] = 64e-6 * (waves[used] / 0.1) ** -2
    amplitude = np.sqrt(density * count / (2 * _ROAD_STEP_M)) * 1000.0
    phase = np.exp(2j * np.pi * rng.random((3, len(waves))))
    common = 1 / np.sqrt(1 + (waves / 0.35) ** 2)
    own = np.sqrt(1 - common**2)
    tracks = np.fft.irfft(amplitude * (common * phase[0] + own * phase[1:]), count)
    return np.asarray(tracks, dtype=np.float64)


def _second_order(ratio: Floats, damping: float, *, through_damper: bool = False) -> Spectrum:
    """Response of a sprung mass at frequency over natural frequency."""
    numerator = 1 + 2j * damping * ratio if through_damper else 1.0
    return np.asarray(numerator / (1 - ratio**2 + 2j * damping * ratio), dtype=np.complex128)


def ride(distance: Floats, speed: Floats, along: Floats, across: Floats, rate: int) -> dict[str, Floats]:
    """Move the body and the wheels; linear, so it is done on spectra.

    Each corner is a two-mass model: the wheel follows the road up to 17 Hz, the body up to 3.3 Hz, and the
    damper sees the difference; loads by acceleration and air go through the body's own response.

    Parameters
    ----------
    distance, speed, along, across
        Metres, m/s, and the accelerations of the body in g (forward, left); float64[n].

    Returns
    -------
    dict
        damper_fl, damper_fr, damper_rl, damper_rr in mm from ride height, positive in bump; roll and
        pitch in degrees and their rates in deg/s (right side down, nose down positive); accel_vert and the
        uprights' vertical accelerations hub_fl ... in g.
    """
    n = len(distance)
    size = 1 << (n + rate).bit_length()
    hertz: Floats = np.fft.rfftfreq(size, 1 / rate).astype(np.float64)
    body = _second_order(hertz / 3.3, 0.36, through_damper=True)
    wheel = _second_order(hertz / 17.0, 0.35)
    seen = wheel * (1 - body)
    load = _second_order(hertz / 4.2, 0.62)
    squash = (speed / 50.0) ** 2

    def spectrum(values: Floats) -> Spectrum:
        return np.fft.rfft(values, size)

    roll_load, pitch_load, aero = spectrum(across * _ROLL_MM_PER_G), spectrum(along), spectrum(squash)
    points = np.arange(road().shape[1]) * _ROAD_STEP_M
    level = road() - road()[:, :1]  # the lap's road is periodic, so every cycle begins and ends at rest
    heights = {
        (axle, side): spectrum(np.interp(distance - behind, points, level[row]))
        for axle, behind in (("f", 0.0), ("r", WHEELBASE_M))
        for side, row in (("l", 0), ("r", 1))
    }
    result: dict[str, Floats] = {}
    for (axle, side), height in heights.items():
        pitch = -_PITCH_FRONT_MM_PER_G if axle == "f" else _PITCH_REAR_MM_PER_G
        down = _AERO_FRONT_MM if axle == "f" else _AERO_REAR_MM
        sign = -1.0 if side == "l" else 1.0  # a left-hand bend presses the right side down
        travel = seen * height + load * (sign * roll_load + pitch * pitch_load + down * aero)
        result[f"damper_{axle}{side}"] = np.fft.irfft(travel, size)[:n]
    lift = -((2 * np.pi * hertz) ** 2) * wheel * body * sum(heights.values()) / 4
    result["accel_vert"] = 1.0 + np.fft.irfft(lift, size)[:n] / 1000.0 / GRAVITY
    fl, fr, rl, rr = (result[f"damper_{corner}"] for corner in ("fl", "fr", "rl", "rr"))
    result["roll"] = np.degrees(((fr + rr) - (fl + rl)) / 2 / (1000.0 * TRACK_M))
    result["roll_rate"] = np.gradient(result["roll"]) * rate
    pitch_angle = np.degrees(((fl + fr) - (rl + rr)) / 2 / (1000.0 * WHEELBASE_M))
    result["pitch"] = pitch_angle
    result["pitch_rate"] = np.gradient(pitch_angle) * rate
    for corner in ("fl", "fr", "rl", "rr"):
        speed_mm = np.gradient(result[f"damper_{corner}"]) * rate
        result[f"hub_{corner}"] = np.gradient(speed_mm) * (rate / 1000.0 / GRAVITY)
    return result
