"""A small plot for the terminal, drawn with braille dots or, where these can't be shown, with signs of ASCII."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of each dot in a braille cell, by row and column (Unicode chart U+2800)."""


def plot_lines(values: npt.NDArray[np.float64], *, width: int = 60, height: int = 4, braille: bool = True) -> list[str]:
    """Draw evenly spaced values as lines of text, lowest value at the bottom; NaN leaves a hole.

    Every column shows the whole range of the values that fall into it, so that a spike of one sample is seen.
    """
    across, up = (2, 4) if braille else (1, 1)
    columns, rows = width * across, height * up
    known = values[np.isfinite(values)]
    if not len(known):
        return [" " * width for _ in range(height)]
    low, high = float(known.min()), float(known.max())
    scale = (rows - 1) / (high - low) if high > low else 0.0
    grid = np.zeros((rows, columns), dtype=np.bool_)
    edges = np.linspace(0, len(values), columns + 1).astype(int)
    before: float | None = None
    for column in range(columns):
        part = values[edges[column] : max(edges[column + 1], edges[column] + 1)]
        part = part[np.isfinite(part)]
        if not len(part):
            before = None
            continue
        ends = [float(part.min()), float(part.max())] + ([before] if before is not None else [])
        first, last = (round((end - low) * scale) for end in (min(ends), max(ends)))
        grid[first : last + 1, column] = True
        before = float(part[-1])
    grid = grid[::-1]
    if not braille:
        return ["".join("*" if dot else " " for dot in row) for row in grid]
    lines = []
    for row in range(height):
        cells = []
        for cell in range(width):
            block = grid[4 * row : 4 * row + 4, 2 * cell : 2 * cell + 2]
            bits = sum(_DOTS[r][c] for r in range(4) for c in range(2) if block[r, c])
            cells.append(chr(0x2800 + bits))
        lines.append("".join(cells))
    return lines
