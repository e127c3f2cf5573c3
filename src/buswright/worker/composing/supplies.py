"""Supply voltages over a live run: whether a module that restarts lost its feed is asked long afterwards, too."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from buswright.channels.following.follow import Follower
from buswright.channels.samples.series import Floats, Int64s, Series
from buswright.diagnosis.node.gaps.feed import ROLES
from buswright.health.channels.evidence import ChannelEvidence, Channels

MOST_SAMPLES = 200_000
"""Of each supply: 3 MB, half an hour at 100 Hz. Beyond it the older half is let go of."""


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
    """The supply voltages of a live run, taken from a follower before it lets go of them."""

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
