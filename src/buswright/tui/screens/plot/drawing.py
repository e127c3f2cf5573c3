"""A plot as lines of text: curves, axes, limits, unusable samples and the cursor."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from buswright.channels.following.model import Plotted
from buswright.channels.samples.series import Bools, Series
from buswright.report.plot import braille_codes
from buswright.tui.screens.channel_words import CURVES
from buswright.tui.screens.plot.curves import Curve, Shown, curves_of, edges_of, shown_values
from buswright.tui.screens.plot.view import Scale, time_ticks
from buswright.tui.times import moment_text
from buswright.tui.widgets.canvas import ACROSS, SPACE, UP, Area, Codes, Sheet, dot_rows, dots_of
from buswright.tui.widgets.toned import Span, Tone
from buswright.wording import duration
from buswright.worker.snapshot import SourceNow

NO_SCALES: Mapping[str, Scale] = {}
AXIS = 12
"""Cells left of the curves: always as many, so that nothing moves sideways when a scale changes."""
_RIGHT = 4
"""Cells right of the curves, for their letters."""
_LETTER_EVERY = 36
"""On a curve among others its letter stands again after so many cells, where the curve is flat."""


def _flat_codes() -> Codes:
    """Cells with dots in both columns, all within two neighbouring rows: a letter there hides no more than that."""
    codes = []
    for first in range(UP - 1):
        for bits in product((False, True), repeat=4):
            grid = np.zeros((UP, ACROSS), dtype=np.bool_)
            grid[first : first + 2] = np.array(bits).reshape(2, 2)
            if grid.any(axis=0).all():
                codes.append(int(braille_codes(grid)[0, 0]))
    return np.unique(np.array(codes, dtype=np.uint32))


_FLAT = _flat_codes()


@dataclass(frozen=True, slots=True)
class Look:
    """How the user wants the plot drawn.

    Attributes
    ----------
    shown
        Values, the sensor's input, or raw numbers.
    stacked
        A strip for each channel instead of all in one.
    shared
        One scale for all channels of a unit.
    fixed
        Scales by channel that stay as they are.
    lead
        Place of the channel that the axis and the limits belong to.
    """

    shown: Shown = "value"
    stacked: bool = False
    shared: bool = True
    fixed: Mapping[str, Scale] = field(default_factory=lambda: NO_SCALES)
    lead: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """A drawn plot.

    Attributes
    ----------
    lines
        What to show.
    cells
        Cells that the curves take from left to right; `AXIS` stand before them.
    scales
        By channel.
    """

    lines: list[list[Span]]
    cells: int
    scales: Mapping[str, Scale]


def picture(
    plotted: Sequence[tuple[int, Plotted]],
    source: SourceNow,
    edges: tuple[int, int],
    look: Look,
    cursor_ns: int | None,
    size: tuple[int, int],
    electrical: Mapping[str, str],
) -> Picture:
    """Draw channels between two moments.

    Parameters
    ----------
    plotted
        Channels with their places: letter and tone hang on them.
    edges
        The first and the last moment of the time axis.
    size
        Columns and lines.
    electrical
        Electrical units by channel.
    """
    width, height = size
    drawn = sum(shown_values(each.series, look.shown) is not None for _, each in plotted)
    rows = _heights(height - 1, drawn if look.stacked else 1)
    labels = max(6, min(rows) // 3)
    cells = max(width - AXIS - _RIGHT, 4)
    curves = curves_of(
        plotted,
        edges_of(*edges, cells * ACROSS),
        shown=look.shown,
        electrical=electrical,
        shared=look.shared and not look.stacked,
        fixed=look.fixed,
        labels=labels,
    )
    sheet = Sheet(width, height)
    top = 0
    for strip, tall in zip(_strips(curves, look), rows, strict=False):
        _draw_strip(sheet, Area(AXIS, top, cells, tall), strip, stacked=look.stacked)
        top += tall
    _draw_cursor(sheet, Area(AXIS, 0, cells, height - 1), edges, cursor_ns)
    _draw_time(sheet, Area(AXIS, height - 1, cells, 1), edges, source)
    return Picture(sheet.lines(), cells, {curve.series.name: curve.scale for curve in curves})


def _heights(height: int, strips: int) -> list[int]:
    """Share lines among strips, the first ones getting what is left over."""
    strips = max(strips, 1)
    return [max(height // strips + (at < height % strips), 1) for at in range(strips)]


def _strips(curves: Sequence[Curve], look: Look) -> list[list[Curve]]:
    """Curves by strip; the leading one last, in front."""
    if look.stacked:
        return [[curve] for curve in curves]
    if not curves:
        return []
    lead = next((curve for curve in curves if curve.place == look.lead), curves[0])
    return [[*(curve for curve in curves if curve is not lead), lead]]


# One strip --------------------------------------------------------------------------------------------------------


def _draw_strip(sheet: Sheet, area: Area, curves: Sequence[Curve], *, stacked: bool) -> None:
    """Draw curves into one strip: the curves' rows, and below them a row for unusable samples if there is room."""
    marks = area.height >= 3
    inner = replace(area, height=area.height - marks)
    lead = curves[-1]
    grids = [dots_of(curve.good, curve.scale.bottom, curve.scale.top, inner.height * UP) for curve in curves]
    codes = [braille_codes(grid) for grid in grids]
    busy = np.logical_or.reduce([each != SPACE for each in codes])
    _draw_limits(sheet, inner, lead, busy)
    for curve, grid, code in zip(curves, grids, codes, strict=True):
        tone = CURVES[curve.place][1]
        if curve.stray is not None:
            points = np.zeros_like(grid)
            for ends in (curve.stray.low, curve.stray.high):
                at = dot_rows(ends, curve.scale.bottom, curve.scale.top, len(grid))
                known = np.flatnonzero(at >= 0)
                points[len(grid) - 1 - at[known], known] = True
            sheet.dots(inner, braille_codes(points), "fault")
        sheet.dots(inner, code, tone)
    if len(curves) > 1:
        _draw_letters(sheet, inner, curves, codes)
    for curve in curves:
        _draw_end(sheet, inner, curve)
    _draw_axis(sheet, inner, lead, stacked=stacked)
    if marks:
        _draw_marks(sheet, Area(area.x, area.y + inner.height, area.width, 1), curves)


