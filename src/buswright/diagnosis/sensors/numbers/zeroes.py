"""Zeroes: what channels show while the car stands or drives straight, and what they showed in a good run."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Floats
from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.diagnosis.sensors.numbers.levels import not_the_wire
from buswright.diagnosis.sensors.wired import careful
from buswright.findings import Severity
from buswright.health.channels.driving import Driving
from buswright.health.channels.evidence import ChannelEvidence

AFTER_STOP = 30
"""Windows after the engine stopped in which its oil pressure still falls."""
STRAIGHT_DEG_S = 1.5
STEERING_DEG = 8.0
"""Yaw rate that counts as straight, and the steering angle that isn't zero then (common practice, no source)."""
STRAIGHT_SPREAD = 0.5
"""A zero is the same each time: where the middle half of what is seen lies further apart than this part of what it is
off, twice over, something else moves it (common practice, no source)."""
REST_LEAST = 8
"""Windows at rest below which a zero isn't judged."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What a role shows while the car stands with its engine off, in a unit.

    Attributes
    ----------
    unit
        In which the rest is written.
    value
        What it should be.
    suspect, fault
        Off by more, in the unit; 0: a share of the span is used.
    words
        Why.
    """

    unit: str
    value: float
    suspect: float
    fault: float
    words: str


