"""What a glitch counter must know of a channel, from car file and database."""

from __future__ import annotations

import math
from dataclasses import fields

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import CarFile, Channel, Sensor
from buswright.channels.expectation import Expectation
from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Series
from buswright.findings import THRESHOLDS
from buswright.messages.decoding.plan import raw_range
from buswright.messages.model import Signal

_SMALLEST_CODE = 4
"""Bits from which on a raw code has ends that mean something; shorter ones are states."""


def watch(series: Series, signal: Signal, expected: Expectation, car: CarFile | None) -> Watched:
    """Tell what is known of a channel.

    Parameters
    ----------
    series
        The channel as decoded, for its name and kind.
    signal
        Where it comes from.
    expected
        How its samples should come.
    car
        Its sensor and thresholds; None: the database alone speaks.
    """
    channel = car.channels.get(series.name, Channel(series.name)) if car is not None else Channel(series.name)
    sensor = car.sensors.get(channel.sensor) if car is not None and channel.sensor else None
    state = series.kind == "state"
    scale = _scale(channel, sensor, signal, series.unit)
    own = {name: channel.thresholds[name] for name in _OWN if name in channel.thresholds}
    return Watched(
        series.name,
        step=0.0 if state or signal.is_float else scale * abs(signal.scale),
        span=_span(sensor, signal, scale),
        ends=None if state or (sensor is not None and sensor.healthy is not None) else _ends(signal),
        period_s=None if expected.due_ns is None else expected.due_ns / 1e9,
        by_clock=not expected.change_driven.value,
        **own,
    )


_OWN = tuple(field.name for field in fields(Watched) if field.name in THRESHOLDS)


def _scale(channel: Channel, sensor: Sensor | None, signal: Signal, unit: str) -> float:
    """Return how much of the channel's quantity one unit of the signal is."""
    if sensor is None:
        wanted = unit
    elif channel.input_scale is not None:
        return abs(channel.input_scale)
    else:
        wanted = sensor.calibration.electrical
    if not signal.unit or not wanted or signal.unit == wanted:
        return 1.0
    return abs(float(units.convert_difference(np.array(1.0), signal.unit, wanted)))


def _span(sensor: Sensor | None, signal: Signal, scale: float) -> float | None:
    """Whole range of the channel's quantity: the calibration's, the healthy band, the database's, or the raw code's."""
    if sensor is not None:
        for low, high in (sensor.calibration.range.electrical, sensor.healthy or (math.nan, math.nan)):
            if math.isfinite(high - low) and high > low:
                return high - low
    if signal.minimum is not None and signal.maximum is not None and signal.maximum > signal.minimum:
        return float(signal.maximum - signal.minimum) * scale
    return None if signal.is_float else (2.0**signal.length - 1) * abs(signal.scale) * scale


def _ends(signal: Signal) -> tuple[float, float] | None:
    if signal.is_float or signal.length < _SMALLEST_CODE:
        return None
    low, high = raw_range(signal)
    return float(low), float(high)
