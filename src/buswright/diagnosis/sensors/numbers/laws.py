"""Factors: how far channels move, held against what physics makes of others."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Floats
from buswright.diagnosis.case import Answers, Case, Sighting, Why, sighting
from buswright.diagnosis.relations import CLEAR_R, CORNERS, Fit, Views, fit
from buswright.diagnosis.sensors.codes.places import beside_its_place, unused_bits
from buswright.diagnosis.sensors.numbers.levels import LEAST_WINDOWS, LEVELS, MIXED, not_the_wire
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence

_NO_SCALE = frozenset({"gear", "fan_state", "latitude", "longitude"})
CLOSE_R = 0.95
"""Correlation from which the factor between two ways to know one quantity means something."""
LAW_TOLERANCE = {"wheel_speed": 0.12, "vehicle_speed": 0.12, "accel_long": 0.30, "accel_lat": 0.25, "yaw_rate": 0.25}
"""How far a factor may be off where physics says one: tyres slip, roads are cambered, hills are steep."""
PAIR_TOLERANCE = 0.05
"""The same for the two wheels of an axle, which turn alike on the straight."""

_CIRCLED = 0.3
"""Both axles turn unevenly in a circle, the front one less: this part of the other's difference at the least."""

_ALONE = 0.5
"""One wheel is off alone where no other is off by this part of it."""


def wrong_factors(case: Case) -> Iterator[Sighting]:
    """Find channels whose factor against another way to know the same quantity isn't one."""
    blamed: set[str] = set()
    for each, made, words, agree, tolerance, sources, beside in laws(case.views):
        off = made.slope
        if made.r < CLOSE_R or abs(off - 1.0) <= tolerance or not blamed.isdisjoint((each.name, *sources)):
            continue
        blamed.add(each.name)
        guess = case.limit("unit_guess", channel=each.name)
        mixed = min(MIXED, key=lambda one: abs(off / one.factor - 1.0))
        named = abs(off / mixed.factor - 1.0) <= max(guess, 0.5 * tolerance)
        own = each.sensor is not None
        fault = ("unit-mixup" if own else "scale-or-unit") if named else "gain"
        unused = unused_bits(each)
        doubled = unused > 0 and abs(off / 2.0**unused - 1.0) <= max(guess, 0.5 * tolerance)
        fault = "bit-position" if doubled else fault
        said = f"That is {mixed.words}, within {100 * abs(off / mixed.factor - 1):.1f} %." if named else ""
        yield sighting(
            fault,
            Severity.FAULT if agree else Severity.SUSPECT,
            each.subject,
            confidence=0.85 if agree else 0.5,
            evidence=[
                f"{each.name} moves {off:.3g} times as much as {words} says (r = {made.r:.2f}, {made.seconds:.0f} s).",
                *([said] if said else []),
                *(beside_its_place(each, unused) if doubled else []),
                *([] if agree else [f"It may as well be {words} that is off: no third says which."]),
            ],
            threshold=f"off by more than {100 * tolerance:.0f} %; {case.used('unit_guess', channel=each.name)}",
            ruled_out=[*([f"Not {words}: others agree with it."] if agree else []), *not_the_wire(each)],
            next_check=(
                f"Look up scale, unit and sensor of {each.name} in the car file and the database"
                + (", count the teeth and measure the rolling circumference." if each.role == "wheel_speed" else ".")
            )
            if agree
            else _PROOFS[each.role or ""].format(name=each.name),
            rivals=()
            if agree or not beside
            else [Rival(fault, f"channel:{beside}", "the two disagree, and no third channel says which is right")],
        )


