"""How often a kind of signal is worth sending."""

from __future__ import annotations

from buswright.channels.carfile.model import ROLES
from buswright.channels.useful_rates import ROUNDING, USEFUL_HZ, WASTE


def test_the_usual_rates_by_kind():
    """Common practice: slow for what has thermal mass, 200 to 500 Hz for what the wheels do, the rest between."""
    by_rate = {}
    for kind, rate in USEFUL_HZ.items():
        by_rate.setdefault(rate, set()).add(kind)
    assert by_rate == {
        (1, 5): {"temperature", "oil_temperature", "coolant_temperature", "air_temperature", "battery_voltage"},
        (10, 25): {"latitude", "longitude", "exhaust_temperature"},
        (20, 50): {"oil_pressure", "fuel_pressure", "lambda", "steering_angle"},
        (50, 100): {"engine_speed", "throttle", "brake_pressure", "wheel_speed", "vehicle_speed",
                    "accel_long", "accel_lat", "accel_vert", "yaw_rate"},
        (200, 500): {"damper_travel"},
    }  # fmt: skip
    assert set(USEFUL_HZ) - set(ROLES) == {"temperature"}
    assert WASTE == 2.0
    assert ROUNDING == 0.98
