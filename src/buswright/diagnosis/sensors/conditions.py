"""When does it happen? Moments laid against what the car did: where they gather, and how likely that is by chance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Literal

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Floats, Int64s
from buswright.diagnosis.case import PARTS, Case, Sighting
from buswright.findings import Condition
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS

About = Literal["vertical acceleration", "engine speed", "temperature", "position", "supply voltage", "time"]
"""What a condition is about; a `position` is that of the steering, a damper or the throttle."""

SIGNIFICANT = 0.05
"""A gathering that chance makes less often than this, all conditions that were tried counted, is one."""
OCCASION_NS = 500_000_000
"""Moments closer than this are one occasion: a contact that opens chatters, and its chatter proves nothing."""
LEAST_OCCASIONS = 3
_LEAST_SHARE = 0.005
"""A region where the car spent less of the time isn't looked at."""
_MOST_MOMENTS = 5_000
"""Of more moments every n-th is taken: chances don't get any smaller, and time is saved."""
_TAILS = (0.5, 0.75, 0.9, 0.95, 0.98)
_BINS = 10

_TEMPERATURES = ("oil_temperature", "coolant_temperature", "air_temperature", "exhaust_temperature")
_POSITIONS = ("steering_angle", "damper_travel", "throttle")
_SUPPLIES = ("battery_voltage", "module_supply")


# Chance ---------------------------------------------------------------------------------------------------------------


def binomial_at_least(count: int, of: int, share: float) -> float:
    """Return the chance of at least `count` hits in `of` independent tries that each hit with `share`; exact."""
    if count <= 0:
        return 1.0
    if share <= 0.0 or count > of:
        return 0.0
    if share >= 1.0:
        return 1.0
    hit, miss = math.log(share), math.log1p(-share)
    choices = _log_choices(of)
    return min(1.0, _summed([choices[k] + k * hit + (of - k) * miss for k in range(count, of + 1)]))


@lru_cache(maxsize=16)
def _log_choices(of: int) -> tuple[float, ...]:
    """Return the logarithms of the binomial coefficients; all columns of a finding have the same number of tries."""
    every = math.lgamma(of + 1)
    return tuple(every - math.lgamma(k + 1) - math.lgamma(of - k + 1) for k in range(of + 1))


def _summed(logarithms: Sequence[float]) -> float:
    largest = max(logarithms)
    return math.exp(largest) * math.fsum(math.exp(each - largest) for each in logarithms)


# Gatherings -----------------------------------------------------------------------------------------------------------


def occasions(moments_ns: Int64s) -> Int64s:
    """Keep the first of moments that follow each other within `OCCASION_NS`; ascending."""
    moments = np.sort(moments_ns)
    new = np.concatenate(([True], np.diff(moments) > OCCASION_NS)) if len(moments) else np.zeros(0, dtype=np.bool_)
    return moments[new]


