"""How fast a quantity can really change."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools
from buswright.diagnosis.sensors.wired import kind_of
from buswright.health.channels.evidence import ChannelEvidence

ROLE_RATES: Mapping[str, tuple[float, str]] = MappingProxyType(
    {
        # Rules of the trade without a published source; for sensors that don't say it.
        "oil_pressure": (100.0, "bar"),
        "fuel_pressure": (100.0, "bar"),
        "brake_pressure": (2000.0, "bar"),
        "manifold_pressure": (3000.0, "kPa"),
        "barometric_pressure": (20.0, "kPa"),
        "oil_temperature": (10.0, "degC"),
        "coolant_temperature": (10.0, "degC"),
        "air_temperature": (15.0, "degC"),
        "exhaust_temperature": (400.0, "degC"),
        "damper_travel": (3000.0, "mm"),
        "steering_angle": (1500.0, "deg"),
        "throttle": (3000.0, "%"),
    }
)
"""Fastest real change a second, by role."""
BODY_RATE = 15.0
"""degC a second that no body with a thermistor reaches."""
_STEPS = 3.0
"""Raw steps that a change must have at least: one step of a slow channel is no speed (trade)."""


def fastest(each: ChannelEvidence) -> tuple[float, str] | None:
    """Return the fastest real change a second, in the unit of the channel's value, and who says so; None: nobody."""
    unit = each.series.unit
    if each.sensor is not None and each.sensor.max_rate is not None:
        own = each.sensor.calibration.unit
        factor = abs(units.line(own, unit)[0]) if own and unit and own != unit else 1.0
        return each.sensor.max_rate * factor, f"max_rate of sensor {each.sensor.name}"
    if each.role is None and kind_of(each) in ("thermistor", "rtd") and units.compatible("degC", unit):
        return BODY_RATE * abs(units.line("degC", unit)[0]), "usual for a temperature"
    if each.role is not None and each.role in ROLE_RATES:
        rate, own = ROLE_RATES[each.role]
        if units.compatible(own, unit):
            return rate * abs(units.line(own, unit)[0]), f"usual for {each.role}"
    return None


def too_fast(each: ChannelEvidence, limit: float) -> Bools:
    """Tell which samples are further from the one before than the quantity can get; bool[n].

    A sample without a value beside one with a value counts: the calibration has none so far out. The time between
    two samples is at least half the usual one: stamps jitter.
    """
    series = each.series
    found = np.zeros(len(series), dtype=np.bool_)
    if len(series) < 2:
        return found
    value = series.value
    usual = np.median(np.diff(series.time_ns[:2000])) * 1e-9
    seconds = np.maximum(np.diff(series.time_ns) * 1e-9, 0.5 * usual)
    with np.errstate(invalid="ignore"):
        moved = np.abs(np.diff(value))
        found[1:] = (moved > limit * seconds) & (np.abs(np.diff(each.quantity)) > _STEPS * each.step)
    lost = ~np.isfinite(value) & each.there
    found[1:] |= lost[1:] & np.isfinite(value[:-1])
    found[1:] |= lost[:-1] & np.isfinite(value[1:])
    starts = series.segments[(series.segments > 0) & (series.segments < len(series))]
    found[starts] = False
    return found
