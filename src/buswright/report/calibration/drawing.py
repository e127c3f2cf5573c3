"""Drawings of a calibration as SVG: the curve with its interval, and the errors of the readings."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Floats
from buswright.channels.fits.fit import Fit
from buswright.report.calibration.result import band_of, size
from buswright.report.drawing import Axes, roomy, svg

_POINTS = 81
_MOST_DRAWN = 1000
_LINE = 'fill="none" stroke="var(--load)" stroke-width="1.5"'


def curve_drawing(fit: Fit) -> str:
    """Draw the curve, its interval, and the readings."""
    band = band_of(fit, _POINTS)
    half = np.where(np.isfinite(band.half), band.half, 0.0)
    values = np.array([reading.value for reading in fit.readings])
    low, high = float(min(values.min(), band.value.min())), float(max(values.max(), band.value.max()))
    inputs = [float(band.electrical.min()), float(band.electrical.max())]
    axes = Axes(320, roomy(inputs[0], inputs[1]), roomy(low, high))
    unit, electrical = units.shown(fit.calibration.unit), units.shown(fit.calibration.electrical)
    # Far from the readings the interval may be wider than the drawing.
    lower, upper = (np.clip(band.value + side * half, low - (high - low), high + (high - low)) for side in (-1, 1))
    around = axes.path(np.concatenate([band.electrical, band.electrical[::-1]]), np.concatenate([upper, lower[::-1]]))
    parts = [
        *axes.axes(f"input, {electrical}", f"value, {unit}"),
        f'<polygon points="{around}" fill="var(--load-wash)" opacity=".7"/>',
        f'<polyline points="{axes.path(band.electrical, band.value)}" {_LINE}/>',
        *_signs(axes, fit, values),
    ]
    said = f"The curve over the input, its 95 % interval, and {len(fit.readings)} readings."
    return svg(320, parts, said)


def error_drawing(fit: Fit) -> str:
    """Draw the error of each reading over its true value, and the interval of the curve about zero."""
    values = np.array([reading.value for reading in fit.readings])
    given = np.array([reading.electrical for reading in fit.readings])
    band = fit.band(np.linspace(given.min(), given.max(), _POINTS))
    half = np.where(np.isfinite(band.half), band.half, 0.0)
    reach = max(float(np.abs(fit.error).max()), float(half.max()), 1e-4 * fit.span, 1e-12)
    axes = Axes(240, roomy(float(values.min()), float(values.max())), roomy(-reach, reach))
    unit = units.shown(fit.calibration.unit)
    order = np.argsort(band.value)
    across, wide = band.value[order], half[order]
    around = axes.path(np.concatenate([across, across[::-1]]), np.concatenate([wide, -wide[::-1]]))
    parts = [
        *axes.axes(f"true value, {unit}", f"error, {unit}"),
        f'<polygon points="{around}" fill="var(--load-wash)" opacity=".7"/>',
        axes.level(0.0, "faint"),
        *_signs(axes, fit, fit.error, over=values),
    ]
    return svg(240, parts, "The error of each reading over its true value, and the 95 % interval of the curve.")


def _signs(axes: Axes, fit: Fit, ys: Floats, over: Floats | None = None) -> Iterator[str]:
    """Draw a reading on the way up as a triangle up, on the way down as one down; outliers are crossed."""
    inputs = np.array([reading.electrical for reading in fit.readings]) if over is None else over
    outliers = set(fit.outliers)
    rows = zip(inputs.tolist(), ys.tolist(), fit.directions, strict=True)
    for row, (x, y, way) in enumerate(rows):
        if row >= _MOST_DRAWN:
            return
        left, top = axes.x(x), axes.y(y)
        tip = 5.0 if way >= 0 else -5.0
        name = escape(f"reading {row + 1}: error {size(float(fit.error[row]), fit)}")
        color = "var(--fault)" if row in outliers else "var(--ink)"
        points = f"{left:.1f},{top - tip:.1f} {left - 5:.1f},{top + 0.8 * tip:.1f} {left + 5:.1f},{top + 0.8 * tip:.1f}"
        drawn = f'points="{points}" fill="none" stroke="{color}" stroke-width="1.4"'
        yield f"<polygon {drawn}><title>{name}</title></polygon>"
        if row in outliers:
            cross = f"M{left - 8:.1f},{top - 8:.1f}l16,16m0,-16l-16,16"
            yield f'<path d="{cross}" stroke="var(--fault)" fill="none"/>'
