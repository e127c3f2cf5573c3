"""What is kept of a live run: its latest minutes as frames, and its supply voltages over all of it."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from buswright.channels.following.follow import Follower
from buswright.channels.samples.series import Floats, Int64s, Series
from buswright.diagnosis.case import SECOND, Window
from buswright.diagnosis.node.gaps.feed import ROLES
from buswright.frames.table import Flag, Frames, concatenate
from buswright.health.channels.evidence import ChannelEvidence, Channels

KEPT_S = 300
"""Most of what comes and goes is seen in minutes, and more would take too long to judge (a choice)."""
KEPT_FRAMES = 1_000_000
"""About 25 MB, and a minute of two buses that are full."""
MOST_SAMPLES = 200_000
"""Of each supply voltage: 3 MB, half an hour at 100 Hz. Beyond it the older half is let go of."""
_PIECE_FRAMES = 50_000
_PIECE_NS = 10 * SECOND


class KeptFrames:
    """Keeps the latest frames, in pieces, so that few are handed on and the oldest are easily let go of.

    Attributes
    ----------
    count
        Frames that were added, those that are gone too.
    """

    def __init__(self) -> None:
        self._pieces: deque[Frames] = deque()
        self._pending: list[Frames] = []
        self._pending_count = self._held = self.count = 0
        self._begun_ns: int | None = None
        self._newest_ns: int | None = None

    def add(self, frames: Frames) -> None:
        """Keep a batch."""
        if not len(frames):
            return
        self._pending.append(frames)
        self._pending_count += len(frames)
        self._held += len(frames)
        self.count += len(frames)
        timed = frames.time_ns[~frames.has(Flag.UNTIMED)]
        if len(timed):
            newest = int(timed.max()) if self._newest_ns is None else max(int(timed.max()), self._newest_ns)
            begun = int(timed.min()) if self._begun_ns is None else self._begun_ns
            self._newest_ns, self._begun_ns = newest, begun
            if newest - begun >= _PIECE_NS:
                self._close()
        if self._pending_count >= _PIECE_FRAMES:
            self._close()

    def _close(self) -> None:
        """Make a piece of what has come together, and let go of the oldest ones."""
        if self._pending:
            self._pieces.append(concatenate(self._pending))
        self._pending, self._pending_count, self._begun_ns = [], 0, None
        while len(self._pieces) > 1 and self._has_too_much():
            self._held -= len(self._pieces.popleft())

    def _has_too_much(self) -> bool:
        newest = self._newest_ns
        old = newest is not None and int(self._pieces[0].time_ns.max()) < newest - KEPT_S * SECOND
        return old or self._held > KEPT_FRAMES

    @property
    def span(self) -> Window | None:
        """From the first kept frame to the newest; None before there was one."""
        held = [*self._pieces, *self._pending[:1]]
        if not held or self._newest_ns is None:
            return None
        return Window(int(held[0].time_ns[0]), self._newest_ns)

    def pieces(self) -> tuple[Frames, ...]:
        """Return what is kept, oldest first."""
        return (*self._pieces, concatenate(self._pending)) if self._pending else tuple(self._pieces)


@dataclass(slots=True)
class _Supply:
    """One supply voltage as far as it was followed."""

    time_ns: Int64s = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    value: Floats = field(default_factory=lambda: np.zeros(0))

    def add(self, time_ns: Int64s, value: Floats) -> None:
        """Append what lies behind what it has."""
        new = time_ns > self.time_ns[-1] if len(self.time_ns) else np.ones(len(time_ns), dtype=np.bool_)
        if len(self.time_ns) > MOST_SAMPLES:
            self.time_ns, self.value = self.time_ns[MOST_SAMPLES // 2 :], self.value[MOST_SAMPLES // 2 :]
        self.time_ns = np.concatenate((self.time_ns, time_ns[new]))
        self.value = np.concatenate((self.value, value[new]))


class Supplies:
    """The supply voltages of a live run, taken from a follower before it lets go of them.

    Whether a module that restarts lost its feed is asked long afterwards, too.
    """

    def __init__(self) -> None:
        self._supplies: dict[str, _Supply] = {}

    def so_far(self, channels: Channels, follower: Follower | None) -> Mapping[str, ChannelEvidence]:
        """Return the supplies among the channels as detectors take them, with all samples so far.

        Parameters
        ----------
        channels
            What the channels are; their samples aren't looked at.
        follower
            Has the latest samples; None: it failed, and there are no new ones.
        """
        supplies = {each.name: each for each in channels.with_role(*ROLES) if not each.computed}
        found = {}
        for plotted in follower.plotted(tuple(supplies)) if follower is not None else ():
            series = plotted.series
            evidence = supplies[series.name].with_series(series)
            rows = np.flatnonzero(evidence.there & np.isfinite(series.value))
            supply = self._supplies.setdefault(series.name, _Supply())
            supply.add(series.time_ns[rows], series.value[rows])
            whole = Series(series.name, series.unit, supply.time_ns, supply.value, period_s=series.period_s)
            found[series.name] = evidence.with_series(whole)
        return found