AT_REST = {
    # Common practice, no source: the static truths of a car with key on and engine off.
    "accel_long": Rest("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "accel_lat": Rest("m/s2", 0.0, 1.0, 3.0, "a standing car doesn't accelerate"),
    "yaw_rate": Rest("deg/s", 0.0, 1.5, 5.0, "a standing car doesn't turn"),
    "throttle": Rest("%", 0.0, 5.0, 15.0, "nobody presses the pedal"),
    "brake_pressure": Rest("bar", 0.0, 0.0, 0.0, "without a foot on the pedal it is zero"),
    "oil_pressure": Rest("bar", 0.0, 0.0, 0.0, "a standing engine has none"),
    "engine_speed": Rest("rpm", 0.0, 30.0, 200.0, "the engine stands"),
}
ENGINE_OFF = frozenset({"oil_pressure", "engine_speed"})
"""Roles that need the engine off, not only a standing car."""
SLOPED = frozenset({"accel_long", "accel_lat"})
"""Roles that show the slope on which a car idles, at the start of a hill: then only what no slope makes counts."""
PEDALS = frozenset({"throttle", "brake_pressure"})
"""Roles that a foot moves, also while the car stands."""
_STILL_UP = 0.4
"""A zero that wandered is seen in the last quarter of the drive by this part at least, whenever the foot is off."""
_WANDERED = 0.5
"""A zero that moved by this part of its error, from before the drive to after it, wandered."""
_AS_LOW = 0.01
"""A pedal is released where it lies within this part of its movement of its lowest."""
SPAN_SUSPECT, SPAN_FAULT = 0.03, 0.08
"""Zero off by this share of the span, where the rest has no unit of its own."""
ATMOSPHERE_BAR = (0.94, 1.03)
"""What a gauge pressure shows at rest that was calibrated as absolute, or the other way."""


@dataclass(frozen=True, slots=True, eq=False)
class SeenAtRest:
    """What a channel shows at rest, and what it should.

    Attributes
    ----------
    each
        Which.
    rest
        What it should show, and in which unit.
    level
        What it shows: before the first start or after the drive, whichever is further off.
    suspect, fault
        How far it may be off, in that unit.
    before
        What it showed before the drive where `level` is of the time after it; None otherwise.
    """

    each: ChannelEvidence
    rest: Rest
    level: float
    suspect: float
    fault: float
    before: float | None = None

    @property
    def off(self) -> float:
        """By how much it is off."""
        return self.level - self.rest.value

    @property
    def severity(self) -> Severity | None:
        """How grave that is; None where it is within the limit."""
        if abs(self.off) <= self.suspect:
            return None
        return Severity.FAULT if abs(self.off) > self.fault else Severity.SUSPECT


def seen_at_rest(case: Case) -> Iterator[SeenAtRest]:
    """Yield what channels show while the car stands: before the first start, and after the engine ran."""
    driving = case.decoded.driving
    stopped, standing = driving.settled("key-on"), driving.settled("key-on", "standing")
    still = still_in(driving)
    before = np.cumsum(driving.is_doing("cranking", "idle", "driving")) == 0
    for each in case.decoded.values():
        rest = AT_REST.get(each.role or "")
        if rest is None or not each.measures:
            continue
        rests = stopped if each.role in ENGINE_OFF else standing if each.role in PEDALS | SLOPED else still
        if each.role in SLOPED:
            idled = level_in(case, each, _last(still & ~before), rest.unit)
            rests = still if idled is not None and abs(idled - rest.value) > rest.fault else standing
        after = _last(_late(rests & ~before) if each.role in ENGINE_OFF else rests & ~before)
        levels = []
        for part in (rests & before, after):
            level = level_in(case, each, part, rest.unit, lowest=_touched(case, each, part))
            if level is not None and (part is not after or not _pressed(case, each, level, rest)):
                levels.append(level)
        if not levels:
            continue
        level = max(levels, key=lambda found: abs(found - rest.value))
        suspect, fault = rest.suspect, rest.fault
        if not suspect:
            span = span_in(each, rest.unit)
            if span is None:
                continue
            suspect, fault = SPAN_SUSPECT * span, SPAN_FAULT * span
        came = len(levels) == 2 and level == levels[1]
        yield SeenAtRest(each, rest, level, suspect, fault, levels[0] if came else None)


def still_in(driving: Driving) -> Bools:
    """Tell in which windows the car stood, whatever its engine did: it shakes a car, and doesn't move it; bool[k].

    An engine that runs tells nothing where nobody says how fast the car is.
    """
    stood: Bools = driving.settled("key-on", "standing", "idle")
    return stood & (np.isfinite(driving.speed) | driving.is_doing("key-on", "standing"))


def wrong_at_rest(case: Case) -> Iterator[Sighting]:
    """Hold channels against what a standing car must show: before the first start, and after the engine ran."""
    for seen in seen_at_rest(case):
        rest, off = seen.rest, seen.off
        engine_off = seen.each.role in ENGINE_OFF | PEDALS
        when = "Key on, engine off" if engine_off else "While the car stands"
        an_atmosphere = rest.unit == "bar" and ATMOSPHERE_BAR[0] <= abs(off) <= ATMOSPHERE_BAR[1]
        if an_atmosphere and abs(off) > 2 / 3 * seen.suspect:
            words = "It is off by the pressure of the air: gauge and absolute are mixed up."
            yield wrong_zero("unit-mixup", Severity.FAULT, seen.each, off, rest, words, 0.85, when)
        elif seen.severity is not None:
            if seen.before is not None and abs(seen.level - seen.before) > _WANDERED * abs(off):
                words = (
                    f"Before the start it was {seen.before:.4g} {units.shown(rest.unit)}: it wandered during the run."
                )
                yield wrong_zero("drift", seen.severity, seen.each, off, rest, words, 0.6, when)
            else:
                yield wrong_zero("offset", seen.severity, seen.each, off, rest, "", 0.75, when)


def _late(rests: Bools) -> Bools:
    """Leave the first seconds of each stretch out; bool[k]."""
    run = np.arange(len(rests)) - np.maximum.accumulate(np.where(rests, -1, np.arange(len(rests))))
    late: Bools = rests & (run > AFTER_STOP)
    return late


def _last(rests: Bools) -> Bools:
    """Keep the last stretch that is long enough to be judged; bool[k]."""
    rows = np.flatnonzero(rests)
    stretches = [part for part in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if len(part) >= REST_LEAST]
    kept: Bools = np.zeros(len(rests), dtype=np.bool_)
    if stretches:
        kept[stretches[-1]] = True
    return kept


def level_in(case: Case, each: ChannelEvidence, where: Bools, unit: str, *, lowest: bool = False) -> float | None:
    """Return the median of a channel's usable values in some windows, in a unit; None under `REST_LEAST` windows.

    `lowest` takes the windows at the lowest level that lasts: a foot on a pedal only adds to its rest.
    """
    if not units.compatible(each.series.unit, unit):
        return None
    held = each.value_grid.held(case.decoded.number[where], most=5)
    known = held[np.isfinite(held)]
    if lowest and len(known):
        known = known[known <= known.min() + _AS_LOW * _size(each)]
    if len(known) < REST_LEAST:
        return None
    return float(np.median(units.convert(known, each.series.unit, unit)))


def _pressed(case: Case, each: ChannelEvidence, level: float, rest: Rest) -> bool:
    """Whether a foot may hold a pedal after the drive: it was released in the drive's last quarter."""
    if each.role not in PEDALS or level < rest.value:
        return False
    driven = case.decoded.number[case.decoded.driving.is_doing("driving")]
    values = each.value_grid.held(driven[3 * len(driven) // 4 :], most=5)
    values = values[np.isfinite(values)]
    if not len(values):
        return True
    released = float(units.convert(values, each.series.unit, rest.unit).min())
    return released - rest.value < _STILL_UP * (level - rest.value)


def _touched(case: Case, each: ChannelEvidence, where: Bools) -> bool:
    """Whether somebody moved it meanwhile: a foot on a pedal."""
    if each.role not in PEDALS:
        return False
    values = each.value_grid.held(case.decoded.number[where], most=5)
    values = values[np.isfinite(values)]
    return len(values) > 1 and bool(np.ptp(values) > 0.2 * _size(each))


def _size(each: ChannelEvidence) -> float:
    grid = each.value_grid
    return float(grid.high.max() - grid.low.min()) if len(grid) else 0.0


def span_in(each: ChannelEvidence, unit: str) -> float | None:
    """Return what a channel's sensor can measure from end to end, in a unit; None where nobody says."""
    if each.sensor is not None and np.isfinite(each.sensor.calibration.span):
        source = each.sensor.calibration.unit
        if units.compatible(source, unit):
            return abs(each.sensor.calibration.span * units.line(source, unit)[0])
    plausible = each.channel.plausible if each.channel is not None else None
    if plausible is not None and units.compatible(each.series.unit, unit):
        return abs((plausible[1] - plausible[0]) * units.line(each.series.unit, unit)[0])
    return None


def wrong_zero(
    fault: str,
    severity: Severity,
    each: ChannelEvidence,
    off: float,
    rest: Rest,
    words: str,
    sure: float,
    when: str = "Key on, engine off",
    check: str = "",
) -> Sighting:
    """Say that a channel is off what it should show at rest."""
    shown = f"{off:+.3g} {units.shown(rest.unit)}"
    return sighting(
        fault,
        severity,
        each.subject,
        confidence=sure,
        evidence=[
            (
                f"{when}: {each.name} shows {rest.value + off:.4g} {units.shown(rest.unit)} and should show "
                f"{rest.value:g}: {rest.words}."
            ),
            *([words] if words else []),
        ],
        threshold=f"off by more than {rest.suspect:g} {units.shown(rest.unit)}"
        if rest.suspect
        else f"off by more than {100 * SPAN_SUSPECT:g} % of the span is suspect, over {100 * SPAN_FAULT:g} % a fault",
        ruled_out=not_the_wire(each),
        next_check=check
        or f"With the car standing, vent or release what {each.name} measures and read it again. "
        f"If it stays at {shown}, set its zero in the car file, with date and name.",
        caution=careful([each]),
    )


def seen_straight(case: Case) -> Iterator[SeenAtRest]:
    """Yield what the steering shows while the car drives straight; not where it wanders as much as it is off."""
    turning, views = _turning(case), case.views
    for each in case.decoded.with_role("steering_angle"):
        angle = views.column(each, "deg")
        if angle is None or turning is None:
            continue
        with np.errstate(invalid="ignore"):
            straight = views.fast & (np.abs(turning) < np.radians(STRAIGHT_DEG_S)) & np.isfinite(angle)
        if straight.sum() < 2 * REST_LEAST:
            continue
        low, off, high = np.quantile(angle[straight], (0.25, 0.5, 0.75)).tolist()
        rest = Rest("deg", 0.0, STEERING_DEG, 3 * STEERING_DEG, "the car drives straight on")
        if abs(off) <= rest.suspect or high - low <= 2 * STRAIGHT_SPREAD * abs(off):
            yield SeenAtRest(each, rest, off, rest.suspect, rest.fault)


def wrong_when_straight(case: Case) -> Iterator[Sighting]:
    """Find a steering angle that isn't zero while the car drives straight."""
    by_law = "While the lateral acceleration is near what it is at a standstill"
    when = "While the yaw rate is near zero" if case.views.yaw is not None else by_law
    for seen in seen_straight(case):
        if seen.severity is not None:
            yield wrong_zero("offset", seen.severity, seen.each, seen.off, seen.rest, "", 0.75, when)


def _turning(case: Case) -> Floats | None:
    """Return how fast the car turns, in rad/s: by the yaw rate, else by the law; None where nobody knows.

    A body in a circle: the yaw rate is the lateral acceleration over the speed. Its own zero, as it shows at a
    standstill, is taken out first.
    """
    views = case.views
    if views.yaw is not None:
        return views.yaw.value
    speed, lateral = views.speed, views.only("accel_lat", "m/s2", "lateral acceleration")
    if speed is None or lateral is None:
        return None
    zero = level_in(case, lateral.first, still_in(case.decoded.driving), "m/s2")
    if zero is None:
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        turning: Floats = np.where(views.fast, (lateral.value - zero) / speed.value, np.nan)
    return turning