_PROOFS = {
    "wheel_speed": "Roll the car by ten turns of that wheel and measure the way: it must be ten times the "
    "circumference that {name} is computed with. Then the same for the other.",
    "vehicle_speed": "Drive a measured distance at a steady speed with a stop watch, and hold {name} against it.",
    "accel_lat": "Lay the sensor of {name} on its side: it must read 1 g (9.81 m/s2).",
    "accel_long": "Stand the sensor of {name} on end: it must read 1 g (9.81 m/s2).",
    "yaw_rate": "Turn the sensor of {name} by hand, 360 degrees in some seconds: its rate must add up to that.",
}
"""What proves a factor by role, where two channels disagree and no third says which is right."""


class Law(NamedTuple):
    """A channel, how it follows what physics says it is, what that is, and whether others agree with that.

    `beside` is the channel that may as well be wrong where no others agree.
    """

    each: ChannelEvidence
    made: Fit
    words: str
    agree: bool
    tolerance: float
    sources: tuple[str, ...]
    beside: str = ""


def laws(views: Views) -> Iterator[Law]:
    """Yield the laws that hold on any car, the surest first."""
    yield from _wheels(views)
    wheels = views.wheels
    speed = views.speed
    if speed is not None and speed.first.role == "vehicle_speed" and len(wheels) >= 2:
        made = fit(speed.value, np.median([view.value for view in wheels.values()], axis=0))
        if made is not None:
            first = next(iter(wheels.values())).first.name
            yield _law(speed.first, made, "the wheel speeds", agree=len(wheels) >= 3, beside=first)
    sources = tuple(each.name for each in speed.sources) if speed is not None else ()
    if (
        len(views.turning) >= 2
        and views.turning[0].first.role == "accel_lat"
        and views.turning[1].first.role == "yaw_rate"
    ):
        lateral, yaw = views.turning[:2]
        made = fit(lateral.value, yaw.value, views.fast)
        third = _third(views, lateral.value, yaw.value)
        if made is not None and third == "yaw":
            yield _law(
                yaw.first, _turned_round(made), "the lateral acceleration over the speed", agree=True, of=sources
            )
        elif made is not None and third != "neither":
            yield _law(
                lateral.first, made, "yaw rate times speed", agree=third == "lateral", of=sources, beside=yaw.first.name
            )
    if len(views.along) == 2:
        own, slope = views.along
        made = fit(own.value, slope.value)
        if made is not None:
            yield _law(own.first, made, "the slope of the speed", agree=False, of=sources, beside=slope.first.name)


def _wheels(views: Views) -> Iterator[Law]:
    """Compare the wheels of each axle, which turn alike when straight, and each wheel with the middle of the others."""
    axles = list(views.axles(views.wheels))
    pairs = [fit(left.value, right.value) for left, right in axles]
    tolerance = PAIR_TOLERANCE if len(axles) > 1 else LAW_TOLERANCE["wheel_speed"]
    for (left, right), made, beyond in zip(axles, pairs, reversed(pairs), strict=True):
        others = [view.value for view in views.wheels.values() if view not in (left, right)]
        if made is None or abs(made.slope - 1) <= tolerance:
            continue
        # A car that circles in a paddock turns the outer wheels of both axles faster.
        if (
            len(axles) > 1
            and beyond is not None
            and _CIRCLED * abs(made.slope - 1) < (beyond.slope - 1) * np.sign(made.slope - 1)
        ):
            continue
        beside = [fit(wheel.value, np.median(others, axis=0)) if others else None for wheel in (left, right)]
        off = [abs(each.slope - 1) if each is not None else 0.0 for each in beside]
        wrong = left if off[0] >= off[1] else right
        turned = made if wrong is left else _turned_round(made)
        sure, other = abs(off[0] - off[1]) > 0.015, right if wrong is left else left
        yield Law(wrong.first, turned, "the wheel beside it", sure, tolerance, (), other.first.name)
    fits = []
    for at, wheel in views.wheels.items():
        others = [view.value for other, view in views.wheels.items() if other != at]
        # A wheel that spins or locks is no wheel of another size.
        made = fit(wheel.value, np.median(others, axis=0), views.steady) if len(others) >= 2 else None
        if made is not None:
            fits.append((wheel, made))
    off = sorted((abs(made.slope - 1) for _, made in fits), reverse=True)
    if len(off) > 1 and off[0] > LAW_TOLERANCE["wheel_speed"] and off[1] > _ALONE * off[0]:
        return  # a car that circles: its outer wheels turn faster than the middle, its inner ones slower
    for wheel, made in fits:
        yield _law(wheel.first, made, "the middle of the other wheels", agree=True)


