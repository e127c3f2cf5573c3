"""Ranges too small: a quantity runs against the end of its sensor, its input or its code, and stands flat there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import Answers, Case, Sighting, Window, sighting
from buswright.diagnosis.sensors.inputs.rail_stays import jumps
from buswright.diagnosis.sensors.sharing import reach_of
from buswright.diagnosis.sensors.wired import careful
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.stretches import Stretches, stretches_of
from buswright.wording import duration, percent, times

_FLAT = 0.0015
"""What lies within this part of the span of the outermost value is at the end."""
_OUTERMOST = 0.0005
"""Share of the samples beyond the end that don't count: spikes."""
_PILED = 5.0
"""Clipped samples pile up: at least so many times as many at the end as in the same width before it. At the top of a
sine there are 2.4 times as many."""
_LED = 12
_LEAST_LED = 4
_FAULT_SHARE = 0.05
_STOPPED = ("throttle", "gear", "fan_state", "vehicle_speed", "wheel_speed", "engine_speed")
"""Roles that have a natural end: a pedal's stop, a car that stands."""
_ENDLESS = ("bar", "g", "deg/s", "degC")
"""Quantities without a mechanical stop: at the upper end of the calibration, they go on and the sensor doesn't."""

_BOTH = ("g", "deg/s")
"""Of these both ends are real: others have a natural one, no pressure or a cold engine."""
_SHORT_OF = 0.01

End = Literal["low", "high"]


def saturation_sightings(case: Case) -> Iterator[Sighting]:
    """Judge both ends of every channel that is measured."""
    for each in case.decoded.values():
        if not each.measures or each.role in _STOPPED or not each.there.any():
            continue
        for end in ("low", "high"):
            what = _end_of_range(each, end)
            if what:
                yield from _clipped(case, each, end, what)


def _outermost(each: ChannelEvidence, end: End) -> float:
    """Return where the quantity ends, single spikes left out."""
    quantity = each.quantity[each.there]
    return float(np.quantile(quantity, 1.0 - _OUTERMOST if end == "high" else _OUTERMOST, method="nearest"))


def _end_of_range(each: ChannelEvidence, end: End) -> str:
    """Say which range ends where the channel has its outermost value; empty where none does."""
    outer = _outermost(each, end)
    if each.live_band is not None:
        low, high = each.live_band
        if outer >= high if end == "high" else outer <= low:
            return "the electrical range of the input"
    if each.sensor is not None and each.electrical:
        inputs, values = each.sensor.calibration.range.electrical, each.sensor.calibration.range.value
        at = 1 if end == "high" else 0
        width = inputs[1] - inputs[0]
        unit = each.sensor.calibration.unit
        natural = values[at] == 0 or (values[at] == min(values) and not any(units.compatible(unit, u) for u in _BOTH))
        endless = any(units.compatible(unit, one) for one in _ENDLESS)
        if endless and not natural and np.isfinite(width):
            over = (outer - inputs[1] if end == "high" else inputs[0] - outer) / width
            if over >= -_SHORT_OF:
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
    outer = _outermost(each, end)
    windows = [Window(*window) for window in found.windows(each.series.time_ns)]
    longest = max(window.end_ns - window.start_ns for window in windows)
    unit = each.quantity_unit
    yield sighting(
        "saturated",
        Severity.FAULT if share >= _FAULT_SHARE and len(windows) > 1 else Severity.SUSPECT,
        each.subject,
        windows=windows,
        confidence=0.85 if len(windows) > 2 else 0.6,
        evidence=[
            (
                f"{each.name} ran against {what} {times(len(windows))} and stood flat there at {outer:.4g} {unit}, for "
                f"{duration(longest)} at most."
            ),
            "It came along a curve and left along a curve, and its samples pile up at the end.",
            f"{percent(share, 2)} of its samples are there.",
        ],
        threshold=case.used("saturation_samples", "saturation_share", channel=each.name)
        + f"; flat within {tolerance:.2g} {unit}",
        ruled_out=["Not a broken wire: it did not jump there, and it came back by itself."],
        next_check=f"Compare the largest value that {each.name} can have with the range of its sensor and its input. "
        "Fit a sensor with more range, or lower the gain of the input.",
        caution=careful([each]),
        reach=reach_of(case, [each]),
    )


def _flats(each: ChannelEvidence, end: End, least: int) -> tuple[Stretches, float]:
    """Find stretches at the outermost value that a curve led to, and from; and what counts as flat."""
    quantity, there = each.quantity, each.there
    outer = _outermost(each, end)
    tolerance = max(2.5 * each.step, _FLAT * (each.span or 0.0))
    inwards = (quantity - outer) * (-1.0 if end == "high" else 1.0)
    with np.errstate(invalid="ignore"):
        at_end = there & (inwards <= tolerance)
        before = int((there & (inwards > tolerance) & (inwards <= 3.0 * tolerance)).sum())
    every = stretches_of(at_end, each.series.segments)
    every = every.take(every.stop - every.first >= least)
    # The zone at the end is two tolerances wide, since it has two sides.
    if every.rows < _PILED * before:
        every = every.take(np.zeros(0, dtype=np.intp))
    led = [
        _led_by_a_curve(each, quantity[max(0, first - _LED) : first], quantity[stop : stop + _LED][::-1], outer)
        for first, stop in zip(every.first.tolist(), every.stop.tolist(), strict=True)
    ]
    return every.take(np.array(led, dtype=np.bool_)), tolerance


def _led_by_a_curve(each: ChannelEvidence, before: Floats, behind: Floats, level: float) -> bool:
    """Whether no jump led to a level, nor away from it, as far as that was seen."""
    sides = [side for side in (before, behind) if np.isfinite(side).sum() >= _LEAST_LED]
    return bool(sides) and not any(jumps(side, level, width=each.span or 0.0, step=each.step) for side in sides)


def range_answers(case: Case) -> Answers:
    """Say of each channel for how long it would have to stand at an end of its range to show."""
    found = {}
    for each in case.measured:
        samples, share = (case.limit(f"saturation_{name}", channel=each.name) for name in ("samples", "share"))
        found[each.subject] = f"{samples:g} samples in a row at the end, and {percent(share)} of the run"
    return found
