"""Ranges too small: a quantity runs against the end of its sensor, its input or its code, and stands flat there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import Case, Sighting, Window, sighting
from buswright.diagnosis.sensors.rail_stays import jumps
from buswright.diagnosis.sensors.sharing import reach_of
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.stretches import Stretches, stretches_of
from buswright.wording import duration, percent, times

_FLAT = 0.003
"""What lies within this part of the span of the outermost value is at the end (trade: 0.5 % of full scale)."""
_CORNER = 4.0
"""A clipped curve has a corner: the steps that lead there are so many times larger than those at the end."""
_LED = 12
_LEAST_LED = 4
_FAULT_SHARE = 0.05
_STOPPED = ("throttle", "gear", "fan_state", "vehicle_speed", "wheel_speed", "engine_speed")
"""Roles that have a natural end: a pedal's stop, a car that stands."""
_ENDLESS = ("bar", "g", "deg/s", "degC")
"""Quantities without a mechanical stop: at the upper end of the calibration, they go on and the sensor doesn't."""

End = Literal["low", "high"]


def saturation_sightings(case: Case) -> Iterator[Sighting]:
    """Judge both ends of every channel that is measured."""
    for each in case.evidence:
        if not each.measures or each.role in _STOPPED or not each.there.any():
            continue
        for end in ("low", "high"):
            what = _end_of_range(each, end)
            if what:
                yield from _clipped(case, each, end, what)


def _end_of_range(each: ChannelEvidence, end: End) -> str:
    """Say which range ends where the channel has its outermost value; empty where none does."""
    quantity = each.quantity[each.there]
    outer = float(quantity.max() if end == "high" else quantity.min())
    if each.live_band is not None:
        low, high = each.live_band
        if outer >= high if end == "high" else outer <= low:
            return "the electrical range of the input"
    if each.sensor is not None and each.electrical:
        span = each.sensor.calibration.range.electrical
        endless = any(units.compatible(each.sensor.calibration.unit, unit) for unit in _ENDLESS)
        if end == "high" and endless and np.isfinite(span[1]) and abs(outer - span[1]) <= 0.01 * (span[1] - span[0]):
            return "the range of the sensor"
    return _code_end(each, end)


def _code_end(each: ChannelEvidence, end: End) -> str:
    """Say whether the outermost raw code is the end of the code, or of the database's range; zero is a natural end."""
    signal, raw = each.signal, each.series.raw
    if signal is None or raw is None or signal.is_float or signal.unit in ("%", "") or signal.length < 6:
        return ""
    code = float(raw[each.there].max() if end == "high" else raw[each.there].min())
    lowest = -(2.0 ** (signal.length - 1)) if signal.signed else 0.0
    highest = 2.0 ** (signal.length - 1) - 1 if signal.signed else 2.0**signal.length - 1
    value = code * signal.scale + signal.offset
    if value == 0:
        return ""
    if code == (highest if end == "high" else lowest):
        return "the range of the raw code"
    limit = signal.maximum if end == "high" else signal.minimum
    if limit is not None and limit != 0 and abs(value - limit) <= abs(signal.scale) / 2:
        return "the range in the database"
    return ""


def _clipped(case: Case, each: ChannelEvidence, end: End, what: str) -> Iterator[Sighting]:
    least = case.limit("saturation_samples", channel=each.name)
    wanted = case.limit("saturation_share", channel=each.name)
    found, tolerance = _flats(each, end, int(least))
    share = found.rows / len(each)
    if not len(found) or share < wanted:
        return
    quantity = each.quantity
    outer = float((np.max if end == "high" else np.min)(quantity[each.there]))
    windows = [Window(*window) for window in found.windows(each.series.time_ns)]
    longest = max(window.end_ns - window.start_ns for window in windows)
    unit = each.quantity_unit
    yield sighting(
        "saturated",
        Severity.FAULT if share >= _FAULT_SHARE and len(windows) > 1 else Severity.SUSPECT,
        each.subject,
        windows=windows,
        count=len(windows),
        confidence=0.85 if len(windows) > 2 else 0.6,
        evidence=[
            (
                f"{each.name} ran against {what} {times(len(windows))} and stood flat there at {outer:.4g} {unit}, for "
                f"{duration(longest)} at most."
            ),
            "It came along a curve, with a corner where it met the end, and left along a curve.",
            f"{percent(share, 2)} of its samples are there.",
        ],
        threshold=case.used("saturation_samples", "saturation_share", channel=each.name)
        + f"; flat within {tolerance:.2g} {unit}",
        ruled_out=["Not a broken wire: it did not jump there, and it came back by itself."],
        next_check=f"Compare the largest value that {each.name} can have with the range of its sensor and its input. "
        "Fit a sensor with more range, or lower the gain of the input.",
        caution=" ".join(each.sensor.cautions) if each.sensor is not None else "",
        reach=reach_of(case, [each]),
    )


def _flats(each: ChannelEvidence, end: End, least: int) -> tuple[Stretches, float]:
    """Find stretches at the outermost value that a curve with a corner led to, and from; and what counts as flat."""
    quantity, there, segments = each.quantity, each.there, each.series.segments
    outer = float((np.max if end == "high" else np.min)(quantity[there]))
    tolerance = max(1.5 * each.step, _FLAT * (each.span or 0.0))
    with np.errstate(invalid="ignore"):
        at_end = there & (np.abs(quantity - outer) <= tolerance)
    every = stretches_of(at_end, segments)
    every = every.take(every.stop - every.first >= least)
    clipped = [
        _is_clipped(each, quantity[max(0, first - _LED) : stop + _LED], first - max(0, first - _LED), stop - first)
        for first, stop in zip(every.first.tolist(), every.stop.tolist(), strict=True)
    ]
    return every.take(np.array(clipped, dtype=np.bool_)), tolerance


def _is_clipped(each: ChannelEvidence, around: Floats, led: int, size: int) -> bool:
    """Whether the flat part of some samples was reached and left along a curve, with a corner at its ends."""
    flat = around[led : led + size]
    sides = [side for side in (around[:led], around[led + size :][::-1]) if np.isfinite(side).sum() >= _LEAST_LED]
    level, width = float(np.median(flat)), each.span or 0.0
    if not sides or any(jumps(side, level, width=width, step=each.step) for side in sides):
        return False
    corner = _CORNER * max(float(np.abs(np.diff(flat)).mean()), each.step / 4)
    return all(abs(float(side[-1] - side[-2])) >= corner for side in sides)
