"""Frames in, what a survey needs of them out: how often each bit moved, and a bounded sample of short stretches.

A fold: however a run is cut into batches, the same result. A stretch is so many consecutive frames of an identifier;
when too many are kept, every second one is let go. So the sample covers the whole run, and it takes 300 kB for an
identifier of eight bytes however long the run is.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import name_of
from buswright.frames.table import Bools, Flag, Frames, Int64s, UInt8s
from buswright.messages.match import Kind, Matcher

STRETCH = 32
"""Consecutive frames of a stretch: a counter of five bits comes round."""
MOST_ROWS = 12_288
"""Frames kept of an identifier: 384 stretches."""
_EIGHT = 8


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What was kept of one identifier.

    Attributes
    ----------
    frames
        How many came, all lengths.
    length
        Payload bytes of the frames looked at: the most common length.
    flips : int64[8 * length]
        How often each bit changed from one frame to the next, over the whole run; bit 0 is the lowest of byte 0.
    payload : uint8[k, length]
        The kept frames of that length, in order.
    time_ns : int64[k]
        When each came; 0 where the capture has no time.
    follows : bool[k]
        Whether the row before is the frame just before it on the bus.
    """

    name: FrameName
    frames: int
    length: int
    flips: Int64s
    payload: UInt8s
    time_ns: Int64s
    follows: Bools

    @property
    def moving(self) -> Bools:
        """Which bits ever changed, bool[8 * length]."""
        moved: Bools = self.flips > 0
        return moved


def rows_by_identifier(matcher: Matcher, frames: Frames) -> Iterator[tuple[int, Int64s]]:
    """Yield the rows of each identifier's data frames in a batch, in order, under the matcher's code for it."""
    codes = matcher.match(frames)
    order = np.argsort(codes, kind="stable")
    found, starts = np.unique(codes[order], return_index=True)
    for code, rows in zip(found.tolist(), np.split(order, starts[1:]), strict=True):
        if len(rows) and matcher.groups[code].kind is Kind.UNMATCHED:
            yield code, rows


class SurveyFold:
    """Gathers what `survey` needs.

    `bus_names`: interface to bus name.
    """

    def __init__(self, bus_names: Mapping[str, str]) -> None:
        self._matcher = Matcher({}, bus_names=bus_names)
        self._lanes: dict[int, _Lane] = {}

    def update(self, frames: Frames) -> None:
        """Take the next batch."""
        if not len(frames):
            return
        for code, rows in rows_by_identifier(self._matcher, frames):
            lane = self._lanes.get(code)
            if lane is None:
                lane = self._lanes[code] = _Lane(name_of(self._matcher.groups[code]))
            length = frames.length[rows]
            time_ns = np.where(frames.flags[rows] & np.uint8(Flag.UNTIMED), 0, frames.time_ns[rows])
            lane.add(time_ns, frames.payloads(rows), length)

    def result(self) -> dict[FrameName, Gathered]:
        """Return what has been gathered so far, by bus and identifier in order."""
        lanes = sorted(self._lanes.values(), key=lambda lane: lane.name)
        return {lane.name: lane.gathered() for lane in lanes}


class _Lane:
    """One identifier."""

    def __init__(self, name: FrameName) -> None:
        self.name = name
        self.frames = 0
        self._every = 1
        self._lengths = np.zeros(65, dtype=np.int64)
        self._flips: Int64s = np.zeros(64, dtype=np.int64)
        self._last: UInt8s | None = None
        self._last_length = 0
        self._rows: list[tuple[Int64s, Int64s, UInt8s, UInt8s]] = []

    def add(self, time_ns: Int64s, payload: UInt8s, length: UInt8s) -> None:
        """Take frames in order, at least one."""
        n = len(length)
        self._lengths += np.bincount(length, minlength=65)
        self._count_flips(payload, length)
        while _kept(self.frames + n, self._every) > MOST_ROWS:
            self._every *= 2
            self._rows = [tuple(column[self._stays(row[0])] for column in row) for row in self._rows]  # type: ignore[misc]
        number = np.arange(self.frames, self.frames + n)
        stays = self._stays(number)
        if stays.any():
            self._rows.append((number[stays], time_ns[stays], payload[stays], length[stays]))
        self.frames += n

    def _stays(self, number: Int64s) -> Bools:
        stays: Bools = number // STRETCH % self._every == 0
        return stays

    def _count_flips(self, payload: UInt8s, length: UInt8s) -> None:
        """Count the changes of each bit; a frame of another length than the one before tells nothing."""
        if self._last is not None:
            width = max(payload.shape[1], len(self._last))
            payload = np.concatenate([wide(self._last[np.newaxis], width), wide(payload, width)])
            length = np.concatenate([[np.uint8(self._last_length)], length])
        self._last, self._last_length = payload[-1].copy(), int(length[-1])
        if len(payload) < 2:
            return
        moved = payload[1:] ^ payload[:-1]
        if length.min() != length.max():
            moved = moved[length[1:] == length[:-1]]
        counts = np.unpackbits(moved, axis=1, bitorder="little").sum(axis=0, dtype=np.int64)
        if len(counts) > len(self._flips):
            self._flips = np.concatenate([self._flips, np.zeros(len(counts) - len(self._flips), dtype=np.int64)])
        self._flips[: len(counts)] += counts

    def gathered(self) -> Gathered:
        """Return what was kept."""
        size = int(self._lengths.argmax())
        width = max(row[2].shape[1] for row in self._rows)
        number, time_ns, length = (np.concatenate([row[at] for row in self._rows]) for at in (0, 1, 3))
        payload = np.concatenate([wide(row[2], width) for row in self._rows])
        whole = length == size
        number = number[whole]
        return Gathered(
            name=self.name,
            frames=self.frames,
            length=size,
            flips=self._flips[: _EIGHT * size].copy(),
            payload=np.ascontiguousarray(payload[whole, :size]),
            time_ns=time_ns[whole],
            follows=np.diff(number, prepend=-2) == 1,
        )


def _kept(frames: int, every: int) -> int:
    """How many of so many frames are kept if every so-manyth stretch is."""
    whole, rest = divmod(frames, STRETCH * every)
    return whole * STRETCH + min(rest, STRETCH)


def wide(payload: UInt8s, width: int) -> UInt8s:
    """Return payloads of at least so many bytes, with zeros behind."""
    missing = width - payload.shape[1]
    return np.pad(payload, ((0, 0), (0, missing))) if missing > 0 else payload
