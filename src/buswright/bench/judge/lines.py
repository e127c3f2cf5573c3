"""The known values of one input, and the straight line through them."""

from __future__ import annotations

import numpy as np

from buswright.bench.judge.making import Tested
from buswright.bench.plan.model import PlannedInput, Step
from buswright.bench.result import Level, Line, Point
from buswright.channels.fits.curves import points_of
from buswright.channels.fits.fit import hysteresis_of
from buswright.channels.fits.readings import directions
from buswright.channels.samples.series import Floats


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
    different = len(points_of(true))
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
        hysteresis=abs(lag.size) if (lag := hysteresis_of(true, value - true)) is not None else None,
        points=_points(points, residual),
    )


def _read(step: Step, level: Level) -> tuple[float, float | None]:
    return (step.value, level.value) if step.value is not None else (step.volts or 0.0, level.mean)


def _points(points: list[tuple[Step, float, float]], residual: Floats) -> tuple[Point, ...]:
    ways = directions([true for _, true, _ in points])
    return tuple(
        Point(step.name, true, value, float(left), way >= 0)
        for (step, true, value), left, way in zip(points, residual, ways, strict=True)
    )
