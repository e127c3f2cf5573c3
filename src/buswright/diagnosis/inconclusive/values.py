"""Zero, scale, unit, sign and place of a channel: what a run can say of them, and what it lacks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools
from buswright.diagnosis.inconclusive.question import NO_ROLE, Asked, Question, Why, answered
from buswright.diagnosis.sensors.numbers.exchanged import corners_seen, trusted_turn
from buswright.diagnosis.sensors.numbers.laws import CLOSE_R, LAW_TOLERANCE, laws
from buswright.diagnosis.sensors.numbers.levels import LEAST_WINDOWS, LEVELS
from buswright.diagnosis.sensors.numbers.relations import CLEAR_R, FAST_MS, LEAST_S, View, Views, fit
from buswright.diagnosis.sensors.numbers.zeroes import (
    AT_REST,
    ENGINE_OFF,
    REST_LEAST,
    STEADY_ZERO,
    rests_as_then,
    seen_after_soak,
    seen_at_rest,
    seen_straight,
)
from buswright.health.channels.evidence import ChannelEvidence

_NEEDS_ROLE = "offset drift gain unit-mixup scale-or-unit sign-flipped swapped-channels"
"""Faults that are found by what a channel means."""
_NO_ZERO = frozenset({"gear", "fan_state", "latitude", "longitude"})
_TURNING = frozenset({"accel_lat", "yaw_rate", "steering_angle"})
_SIDED = frozenset({"wheel_speed", "damper_travel"})
_GOOD_RUN = "Remember a good run of this car (`buswright remember`) and give it as --baseline."
_KEY_ON = "Start the recording first: key on, five seconds without touching anything, then start the engine."
_CORNERS = f"Drive corners both ways, faster than {3.6 * FAST_MS:.0f} km/h, for {LEAST_S:.0f} s at least."
_STRAIGHTS = f"Accelerate and brake firmly a few times, {LEAST_S:.0f} s in all."
_SPEEDS = "Give the channels of engine speed and vehicle speed their roles in the car file."


def value_questions(asked: Asked) -> Iterator[Question]:
    """Ask of every measured channel whether its zero, its scale, its unit, its sign and its place are right."""
    zeroes, factors = _zeroes(asked), _factors(asked)
    signs, sides = dict(_signs(asked)), dict(_sides(asked))
    for each in asked.measured:
        if each.role is None:
            yield answered(each.subject, "role", _NEEDS_ROLE, NO_ROLE)
            continue
        if each.role not in _NO_ZERO:
            said = zeroes.get(each.name) or _why_no_zero(asked, each)
            yield answered(each.subject, "zero", "offset drift", said)
            factor = factors.get(each.name) or _why_no_factor(each)
            yield answered(each.subject, "scale", "gain", factor)
            yield answered(each.subject, "unit", "unit-mixup scale-or-unit", _unit(asked, each, factors))
        if each.role in _TURNING or each.role == "accel_long":
            yield answered(each.subject, "sign", "sign-flipped", signs.get(each.name) or _several_of(each))
        if each.role in _SIDED or each.role == "brake_pressure":
            yield answered(each.subject, "place", "swapped-channels", sides.get(each.name) or _no_partner(each))


# Zero -------------------------------------------------------------------------------------------------------------


def _zeroes(asked: Asked) -> dict[str, str]:
    """Say by channel from which error on its zero would have shown."""
    case = asked.case
    found = {
        seen.each.name: f"off by more than {seen.suspect:.3g} {units.shown(seen.rest.unit)}: {seen.rest.words}"
        for seen in (*seen_straight(case, asked.views), *seen_after_soak(case), *seen_at_rest(case))
    }
    rests = rests_as_then(case)
    for name, known in case.baseline.channels.items() if case.baseline is not None and rests is not None else ():
        each = asked.channels.by_name.get(name)
        if each is None or each.role not in STEADY_ZERO or known.rest is None or known.rest.zero is None:
            continue
        held = each.value_grid.held(asked.channels.number[rests], most=5)
        if known.span and np.isfinite(held).sum() >= REST_LEAST:
            by = case.limit("zero_moved", channel=name) * known.span
            found.setdefault(name, f"moved by more than {by:.3g} {units.shown(each.series.unit)} since the good run")
    return found


def _why_no_zero(asked: Asked, each: ChannelEvidence) -> Why:
    role, driving = each.role or "", asked.channels.driving
    if role == "steering_angle":
        return Why("the car never drove straight, or no yaw rate says so", "Drive straight on for some seconds.")
    if role in AT_REST:
        if not driving.by:
            return Why("no channel says when the car stands", _SPEEDS)
        needs_off = role in ENGINE_OFF
        rests = driving.settled("key-on") if needs_off else driving.settled("key-on", "standing")
        if rests.sum() < REST_LEAST:
            when = "with its engine off and its key on" if needs_off else "at rest before the start or after the drive"
            return Why(f"the car was never recorded {when}", _KEY_ON)
        return Why(
            "it was not at rest for long, or its span is not known",
            "Give its sensor points or its channel `plausible`, and record five seconds at rest.",
        )
    if role.endswith("_temperature"):
        return Why("temperatures must agree only while the engine is cold", "Record key-on after a cold night.")
    if role == "manifold_pressure":
        return Why("no channel measures the air's pressure beside it", f"Log the air's pressure. {_KEY_ON}")
    if role in STEADY_ZERO:
        return Why("nothing says what it shows at rest", f"{_GOOD_RUN} Both must begin with the key on.")
    return Why("no rule says what it shows at rest", "Read it beside a gauge you trust, car standing.")


# Scale and unit ---------------------------------------------------------------------------------------------------


def _factors(asked: Asked) -> dict[str, str]:
    """Say by channel from which factor on its scale would have shown."""
    found: dict[str, str] = {}
    for law in laws(asked.views):
        if law.made.r >= CLOSE_R:
            said = f"a factor off by more than {100 * law.tolerance:.0f} %, beside {law.words}"
            found.setdefault(law.each.name, said)
    return found


def _why_no_factor(each: ChannelEvidence) -> Why:
    if each.role in LAW_TOLERANCE:
        return Why(
            "nothing that it can be compared with moved clearly enough, or had a role",
            f"{_CORNERS} Wheel speeds, vehicle speed, yaw rate and accelerations need their roles.",
        )
    return Why(
        "nothing else on the car measures the same",
        "Hold it against a gauge you trust at two values far apart (`buswright calibrate`).",
    )


def _unit(asked: Asked, each: ChannelEvidence, factors: dict[str, str]) -> str | Why:
    if each.name in factors:
        return factors[each.name]
    level = LEVELS.get(each.role or "")
    if level is not None and units.compatible(each.series.unit, level.unit):
        runs = asked.channels.driving.is_doing("idle", "driving")
        if not level.running or runs.sum() >= LEAST_WINDOWS:
            shown = units.shown(level.unit)
            return f"only levels that no car has: below {level.low:g} or above {level.high:g} {shown}".rstrip()
        return Why("the engine did not run", "Run the engine for ten seconds.")
    return Why(
        "no rule says what is usual for it", "Hold its unit and scale against the sheets of its sensor and its module."
    )


# Sign and place ---------------------------------------------------------------------------------------------------


def _signs(asked: Asked) -> Iterator[tuple[str, str | Why]]:
    """Yield channels that tell how the car turns or speeds up, and whether another one says which way."""
    views = asked.views
    for ways, where, drive in ((views.turning, views.fast, _CORNERS), (views.along, None, _STRAIGHTS)):
        for way in ways:
            if way.first.role not in _TURNING and way.first.role != "accel_long":
                continue
            others = [other for other in ways if other is not way and other.first is not way.first]
            if not others:
                yield (
                    way.first.name,
                    Why(
                        "nothing else on the car tells which way it goes",
                        "Move its sensor by hand and watch the value: axes are x forward, y left, z up.",
                    ),
                )
                continue
            made = [fit(way.value, other.value, where) for other in others]
            if any(one is not None and abs(one.r) > CLEAR_R for one in made):
                yield way.first.name, f"the other way than {others[0].words}"
            else:
                yield way.first.name, Why("the car moved too little that way", drive)


def _several_of(each: ChannelEvidence) -> Why:
    return Why(
        f"nothing on the car can be held beside {each.role}: a speed is missing, or two channels have its role",
        "Give speed and wheel speeds their roles, and only one channel this one; or move its sensor by hand.",
    )


def _sides(asked: Asked) -> Iterator[tuple[str, str | Why]]:
    """Yield wheels and dampers, and whether the turning of the car says which of an axle is which."""
    views = asked.views
    judge = trusted_turn(views.turning, views.fast) or _no_judge(views)
    for pair in views.axles(views.wheels):
        said = _side(views.fast, pair, judge)
        yield from ((view.first.name, said) for view in pair)
    corners = {} if isinstance(judge, Why) else corners_seen(views, judge)
    for place, view in views.dampers.items():
        yield view.first.name, _corner(judge, seen=place in corners)
    brakes = [each for each in asked.channels.with_role("brake_pressure") if each.measures]
    for each in brakes if len(brakes) > 1 else ():
        yield (
            each.name,
            Why(
                "front and rear brakes rise together", "Key on, engine off: unplug one sensor, see which channel goes."
            ),
        )


_NO_TURNING = Why(
    "no channel with a role says which way the car turns",
    "Give yaw rate, lateral acceleration or steering its role; or move one sensor by hand.",
)
_TURNED_LITTLE = Why("the car turned too little", _CORNERS)


def _no_judge(views: Views) -> Why:
    """Say why nothing tells which way the car turned: nothing has such a role, or it does and shows no clear turn."""
    ways = [way for way in views.turning if way.first.role != "wheel_speed"]
    if not ways:
        return _NO_TURNING
    made = [fit(one.value, other.value, views.fast) for one, other in combinations(ways, 2)]
    if any(one is not None and one.r < -CLEAR_R for one in made):
        return Why(
            f"the {' and the '.join(way.words for way in ways)} contradict each other",
            "Move their sensors by hand and watch the values: axes are x forward, y left, z up.",
        )
    return _TURNED_LITTLE


def _corner(judge: View | Why, *, seen: bool) -> str | Why:
    if isinstance(judge, Why):
        return judge
    if not seen:
        return Why("bends and braking did not show clearly where it sits", _CORNERS)
    return f"another corner, by the {judge.words} and the braking"


def _side(fast: Bools, pair: tuple[View, View], judge: View | Why) -> str | Why:
    if isinstance(judge, Why):
        return judge
    left, right = pair
    made = fit(right.value - left.value, judge.value, fast)
    if made is None or abs(made.r) <= CLEAR_R:
        return _TURNED_LITTLE
    return f"left for right, by the {judge.words}"


def _no_partner(each: ChannelEvidence) -> Why | str:
    if each.role == "brake_pressure":
        return "nothing to exchange it with"
    return Why("no position says where it sits, or nothing sits across", "Give it its position in the car file.")