def _draw_limits(sheet: Sheet, area: Area, lead: Curve, busy: Bools) -> None:
    """Draw the limits of the leading curve as dotted lines with their names, where the scale reaches them.

    A name stands on its line or a row beside it where no curve is, else shortened among the labels of the axis.
    """
    rows = area.height * UP
    lines: dict[int, list[tuple[str, str, Tone]]] = {}
    for level, side, value in sorted(lead.limits):  # cautions before warnings
        if not lead.scale.bottom <= value <= lead.scale.top:
            continue
        tone: Tone = "fault" if level == "warning" else "suspect"
        at = rows - 1 - int(dot_rows(np.array([value]), lead.scale.bottom, lead.scale.top, rows)[0])
        grid = np.zeros((UP, area.width * ACROSS), dtype=np.bool_)
        grid[at % UP, :: 2 if level == "warning" else 4] = True
        sheet.dots(Area(area.x, area.y + at // UP, area.width, 1), braille_codes(grid), tone)
        name = f"{level} {'below' if side == 'low' else 'above'} {value:g}"
        lines.setdefault(at // UP, []).append((name, f"{level[:4]} {value:g}"[: area.x - 2], tone))
    free = ~busy
    for row, names in lines.items():
        text = f" {', '.join(name for name, *_ in names)} "
        _, short, tone = names[-1]  # the warning, where both lie in one row
        for beside in (row, row - 1, row + 1):
            x = _room_for(free[beside], len(text)) if 0 <= beside < area.height else None
            if x is not None and (beside == row or beside not in lines):
                sheet.text(area.x + x, area.y + beside, text, tone)
                free[beside, x : x + len(text)] = False
                break
        else:
            sheet.text(area.x - 1 - len(short), area.y + row, short, tone)


def _room_for(free: Bools, width: int) -> int | None:
    """Return the leftmost cell, but the first, from which on so many are free; None if there is none."""
    if len(free) <= width:
        return None
    counts = np.concatenate(([0], np.cumsum(free)))
    starts = np.flatnonzero(counts[width:] - counts[:-width] == width)
    starts = starts[starts > 0]
    return int(starts[0]) if len(starts) else None


def _draw_letters(sheet: Sheet, area: Area, curves: Sequence[Curve], codes: Sequence[Codes]) -> None:
    """Put each curve's letter on it here and there, only where it is flat and alone, so that it hides no spike."""
    cells = [each != SPACE for each in codes]
    owners = np.stack(cells).sum(axis=0)
    for curve, code, own in zip(curves, codes, cells, strict=True):
        flat = np.isin(code, _FLAT).any(axis=0) & (own.sum(axis=0) == 1)
        columns = np.flatnonzero(flat)
        if not len(columns):
            continue
        row_of = own.argmax(axis=0)
        letter, tone = CURVES[curve.place]
        for wanted in range(4 + 5 * curve.place, area.width, _LETTER_EVERY):
            near = columns[np.abs(columns - wanted) <= _LETTER_EVERY // 4]
            for column in near[:1].tolist():
                row = int(row_of[column])
                if owners[row, column] == 1:
                    sheet.text(area.x + column, area.y + row, letter, tone)


def _draw_end(sheet: Sheet, area: Area, curve: Curve) -> None:
    """Put the letter right of where the curve ends."""
    known = np.flatnonzero(~np.isnan(curve.good.low))
    letter, tone = CURVES[curve.place]
    if not len(known):
        return
    middle = (curve.good.low[known[-1]] + curve.good.high[known[-1]]) / 2
    at = int(dot_rows(np.array([middle]), curve.scale.bottom, curve.scale.top, area.height * UP)[0])
    row = area.y + area.height - 1 - at // UP
    for x in range(area.x + area.width + 1, sheet.width):
        if sheet.free(x, row, 1):
            sheet.text(x, row, letter, tone)
            return


def _draw_axis(sheet: Sheet, area: Area, lead: Curve, *, stacked: bool) -> None:
    """Write the labels of the leading curve's scale, the unit beside the topmost."""
    letter, tone = CURVES[lead.place]
    for row in range(area.height):
        sheet.text(area.x - 1, area.y + row, "│", "dim")
    scale, ticks = lead.scale, lead.scale.ticks
    taken: list[int] = []
    for value in (ticks[-1], ticks[0], *ticks[-2:0:-1]):
        at = int(dot_rows(np.array([value]), scale.bottom, scale.top, area.height * UP)[0])
        row = area.height - 1 - at // UP
        ends = value in (ticks[0], ticks[-1])
        if row in taken or not sheet.free(1, area.y + row, area.x - 2):
            continue
        if not (ends or all(abs(row - each) > 1 for each in taken)):
            continue
        taken.append(row)
        text, unit = scale.label(value), f" {lead.unit}" if value == ticks[-1] and lead.unit else ""
        text += unit if len(text) + len(unit) <= area.x - 2 else ""
        sheet.text(area.x - 1 - len(text), area.y + row, text, "plain")
        sheet.text(area.x - 1, area.y + row, "┤", "dim")
    if stacked and area.x > 2:
        sheet.text(0, area.y, letter, tone)


def _draw_marks(sheet: Sheet, area: Area, curves: Sequence[Curve]) -> None:
    """Mark cells with unusable samples by the curve's letter; `×` where there are several or only one curve is."""
    counts = np.zeros(area.width, dtype=np.intp)
    for curve in curves:
        counts += curve.bad
    for curve in curves:
        letter = CURVES[curve.place][0] if len(curves) > 1 else "×"
        for x in np.flatnonzero(curve.bad).tolist():
            sheet.text(area.x + x, area.y, letter if counts[x] == 1 else "×", "fault")
    if counts.any():
        sheet.text(area.x - 5, area.y, "bad", "fault")
    sheet.text(area.x - 1, area.y, "│", "dim")


# Time -------------------------------------------------------------------------------------------------------------


def _draw_cursor(sheet: Sheet, area: Area, edges: tuple[int, int], cursor_ns: int | None) -> None:
    if cursor_ns is None:
        return
    start, stop = edges
    if cursor_ns < start:
        sheet.text(area.x, area.y, "◂ cursor", "accent")
    elif cursor_ns > stop:
        sheet.text(area.x + area.width - 8, area.y, "cursor ▸", "accent")
    else:
        x = area.x + cell_of(cursor_ns, edges, area.width)
        sheet.fill(Area(x, area.y, 1, area.height), "│", "accent")


def cell_of(moment_ns: int, edges: tuple[int, int], cells: int) -> int:
    """Cell of a moment within the edges."""
    start, stop = edges
    return min(max((moment_ns - start) * cells // max(stop - start, 1), 0), cells - 1)


def _draw_time(sheet: Sheet, area: Area, edges: tuple[int, int], source: SourceNow) -> None:
    """Write moments on round times, as many as there is room for, and how much is in view."""
    start, stop = edges
    origin = 0 if source.epoch else source.first_ns or 0
    ticks = time_ticks(start, stop, max(area.width // 16, 1), origin)
    sheet.text(0, area.y, duration(stop - start).rjust(area.x - 2)[: area.x - 1], "dim")
    for moment in ticks.moments:
        x = area.x + cell_of(moment, edges, area.width)
        text = "╵" + moment_text(moment, source, ticks.decimals)
        if sheet.free(x, area.y, len(text)):
            sheet.text(x, area.y, text, "dim")


# The table of readings --------------------------------------------------------------------------------------------


def nearest(series: Series, moment_ns: int | None) -> int | None:
    """Row of the sample nearest to a moment; of the newest for None; None without samples."""
    if not len(series):
        return None
    return len(series) - 1 if moment_ns is None else int(np.argmin(np.abs(series.time_ns - moment_ns)))


def beside(series: Series, moment_ns: int | None, samples: int) -> int | None:
    """Moment of the sample so many samples later (negative: earlier) than the one nearest to a moment."""
    row = nearest(series, moment_ns)
    if row is None:
        return None
    return int(series.time_ns[min(max(row + samples, 0), len(series) - 1)])
