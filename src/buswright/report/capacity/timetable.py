"""A timetable of the bus as a drawing: when each frame waits and is sent, and until when its bound lets it."""

from __future__ import annotations

from html import escape
from math import ceil

import numpy as np

from buswright.capacity.assess import BusCapacity
from buswright.capacity.bounds import Response
from buswright.report.capacity.words import name_of
from buswright.wording import duration, plural

MOST_ROWS, MOST_FRAMES = 60, 1_500
"""Identifiers and frames drawn: a page stays small and can be read."""
_LEFT, _WIDTH, _ROW, _TOP, _BOTTOM = 180, 1060, 17, 8, 34
_STEPS = (1, 2, 5)
_LONG = 1.15
"""The drawing ends a little after the last bound."""


def drawing(bus: BusCapacity) -> str:
    """Return the timetable of the round in which all begin together, as SVG in HTML; a sentence where there is none."""
    if bus.then is None or bus.simulation is None or not bus.then.responses:
        return "<p>No timetable: it needs a bit rate and identifiers with a known period.</p>"
    responses = list(bus.then.responses.values())
    shown = responses[:MOST_ROWS]
    played = bus.simulation.first
    bounds = [each.bound.delay_ns for each in shown if each.bound.delay_ns is not None]
    span = max([*(round(bound * _LONG) for bound in bounds), int(played.end_ns.min(initial=1)), 1])
    # Frames of the first round are handed over from 0 on; the one in the way began a moment before.
    drawn = np.flatnonzero((played.row < len(shown)) & (played.released_ns < span))[:MOST_FRAMES]
    scale = _WIDTH / span
    height = _TOP + _ROW * len(shown) + _BOTTOM
    parts = [*_grid(span, scale, len(shown)), *_rows(shown, span, scale)]
    for k in drawn.tolist():
        row, hand, start, end = (
            int(column[k]) for column in (played.row, played.released_ns, played.start_ns, played.end_ns)
        )
        y = _TOP + _ROW * row + 4
        left, begin, stop = (_LEFT + max(0, time) * scale for time in (hand, start, min(end, span)))
        if start > hand:
            width = min(begin, _LEFT + _WIDTH) - left
            parts.append(f'<rect class="wait" x="{left:.1f}" y="{y + 3}" width="{width:.1f}" height="4"/>')
        if start < span:
            parts.append(f'<rect class="sent" x="{begin:.1f}" y="{y}" width="{max(stop - begin, 1):.1f}" height="10"/>')
    left_out = len(responses) - len(shown)
    said = (
        f"Timetable of {escape(bus.plan.bus)}: {plural(len(shown), 'identifier')}, highest priority on top, over "
        f"{duration(span)}. The numbers are in the table of identifiers."
    )
    rest = f"<p>{plural(left_out, 'more identifier')} of lower priority in the table.</p>" if left_out else ""
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{said}"><svg class="timetable" role="img" '
        f'aria-label="{said}" viewBox="0 0 {_LEFT + _WIDTH + 10} {height}" width="{_LEFT + _WIDTH + 10}" '
        f'height="{height}">{"".join(parts)}</svg></div>{rest}'
    )


def _grid(span: int, scale: float, rows: int) -> list[str]:
    bottom = _TOP + _ROW * rows
    step = _step(span)
    lines = []
    for k in range(span // step + 1):
        x = _LEFT + k * step * scale
        lines.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{bottom}"/>')
        text = "0" if not k else duration(k * step)
        lines.append(f'<text class="at" x="{x:.1f}" y="{bottom + 14}" text-anchor="middle">{text}</text>')
    return lines


def _step(span: int) -> int:
    """Return a round step that gives ten lines at most."""
    size = 1
    while True:
        for digit in _STEPS:
            if ceil(span / (digit * size)) <= 10:
                return digit * size
        size *= 10


def _rows(shown: list[Response], span: int, scale: float) -> list[str]:
    """Return names, lines and the bounds; what is new and what may be late is marked by a sign, too."""
    found = []
    for row, each in enumerate(shown):
        y = _TOP + _ROW * row
        sign = "✖ " if each.late else "+ " if each.stream.origin == "added" else ""
        label = each.stream.label
        name = sign + name_of(each.stream) + (f" {label}" if label else "")
        short = name if len(name) <= 24 else f"{name[:23]}…"
        kind = "late" if each.late else "row"
        title = f"<title>{escape(name)}</title>"
        found.append(
            f'<text class="{kind}" x="{_LEFT - 6}" y="{y + 13}" text-anchor="end">{title}{escape(short)}</text>'
        )
        found.append(f'<line class="grid" x1="{_LEFT}" x2="{_LEFT + _WIDTH}" y1="{y + _ROW}" y2="{y + _ROW}"/>')
        if each.bound.delay_ns is not None:
            x = _LEFT + min(each.bound.delay_ns, span) * scale
            said = f"<title>bound: {duration(each.bound.delay_ns)} after hand-over</title>"
            found.append(
                f'<line class="bound" x1="{x:.1f}" x2="{x:.1f}" y1="{y + 2}" y2="{y + _ROW - 2}">{said}</line>'
            )
    return found
