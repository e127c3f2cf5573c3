"""Drawings as SVG, without a script: axes with round values, and places for what is drawn on them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from html import escape

WIDTH = 760
"""Of every drawing, in its own units: those of one page stand exactly below each other."""
_LEFT, _RIGHT, _TOP, _BOTTOM = 72, 16, 12, 44
_SPLIT_ACROSS, _SPLIT_UP = 110, 45
"""About so far apart are the round values."""


class Axes:
    """Places of values on a drawing of some height; `across` and `up` are the lowest and highest that have room."""

    def __init__(self, height: int, across: tuple[float, float], up: tuple[float, float]) -> None:
        self.height = height
        self._across, self._up = across, up
        self.left, self.right, self.top, self.bottom = _LEFT, WIDTH - _RIGHT, _TOP, height - _BOTTOM

    def x(self, value: float) -> float:
        """Return where a value is from left to right."""
        low, high = self._across
        return self.left + (value - low) / ((high - low) or 1.0) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Return where a value is from top to bottom."""
        low, high = self._up
        return self.bottom - (value - low) / ((high - low) or 1.0) * (self.bottom - self.top)

    def path(self, xs: Iterable[float], ys: Iterable[float]) -> str:
        """Return the points of a line."""
        return " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in zip(xs, ys, strict=True))

    def level(self, value: float, color: str = "grid") -> str:
        """Draw a line from left to right."""
        return f'<path d="M{self.left},{self.y(value):.1f}H{self.right}" stroke="var(--{color})"/>'

    def axes(self, across: str, up: str = "", splits: Sequence[tuple[float, str]] | None = None) -> Iterator[str]:
        """Draw the axes with round values, or with these splits of the lower one, and what they are."""
        marks = _marked(*self._across, (self.right - self.left) / _SPLIT_ACROSS) if splits is None else splits
        for value, text in marks:
            x = self.x(value)
            yield f'<path d="M{x:.1f},{self.top}V{self.bottom}" stroke="var(--grid)"/>'
            yield _text(x, self.bottom + 16, text, "middle")
        for value, text in _marked(*self._up, (self.bottom - self.top) / _SPLIT_UP):
            yield self.level(value)
            yield _text(self.left - 6, self.y(value) + 4, text, "end")
        yield _text((self.left + self.right) / 2, self.height - 8, across, "middle")
        if up:
            middle = (self.bottom + self.top) / 2
            yield f'<g transform="rotate(-90 14 {middle})">{_text(14, middle, up, "middle")}</g>'


def svg(height: int, parts: Iterable[str], said: str) -> str:
    """Put a drawing together; `said` tells of it those who can't see it."""
    return (
        f'<svg class="drawn" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(said)}">'
        f"{''.join(parts)}</svg>"
    )


def roomy(low: float, high: float) -> tuple[float, float]:
    """Return a range with room on either side, never an empty one."""
    room = 0.06 * (high - low) or abs(high) / 10 or 1.0
    return low - room, high + room


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _marked(low: float, high: float, count: float) -> list[tuple[float, str]]:
    """Return about so many round values, two at least, with as many digits as tell them apart."""
    if not high > low:
        return [(low, f"{low:g}")]
    size = math.floor(math.log10((high - low) / max(count, 2.0)))
    steps = [each * 10.0**at for at in (size + 1, size, size - 1) for each in (5, 2, 1)]
    for step in steps:  # the widest that gives so many
        values = [k * step for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)]
        if len(values) >= max(count, 2.0):
            break
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    if places > 6 or max(map(abs, values)) >= 1e7:
        return [(value, f"{value:g}") for value in values]
    return [(value, f"{round(value, places) + 0.0:.{places}f}") for value in values]
