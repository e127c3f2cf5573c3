"""What a car with its key on and its engine off must show: channel by channel, with the limit and the verdict."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools
from buswright.diagnosis.case import Case
from buswright.diagnosis.relations import GRAVITY
from buswright.diagnosis.sensors.numbers.soak import before_start, seen_after_soak
from buswright.diagnosis.sensors.numbers.zeroes import REST_LEAST, level_in, seen_at_rest
from buswright.health.channels.evidence import ChannelEvidence

Verdict = Literal["within", "beyond", "not judged"]

STILL_KMH = 1.0
GRAVITY_WITHIN = 0.49
STRAIGHT_DEG = 3.0
BATTERY_V = (12.0, 12.9)
SUPPLY_WITHIN_V = 0.3
RIDE_WITHIN_MM = 2.0
"""Limits of a standing car (common practice, no source): speed, 1.00 +/- 0.05 g along z, straight wheels, a charged
battery without a load, a module's own supply beside it, ride height beside that of the good run."""
_ENGINE_OFF_BASES = ("key-on", "engine-off")
"""States of a good run that a zero may be compared with: the engine was off."""


@dataclass(frozen=True, slots=True)
class Truth:
    """One line of the table.

    Attributes
    ----------
    channel, role
        Which.
    level
        What it shows, in `unit`; None where it shows nothing then.
    unit
        Of all figures of the line.
    low, high
        What it should show; None where nothing says.
    verdict
        Whether it does.
    why
        Where the limit comes from, or why there is none.
    good
        What the good run showed in the same state; None without one.
    """

    channel: str
    role: str
    level: float | None
    unit: str
    low: float | None
    high: float | None
    verdict: Verdict
    why: str
    good: float | None = None


def truths(case: Case) -> tuple[Truth, ...]:
    """Return the table, in the order of the channels; nothing where the key was never on with the engine off."""
    channels = case.decoded
    if channels.driving.settled("key-on").sum() < REST_LEAST:
        return ()
    by_name: dict[str, Truth] = {}
    for seen in (*seen_at_rest(case), *seen_after_soak(case)):
        value, suspect = seen.rest.value, seen.suspect
        line = _line(case, seen.each, seen.level, seen.rest.unit, value - suspect, value + suspect, seen.rest.words)
        known = by_name.get(seen.each.name)
        if known is None or known.verdict != "beyond":
            by_name[seen.each.name] = line
    for line in _further(case, channels.driving.settled("key-on")):
        by_name.setdefault(line.channel, line)
    return tuple(by_name[name] for name in channels if name in by_name)


def _line(
    case: Case, each: ChannelEvidence, level: float, unit: str, low: float | None, high: float | None, why: str
) -> Truth:
    if low is None or high is None:
        return Truth(each.name, each.role or "", level, unit, low, high, "not judged", why)
    within: Verdict = "within" if low <= level <= high else "beyond"
    return Truth(each.name, each.role or "", level, unit, low, high, within, why, _good(case, each, unit))


def _good(case: Case, each: ChannelEvidence, unit: str) -> float | None:
    """Return what the good run showed with the engine off, in a unit; None where it was in another state."""
    good = case.baseline
    if good is None or good.at_rest is None or good.at_rest.basis not in _ENGINE_OFF_BASES:
        return None
    known = good.channels.get(each.name)
    zero = known.rest.zero if known is not None and known.rest is not None else None
    return (
        None
        if zero is None or not units.compatible(each.series.unit, unit)
        else units.convert(np.array([zero]), each.series.unit, unit).item()
    )


def _further(case: Case, rests: Bools) -> Iterator[Truth]:
    """Yield the lines of roles that have no rule of their own among the findings."""
    channels = case.decoded
    limits: dict[str, tuple[str, float | None, float | None, str]] = {
        "vehicle_speed": ("km/h", -STILL_KMH, STILL_KMH, "the car stands"),
        "wheel_speed": ("km/h", -STILL_KMH, STILL_KMH, "the car stands"),
        "accel_vert": ("m/s2", GRAVITY - GRAVITY_WITHIN, GRAVITY + GRAVITY_WITHIN, "1 g on level ground"),
        "steering_angle": ("deg", -STRAIGHT_DEG, STRAIGHT_DEG, "front wheels straight ahead, as they should be here"),
        "battery_voltage": ("V", *BATTERY_V, "a charged battery without the alternator"),
    }
    batteries = (level_in(case, each, rests, "V") for each in channels.with_role("battery_voltage"))
    battery = next((level for level in batteries if level is not None), None)
    if battery is not None:
        why = "as the battery, but for the drop in its feed"
        limits["module_supply"] = ("V", battery - SUPPLY_WITHIN_V, battery + SUPPLY_WITHIN_V, why)
    for each in channels.values():
        if not each.measures:
            continue
        if each.role == "damper_travel":
            good = _good(case, each, "mm")
            limits[each.role] = (
                ("mm", None, None, "ride height is known from a good run only: --baseline")
                if good is None
                else ("mm", good - RIDE_WITHIN_MM, good + RIDE_WITHIN_MM, "ride height of the good run")
            )
        if each.role in limits:
            level = level_in(case, each, rests, limits[each.role][0])
            if level is not None:
                yield _line(case, each, level, *limits[each.role])
    cold = before_start(channels.driving)
    for each in channels.values() if cold.sum() >= REST_LEAST else ():
        if (each.role or "").endswith("_temperature") and each.measures:
            level = level_in(case, each, cold, "degC")
            if level is not None:
                why = "temperatures agree only of a cold engine, and this one is not"
                yield _line(case, each, level, "degC", None, None, why)
