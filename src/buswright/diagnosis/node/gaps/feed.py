"""What the supply voltages did before a module fell silent: whether it lost its feed, or restarted by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.diagnosis.case import SECOND, Case, Window
from buswright.diagnosis.words import FEED
from buswright.health.channels.evidence import ChannelEvidence
from buswright.wording import duration, listed, plural

ROLES = ("module_supply", "battery_voltage")
"""Roles of channels that show a feed."""
LIMITS = ("feed_dip", "feed_dip_s")
"""Thresholds used."""

_OWN_RESTART = (
    "Look first for what restarts the module itself: its firmware, its temperature, its plug. A shorter dip would not "
    "show, so then: "
)


@dataclass(frozen=True, slots=True)
class Feed:
    """What is said of a module's feed.

    Attributes
    ----------
    evidence, ruled_out
        Sentences.
    next_check
        What to do about it.
    thresholds
        Names of those that decided it; empty where nothing was looked up.
    """

    evidence: tuple[str, ...] = ()
    ruled_out: tuple[str, ...] = ()
    next_check: str = FEED
    thresholds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Supply:
    """One supply channel before some silences: lowest values in V, NaN where no sample came, and what is usual."""

    name: str
    lowest: tuple[float, ...]
    usual: float
    period_ns: float

    def dips(self, share: float) -> int:
        """Count the silences before which it was lower than usual by more than a share."""
        return sum(low < (1.0 - share) * self.usual for low in self.lowest)

    @property
    def seen(self) -> bool:
        """Whether it has a sample before one of them."""
        return not all(np.isnan(self.lowest))

    @property
    def least(self) -> float:
        """The lowest of all; NaN without a sample."""
        return float(np.nanmin(self.lowest)) if self.seen else float("nan")


def feed_before(case: Case, module: str, silences: Sequence[Window]) -> Feed:
    """Look up the lowest supply voltage before each silence of a module.

    Parameters
    ----------
    case
        What was measured.
    module
        Its name.
    silences
        When nothing of it came.
    """
    if case.channels is None:
        channels = case.supply_channels(module) or case.supply_channels()
        look = f"Look at {listed(channels)} in the 0.2 s before each restart: a dip points at the feed. "
        return Feed(next_check=(look if channels else "") + FEED)
    share, before_s = (case.limit(name) for name in LIMITS)
    own: list[_Supply] = []
    others: list[_Supply] = []
    for each in case.channels.with_role(*ROLES):
        supply = _before(each, silences, round(before_s * SECOND))
        if supply is not None:
            (own if each.module == module else others).append(supply)
    dipped = [one for one in others if one.dips(share)]
    said = [_seen(supply, share, before_s) for supply in (*own, *dipped)]
    if not own:
        said.insert(0, f"No supply channel of {module} is known.")
    steady = [one for one in others if one.seen]
    ruled_out: tuple[str, ...] = ()
    if steady and not dipped:
        least = min(one.least for one in steady)
        held = f"{listed([one.name for one in steady])} stayed above {_floored(least)} V in the {before_s:g} s before"
        ruled_out = (f"Not a dip of the whole car's supply: {held}.",)
    if dipped or any(one.dips(share) for one in own):
        check = f"The supply dipped first, so begin with the feed. {FEED}"
    else:
        check = f"{_OWN_RESTART}{FEED[0].lower()}{FEED[1:]}" if any(one.seen for one in own) else FEED
    return Feed(tuple(said), ruled_out, check, LIMITS if own or others else ())


def _before(each: ChannelEvidence, silences: Sequence[Window], length_ns: int) -> _Supply | None:
    """Return a channel's lowest values before each silence; None where it measures no voltage."""
    series = each.series
    rows = np.flatnonzero(each.there & np.isfinite(series.value))
    if each.computed or not len(rows) or not units.compatible(series.unit, "V"):
        return None
    time_ns, volts = series.time_ns[rows], units.convert(series.value[rows], series.unit, "V")
    lowest = []
    for silence in silences:
        inside = volts[(time_ns >= silence.start_ns - length_ns) & (time_ns <= silence.start_ns)]
        lowest.append(float(inside.min()) if len(inside) else float("nan"))
    return _Supply(each.name, tuple(lowest), float(np.median(volts)), series.step_s() * SECOND)


def _seen(supply: _Supply, share: float, before_s: float) -> str:
    dips, count, before = supply.dips(share), len(supply.lowest), f"in the {before_s:g} s before"
    if not supply.seen:
        return f"{supply.name} has no sample {before}."
    if not dips:
        every = f"; it comes every {duration(round(supply.period_ns))}" if supply.period_ns > 0 else ""
        return f"{supply.name} stayed above {_floored(supply.least)} V {before}{every}."
    often = "" if count == 1 else f" {dips} of {plural(count, 'silence')}"
    return f"{supply.name} fell to {supply.least:.1f} V {before}{often} (usually {supply.usual:.1f} V)."


def _floored(volts: float) -> str:
    """Write a voltage that a value never was below."""
    return f"{np.floor(volts * 10 - 1e-6) / 10:.1f}"
