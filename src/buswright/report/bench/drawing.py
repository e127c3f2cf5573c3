"""Small plots of a sheet: drawn as they are printed, without a script."""

from __future__ import annotations

from collections.abc import Sequence

from buswright.bench.result import Line, Trace
from buswright.report.drawing import Axes, roomy, svg

HEIGHT = 140


def trace_svgs(traces: Sequence[Trace]) -> list[str]:
    """Draw channels over the seconds of a step, all on one time axis; "" for one without a line."""
    last = max((trace.seconds[-1] for trace in traces if len(trace.seconds)), default=0.0)
    drawn = []
    for trace in traces:
        if len(trace.seconds) < 2:
            drawn.append("")
            continue
        axes = Axes(HEIGHT, (0.0, last), roomy(min(trace.value), max(trace.value)))
        line = f'<polyline class="own" points="{axes.path(trace.seconds, trace.value)}"/>'
        said = f"{trace.channel} in {trace.unit or 'its own unit'} over the seconds of the step"
        drawn.append(svg(HEIGHT, [*axes.axes("seconds of the step"), line], said))
    return drawn


def residual_svg(line: Line) -> str:
    """Draw what is left of each known value beside the straight line; up and down have different signs."""
    if line.gain is None or len(line.points) < 3:
        return ""
    true, left = [point.true for point in line.points], [point.residual for point in line.points]
    axes = Axes(HEIGHT, roomy(min(true), max(true)), roomy(min(*left, 0.0), max(*left, 0.0)))
    signs = [_sign(axes.x(point.true), axes.y(point.residual), up=point.rising) for point in line.points]
    known = f"known value, {line.unit}" if line.unit else "known value"
    said = f"{line.channel}: what is left beside the straight line, over the known value"
    return svg(HEIGHT, [*axes.axes(known), axes.level(0.0, "faint"), *signs], said)


def _sign(x: float, y: float, *, up: bool) -> str:
    way = -5 if up else 5
    return f'<path class="point" d="M{x - 5:.1f} {y - way:.1f}L{x + 5:.1f} {y - way:.1f}L{x:.1f} {y + way:.1f}Z"/>'
