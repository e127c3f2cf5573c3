"""Whether inputs that left together lost their supply, or a plug that nobody describes: frames alone can tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from buswright.channels.samples.series import Floats
from buswright.diagnosis.sensors.inputs.rail_stays import Stay
from buswright.diagnosis.sensors.sharing import named
from buswright.diagnosis.sensors.steps import converter_step
from buswright.diagnosis.sensors.wired import is_fed, kind_of, open_reads
from buswright.health.channels.evidence import ChannelEvidence, Channels

_APART = 0.2
"""Volts before that differ by less than this part of them can't show whether the levels follow them."""
_FOLLOWING = 0.5
"""Levels that follow what was read before scatter as that does, each as a part of its mean; a bias doesn't."""
_BESIDE_NS = 10_000_000_000
"""What a sensor read so long before and behind."""
_SEEN = 1.5
"""Steps of the converter above 0 V from which a level says something."""
_RATIO = "ratiometric"


class Plug(NamedTuple):
    """Whether a plug came off, and not a supply; the sentence that rules the other out, or why nothing does."""

    off: bool
    ruled_out: str = ""
    undecided: str = ""


def plug_or_supply(channels: Channels, group: Sequence[Stay]) -> Plug:
    """Tell a plug that came off from a supply that was lost, where the car file names neither.

    A plug that comes off leaves each input at its own bias. Without its supply a sensor holds the input at ground,
    or gives its part of what is left of the supply; a sensor with a regulator of its own needs no reference.
    """
    sides = [(open_reads(stay.each), stay.side) for stay in group]
    if any(read == "high" and side == "low" for read, side in sides):
        return Plug(False, "Not a plug: an input of which an open wire reads high (open_reads) fell, too.")
    if any(side == "high" for _, side in sides) and all(read == side for read, side in sides):
        return Plug(True, "Not a lost supply: each input went where an open wire of it reads (open_reads).")
    if any(read != "low" or side != "low" for read, side in sides):
        return Plug(False)
    kept = any(kind_of(each) == _RATIO for each in _others(channels, group))
    if kept and all(kind_of(stay.each) != _RATIO for stay in group):
        return Plug(True, "Not a lost 5 V supply: the sensors of that module which follow it kept their volts.")
    level, before = _levels(group)
    if len(level) < len(group) or np.ptp(before) < _APART * before.max():
        return Plug(False, undecided="A plug of all of them that came off would look the same in frames.")
    if _scatter(level) < _FOLLOWING * _scatter(before):
        return Plug(
            True, f"Not a lost supply: the levels, {np.median(level):.3f} V, don't follow what the sensors read before."
        )
    return Plug(False, "Not a plug: what is left of the volts follows what the sensors read before.")


def plug_check(members: Sequence[ChannelEvidence], *, off: bool) -> str:
    """Say the check that tells a plug from a supply where nobody describes the wiring; the likelier one first."""
    sensors = f"the sensors of {named(members)}"
    plug = "look for a plug or splice that"
    if off:
        return (
            f"Power off, {plug} {sensors} share: is it home, are its pins? If so, key on, measure the supply at one of "
            "them against sensor ground."
        )
    return (
        f"Key on, measure the supply of {sensors} at one of them against sensor ground. If it is there, power off, "
        f"{plug} they share."
    )


def _others(channels: Channels, group: Sequence[Stay]) -> list[ChannelEvidence]:
    """Return the fed sensors of the same modules that kept their volts."""
    names, modules = {stay.each.name for stay in group}, {stay.each.module for stay in group}
    return [
        each
        for each in channels.values()
        if each.module in modules and each.name not in names and is_fed(each) and not each.bad_samples.bad
    ]


def _levels(group: Sequence[Stay]) -> tuple[Floats, Floats]:
    """Return the volts of each stay that can be told from 0 V, and what its sensor read beside it."""
    level, before = [], []
    for stay in group:
        each = stay.each
        times = each.series.time_ns
        usable = each.there & ~each.bad
        usable &= (times >= stay.window.start_ns - _BESIDE_NS) & (times <= stay.window.end_ns + _BESIDE_NS)
        usable[stay.first : stay.stop] = False
        rows = slice(stay.first, stay.stop)
        held = float(each.quantity[rows][each.there[rows]].mean())  # noise tells more than a step of the converter
        if each.per_volt is None or not usable.any() or held < _SEEN * max(each.step, converter_step(each)):
            continue
        level.append(held / each.per_volt)
        before.append(float(np.median(each.quantity[usable])) / each.per_volt)
    return np.array(level), np.array(before)


def _scatter(values: Floats) -> float:
    return float(values.std() / values.mean())
