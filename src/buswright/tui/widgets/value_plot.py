"""The values of a signal over the frames in memory as a small plot."""

from __future__ import annotations

import numpy as np

from buswright.channels.samples.series import Floats, Int64s
from buswright.report.plot import braille_codes
from buswright.tui.digits import decimals_by_size, number
from buswright.tui.widgets.canvas import ACROSS, SPACE, UP, dots_of, envelope
from buswright.tui.widgets.toned import Span

_LABEL = 12


def value_lines(time_ns: Int64s, value: Floats, *, width: int, height: int) -> list[list[Span]]:
    """Draw values over time, oldest left, from their lowest to their highest; nothing where there is none."""
    columns = ACROSS * (width - _LABEL)
    finite = value[np.isfinite(value)]
    if not len(finite) or columns < ACROSS or time_ns[-1] <= time_ns[0]:
        return []
    low, high = float(finite.min()), float(finite.max())
    bottom, top = (low, high) if high > low else (low - 1.0, high + 1.0)
    edges = np.linspace(int(time_ns[0]), int(time_ns[-1]) + 1, columns + 1).astype(np.int64)
    cells = braille_codes(dots_of(envelope(time_ns, value, edges, joined=True), bottom, top, UP * height))
    digits = decimals_by_size(low, high)
    labels = {0: number(high, digits, _LABEL - 1), height - 1: number(low, digits, _LABEL - 1)}
    if high == low:
        labels = {height // 2: number(low, digits, _LABEL - 1)}
    return [
        [
            Span(f"{labels.get(row, ''):>{_LABEL - 1}} ", "dim"),
            Span("".join(" " if code == SPACE else chr(code) for code in cells[row].tolist()), "curve1"),
        ]
        for row in range(height)
    ]