def _law(
    each: ChannelEvidence, made: Fit, words: str, *, agree: bool, of: tuple[str, ...] = (), beside: str = ""
) -> Law:
    return Law(each, made, words, agree, LAW_TOLERANCE[each.role or ""], of, beside)


def _third(views: Views, lateral: Floats, yaw: Floats) -> str:
    """Ask the wheels which of lateral acceleration and yaw rate is wrong: "lateral", "yaw", "open" or "neither".

    The difference of the wheel speeds is the yaw rate times the track, and a track of 0.9 to 1.8 m is taken as usual.
    """
    wheels = [way for way in views.turning if way.first.role == "wheel_speed"]
    if not wheels:
        return "open"
    against = {"lateral": fit(wheels[0].value, lateral, views.fast), "yaw": fit(wheels[0].value, yaw, views.fast)}
    usual = {name: made is not None and made.r > CLEAR_R and 0.9 <= made.slope <= 1.8 for name, made in against.items()}
    if usual["lateral"] and usual["yaw"]:
        return "neither"
    if usual["lateral"]:
        return "yaw"
    return "lateral" if usual["yaw"] else "open"


def _turned_round(made: Fit) -> Fit:
    return Fit(made.r, 1.0 / made.slope, -made.offset / made.slope, made.seconds, -made.lag_s)


def factor_answers(case: Case) -> Answers:
    """Say of each channel with a scale from which factor on that would have shown."""
    found = factors_seen(case)
    return {each.subject: found.get(each.name) or _why_no_factor(each) for each in with_scale(case)}


def with_scale(case: Case) -> Iterator[ChannelEvidence]:
    """Yield channels of which something says what they mean, and that have a zero and a scale."""
    return (each for each in case.measured if each.role is not None and each.role not in _NO_SCALE)


def factors_seen(case: Case) -> dict[str, str]:
    """Say by channel from which factor on its scale would have shown."""
    found: dict[str, str] = {}
    for law in laws(case.views):
        if law.made.r >= CLOSE_R:
            said = f"a factor off by more than {100 * law.tolerance:.0f} %, beside {law.words}"
            found.setdefault(law.each.name, said)
    return found


def _why_no_factor(each: ChannelEvidence) -> Why:
    if each.role in LAW_TOLERANCE:
        return Why(
            "nothing that it can be compared with moved clearly enough, or had a role",
            f"{CORNERS} Wheel speeds, vehicle speed, yaw rate and accelerations need their roles.",
        )
    return Why(
        "nothing else on the car measures the same",
        "Hold it against a gauge you trust at two values far apart (`buswright calibrate`).",
    )


def unit_answers(case: Case) -> Answers:
    """Say of each channel with a scale which mix-ups of units would have shown."""
    factors = factors_seen(case)
    return {each.subject: factors.get(each.name) or _unit_shows(case, each) for each in with_scale(case)}


def _unit_shows(case: Case, each: ChannelEvidence) -> str | Why:
    level = LEVELS.get(each.role or "")
    if level is not None and units.compatible(each.series.unit, level.unit):
        runs = case.decoded.driving.is_doing("idle", "driving")
        if not level.running or runs.sum() >= LEAST_WINDOWS:
            shown = units.shown(level.unit)
            return f"only levels that no car has: below {level.low:g} or above {level.high:g} {shown}".rstrip()
        return Why("the engine did not run", "Run the engine for ten seconds.")
    return Why(
        "no rule says what is usual for it", "Hold its unit and scale against the sheets of its sensor and its module."
    )
