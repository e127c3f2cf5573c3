"""Small plots of a sheet: drawn as they are printed, without a script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from buswright.bench.result import Line, Trace

WIDTH, HEIGHT = 680.0, 120.0
_LEFT, _BOTTOM, _TOP = 70.0, 22.0, 8.0
_TICKS = 4


def trace_svg(trace: Trace, marks: Sequence[tuple[float, float]] = ()) -> str:
    """Draw a channel over the seconds of a step; `marks` are stretches that were measured, in seconds."""
    if len(trace.seconds) < 2:
        return ""
    span = (trace.seconds[0], trace.seconds[-1])
    plot = _Plot(span, _room(trace.value))
    points = " ".join(f"{plot.x(s):.1f},{plot.y(v):.1f}" for s, v in zip(trace.seconds, trace.value, strict=True))
    washes = "".join(
        f'<rect class="wash" x="{plot.x(a):.1f}" y="{_TOP}" width="{max(1.0, plot.x(b) - plot.x(a)):.1f}" '
        f'height="{HEIGHT - _TOP - _BOTTOM}"/>'
        for a, b in marks
    )
    body = f'{washes}{plot.axes("s")}<polyline class="own" points="{points}"/>'
    return _svg(body, f"{trace.channel} in {trace.unit or 'its own unit'} over the seconds of the step")


def residual_svg(line: Line) -> str:
    """Draw what is left of each known value beside the straight line; up and down have different signs."""
    if line.gain is None or len(line.points) < 3:
        return ""
    true, left = [point.true for point in line.points], [point.residual for point in line.points]
    low, high = min(true), max(true)
    pad = 0.04 * (high - low or 1.0)
    plot = _Plot((low - pad, high + pad), _room([*left, 0.0]))
    zero = f'<line class="grid" x1="{_LEFT}" x2="{WIDTH}" y1="{plot.y(0):.1f}" y2="{plot.y(0):.1f}"/>'
    signs = "".join(_sign(plot.x(point.true), plot.y(point.residual), up=point.rising) for point in line.points)
    body = f"{plot.axes(line.unit)}{zero}{signs}"
    return _svg(body, f"{line.channel}: what is left beside the straight line, over the known value")


def _sign(x: float, y: float, *, up: bool) -> str:
    way = -5 if up else 5
    return f'<path class="point" d="M{x - 5:.1f} {y - way:.1f}L{x + 5:.1f} {y - way:.1f}L{x:.1f} {y + way:.1f}Z"/>'


def _room(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    wide = high - low or abs(high) / 10 or 1.0
    return low - 0.08 * wide, high + 0.08 * wide


class _Plot:
    """Places of values in a picture."""

    def __init__(self, across: tuple[float, float], up: tuple[float, float]) -> None:
        self._across, self._up = across, up

    def x(self, value: float) -> float:
        low, high = self._across
        return _LEFT + (value - low) / ((high - low) or 1.0) * (WIDTH - _LEFT - 4)

    def y(self, value: float) -> float:
        low, high = self._up
        return HEIGHT - _BOTTOM - (value - low) / ((high - low) or 1.0) * (HEIGHT - _BOTTOM - _TOP)

    def axes(self, across: str) -> str:
        texts = []
        for part in range(_TICKS + 1):
            value = self._across[0] + part / _TICKS * (self._across[1] - self._across[0])
            anchor = "end" if part == _TICKS else "start" if not part else "middle"
            unit = f" {across}" if part == _TICKS else ""
            texts.append(
                f'<text x="{self.x(value):.1f}" y="{HEIGHT - 6}" text-anchor="{anchor}">'
                f"{value:.3g}{escape(unit)}</text>"
            )
        low, high = self._up
        for share in (0.08, 0.5, 0.92):
            value = low + share * (high - low)
            y = self.y(value)
            texts.append(f'<line class="grid" x1="{_LEFT}" x2="{WIDTH}" y1="{y:.1f}" y2="{y:.1f}"/>')
            texts.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:.3g}</text>')
        return "".join(texts)


def _svg(body: str, said: str) -> str:
    return f'<svg class="drawn" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{escape(said)}">{body}</svg>'
