"""How often a kind of signal is worth sending."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

USEFUL_HZ: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        **dict.fromkeys(
            ("temperature", "oil_temperature", "coolant_temperature", "air_temperature", "battery_voltage"), (1.0, 5.0)
        ),
        **dict.fromkeys(("latitude", "longitude", "exhaust_temperature"), (10.0, 25.0)),
        **dict.fromkeys(("oil_pressure", "fuel_pressure", "lambda", "steering_angle"), (20.0, 50.0)),
        **dict.fromkeys(("engine_speed", "throttle", "brake_pressure", "wheel_speed", "vehicle_speed"), (50.0, 100.0)),
        **dict.fromkeys(("accel_long", "accel_lat", "accel_vert", "yaw_rate"), (50.0, 100.0)),
        "damper_travel": (200.0, 500.0),
    }
)
"""Usual rates by kind of signal: five to ten times the highest frequency that is acted on (common practice, no source).
A kind is a role of the car file, or "temperature" for what has that unit and no role."""
WASTE = 2.0
"""A message faster than so many times what its signals need is worth a word."""
ROUNDING = 0.98
"""A clock that is a little slow makes no rate too low."""
