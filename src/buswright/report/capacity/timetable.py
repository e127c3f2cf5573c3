"""A timetable of the bus as a drawing: when each frame waits and is sent, and until when its bound lets it."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from math import ceil

import numpy as np

from buswright.capacity.assess import BusCapacity
from buswright.capacity.timing.bounds import Response
from buswright.report.capacity.words import name_of
from buswright.report.text import cut
from buswright.wording import duration, plural

MOST_ROWS, MOST_FRAMES = 60, 1_500
"""Identifiers and frames drawn: a page stays small and can be read."""
_TOP, _BOTTOM = 8, 34
_STEPS = (1, 2, 5)
_LONG = 1.15
"""The drawing ends a little after the last bound."""


@dataclass(frozen=True, slots=True)
class _Paper:
    """Where things go, in pixels: names stand `left` of the bars, or above them where there is no room."""

    kind: str
    left: int
    width: int
    row: int
    above: int
    steps: int

    def x(self, time: float, span: int) -> float:
        """Return where a time is."""
        return self.left + max(0, min(time, span)) * self.width / span


_PAPERS = (_Paper("on-screen", 180, 1060, 17, 0, 10), _Paper("on-phone", 8, 330, 30, 13, 4))


def drawing(bus: BusCapacity) -> str:
    """Return the timetable of the round in which all begin together, as SVG in HTML; a sentence where there is none.

    It stands there twice, for wide and for narrow screens; the page's style shows the one that fits.
    """
    if bus.then is None or bus.simulation is None or not bus.then.responses:
        return "<p>No timetable: it needs a bit rate and identifiers with a known period.</p>"
    left_out = len(bus.then.responses) - MOST_ROWS
    rest = f"<p>{plural(left_out, 'more identifier')} of lower priority in the table.</p>" if left_out > 0 else ""
    return "".join(_drawn(bus, list(bus.then.responses.values())[:MOST_ROWS], paper) for paper in _PAPERS) + rest


def _drawn(bus: BusCapacity, shown: list[Response], paper: _Paper) -> str:
    assert bus.simulation is not None
    played = bus.simulation.first
    bounds = [each.bound.delay_ns for each in shown if each.bound.delay_ns is not None]
    span = max([*(round(bound * _LONG) for bound in bounds), int(played.end_ns.min(initial=1)), 1])
    # Frames of the first round are handed over from 0 on; the one in the way began a moment before.
    drawn = np.flatnonzero((played.row < len(shown)) & (played.released_ns < span))[:MOST_FRAMES]
    width, height = paper.left + paper.width + 10, _TOP + paper.row * len(shown) + _BOTTOM
    parts = [*_grid(span, paper, len(shown)), *_rows(shown, span, paper)]
    for k in drawn.tolist():
        row, hand, start, end = (
            int(column[k]) for column in (played.row, played.released_ns, played.start_ns, played.end_ns)
        )
        y = _TOP + paper.row * row + paper.above + 4
        left, begin, stop = (paper.x(time, span) for time in (hand, start, end))
        if start > hand:
            parts.append(f'<rect class="wait" x="{left:.1f}" y="{y + 3}" width="{begin - left:.1f}" height="4"/>')
        if start < span:
            parts.append(f'<rect class="sent" x="{begin:.1f}" y="{y}" width="{max(stop - begin, 1):.1f}" height="10"/>')
    said = (
        f"Timetable of {escape(bus.plan.bus)}: {plural(len(shown), 'identifier')}, highest priority on top, over "
        f"{duration(span)}. The numbers are in the table of identifiers."
    )
    return (
        f'<svg class="timetable {paper.kind}" role="img" aria-label="{said}" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}">{"".join(parts)}</svg>'
    )


def _grid(span: int, paper: _Paper, rows: int) -> list[str]:
    bottom = _TOP + paper.row * rows
    step = _step(span, paper.steps)
    lines = []
    for k in range(span // step + 1):
        x = paper.x(k * step, span)
        lines.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{_TOP}" y2="{bottom}"/>')
        text, anchor = ("0", "start") if not k else (duration(k * step), "middle")
        lines.append(f'<text class="at" x="{x:.1f}" y="{bottom + 14}" text-anchor="{anchor}">{text}</text>')
    return lines


def _step(span: int, most: int) -> int:
    """Return a round step that gives so many lines at most."""
    size = 1
    while True:
        for digit in _STEPS:
            if ceil(span / (digit * size)) <= most:
                return digit * size
        size *= 10


def _rows(shown: list[Response], span: int, paper: _Paper) -> list[str]:
    """Return names, lines and the bounds; what is new and what may be late is marked by a sign, too."""
    found = []
    right = paper.left + paper.width
    at, anchor, most = (paper.left, "start", 44) if paper.above else (paper.left - 6, "end", 24)
    for row, each in enumerate(shown):
        y = _TOP + paper.row * row
        sign = "✖ " if each.late else "+ " if each.stream.origin == "added" else ""
        label = each.stream.label
        name = sign + name_of(each.stream) + (f" {label}" if label else "")
        short = escape(cut(name, most))
        kind = "late" if each.late else "row"
        title = f"<title>{escape(name)}</title>"
        found.append(f'<text class="{kind}" x="{at}" y="{y + 13}" text-anchor="{anchor}">{title}{short}</text>')
        below = y + paper.row
        found.append(f'<line class="grid" x1="{paper.left}" x2="{right}" y1="{below}" y2="{below}"/>')
        if each.bound.delay_ns is not None:
            x = paper.x(each.bound.delay_ns, span)
            said = f"<title>bound: {duration(each.bound.delay_ns)} after hand-over</title>"
            top = y + paper.above + 2
            found.append(f'<line class="bound" x1="{x:.1f}" x2="{x:.1f}" y1="{top}" y2="{below - 2}">{said}</line>')
    return found
