"""Which starter sensors may be wired to a signal: by what its name says, its unit and its range."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration
from buswright.channels.calibration.registry import read_calibration, starter_blocks
from buswright.channels.guessing import Guess, words_of
from buswright.messages.model import Message, Signal

SENSORS_OF_ROLE: Mapping[str, tuple[str, ...]] = {
    "damper_travel": ("linear_pot_75",),
    "brake_pressure": ("brake_pressure_160_bar",),
    "oil_pressure": ("pressure_10_bar",),
    "fuel_pressure": ("pressure_10_bar",),
    "manifold_pressure": ("manifold_pressure_2_5_bar",),
    "barometric_pressure": ("manifold_pressure_2_5_bar",),
    "oil_temperature": ("ntc_10k",),
    "coolant_temperature": ("ntc_10k",),
    "air_temperature": ("ntc_10k",),
    "exhaust_temperature": ("exhaust_gas_k", "thermocouple_k"),
    "steering_angle": ("steering_angle_360",),
    "throttle": ("throttle",),
    "gear": ("gear_barrel",),
    "wheel_speed": ("wheel_speed",),
    "engine_speed": ("shaft_speed",),
    "accel_long": ("accelerometer_3g",),
    "accel_lat": ("accelerometer_3g",),
    "accel_vert": ("accelerometer_3g",),
    "lambda": ("lambda_analogue",),
}
"""The starter sensors that usually measure a role, the likeliest first."""

_SENSORS_OF_WORD = (
    (r"\bthermocouples?\b", ("exhaust_gas_k", "thermocouple_k")),
    (r"\b(tyre|tire)\b.*temp|temp.*\b(tyre|tire)\b", ("tyre_infrared",)),
    (r"\bplatinum\b|\bpt ?100\b", ("pt100",)),
    (r"\bplatinum\b|\bpt ?1000\b", ("pt1000",)),
    (r"press", ("pressure_10_bar",)),
    (r"temp|\bntc\b|\bambient air\b", ("ntc_10k",)),
    (r"\b(fuel|tank)\b.*\blevel\b|\blevel\b.*\b(fuel|tank)\b", ("fuel_level",)),
    (r"\bdrum\b|barrel", ("gear_barrel",)),
    (r"\bcurrent\b", ("current_100_a",)),
    (r"\b(pot|travel|height)\b", ("linear_pot_75",)),
    (r"\bswitch\b", ("switch_to_ground",)),
)
_LEAST_COVERED = 0.5
"""Share of a sensor's range that a signal must be able to show."""


def starters_for(signal: Signal, message: Message, guessed: Guess) -> tuple[str, ...]:
    """Return the starter sensors that a signal's words speak for and its unit and range allow, the likeliest first."""
    named = SENSORS_OF_ROLE.get(guessed.role or "", ())
    if not named:
        for text in (words_of(signal.name), words_of(signal.comment), words_of(message.name)):
            named = tuple(name for pattern, names in _SENSORS_OF_WORD if re.search(pattern, text) for name in names)
            if named:
                break
    return tuple(name for name in named if fits(signal, name))


def starters_that_fit(signal: Signal) -> tuple[str, ...]:
    """Return all starter sensors that the unit and range of a signal allow, in the order of their list."""
    return tuple(name for name in starter_blocks() if fits(signal, name))


def fits(signal: Signal, starter: str) -> bool:
    """Whether a signal's unit converts to what a starter sensor gives, and its range shows enough of it."""
    sensor = starter_calibration(starter)
    if not signal.unit or ((known := units.find(signal.unit)) is not None and known.quantity == "count"):
        return units.compatible("V", sensor.electrical)  # counts, with input_scale
    if not units.compatible(signal.unit, sensor.electrical):
        return False
    factor, offset = units.line(signal.unit, sensor.electrical)
    ends = np.array(sensor.range.electrical)
    if signal.minimum is None or signal.maximum is None or not np.isfinite(ends).all():
        return True
    low, high = sorted((signal.minimum * factor + offset, signal.maximum * factor + offset))
    covered = min(high, ends.max()) - max(low, ends.min())
    return bool(covered >= _LEAST_COVERED * np.ptp(ends))


@cache
def starter_calibration(name: str) -> Calibration:
    """Return the calibration of a starter sensor."""
    made = read_calibration(tomllib.loads(starter_blocks()[name])["sensor"][name])
    assert isinstance(made, Calibration), name
    return made
