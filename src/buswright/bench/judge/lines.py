"""The known values of one input, and the straight line through them."""

from __future__ import annotations

import numpy as np

from buswright.bench.judge.making import Tested
from buswright.bench.plan.model import PlannedInput, Step
from buswright.bench.result import Level, Line, Point
from buswright.channels.samples.series import Floats

_SAME = 1e-9
"""Known values closer than this part of the span are one."""


def line_of(test: Tested, planned: PlannedInput) -> Line:
    """Fit read = offset + gain * true by least squares to the held values of an input.

    Values in the channel's unit and volts aren't mixed: where there are both, the values count.

    Returns
    -------
    Line
        Without gain for fewer than two different values, without a residual for fewer than three, without hysteresis
        where no value was held from both sides.
    """
    held = [
        (step, result.levels[planned.name])
        for step, result in test.done("hold", channel=planned.name)
        if planned.name in result.levels
    ]
    electrical = not any(step.value is not None for step, _ in held)
    read = [(step, _read(step, level)) for step, level in held if (step.value is None) == electrical]
    points = [(step, true, value) for step, (true, value) in read if value is not None]
    level = held[0][1] if held else None
    unit = "" if level is None else level.unit if electrical else level.value_unit
    nothing = Line(planned.name, unit, electrical, None, None, None, None, ())
    if not points:
        return nothing
    true = np.array([each[1] for each in points])
    value = np.array([each[2] for each in points])
    span = (level.span if electrical and level is not None else planned.travel) or 1.0
    different = 1 + int((np.diff(np.sort(true)) > _SAME * span).sum())
    if different < 2:
        return Line(planned.name, unit, electrical, None, None, None, None, _points(points, value - true))
    gain, offset = np.polyfit(true, value, 1)
    residual = value - (offset + gain * true)
    middle = float(np.mean(planned.span)) if not electrical else float((true.min() + true.max()) / 2)
    return Line(
        channel=planned.name,
        unit=unit,
        electrical=electrical,
        gain=float(gain),
        offset=float(offset + gain * middle - middle),
        worst=float(np.abs(residual).max()) if different > 2 else None,
        hysteresis=_hysteresis(true, value, _SAME * span),
        points=_points(points, residual),
    )


def _read(step: Step, level: Level) -> tuple[float, float | None]:
    return (step.value, level.value) if step.value is not None else (step.volts or 0.0, level.mean)


def _points(points: list[tuple[Step, float, float]], residual: Floats) -> tuple[Point, ...]:
    rising = [number == 0 or points[number][1] >= points[number - 1][1] for number in range(len(points))]
    return tuple(
        Point(step.name, true, value, float(left), up)
        for (step, true, value), left, up in zip(points, residual, rising, strict=True)
    )


def _hysteresis(true: Floats, value: Floats, same: float) -> float | None:
    """Return the largest difference between a value held on the way up and on the way down; None without one."""
    rising = np.concatenate(([True], np.diff(true) >= 0))
    apart = [
        abs(float(up - down))
        for up, at in zip(value[rising], true[rising], strict=True)
        for down in value[~rising][np.abs(true[~rising] - at) <= same]
    ]
    return max(apart, default=None)
