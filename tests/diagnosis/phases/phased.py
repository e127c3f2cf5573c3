"""A short run put together by hand: key on, cranked, idling, driving."""

import numpy as np

from ..sensors.synthetic import PRESSURE, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 30, 1 / HZ)
OFF, CRANKING = SECONDS < 6, (SECONDS >= 6) & (SECONDS < 7)
IDLE = (SECONDS >= 7) & (SECONDS < 20)
RPM = np.where(OFF, 0.0, np.where(CRANKING, 220.0, np.where(IDLE, 900.0, 4000.0)))
KMH = np.where(SECONDS < 20, 0.0, 60.0)


def noise(scale, seed=1):
    return np.random.default_rng(seed).standard_normal(len(SECONDS)) * scale


def plain(name, values, role, unit, **keys):
    """Return a channel that the database scales."""
    return made(name, values + 0.0 * SECONDS, hz=HZ, unit=unit, role=role, **keys)


def pressed(name, volts, role=None, **keys):
    """Return a pressure with its volts."""
    return made(name, volts + 0.0 * SECONDS, hz=HZ, kind=sensor(PRESSURE), role=role, **keys)


def engine():
    """Return what says what the car did."""
    return plain("rpm", RPM, "engine_speed", "rpm"), plain("speed", KMH, "vehicle_speed", "km/h")
