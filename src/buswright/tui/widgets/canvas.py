"""Curves as dots: what a column of dots shows of the samples in it, and a sheet of cells to draw on.

A cell of text holds two dots across and four up. A column shows the whole range that the curve takes within it, so
that a spike of one sample is as high in a picture of a minute as in one of a second.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from buswright.channels.samples.series import Bools, Floats, Int64s
from buswright.tui.widgets.toned import TONES, Span, Tone

Codes = npt.NDArray[np.uint32]
Ints = npt.NDArray[np.intp]

ACROSS, UP = 2, 4
"""Dots of a cell."""
SPACE = 0x20
_INDEX: dict[Tone, int] = {tone: at for at, tone in enumerate(TONES)}


@dataclass(frozen=True, slots=True)
class Envelope:
    """What a curve spans in each of c columns.

    Attributes
    ----------
    low, high : float64[c]
        Lowest and highest value of the curve between the column's edges; NaN where there is none.
    """

    low: Floats
    high: Floats


def envelope(
    time_ns: Int64s,
    value: Floats,
    edges_ns: Int64s,
    *,
    segments: Int64s | None = None,
    gap_ns: float = float("inf"),
    steps: bool = False,
    joined: bool = True,
) -> Envelope:
    """Find the range of a curve in every column.

    Between samples the curve is a straight line, or, of a state, goes on as it was; it is broken where more than
    `gap_ns` lies between two samples, at the start of a segment, and beside a NaN.

    Parameters
    ----------
    time_ns, value : int64[n], float64[n]
        Samples; time never decreases within a segment. NaN is no sample.
    edges_ns : int64[c + 1]
        Edges of the columns, ascending; a column has its left edge and not its right one.
    segments : int64[s]
        Rows where segments start; None: one segment.
    steps
        The value stays until the next sample, or for `gap_ns` if there is none before.
    joined
        False: only the samples themselves.
    """
    columns = len(edges_ns) - 1
    low, high = np.full(columns, np.nan), np.full(columns, np.nan)
    starts = np.zeros(1, dtype=np.int64) if segments is None else segments
    bounds = [*starts.tolist(), len(time_ns)]
    with np.errstate(invalid="ignore", over="ignore"):
        for first, stop in pairwise(bounds):
            if first < stop:
                part = slice(first, stop)
                _add(low, high, time_ns[part], value[part], edges_ns, gap_ns, steps, joined)
    return Envelope(low, high)


def _add(
    low: Floats,
    high: Floats,
    time_ns: Int64s,
    value: Floats,
    edges_ns: Int64s,
    gap_ns: float,
    steps: bool,
    joined: bool,
) -> None:
    """Add one segment to the ranges."""
    at = np.searchsorted(time_ns, edges_ns)
    filled = np.flatnonzero(at[1:] > at[:-1])
    if len(filled):
        inside, begins = value[: at[-1]], at[filled]
        low[filled] = np.fmin(low[filled], np.fmin.reduceat(inside, begins))
        high[filled] = np.fmax(high[filled], np.fmax.reduceat(inside, begins))
    if joined:
        edge = _at_edges(time_ns, value, edges_ns, at, gap_ns, steps)
        np.fmin(low, np.fmin(edge[:-1], edge[1:]), out=low)
        np.fmax(high, np.fmax(edge[:-1], edge[1:]), out=high)


def _at_edges(time_ns: Int64s, value: Floats, edges_ns: Int64s, at: Ints, gap_ns: float, steps: bool) -> Floats:
    """Value of the curve at each edge, NaN where it is broken; never beyond the two samples beside it."""
    last = len(time_ns) - 1
    before, after = np.clip(at - 1, 0, last), np.clip(at, 0, last)
    left, right = value[before], value[after]
    if steps:
        whole = (at > 0) & (edges_ns - time_ns[before] <= gap_ns)
        return np.where(whole, left, np.nan)
    span = time_ns[after] - time_ns[before]
    whole = (at > 0) & (at <= last) & (span <= gap_ns)
    share = (edges_ns - time_ns[before]) / np.maximum(span, 1)
    line = np.clip(left + share * (right - left), np.minimum(left, right), np.maximum(left, right))
    return np.where(whole, line, np.nan)


def dot_rows(value: Floats, bottom: float, top: float, rows: int) -> Ints:
    """Rows of dots at which values lie, 0 the lowest; beyond the scale the outermost row, -1 for NaN."""
    scale = (rows - 1) / (top - bottom)
    with np.errstate(invalid="ignore", over="ignore"):
        at = np.rint((np.clip(value, bottom, top) - bottom) * scale)
    return np.where(np.isnan(value), -1, at).astype(np.intp)


def dots_of(curve: Envelope, bottom: float, top: float, rows: int) -> Bools:
    """Dots of a curve; bool[rows, c], top row first."""
    low, high = dot_rows(curve.low, bottom, top, rows), dot_rows(curve.high, bottom, top, rows)
    row = np.arange(rows - 1, -1, -1)[:, None]
    grid: Bools = (row >= low) & (row <= high)
    return grid


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of cells on a sheet."""

    x: int
    y: int
    width: int
    height: int


