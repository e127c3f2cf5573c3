"""Two calibrations compared by what they make of the same input, however they are written."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Calibration, Floats, nominal_references
from buswright.layout.differences.difference import close, number

_POINTS = 2001
_BEYOND = 0.2
"""Part of the span looked at beyond the outer points: whether the value is held there or goes on."""
_EQUAL = 1e-9
"""Of the span; what rounding of a conversion leaves."""


@dataclass(frozen=True, slots=True)
class CurveChange:
    """How another calibration differs: `text` in words, `change` the largest in `unit`, None where there is none."""

    text: str
    change: float | None = None
    unit: str = ""


def curve_change(before: Calibration, after: Calibration, band: tuple[float, float] | None) -> CurveChange | None:
    """Compare two calibrations at nominal supplies and temperatures; None: they mean the same.

    Parameters
    ----------
    before, after
        The calibrations.
    band
        Inputs to look at where neither has outer points, in the electrical unit of `before`: the healthy band.
    """
    if not units.compatible(before.electrical, after.electrical):
        return CurveChange(f"takes {units.shown(after.electrical)}, not {units.shown(before.electrical)}")
    if not units.compatible(before.unit, after.unit):
        return CurveChange(f"gives {units.shown(after.unit)}, not {units.shown(before.unit)}")
    ends = _ends(before, after, band)
    inside = np.linspace(*ends, _POINTS)
    reach = _BEYOND * (ends[1] - ends[0])
    beyond = np.concatenate([np.linspace(ends[0] - reach, ends[0], 50), np.linspace(ends[1], ends[1] + reach, 50)])
    worst = _worst(before, after, inside)
    if worst is not None:
        return worst
    if _worst(before, after, beyond) is not None:
        return CurveChange("another curve: the same between its outer points, not beyond them")
    shown = units.shown(before.electrical)
    ranges = [f"{number(low)} to {number(high)} {shown}" for low, high in (before.range.electrical, _of(after, before))]
    if not all(map(close, before.range.electrical, _of(after, before))):
        return CurveChange(f"the same curve over another range: {ranges[0]} → {ranges[1]}")
    needs = [", ".join(need.channel for need in each.needs) or "nominal values" for each in (before, after)]
    if needs[0] != needs[1]:
        return CurveChange(f"the same curve, but it refers to {needs[1]}, not {needs[0]}")
    return None


def _worst(before: Calibration, after: Calibration, at: Floats) -> CurveChange | None:
    with np.errstate(all="ignore"):
        there = units.convert(at, before.electrical, after.electrical)
        old = before.apply(at, nominal_references(before))
        new = units.convert(after.apply(there, nominal_references(after)), after.unit, before.unit)
        apart = np.abs(new - old)
    shown, electrical = units.shown(before.unit), units.shown(before.electrical)
    only = np.flatnonzero(np.isfinite(old) != np.isfinite(new))
    sound = np.isfinite(apart)
    if not sound.any():
        return CurveChange("another curve") if only.size else None
    most = int(np.nanargmax(np.where(sound, apart, -1.0)))
    size = float(np.max(np.abs(old[sound])))
    if apart[most] <= _EQUAL * size:
        return CurveChange("another curve: one of the two gives no value for some inputs") if only.size else None
    text = (
        f"another curve: up to {number(float(f'{apart[most]:.3g}'))} {shown} apart, at {number(at[most])} {electrical} "
        f"({number(old[most])} → {number(new[most])} {shown})"
    )
    return CurveChange(text, float(new[most] - old[most]), before.unit)


def _of(calibration: Calibration, other: Calibration) -> tuple[float, float]:
    """Return the outer points of a calibration in the electrical unit of another."""
    low, high = units.convert(np.array(calibration.range.electrical), calibration.electrical, other.electrical)
    return float(low), float(high)


def _ends(before: Calibration, after: Calibration, band: tuple[float, float] | None) -> tuple[float, float]:
    points = [each for each in (*before.range.electrical, *_of(after, before)) if math.isfinite(each)]
    if len(set(points)) < 2:
        points += band or (0.0, 5.0)
    return min(points), max(points)