def conditions_of(channels: Channels, own: Sequence[ChannelEvidence], moments_ns: Int64s) -> tuple[Condition, ...]:
    """Hold moments against everything that the car says of itself, the least likely by chance first.

    Parameters
    ----------
    channels
        All channels of the run.
    own
        Whose moments they are: only windows where these were sent count, and of what they say themselves only a
        position just before. None: all of the run counts.
    moments_ns : int64[n]
        When it happened.

    Returns
    -------
    tuple of Condition
        One for each column that was tried, where any moment came; nothing for fewer than `LEAST_OCCASIONS`.
    """
    found = occasions(moments_ns)
    present = np.unique(np.concatenate([each.grid.number for each in own])) if own else channels.number
    if len(found) < LEAST_OCCASIONS or not len(present):
        return ()
    rows = np.searchsorted(present, found // FINE_NS)
    rows = np.clip(rows, 0, len(present) - 1)
    tried = list(_columns(channels, present, {each.name for each in own}))
    each_best = [
        best
        for about, by, unit, column in tried
        if (best := _best(about, by, unit, column, column[_before(column, rows)])) is not None
    ]
    counted = [(one, min(1.0, one.chance * len(tried))) for one in each_best]
    adjusted = [replace(one, chance=chance, clear=chance < SIGNIFICANT) for one, chance in counted]
    return tuple(sorted(adjusted, key=lambda one: (one.chance, -one.lift)))


def gatherings(channels: Channels, own: Sequence[ChannelEvidence], moments_ns: Int64s) -> tuple[Condition, ...]:
    """Return the conditions under which moments gather, chance ruled out; see `conditions_of`."""
    return tuple(one for one in conditions_of(channels, own, moments_ns) if one.clear)


def closest(conditions: Sequence[Condition]) -> tuple[Condition, ...]:
    """Keep the first condition of each kind."""
    return tuple({one.about: one for one in reversed(conditions)}.values())[::-1]


def _before(column: Floats, rows: Int64s) -> Int64s:
    """Take the window of the moment itself, or the one before it where nothing was known in it."""
    unknown = ~np.isfinite(column[rows])
    return np.where(unknown, np.maximum(rows - 1, 0), rows)


def _columns(channels: Channels, number: Int64s, own: set[str]) -> Iterator[tuple[About, str, str, Floats]]:
    """Yield what moments are laid against, at the windows: about what, which channel, its unit, its values."""
    vertical = [each for each in channels.with_role("accel_vert") if each.name not in own]
    for each in vertical:
        grid = each.value_grid
        if len(grid):
            yield "vertical acceleration", each.name, each.series.unit, grid.at(number, grid.high - grid.low)
    if channels.driving.by and np.isfinite(channels.driving.engine_speed).any():
        place = np.minimum(np.searchsorted(channels.driving.number, number), len(channels.driving.number) - 1)
        yield "engine speed", "engine speed", "rpm", channels.driving.engine_speed[place]
    kinds: tuple[tuple[About, tuple[str, ...]], ...] = (
        ("temperature", _TEMPERATURES),
        ("position", _POSITIONS),
        ("supply voltage", _SUPPLIES),
    )
    for about, roles in kinds:
        for each in channels.with_role(*roles):
            if len(each.value_grid) and (each.name not in own or about == "position"):
                column = each.value_grid.held(number)
                if each.name in own:  # what it said just before is still sound
                    column = np.concatenate(([np.nan], column[:-1]))
                yield about, each.name, each.series.unit, column
    seconds = (number - channels.number[0]) * (FINE_NS * 1e-9)
    yield "time", "", "s", seconds


def _best(about: About, by: str, unit: str, column: Floats, at: Floats) -> Condition | None:
    """Return the region of one column where the moments gather most, with its chance for all regions of the column."""
    known, hits = np.sort(column[np.isfinite(column)]), at[np.isfinite(at)]
    if len(hits) < LEAST_OCCASIONS or not len(known) or known[0] == known[-1]:
        return None
    best: Condition | None = None
    tried = 0
    for low, high in _regions(known):
        share = (np.searchsorted(known, high, side="right") - np.searchsorted(known, low, side="left")) / len(known)
        if not _LEAST_SHARE <= share <= _TAILS[0] + 0.1:
            continue
        tried += 1
        inside = int(((hits >= low) & (hits <= high)).sum())
        chance = binomial_at_least(inside, len(hits), float(share))
        if best is None or chance < best.chance:
            lift = inside / len(hits) / float(share)
            where = _where(about, by, unit, low, high)
            best = Condition(about, by, where, inside, len(hits), float(share), lift, chance, clear=False)
    if best is None or not best.inside:
        return None
    return replace(best, chance=min(1.0, best.chance * tried))


def _regions(known: Floats) -> Iterator[tuple[float, float]]:
    """Yield both tails at several depths, and bins of equal width between the 1st and the 99th percentile."""
    tails = [share for depth in _TAILS for share in (depth, 1.0 - depth)]
    *ends, low, high = np.quantile(known, [*tails, 0.01, 0.99]).tolist()
    for deep, rest in zip(ends[::2], ends[1::2], strict=True):
        yield deep, math.inf
        yield -math.inf, rest
    edges = np.linspace(low, high, _BINS + 1).tolist()
    yield from pairwise(edges[1:-1])


def _where(about: About, by: str, unit: str, low: float, high: float) -> str:
    name = by
    if about == "vertical acceleration":
        name = f"the swing of {by} within 0.1 s"
    if about == "time":
        if math.isinf(high):
            return f"after the first {low:.0f} s"
        return f"in the first {high:.0f} s" if math.isinf(low) else f"between {low:.0f} and {high:.0f} s"
    behind = f" {units.shown(unit)}" if unit else ""
    if math.isinf(high):
        return f"while {name} was above {low:.3g}{behind}"
    if math.isinf(low):
        return f"while {name} was below {high:.3g}{behind}"
    return f"while {name} was between {low:.3g} and {high:.3g}{behind}"


# Of findings ----------------------------------------------------------------------------------------------------------


def with_conditions(case: Case, one: Sighting) -> Sighting:
    """Return a sighting whose finding says under which conditions it came; unchanged where it came too seldom."""
    if one.coarse or len(one.windows) < 2:
        return one
    starts = np.array([window.start_ns for window in one.windows], dtype=np.int64)
    starts = starts[:: 1 + len(starts) // _MOST_MOMENTS]
    found = conditions_of(case.decoded, _own(case, one.finding.subject), starts)
    return replace(one, finding=replace(one.finding, conditions=closest(found))) if found else one


def with_conditions_of(found: Iterable[Sighting], earlier: Iterable[Sighting]) -> tuple[Sighting, ...]:
    """Return sightings with the conditions of earlier ones that say the same of the same subject."""
    known = {(one.finding.fault, one.finding.subject): one.finding.conditions for one in earlier}
    return tuple(
        replace(one, finding=replace(one.finding, conditions=conditions))
        if (conditions := known.get((one.finding.fault, one.finding.subject)))
        else one
        for one in found
    )


def _own(case: Case, subject: str) -> list[ChannelEvidence]:
    """Return the channels whose samples show it; none for a module or a bus, which is watched all the time."""
    kind, _, name = subject.partition(":")
    if kind == "channel":
        return [case.decoded[name]] if name in case.decoded else []
    return next((case.decoded.groups(what).get(name, []) for what in PARTS if what == kind), [])
