"""How regularly every identifier came, over time, fine enough to draw: extremes of its spacings column by column."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import name_of
from buswright.frames.table import Flag, Frames, Int64s
from buswright.messages.match import Matcher

FINEST_NS = 10_000_000
"""Width of a column at the start."""
MOST_COLUMNS = 1_200
"""More columns than this are joined in pairs: about as many as a screen has."""
MOST_IDS = 4_096
"""Identifiers told apart; frames of later ones are left out."""

_COLUMN_BITS = 44
_MIDDLE = 1 << (_COLUMN_BITS - 1)
_COLUMN_MASK = (1 << _COLUMN_BITS) - 1
_NEVER = np.iinfo(np.int64).max


@dataclass(frozen=True, slots=True, eq=False)
class SpacingTrack:
    """One identifier: a row for each column in which it came.

    Attributes
    ----------
    start_ns : int64[k]
        Of the column, ascending.
    frames : int64[k]
        Frames in it.
    shortest_ns, longest_ns : int64[k]
        Extremes of the spacings that end in it, gaps included; -1 where none does.
    """

    start_ns: Int64s
    frames: Int64s
    shortest_ns: Int64s
    longest_ns: Int64s


@dataclass(frozen=True, slots=True, eq=False)
class Spacings:
    """All identifiers by name, on one grid of columns, `width_ns` wide and aligned to time zero."""

    width_ns: int
    tracks: Mapping[FrameName, SpacingTrack]

    def within(self, columns: int) -> Spacings:
        """Return the same on a grid of at most so many columns (2 at least: those on either side of time zero)."""
        width, tracks = self.width_ns, dict(self.tracks)
        starts = np.concatenate([track.start_ns for track in tracks.values()] or [np.zeros(0, np.int64)])
        while len(np.unique(starts // width)) > max(columns, 2):
            width *= 2
        if width == self.width_ns:
            return self
        return Spacings(width, {name: _joined(track, width) for name, track in tracks.items()})


def _joined(track: SpacingTrack, width: int) -> SpacingTrack:
    shortest = np.where(track.shortest_ns < 0, _NEVER, track.shortest_ns)
    cells, frames, shortest, longest = _reduced(
        track.start_ns // width, track.frames, shortest, track.longest_ns.copy()
    )
    return SpacingTrack(cells * width, frames, np.where(shortest == _NEVER, -1, shortest), longest)


class SpacingColumns:
    """A fold over batches; any cutting into batches gives the same.

    A column is `FINEST_NS` wide at first. Whenever more than `MOST_COLUMNS` of them hold a frame, neighbours are
    joined and all are twice as wide, so memory does not grow with the run.

    Parameters
    ----------
    bus_names
        Interface to bus name.
    """

    def __init__(self, bus_names: Mapping[str, str] | None = None) -> None:
        # With no database every identifier of every bus is a group of its own.
        self._matcher = Matcher({}, bus_names=bus_names)
        self._others = len(self._matcher.groups)  # groups that are no identifier
        self._last: Int64s = np.zeros(MOST_IDS + 1, np.int64)
        self._seen = np.zeros(MOST_IDS + 1, np.bool_)
        self._width = FINEST_NS
        self._cells: tuple[Int64s, ...] = (np.zeros(0, np.int64),) * 4

    def update(self, frames: Frames) -> None:
        """Add a batch."""
        timed = ~frames.has(Flag.ERROR | Flag.REMOTE | Flag.UNTIMED)
        if not timed.any():
            return
        frames = frames if timed.all() else frames.take(timed)
        # A key of two bytes is sorted in one pass. What the matcher doesn't tell apart is -1, so above all as unsigned.
        number = (self._matcher.match(frames) - np.int32(self._others)).view(np.uint32)
        index = np.minimum(number, MOST_IDS).astype(np.uint16)
        order = np.argsort(index, kind="stable")
        index, time_ns = index[order], frames.time_ns[order]
        starts = np.concatenate([[0], np.flatnonzero(index[1:] != index[:-1]) + 1])
        who = index[starts]
        spacing = np.diff(time_ns, prepend=0)
        spacing[starts] = time_ns[starts] - self._last[who]
        unknown = np.union1d(np.flatnonzero(spacing < 0), starts[~self._seen[who]])
        self._last[who] = time_ns[np.append(starts[1:], len(index)) - 1]
        self._seen[who] = True
        cells = (index.astype(np.int64) << _COLUMN_BITS) | (time_ns // self._width + _MIDDLE)
        few = _folded(cells, spacing, unknown)
        listed = few[0] < MOST_IDS << _COLUMN_BITS
        if not listed.all():
            few = tuple(column[listed] for column in few)
        self._cells = _reduced(*(np.concatenate(pair) for pair in zip(self._cells, few, strict=True)))
        while self._too_many_columns():
            self._widen()

    def result(self) -> Spacings:
        """Return what was gathered so far."""
        cells, frames, shortest, longest = self._cells
        tracks = {}
        for index, group in enumerate(self._matcher.groups[self._others :][:MOST_IDS]):
            name = name_of(group)
            lo, hi = np.searchsorted(cells, (index << _COLUMN_BITS, (index + 1) << _COLUMN_BITS))
            start = ((cells[lo:hi] & _COLUMN_MASK) - _MIDDLE) * self._width
            short = np.where(shortest[lo:hi] == _NEVER, -1, shortest[lo:hi])
            tracks[name] = SpacingTrack(start, frames[lo:hi], short, longest[lo:hi])
        return Spacings(self._width, tracks)

    def _too_many_columns(self) -> bool:
        columns = self._cells[0] & _COLUMN_MASK
        return int(np.ptp(columns)) >= MOST_COLUMNS and len(np.unique(columns)) > MOST_COLUMNS

    def _widen(self) -> None:
        cells, *columns = self._cells
        self._width *= 2
        half = ((cells & _COLUMN_MASK) - _MIDDLE >> 1) + _MIDDLE
        self._cells = _reduced((cells & ~_COLUMN_MASK) | half, *columns)


def _reduced(cells: Int64s, frames: Int64s, shortest: Int64s, longest: Int64s) -> tuple[Int64s, ...]:
    """Join rows of the same cell; cells ascend afterwards."""
    if not len(cells):
        return cells, frames, shortest, longest
    if (cells[1:] < cells[:-1]).any():
        order = np.argsort(cells, kind="stable")
        cells, frames, shortest, longest = cells[order], frames[order], shortest[order], longest[order]
    starts = np.flatnonzero(np.append(True, cells[1:] != cells[:-1]))
    return (
        cells[starts],
        np.add.reduceat(frames, starts),
        np.minimum.reduceat(shortest, starts),
        np.maximum.reduceat(longest, starts),
    )


def _folded(cells: Int64s, spacing: Int64s, unknown: npt.NDArray[np.intp]) -> tuple[Int64s, ...]:
    """Reduce single frames to rows of cells: frames, shortest and longest of the spacings but those of some rows."""
    shortest, longest = spacing, spacing.copy()
    longest[unknown] = -1
    shortest[unknown] = _NEVER
    step = np.diff(cells)
    if step.min(initial=0) < 0:  # time went backwards
        return _reduced(cells, np.ones(len(cells), np.int64), shortest, longest)
    starts = np.concatenate([[0], np.flatnonzero(step) + 1])
    return (
        cells[starts],
        np.diff(starts, append=len(cells)),
        np.minimum.reduceat(shortest, starts),
        np.maximum.reduceat(longest, starts),
    )
