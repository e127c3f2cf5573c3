"""Remote frames: who is asked for, and which requests nobody answered before the next one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, Frames, UInt8s
from buswright.health.model.identifiers import Unanswered


class RequestsFold:
    """Folds the remote frames of a whole capture, and the data frames that answer them."""

    def __init__(self) -> None:
        self.counts: dict[FrameName, int] = {}
        self.unanswered: dict[FrameName, Unanswered] = {}
        self._waiting: dict[FrameName, int] = {}

    def add(self, frames: Frames, lane: UInt8s, buses: Sequence[str], *, any_remote: bool) -> None:
        """Take a batch; `lane` uint8[n] numbers the `buses`."""
        if not any_remote and not self._waiting:
            return
        usable = ~frames.has(Flag.ERROR | Flag.UNTIMED)
        remote = frames.has(Flag.REMOTE)
        asked = np.flatnonzero(remote & ~frames.has(Flag.ERROR))
        key = lane.astype(np.int64) << 30 | frames.id.astype(np.int64) << 1
        key |= frames.has(Flag.EXTENDED)
        numbers = {name: number for number, name in enumerate(buses)}
        keys = {numbers[name.bus] << 30 | name.id << 1 | name.extended: name for name in self._waiting}
        for number, count in zip(*(each.tolist() for each in np.unique(key[asked], return_counts=True)), strict=True):
            name = FrameName(buses[number >> 30], (number & 0x3FFFFFFF) >> 1, bool(number & 1))
            self.counts[name] = self.counts.get(name, 0) + count
            keys[number] = name
        for number, name in keys.items():
            rows = np.flatnonzero((key == number) & usable)
            if len(rows):
                self._follow(name, remote[rows].tolist(), frames.time_ns[rows].tolist())

    def _follow(self, name: FrameName, remote: Sequence[bool], time_ns: Sequence[int]) -> None:
        """Go through the requests of one identifier and what came of them: few frames, next to all others."""
        waiting = self._waiting.pop(name, None)
        for is_request, time in zip(remote, time_ns, strict=True):
            if is_request and waiting is not None:
                before = self.unanswered.get(name)
                self.unanswered[name] = Unanswered(
                    1 if before is None else before.requests + 1,
                    waiting if before is None else before.first_ns,
                    waiting,
                )
            waiting = time if is_request else None
        if waiting is not None:
            self._waiting[name] = waiting

    def of(self, data: Mapping[FrameName, object]) -> dict[FrameName, int]:
        """Return how often was asked for what never came as data."""
        return {name: asked for name, asked in sorted(self.counts.items()) if name not in data}
