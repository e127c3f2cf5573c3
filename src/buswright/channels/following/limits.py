"""Which limit a channel is beyond at the moment, judged as the recorded session would, and limits in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.carfile.model import Channel, Level, Limits, Side
from buswright.channels.following.account import Account, Stretch, no_samples
from buswright.channels.limits import Exceedance, exceedances
from buswright.channels.samples.series import Series

LEVELS: tuple[Level, ...] = ("warning", "caution")
"""Gravest first."""


def limits_in_words(channel: Channel, unit: str) -> str:
    """Say what the limits are: "caution above 110 °C for 2 s; warning above 117 °C for 2 s"; "" without limits."""
    said = []
    unit = units.shown(unit)
    for level, limits in channel.limits:
        ends = [f"{'below' if side == 'low' else 'above'} {limit:g}" for side, limit in limits.ends]
        if not ends:
            continue
        text = f"{level} {' or '.join(ends)}{f' {unit}' if unit else ''}"
        text += f" for {limits.hold_s:g} s" if limits.hold_s else ""
        said.append(text + (f" when {limits.when.text}" if limits.when is not None else ""))
    return "; ".join(said)


@dataclass(frozen=True, slots=True)
class Beyond:
    """The limit that a channel is beyond."""

    level: Level
    side: Side
    limit: float


class Judge:
    """Watches one channel's limits.

    It looks at samples from the last one on at which nothing was beyond anything and no limit held: nothing before
    that has a say any more. A channel that stays beyond is judged over the recent stretch.

    `gates`: by text of a `when`, the account of its evaluation.

    `conditions`: texts of the `when` that it looks at.
    """

    def __init__(self, channel: Channel, gates: Mapping[str, Account]) -> None:
        self._limits = channel.limits[::-1]
        self._gates = gates
        self.conditions = frozenset(each.when.text for _, each in self._limits if each.when is not None)
        self._since_ns: int | None = None

    def begin(self) -> None:
        """Forget what was: times start over."""
        self._since_ns = None

    def beyond(self, stretch: Stretch, latest: Series, tail: Series | None) -> Beyond | None:
        """Return the gravest limit that holds at the latest usable sample; parameters as for `Stretch.series`."""
        series = stretch.series(latest, tail, self._since_ns)
        usable = np.flatnonzero(series.valid)
        if not len(usable):
            return None
        settled = len(series) - (0 if tail is None else len(tail))
        value = series.value[usable]
        outside = np.zeros(len(usable), dtype=np.bool_)
        for _, limits in self._limits:
            for side, limit in limits.ends:
                outside |= value < limit if side == "low" else value > limit
        found: list[Exceedance] = []
        if outside.any():
            for level, limits in self._limits:
                found += exceedances(series, limits, level, gate=self._gate(limits))
        time_ns = series.time_ns[usable]
        for each in found:
            outside[np.searchsorted(time_ns, each.start_ns) : np.searchsorted(time_ns, each.end_ns, side="right")] = (
                True
            )
        calm = np.flatnonzero(~outside[: int(np.searchsorted(usable, settled))])
        if len(calm):
            self._since_ns = int(time_ns[calm[-1]])
        now = [each for each in found if each.end_ns == time_ns[-1]]
        worst = min(now, key=lambda each: LEVELS.index(each.level), default=None)
        return None if worst is None else Beyond(worst.level, worst.side, worst.limit)

    def _gate(self, limits: Limits) -> Series | None:
        if limits.when is None:
            return None
        gate = self._gates[limits.when.text]
        if gate.error:
            raise ValueError(f"{limits.when.text}: {gate.error}")
        if gate.series is None or gate.stale or gate.stretch is None:
            return no_samples(limits.when.text)
        return gate.stretch.series(gate.series, gate.tail)
