"""Drawings of a calibration as SVG: the curve with its interval, and the errors of the readings."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from buswright.channels import units
from buswright.channels.calibration.kind import Floats
from buswright.channels.fits.fit import Fit
from buswright.report.calibration.result import band_of

_WIDTH, _LEFT, _RIGHT, _TOP, _BOTTOM = 760, 72, 16, 12, 44
_POINTS = 81
_MOST_DRAWN = 1000
_LINE = 'fill="none" stroke="var(--load)" stroke-width="1.5"'


class _Frame:
    """Axes: from values to places on the drawing."""

    def __init__(self, height: int, across: tuple[float, float], up: tuple[float, float]) -> None:
        self.height = height
        self._across, self._up = _roomy(*across), _roomy(*up)

    def x(self, value: float) -> float:
        low, high = self._across
        return _LEFT + (value - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)

    def y(self, value: float) -> float:
        low, high = self._up
        return self.height - _BOTTOM - (value - low) / (high - low) * (self.height - _TOP - _BOTTOM)

    def path(self, xs: Floats, ys: Floats) -> str:
        return " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in zip(xs.tolist(), ys.tolist(), strict=True))

    def axes(self, across: str, up: str) -> Iterator[str]:
        bottom = self.height - _BOTTOM
        for value in _ticks(*self._across):
            x = self.x(value)
            yield f'<path d="M{x:.1f},{_TOP}V{bottom}" stroke="var(--grid)"/>'
            yield _text(x, bottom + 16, f"{value:g}", "middle")
        for value in _ticks(*self._up):
            y = self.y(value)
            yield f'<path d="M{_LEFT},{y:.1f}H{_WIDTH - _RIGHT}" stroke="var(--grid)"/>'
            yield _text(_LEFT - 6, y + 4, f"{value:g}", "end")
        yield _text((_LEFT + _WIDTH - _RIGHT) / 2, self.height - 6, across, "middle")
        middle = (self.height - _BOTTOM + _TOP) / 2
        yield f'<g transform="rotate(-90 14 {middle})">{_text(14, middle, up, "middle")}</g>'


def curve_drawing(fit: Fit) -> str:
    """Draw the curve, its interval, and the readings."""
    band = band_of(fit, _POINTS)
    half = np.where(np.isfinite(band.half), band.half, 0.0)
    values = np.array([reading.value for reading in fit.readings])
    low, high = float(min(values.min(), band.value.min())), float(max(values.max(), band.value.max()))
    inputs = [float(band.electrical.min()), float(band.electrical.max())]
    frame = _Frame(320, (inputs[0], inputs[1]), (low, high))
    unit, electrical = units.shown(fit.calibration.unit), units.shown(fit.calibration.electrical)
    # Far from the readings the interval may be wider than the drawing.
    lower, upper = (np.clip(band.value + side * half, low - (high - low), high + (high - low)) for side in (-1, 1))
    around = frame.path(np.concatenate([band.electrical, band.electrical[::-1]]), np.concatenate([upper, lower[::-1]]))
    parts = [
        *frame.axes(f"input, {electrical}", f"value, {unit}"),
        f'<polygon points="{around}" fill="var(--load-wash)" opacity=".7"/>',
        f'<polyline points="{frame.path(band.electrical, band.value)}" {_LINE}/>',
        *_signs(frame, fit, values),
    ]
    said = f"The curve over the input, its 95 % interval, and {len(fit.readings)} readings."
    return _svg(320, parts, said)


def error_drawing(fit: Fit) -> str:
    """Draw the error of each reading over its true value, and the interval of the curve about zero."""
    values = np.array([reading.value for reading in fit.readings])
    given = np.array([reading.electrical for reading in fit.readings])
    band = fit.band(np.linspace(given.min(), given.max(), _POINTS))
    half = np.where(np.isfinite(band.half), band.half, 0.0)
    reach = max(float(np.abs(fit.error).max()), float(half.max()), 1e-4 * fit.span, 1e-12)
    frame = _Frame(240, (float(values.min()), float(values.max())), (-reach, reach))
    unit = units.shown(fit.calibration.unit)
    order = np.argsort(band.value)
    across, wide = band.value[order], half[order]
    around = frame.path(np.concatenate([across, across[::-1]]), np.concatenate([wide, -wide[::-1]]))
    parts = [
        *frame.axes(f"true value, {unit}", f"error, {unit}"),
        f'<polygon points="{around}" fill="var(--load-wash)" opacity=".7"/>',
        f'<path d="M{_LEFT},{frame.y(0):.1f}H{_WIDTH - _RIGHT}" stroke="var(--faint)"/>',
        *_signs(frame, fit, fit.error, over=values),
    ]
    return _svg(240, parts, "The error of each reading over its true value, and the 95 % interval of the curve.")


def _signs(frame: _Frame, fit: Fit, ys: Floats, over: Floats | None = None) -> Iterator[str]:
    """Draw a reading on the way up as a triangle up, on the way down as one down; outliers are crossed."""
    inputs = np.array([reading.electrical for reading in fit.readings]) if over is None else over
    outliers = set(fit.outliers)
    rows = zip(inputs.tolist(), ys.tolist(), fit.directions, strict=True)
    for row, (x, y, way) in enumerate(rows):
        if row >= _MOST_DRAWN:
            return
        left, top = frame.x(x), frame.y(y)
        tip = 5.0 if way >= 0 else -5.0
        name = escape(f"reading {row + 1}: {fit.error[row]:+.3g} {units.shown(fit.calibration.unit)}")
        color = "var(--fault)" if row in outliers else "var(--ink)"
        points = f"{left:.1f},{top - tip:.1f} {left - 5:.1f},{top + 0.8 * tip:.1f} {left + 5:.1f},{top + 0.8 * tip:.1f}"
        drawn = f'points="{points}" fill="none" stroke="{color}" stroke-width="1.4"'
        yield f"<polygon {drawn}><title>{name}</title></polygon>"
        if row in outliers:
            cross = f"M{left - 8:.1f},{top - 8:.1f}l16,16m0,-16l-16,16"
            yield f'<path d="{cross}" stroke="var(--fault)" fill="none"/>'


def _svg(height: int, parts: Sequence[str], said: str) -> str:
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(said)}"><svg role="img" '
        f'aria-label="{escape(said)}" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" height="{height}" '
        f'style="min-width:34rem;max-width:100%;height:auto" font-size="12" fill="var(--faint)">'
        f"{''.join(parts)}</svg></div>"
    )


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _roomy(low: float, high: float) -> tuple[float, float]:
    room = 0.05 * (high - low) or abs(high) or 1.0
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    """Return about six round values."""
    rough = (high - low) / 6
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(each * size for each in (1, 2, 5, 10) if each * size >= rough)
    first = math.ceil(low / step)
    return [round(k * step, 12) + 0.0 for k in range(first, math.floor(high / step) + 1)]
