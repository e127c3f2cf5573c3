"""Channels that are well by themselves, and in each other's place or turned round."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np

from buswright.channels.samples.series import Bools, Floats
from buswright.diagnosis.case import Answers, Case, Sighting, Why, sighting
from buswright.diagnosis.relations import CLEAR_R, CORNERS, LEAST_S, STRAIGHTS, Fit, View, Views, fit
from buswright.diagnosis.words import UNPLUG
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS
from buswright.wording import listed

Corner = tuple[int, int]
"""Where a damper sits: +1 at the right, -1 at the left; +1 at the front, -1 at the rear."""
_CORNERS: Mapping[str, Corner] = {
    f"{end}-{side}": (across, along)
    for end, along in (("front", 1), ("rear", -1))
    for side, across in (("right", 1), ("left", -1))
}
_AT = {corner: place for place, corner in _CORNERS.items()}
_CLEAR_CORNER = 0.5
"""Partial correlation with roll and with pitch from which a damper shows where it sits (common practice, no source)."""

_NO_TURNING = Why(
    "no channel with a role says which way the car turns",
    "Give yaw rate, lateral acceleration or steering its role; or move one sensor by hand.",
)
_TURNED_LITTLE = Why("the car turned too little", CORNERS)
_TURNING = frozenset({"accel_lat", "yaw_rate", "steering_angle"})
_BY_R = f"twins count as exchanged from r = -{CLEAR_R:g} on; at least {LEAST_S:g} s of movement"
_BY_CORNER = (
    f"partial correlation with turning and with braking {_CLEAR_CORNER:g} or more; at least {LEAST_S:g} s of movement"
)


def exchanged_sightings(views: Views) -> Iterator[Sighting]:
    """Find what is turned round, and twins that are in each other's place."""
    turned = list(_turned(views))
    yield from turned
    blamed = {one.finding.subject for one in turned}
    judge = _trusted_turn(views.turning, views.fast)
    for one in _swapped(views, judge):
        if one.finding.subject not in blamed:
            yield one
    if judge is not None:
        yield from _misplaced(views, judge)


# -- Sign and place -------------------------------------------------------------------------------------------------


def _turned(views: Views) -> Iterator[Sighting]:
    """Find the one way to know a quantity that contradicts the others."""
    for ways in (views.turning, views.along):
        fits = _pairs(ways, views.fast if ways is views.turning else None)
        against = [
            [k for k in range(len(ways)) if (f := fits.get((i, k))) and f.r < -CLEAR_R] for i in range(len(ways))
        ]
        along = [[k for k in range(len(ways)) if (f := fits.get((i, k))) and f.r > CLEAR_R] for i in range(len(ways))]
        for i, way in enumerate(ways):
            judges = against[i]
            if not judges or along[i] or way.first.role in ("wheel_speed", "vehicle_speed"):
                continue
            certain = (
                any(ways[k].first.role in ("vehicle_speed", "wheel_speed") for k in judges) and ways is views.along
            )
            others_agree = certain or (
                len(judges) >= 2 and all(k in along[j] for j in judges for k in judges if j != k)
            )
            alone = len(judges) == 1 and not along[judges[0]]
            if not others_agree and not (alone and i == 0):
                continue
            yield _turned_sighting(way, [ways[k] for k in judges], [fits[i, k] for k in judges], sure=others_agree)


def _pairs(ways: Sequence[View], where: Bools | None) -> dict[tuple[int, int], Fit]:
    found = {}
    for i, one in enumerate(ways):
        for k, other in enumerate(ways):
            if i < k and (made := fit(one.value, other.value, where)) is not None:
                found[i, k] = found[k, i] = made
    return found


def _turned_sighting(way: View, judges: Sequence[View], fits: Sequence[Fit], *, sure: bool) -> Sighting:
    name, other = way.first.name, judges[0].first.name
    against = listed([f"the {each.words} (r = {made.r:+.2f})" for each, made in zip(judges, fits, strict=True)])
    evidence = [f"{name} goes the other way than {against}, over {fits[0].seconds:.0f} s of driving."]
    ruled = []
    if sure:
        ruled.append(f"Not the others: {listed([each.words for each in judges])} agree with each other.")
    else:
        evidence.append(f"Two ways alone don't tell which is turned round: it may as well be {other}.")
    return sighting(
        "sign-flipped",
        Severity.FAULT if sure else Severity.SUSPECT,
        f"channel:{name}",
        confidence=0.9 if sure else 0.5,
        evidence=evidence,
        threshold=f"two ways contradict each other from r = -{CLEAR_R:g} on; at least {LEAST_S:g} s of movement",
        ruled_out=ruled,
        next_check=f"Look how the sensor of {name} is mounted and which way its points run in the car file. "
        "Move it by hand and watch the value: axes are x forward, y left, z up.",
        reach=(f"channel:{other}",) if not sure else (),
    )


