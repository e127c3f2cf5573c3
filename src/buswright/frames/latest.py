"""The latest frames in memory: bounded by time and by count, cheap to add to."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np

from buswright.frames.table import Bools, Flag, Frames, concatenate, empty_frames

LATEST_S = 120.0
"""Seconds held unless told otherwise."""
LATEST_FRAMES = 2_000_000
"""Frames held at most unless told otherwise: some 60 MB of classic frames."""

_WHOLE = 8_192
"""Small batches are joined until they have so many frames: a live bus gives dozens a second, and every look at the
held frames would pay for each."""
_PARTS = 16
"""They are joined after this part of the held time, too: on a quiet bus eight thousand frames are an hour."""


class _Batch(NamedTuple):
    """A batch and where its newest frame stands on a clock that never falls, nanoseconds."""

    frames: Frames
    end_ns: int


class LatestFrames:
    """The frames of the last seconds, oldest first.

    Age is counted along the order of arrival: where the capture's clock jumps back what came before it is neither
    dropped at once nor kept for ever, and where it jumps forward everything before is old.

    Parameters
    ----------
    seconds
        Frames older than this, counted from the newest, are dropped; of small batches a sixteenth of it later.
    frames
        No more than so many are held.
    """

    def __init__(self, seconds: float = LATEST_S, frames: int = LATEST_FRAMES) -> None:
        self._age_ns = round(seconds * 1e9)
        self._most = frames
        self.clear()

    def clear(self) -> None:
        """Drop everything."""
        self._batches: deque[_Batch] = deque()
        self._small: list[Frames] = []
        self._small_count = 0
        self._count = 0
        self._end_ns = 0
        self._joined_ns = 0
        self._newest_ns: int | None = None
        self._buses: tuple[str, ...] = ()

    def __len__(self) -> int:
        return self._count

    @property
    def buses(self) -> tuple[str, ...]:
        """Interface names of the frames so far."""
        return self._buses

    @property
    def span_ns(self) -> tuple[int, int] | None:
        """Earliest and latest time of the held frames that have one; None if there is none."""
        times = [batch.time_ns[~batch.has(Flag.UNTIMED)] for batch in self._all()]
        times = [each for each in times if len(each)]
        return (min(int(t.min()) for t in times), max(int(t.max()) for t in times)) if times else None

    def add(self, batch: Frames) -> None:
        """Hold a batch, which must continue the ones before; drop what is too old or too much."""
        if len(batch.buses) > len(self._buses):
            self._buses = batch.buses
        if not len(batch):
            return
        timed = batch.time_ns if not batch.has(Flag.UNTIMED).any() else batch.time_ns[~batch.has(Flag.UNTIMED)]
        if len(timed):
            newest = int(timed[-1])
            since = int(timed[0]) if self._newest_ns is None else self._newest_ns
            self._end_ns += max(0, newest - since, int(timed.max()) - int(timed[0]))
            self._newest_ns = newest
        self._count += len(batch)
        self._small.append(batch)
        self._small_count += len(batch)
        if self._small_count >= _WHOLE or self._end_ns - self._joined_ns > self._age_ns // _PARTS:
            self._join()
        self._trim()

    def whole(self) -> Frames:
        """All held frames as one batch."""
        batches = self._all()
        return concatenate(batches) if batches else empty_frames(self._buses)

    def since(self, time_ns: int) -> Frames:
        """Return the held frames of that time and later, in the order they came."""
        parts = []
        for batch in self._all():
            late = batch.time_ns >= time_ns
            if late.all():
                parts.append(batch)
            elif late.any():
                parts.append(batch.take(late))
        return concatenate(parts) if parts else empty_frames(self._buses)

    def of(self, bus: str, identifier: int, extended: bool, limit: int | None = None) -> Frames:
        """Return the held data frames of one identifier, oldest first.

        Parameters
        ----------
        bus
            The interface, as the frames name it.
        identifier, extended
            Which identifier; one of 11 and one of 29 bits differ.
        limit
            At most so many, the latest ones.
        """
        parts: list[Frames] = []
        count = 0
        for batch in reversed(self._all()):
            rows = np.flatnonzero(_is_of(batch, bus, identifier, extended))
            if limit is not None:
                rows = rows[max(0, len(rows) - (limit - count)) :]
            if len(rows):
                parts.append(batch.take(rows))
                count += len(rows)
            if limit is not None and count >= limit:
                break
        return concatenate(parts[::-1]) if parts else empty_frames(self._buses)

    def _all(self) -> list[Frames]:
        return [*(batch.frames for batch in self._batches), *self._small]

    def _join(self) -> None:
        """Make one batch of the small ones, split where it would be far over the size of a batch."""
        joined = concatenate(self._small)
        self._small, self._small_count, self._joined_ns = [], 0, self._end_ns
        pieces = [joined]
        if (
            len(joined) > 4 * _WHOLE
        ):  # pieces share their memory; copied, an old one can be freed while a newer one stays
            pieces = [each.take(np.arange(len(each))) for each in joined.pieces(_WHOLE)]
        later = np.zeros(len(pieces), dtype=np.int64)
        for at in range(len(pieces) - 2, -1, -1):
            newer, here = pieces[at + 1].time_ns, pieces[at].time_ns
            later[at] = later[at + 1] + max(0, int(newer[-1]) - int(here[-1]))
        self._batches.extend(
            _Batch(piece, self._end_ns - int(after)) for piece, after in zip(pieces, later, strict=True)
        )

    def _trim(self) -> None:
        """Drop whole batches that are too old or too many, then cut the oldest one."""
        batches = self._batches
        while batches and (
            batches[0].end_ns < self._end_ns - self._age_ns or self._count - len(batches[0].frames) >= self._most
        ):
            self._count -= len(batches.popleft().frames)
        if not batches:
            return
        oldest = batches[0]
        limit = int(oldest.frames.time_ns[-1]) - (self._age_ns - (self._end_ns - oldest.end_ns))
        cut = 0
        if int(oldest.frames.time_ns[0]) < limit and not oldest.frames.has(Flag.UNTIMED).any():
            cut = int(np.argmax(oldest.frames.time_ns >= limit))
        cut = max(cut, self._count - self._most)
        if cut > 0:
            batches[0] = _Batch(oldest.frames.slice(cut, len(oldest.frames)), oldest.end_ns)
            self._count -= cut


def _is_of(batch: Frames, bus: str, identifier: int, extended: bool) -> Bools:
    """Tell which frames are data frames of an identifier; bool[n]."""
    if bus not in batch.buses:
        return np.zeros(len(batch), dtype=np.bool_)
    kind = batch.flags & np.uint8(Flag.EXTENDED | Flag.ERROR | Flag.REMOTE)
    mask: Bools = (batch.id == identifier) & (kind == (Flag.EXTENDED if extended else 0))
    mask &= batch.bus == batch.buses.index(bus)
    return mask