@dataclass(slots=True)
class Sheet:
    """Cells of `height` lines and `width` columns that are drawn on, then read as lines of toned text.

    Dots of several curves in one cell are joined, in the tone of the one drawn last; dots take the place of text.
    """

    width: int
    height: int
    code: Codes = field(init=False)
    tone: npt.NDArray[np.uint8] = field(init=False)

    def __post_init__(self) -> None:
        self.code = np.full((self.height, self.width), SPACE, dtype=np.uint32)
        self.tone = np.zeros((self.height, self.width), dtype=np.uint8)

    def dots(self, area: Area, new: Codes, tone: Tone) -> None:
        """Draw cells of dots; uint32[height, width] of the area, of `braille_codes`."""
        rows, columns = slice(area.y, area.y + area.height), slice(area.x, area.x + area.width)
        old = self.code[rows, columns]
        drawn = new != SPACE
        both = drawn & (old >= 0x2800) & (old <= 0x28FF)
        self.code[rows, columns] = np.where(both, new | old, np.where(drawn, new, old))
        self.tone[rows, columns][drawn] = _INDEX[tone]

    def text(self, x: int, y: int, text: str, tone: Tone = "plain") -> None:
        """Write over whatever stands there; what lies outside is cut."""
        if not 0 <= y < self.height:
            return
        for at, sign in enumerate(text, x):
            if 0 <= at < self.width:
                self.code[y, at] = ord(sign)
                self.tone[y, at] = _INDEX[tone]

    def free(self, x: int, y: int, width: int) -> bool:
        """Whether so many cells are inside and empty."""
        if not 0 <= y < self.height or x < 0 or x + width > self.width:
            return False
        return bool((self.code[y, x : x + width] == SPACE).all())

    def fill(self, area: Area, sign: str, tone: Tone) -> None:
        """Put a sign into every empty cell of an area."""
        rows, columns = slice(area.y, area.y + area.height), slice(area.x, area.x + area.width)
        empty = self.code[rows, columns] == SPACE
        self.code[rows, columns][empty] = ord(sign)
        self.tone[rows, columns][empty] = _INDEX[tone]

    def lines(self) -> list[list[Span]]:
        """Return what was drawn."""
        text = self.code.astype("<u4").tobytes().decode("utf-32-le")
        # An empty cell takes the tone of what stands before it: a line then falls into fewer pieces.
        at = np.where(self.code != SPACE, np.arange(self.width), 0)
        tones = np.take_along_axis(self.tone, np.maximum.accumulate(at, axis=1), axis=1)
        return [_spans(text[row * self.width : (row + 1) * self.width], tones[row]) for row in range(self.height)]


_SPAN = partial(tuple.__new__, Span)
"""Makes a span of a pair, several times faster than its own constructor: a plot has thousands."""


def _spans(text: str, tones: npt.NDArray[np.uint8]) -> list[Span]:
    starts = np.concatenate(([0], np.flatnonzero(tones[1:] != tones[:-1]) + 1))
    stops = [*starts[1:].tolist(), len(text)]
    pieces = [text[first:stop] for first, stop in zip(starts.tolist(), stops, strict=True)]
    return list(map(_SPAN, zip(pieces, [TONES[tone] for tone in tones[starts].tolist()], strict=True)))
