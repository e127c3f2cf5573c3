"""A small plot for the terminal, drawn with braille dots or, where these can't be shown, with signs of ASCII."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bit of each dot in a braille cell, by row and column (Unicode chart U+2800)."""


def braille_codes(grid: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint32]:
    """Return the character of every cell of 4 x 2 dots as its code point: bool[4h, 2w], top row first, to uint32[h, w].

    A cell without dots is a space.
    """
    dots = grid.view(np.uint8)
    bits = np.zeros((grid.shape[0] // 4, grid.shape[1] // 2), dtype=np.uint8)
    for row, pair in enumerate(_DOTS):
        for column, bit in enumerate(pair):
            bits += dots[row::4, column::2] * np.uint8(bit)
    return np.where(bits != 0, bits + np.uint32(0x2800), np.uint32(0x20))


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
    return ["".join(map(chr, row)) for row in braille_codes(grid).tolist()]