def _swapped(views: Views, judge: View | None) -> Iterator[Sighting]:
    """Find twins that follow each other's predictor: left and right of an axle, the two axes of an accelerometer."""
    turning = views.turning
    sure = len(turning) >= 2
    if judge is not None:
        for left, right in views.axles(views.wheels):
            apart = right.value - left.value
            made = fit(apart, judge.value, views.fast & views.steady) or fit(apart, judge.value, views.fast)
            if made is not None and made.r < -CLEAR_R and judge.first not in (left.first, right.first):
                said = f"the outer wheel turned slower ({_how_well(made, judge)})"
                yield _swapped_sighting(left, right, said, _BY_R, [judge] if sure else [])
    across = [way for way in turning if way.first.role == "accel_lat"]
    along = [way for way in views.along if way.first.role == "accel_long"]
    if across and along and len(turning) > 1 and len(views.along) > 1:
        first = fit(across[0].value, views.along[1].value)
        second = fit(along[0].value, turning[1].value, views.fast)
        own = fit(across[0].value, turning[1].value, views.fast)
        if first and second and abs(first.r) > CLEAR_R and abs(second.r) > CLEAR_R and (not own or abs(own.r) < 0.4):
            said = (
                "the lateral one follows the slope of the speed, the longitudinal one the turning "
                f"({_how_well(first, views.along[1])})"
            )
            yield _swapped_sighting(across[0], along[0], said, _BY_R, [views.along[1]])


def _trusted_turn(turning: Sequence[View], where: Bools) -> View | None:
    """Return the first way to know the turning that most of the others agree with, wheels aside; None for none."""
    ways = [way for way in turning if way.first.role != "wheel_speed"]
    fits = _pairs(ways, where)
    agreed = [
        sum((f := fits.get((i, k))) is not None and f.r > CLEAR_R for k in range(len(ways))) for i in range(len(ways))
    ]
    if not ways:
        return None
    if len(ways) == 1:
        return ways[0]
    best = int(np.argmax(agreed))
    return ways[best] if agreed[best] else None


def _how_well(made: Fit, judge: View) -> str:
    return f"r = {made.r:+.2f} with the {judge.words}, {made.seconds:.0f} s"


def _swapped_sighting(
    one: View, other: View, said: str, threshold: str, judges: Sequence[View], rivals: Sequence[Rival] = ()
) -> Sighting:
    """Say that two channels look exchanged; sure where there are judges, which other channels agree with."""
    first, second = one.first, other.first
    sure = bool(judges)
    return sighting(
        "swapped-channels",
        Severity.FAULT if sure else Severity.SUSPECT,
        first.subject,
        confidence=0.9 if sure else 0.55,
        evidence=(f"{first.name} and {second.name} look exchanged: {said}.",),
        threshold=threshold,
        ruled_out=[f"Not the {judge.words}: other channels agree with it." for judge in judges],
        next_check=f"Move the sensor of {first.name} alone by hand and watch which channel follows. Then exchange the "
        "plugs, or the two signals in the car file.",
        caution=UNPLUG,
        reach=(second.subject,),
        rivals=rivals,
    )


# -- Corners of the car ---------------------------------------------------------------------------------------------


def _misplaced(views: Views, judge: View) -> Iterator[Sighting]:
    """Find dampers that move as those of another corner do: exchanged, or turned round.

    In a bend the outer side is pressed and the inner one lets go, under braking the front and the rear. So two signs
    tell where a damper sits; which sign pressing has is what most of them say. One that is turned round looks like the
    opposite corner.
    """
    if not views.along:
        return
    signs = _corners_seen(views, judge)
    seen, against = (
        {place: _AT[sign * across, sign * front] for place, (across, front) in signs.items()} for sign in (1, -1)
    )
    if _right(against) > _right(seen):
        seen, against = against, seen
    wrong = [place for place in seen if seen[place] != place]
    told = _right(seen) > _right(against)
    sure = [judge, views.along[-1]] if told and _right(seen) > 1 and len(views.turning) > 1 else []
    dampers = views.dampers
    if len(wrong) == 2 and seen[wrong[0]] == wrong[1] and seen[wrong[1]] == wrong[0]:
        one, other = (dampers[place] for place in wrong)
        said = f"in bends and under braking one moves as the {wrong[1]} corner should, the other as the {wrong[0]} one"
        rest = [dampers[place].first for place in against if against[place] != place]
        why = f"{listed([each.name for each in rest])} may be exchanged instead: nobody says which sign pressing has"
        rivals = [] if told else [Rival("swapped-channels", rest[0].subject, why)]
        yield _swapped_sighting(one, other, said, _BY_CORNER, sure, rivals)
    elif told and len(wrong) == 1 and seen[wrong[0]] == _opposite(wrong[0]):
        yield _damper_turned(dampers[wrong[0]], seen, wrong[0], sure)


