"""The spacings of an identifier's latest frames as a small plot, with its period and what counts as late."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from buswright.report.plot import braille_codes
from buswright.tui.widgets.toned import Span
from buswright.wording import duration

Float64s = npt.NDArray[np.float64]

_EMPTY = 0x20
"""What `braille_codes` gives for a cell without dots."""
_LABEL = 12
_TOP = 2.25
"""In periods: how far up the plot goes; longer spacings are told by a mark."""
BEYOND = "▲"


def spacing_lines(
    spacings_ns: Float64s, period_ns: float | None, late: float, *, width: int, height: int
) -> list[list[Span]]:
    """Draw spacings from the oldest to the latest.

    Parameters
    ----------
    spacings_ns : float64[n]
        Between consecutive frames.
    period_ns, late
        The period, and after how many of them a frame is late; without a period the plot goes up to the longest
        spacing and has no lines.
    width, height
        Cells.

    Returns
    -------
    `height` lines; every column shows the shortest and the longest spacing that fall into it, and what is in
    between; the plot begins at half a period where no spacing is shorter. A column with a spacing that goes beyond
    the top has a mark there.
    """
    columns, rows = 2 * (width - _LABEL), 4 * height
    if columns < 4 or not len(spacings_ns):
        return []
    top = period_ns * max(_TOP, 1.5 * late) if period_ns else max(float(spacings_ns.max()) * 1.05, 1.0)
    bottom = 0.5 * period_ns if period_ns and spacings_ns.min() >= 0.5 * period_ns else 0.0
    columns = min(columns, 2 * ((len(spacings_ns) + 1) // 2))
    edges = np.linspace(0, len(spacings_ns), columns + 1).astype(int)[:-1]
    low, high = np.minimum.reduceat(spacings_ns, edges), np.maximum.reduceat(spacings_ns, edges)
    floor, ceiling = (
        np.clip(((each - bottom) / (top - bottom) * rows).astype(int), 0, rows - 1) for each in (low, high)
    )
    level = np.arange(rows - 1, -1, -1)[:, np.newaxis]  # the topmost row first
    dots = (level >= floor) & (level <= ceiling)
    cells = braille_codes(dots)
    beyond: npt.NDArray[np.bool_] = np.logical_or.reduce((high > top).reshape(-1, 2), axis=1)
    labels = _labels(period_ns, late, (bottom, top), height)
    return [
        _row(cells[row], beyond if row == 0 else None, labels.get(row, ""), lined=bool(period_ns) and row < height - 1)
        for row in range(height)
    ]


def _labels(period_ns: float | None, late: float, ends: tuple[float, float], height: int) -> dict[int, str]:
    """Return what is written before which rows: the period and what is late, or the highest value; the lowest."""
    bottom, top = ends
    found = {height - 1: "0.5 T" if bottom else "0"}
    if not period_ns:
        return {0: duration(top), **found}
    for factor, text in ((1.0, f"T {duration(period_ns)}"), (late, f"{late:g} T")):
        found[height - 1 - min(int((factor * period_ns - bottom) / (top - bottom) * height), height - 1)] = text
    return found


def _row(cells: npt.NDArray[np.uint32], beyond: npt.NDArray[np.bool_] | None, label: str, *, lined: bool) -> list[Span]:
    blank = "┈" if lined and label else " "
    text = "".join(chr(cell) if cell != _EMPTY else blank for cell in cells.tolist())
    if beyond is not None:
        text = "".join(BEYOND if out else sign for out, sign in zip(beyond.tolist(), text, strict=True))
    return [Span(f"{label:>{_LABEL - 1}} ", "dim"), Span(text)]
