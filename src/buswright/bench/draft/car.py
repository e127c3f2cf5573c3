"""The key-on check of the whole car: every module there, and what stands still reads what it must."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np

from buswright.bench.draft.module import frames_of
from buswright.bench.limits import COMMON
from buswright.bench.plan.text import Drafted, DraftStep
from buswright.channels import units
from buswright.channels.carfile.model import CarFile, Channel

SECONDS = 15.0
"""The check is over within half a minute, reading included."""

_SPEED_KMH = 1.0
_SHARE = 0.02
_SOAK_C = 5.0
_SOAKED = "after a night with the engine off; leave it out while the engine is warm"


def draft_car(car: CarFile, car_path: str) -> Drafted:
    """Draft the key-on check, engine off: every module there, and the truths of a car at rest, by role."""
    step = {"name": "key on", "kind": "listen", "seconds": SECONDS, "truths": True}
    say = "Ignition on, engine off, nobody in the car or leaning on it. Wait 2 s, then touch nothing."
    return Drafted(
        head=(
            f"Key-on check of the {car.car.name or 'car'}, drafted from {Path(car_path).name}. It takes {SECONDS:g} s.",
            "buswright guide bench explains every key.",
        ),
        about={"name": f"Key on: {car.car.name or 'the car'}", "car": car_path},
        limits={},
        frames=frames_of(car),
        inputs={},
        truths=list(truths_of(car)),
        steps=[DraftStep(step | {"say": say, "caution": "Key on: fans and pumps start by themselves."})],
    )


def truths_of(car: CarFile) -> Iterator[Mapping[str, object]]:
    """Return what must hold at key-on, engine off, for the roles that the car file gives."""
    for channel in car.channels.values():
        band = _band(channel, car)
        if band is not None:
            low, high, why = band
            yield {"channels": [channel.name], "low": low, "high": high, "why": f"{why}; {COMMON}"}
    accelerations = [_with(car, role) for role in ("accel_long", "accel_lat", "accel_vert")]
    if all(accelerations) and all(units.compatible(each[0].unit, "g") for each in accelerations):
        names, unit = [each[0].name for each in accelerations], accelerations[0][0].unit
        low, high = _in(0.95, "g", unit), _in(1.05, "g", unit)
        yield {"channels": names, "low": low, "high": high, "why": f"gravity alone, within 5 %; {COMMON}"}
    for roles, within, unit, why in (
        (("manifold_pressure", "barometric_pressure"), 2.0, "kPa", "no vacuum with the engine off"),
        (("battery_voltage", "module_supply"), 0.3, "V", "little current, so little drop"),
        (("oil_temperature", "coolant_temperature", "air_temperature"), _SOAK_C, "degC", _SOAKED),
    ):
        found = [each for role in roles for each in _with(car, role) if units.compatible(each.unit, unit)]
        if len(found) > 1:
            apart = {"channels": [each.name for each in found], "within": _in(within, unit, found[0].unit)}
            yield apart | {"why": f"{why}; {COMMON}"}


def _with(car: CarFile, role: str) -> list[Channel]:
    return [each for each in car.channels.values() if each.role == role]


def _in(value: float, unit: str, wanted: str) -> float:
    """Return a difference in another unit."""
    return float(units.convert_difference(np.array(value), unit, wanted))


def _band(channel: Channel, car: CarFile) -> tuple[float, float, str] | None:
    """Return what one channel must read, in its own unit; None where that can't be said."""
    role, unit = channel.role, channel.unit
    plain = {
        "engine_speed": (5.0, "rpm", "the engine is off; a few rpm of noise"),
        "throttle": (2.0, "%", "the pedal is free"),
        "steering_angle": (3.0, "deg", "straight ahead"),
        "damper_travel": (2.0, "mm", "its zero is the ride height"),
        "yaw_rate": (1.0, "deg/s", "the car stands"),
    }
    if role in plain and role is not None:
        most, of, why = plain[role]
        return (-_in(most, of, unit), _in(most, of, unit), why) if units.compatible(unit, of) else None
    if role in ("vehicle_speed", "wheel_speed") and units.compatible(unit, "km/h"):
        return 0.0, _in(_SPEED_KMH, "km/h", unit), "the car stands"
    if role == "brake_pressure":
        full = _full_scale(channel, car)
        return None if full is None else (-_SHARE * full, _SHARE * full, "the pedal is free; 2 % of full scale")
    if role == "battery_voltage" and units.compatible(unit, "V"):
        return _in(12.0, "V", unit), _in(12.9, "V", unit), "a charged battery at rest"
    if role == "reference_voltage" and units.compatible(unit, "V"):
        return _in(4.9, "V", unit), _in(5.1, "V", unit), "5 V within 0.1 V"
    return None


def _full_scale(channel: Channel, car: CarFile) -> float | None:
    if channel.plausible is not None:
        return channel.plausible[1]
    sensor = car.sensors.get(channel.sensor) if channel.sensor else None
    return None if sensor is None else sensor.calibration.range.high