def _corners_seen(views: Views, judge: View) -> dict[str, Corner]:
    """Return with which signs each damper goes with turning and with braking, by its place; the clear ones alone."""
    if not views.along:
        return {}
    braking = -views.along[-1].value
    return {
        place: found
        for place, view in views.dampers.items()
        if place in _CORNERS and (found := _signs(view.value, judge.value, braking, views.fast)) is not None
    }


def _right(seen: Mapping[str, str]) -> int:
    return sum(place == at for place, at in seen.items())


def _opposite(place: str) -> str:
    across, along = _CORNERS[place]
    return _AT[-across, -along]


def _signs(value: Floats, turn: Floats, braking: Floats, where: Bools) -> Corner | None:
    """Return the signs of a damper's partial correlations with turning and braking; None where one isn't clear."""
    known = np.isfinite(value) & np.isfinite(turn) & np.isfinite(braking) & where
    if known.sum() * FINE_NS * 1e-9 < LEAST_S:
        return None
    columns = np.stack([each[known] for each in (value, turn, braking)])
    if not (columns.std(axis=1) > 0).all():
        return None
    # The partial correlations are the elements of the inverse, scaled and with the other sign (any textbook).
    inverse = np.linalg.pinv(np.corrcoef(columns))
    across, along = -inverse[0, 1:] / np.sqrt(inverse[0, 0] * np.diag(inverse)[1:])
    if min(abs(across), abs(along)) < _CLEAR_CORNER:
        return None
    return int(np.sign(across)), int(np.sign(along))


def _damper_turned(view: View, seen: Mapping[str, str], place: str, judges: Sequence[View]) -> Sighting:
    name, at = view.first.name, seen[place]
    others = [other for other in seen if other != place]
    twin_is_there = at in seen
    sure = bool(judges) and twin_is_there
    evidence = [
        f"{name} moves the wrong way, in bends and under braking: as the {at} corner should, not the {place} one."
    ]
    why = f"no channel shows the {at} corner, and its sensor may be plugged in here instead"
    return sighting(
        "sign-flipped",
        Severity.FAULT if sure else Severity.SUSPECT,
        view.first.subject,
        confidence=0.9 if sure else 0.5,
        evidence=evidence,
        threshold=_BY_CORNER,
        ruled_out=[
            f"Not the others: {listed(others)} move as their corners should.",
            *([f"Not exchanged with the {at} one: that moves as it should."] if twin_is_there else []),
        ],
        next_check=f"Push the car down at its {place} corner and watch {name} beside the others: all must go the same "
        "way. Then look how its sensor is mounted and which way its points run in the car file.",
        rivals=[] if twin_is_there else [Rival("swapped-channels", view.first.subject, why)],
    )


def sign_way_answers(case: Case) -> Answers:
    """Say of each channel that tells how the car turns or speeds up whether another one says which way."""
    found = dict(_ways(case.views))
    could = [each for each in case.measured if each.role in _TURNING or each.role == "accel_long"]
    return {each.subject: found.get(each.name) or _several_of(each) for each in could}


def _ways(views: Views) -> Iterator[tuple[str, str | Why]]:
    """Yield channels that tell how the car turns or speeds up, and whether another one says which way."""
    for ways, where, drive in ((views.turning, views.fast, CORNERS), (views.along, None, STRAIGHTS)):
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


def place_answers(case: Case) -> Answers:
    """Say of wheels, dampers and brakes whether anything says which of them is which."""
    found = dict(_sides(case))
    could = [each for each in case.measured if each.role in ("wheel_speed", "damper_travel", "brake_pressure")]
    return {each.subject: found.get(each.name) or _no_partner(each) for each in could}


def _sides(case: Case) -> Iterator[tuple[str, str | Why]]:
    """Yield wheels and dampers, and whether the turning of the car says which of an axle is which."""
    views = case.views
    judge = _trusted_turn(views.turning, views.fast) or _no_judge(views)
    for pair in views.axles(views.wheels):
        said = _side(views.fast, pair, judge)
        yield from ((view.first.name, said) for view in pair)
    corners = {} if isinstance(judge, Why) else _corners_seen(views, judge)
    for place, view in views.dampers.items():
        yield view.first.name, _corner(judge, seen=place in corners)
    brakes = [each for each in case.decoded.with_role("brake_pressure") if each.measures]
    for each in brakes if len(brakes) > 1 else ():
        yield (
            each.name,
            Why(
                "front and rear brakes rise together", "Key on, engine off: unplug one sensor, see which channel goes."
            ),
        )


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
        return Why("bends and braking did not show clearly where it sits", CORNERS)
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
