"""How many digits a channel is written with: as many as its resolution carries, in a fixed width."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from buswright.channels import units
from buswright.messages.model import Signal

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile, Channel
    from buswright.channels.following.model import ChannelNow

MOST = 4
"""No channel is written with more decimals."""
SIGNIFICANT = 4
"""Digits of a channel whose resolution is unknown."""
NOTHING = "–"


def signal_of(car: CarFile, name: str) -> Signal | None:
    """Return the database signal behind a channel; None for computed ones and where no database has it."""
    channel = car.channels.get(name)
    if channel is None or channel.signal is None:
        return None
    message = car.message(channel.signal.bus, channel.signal.message)
    wanted = channel.signal.signal
    return next((each for each in message.signals if each.name == wanted), None) if message else None


def decimals_of(car: CarFile | None) -> dict[str, int]:
    """Decimals of every channel whose resolution the car file and its databases tell."""
    if car is None:
        return {}
    found: dict[str, int] = {}
    for name, channel in car.channels.items():
        step = _step(car, channel)
        if step is not None:
            found[name] = _decimals(step)
    return found


def _step(car: CarFile, channel: Channel) -> float | None:
    """Return what one step of the raw value is worth in the channel's unit, mid-curve; None if unknown."""
    signal = signal_of(car, channel.name)
    if signal is None or signal.is_float:
        return None
    step, unit = abs(float(signal.scale)), signal.unit
    sensor = car.sensors.get(channel.sensor) if channel.sensor else None
    if sensor is not None:
        calibration = sensor.calibration
        if channel.input_scale is not None:
            step *= abs(channel.input_scale)
        else:
            step *= _factor(unit, calibration.electrical)
        low, high = calibration.range.electrical
        if not (math.isfinite(low) and math.isfinite(high) and high > low and math.isfinite(calibration.span)):
            return None
        step *= calibration.span / (high - low)
        unit = calibration.unit
    step *= _factor(unit, channel.unit)
    return step if step > 0 and math.isfinite(step) else None


def _factor(source: str, target: str) -> float:
    """Of a conversion between units; 1 where one is left out or they don't fit, since only digits hang on it."""
    if not source or not target or source == target:
        return 1.0
    try:
        return abs(units.line(source, target)[0])
    except units.UnitError:
        return 1.0


def _decimals(step: float) -> int:
    """Decimals that show one step: 0.25 needs one (the tenth), 0.0375 two."""
    return min(max(math.ceil(-math.log10(step) - 1e-9), 0), MOST)


def decimals_for(channel: ChannelNow, known: Mapping[str, int]) -> int:
    """Decimals of a channel: by its resolution, else four significant digits of the largest value it had."""
    if channel.name in known:
        return known[channel.name]
    return decimals_by_size(channel.value, channel.minimum, channel.maximum)


def decimals_by_size(*values: float) -> int:
    """Decimals that give the largest of these values four significant digits; none where all are whole numbers."""
    sizes = [abs(each) for each in values if math.isfinite(each)]
    if all(size == round(size) for size in sizes):
        return 0
    return min(max(SIGNIFICANT - 1 - math.floor(math.log10(max(sizes))), 0), MOST)


def number(value: float, decimals: int, width: int = 9) -> str:
    """Write a value, with fewer decimals where it would be wider than `width`; a dash where there is none."""
    if math.isnan(value):
        return NOTHING
    if math.isinf(value):
        return "∞" if value > 0 else "-∞"
    for fewer in range(decimals, -1, -1):
        text = f"{value:.{fewer}f}"
        if float(text) == 0:
            text = text.removeprefix("-")
        if len(text) <= width:
            return text
    return f"{value:.{max(width - 7, 0)}e}"


def input_text(value: float, unit: str, width: int = 14) -> str:
    """Write what comes in at a sensor: millivolts where it is volts, tenths where it is hertz or ohm."""
    return f"{number(value, 3 if abs(value) < 100 else 1, width - 1 - len(unit))} {unit}".rstrip()


def raw_text(raw: float | None, width: int = 12) -> str:
    """Write a raw value: whole numbers as they are."""
    if raw is None:
        return ""
    return str(raw) if isinstance(raw, int) else number(raw, decimals_by_size(raw), width)
