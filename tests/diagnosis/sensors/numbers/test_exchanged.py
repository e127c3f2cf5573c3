"""Signs and places: which of several ways is turned round, which twins are in each other's place, how sure that is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.relations import Views
from buswright.diagnosis.sensors.numbers.exchanged import (
    _signs,
    exchanged_sightings,
    place_answers,
    sign_way_answers,
)
from buswright.findings import Finding
from tests.diagnosis.made import health
from tests.diagnosis.sensors.numbers.test_laws import EVERY, N, view, views, wave
from tests.diagnosis.sensors.synthetic import Floats, channels_of, made

TURN = 4.0 * wave(5)
BRAKE = 3.0 * wave(7)
NOISE = np.random.default_rng(1).standard_normal(N)
LAT = ("lat", "accel_lat", "lateral acceleration")
YAW = ("yaw", "yaw_rate", "yaw rate times speed")
STEER = ("steer", "steering_angle", "steering angle at that speed")
WHEELS = ("fl", "wheel_speed", "difference of the wheel speeds")
LONG = ("long", "accel_long", "longitudinal acceleration")
SLOPE = ("v", "vehicle_speed", "slope of the speed")


def ways(*known: tuple[tuple[str, str, str], Floats]) -> Any:
    return tuple(view(name, role, value, words) for (name, role, words), value in known)


def findings(seen: Views) -> list[Finding]:
    return [one.finding for one in exchanged_sightings(seen)]


def named(seen: Views) -> list[tuple[str, str, str]]:
    return [(one.fault, one.subject.partition(":")[2], one.severity.name) for one in findings(seen)]


# Signs ------------------------------------------------------------------------------------------------------


def left_over(value: Floats, known: Floats) -> Floats:
    """What a straight line through another quantity leaves unexplained."""
    return value - np.polyval(np.polyfit(known, value, 1), known)


@pytest.mark.parametrize("braking", [0.0, 0.6])
@pytest.mark.parametrize("noise", np.linspace(0.5, 4.0, 8))
def test_a_corner_is_clear_where_turning_and_braking_each_explain_half(noise: float, braking: float) -> None:
    """A partial correlation is that of what is left over when the third has explained what it can (its definition)."""
    turn, brake = TURN + braking * BRAKE, BRAKE
    value = 0.5 * turn - brake + noise * NOISE
    across = np.corrcoef(left_over(value, brake), left_over(turn, brake))[0, 1]
    along = np.corrcoef(left_over(value, turn), left_over(brake, turn))[0, 1]
    clear = min(abs(across), abs(along)) >= 0.5
    assert _signs(value, turn, brake, np.ones(N, dtype=np.bool_)) == ((1, -1) if clear else None)


@pytest.mark.parametrize(
    ("turning", "found"),
    [
        (ways((LAT, TURN), (YAW, TURN)), []),
        (ways((LAT, -TURN), (YAW, TURN)), [("sign-flipped", "lat", "SUSPECT")]),
        (ways((LAT, -TURN), (YAW, TURN), (STEER, TURN)), [("sign-flipped", "lat", "FAULT")]),
        (ways((LAT, TURN), (YAW, -TURN), (STEER, TURN)), [("sign-flipped", "yaw", "FAULT")]),
        (ways((LAT, TURN), (YAW, TURN), (STEER, -TURN)), [("sign-flipped", "steer", "FAULT")]),
        # What is no clear relation says nothing: r = 0.6 at the least.
        (ways((LAT, -TURN), (YAW, TURN + 5.0 * NOISE)), []),
        # A wheel is never turned round by itself: left and right are exchanged then.
        (ways((LAT, TURN), (YAW, TURN), (WHEELS, -TURN)), []),
        (ways((LAT, -TURN), (YAW, -TURN), (WHEELS, TURN)), []),
        (ways((LAT, -TURN), (WHEELS, TURN)), [("sign-flipped", "lat", "SUSPECT")]),
    ],
)
def test_the_one_way_that_contradicts_the_others_is_turned_round(turning: Any, found: Any) -> None:
    assert named(views(turning=turning)) == found


@pytest.mark.parametrize(
    ("along", "found"),
    [
        (ways((LONG, BRAKE), (SLOPE, BRAKE)), []),
        (ways((LONG, -BRAKE), (SLOPE, BRAKE)), [("sign-flipped", "long", "FAULT")]),  # a speed has no sign
        (ways((LONG, -BRAKE), (("fl", "wheel_speed", "slope of the speed"), BRAKE)),
         [("sign-flipped", "long", "FAULT")]),
        (ways((LONG, -BRAKE), (("g", "gps_speed", "slope"), BRAKE)), [("sign-flipped", "long", "SUSPECT")]),
    ],
)  # fmt: skip
def test_the_slope_of_the_speed_is_sure(along: Any, found: Any) -> None:
    assert named(views(along=along)) == found


def test_turning_is_judged_while_the_car_is_fast() -> None:
    slow = np.arange(N) < 300
    lateral = np.where(slow, -30.0 * TURN, TURN)
    assert named(views(turning=ways((LAT, lateral), (YAW, TURN)), fast=~slow)) == []
    assert named(views(turning=ways((LAT, lateral), (YAW, TURN)), fast=EVERY)) == [("sign-flipped", "lat", "SUSPECT")]
    along = ways((LONG, np.where(slow, -30.0 * BRAKE, BRAKE)), (SLOPE, BRAKE))
    assert named(views(along=along, fast=~slow)) == [("sign-flipped", "long", "FAULT")]  # braking is, at any speed


def test_what_is_said_of_a_sign() -> None:
    (sure,) = findings(views(turning=ways((LAT, -TURN), (YAW, TURN), (STEER, TURN))))
    assert sure.evidence == (
        (
            "lat goes the other way than the yaw rate times speed (r = -1.00) and the steering angle at that speed "
            "(r = -1.00), over 60 s of driving."
        ),
    )
    assert sure.confidence == pytest.approx(calibrated("sign-flipped", 0.9), abs=5e-4)
    said = "Not the others: yaw rate times speed and steering angle at that speed agree with each other."
    assert sure.ruled_out == (said,)
    (one,) = exchanged_sightings(views(turning=ways((LAT, -TURN), (YAW, TURN))))
    assert one.finding.evidence[1] == "Two ways alone don't tell which is turned round: it may as well be yaw."
    assert one.finding.confidence == pytest.approx(calibrated("sign-flipped", 0.5), abs=5e-4)
    assert one.reach == {"channel:lat", "channel:yaw"}
    assert one.finding.threshold.endswith("from r = -0.6 on; at least 15 s of movement")


# Twins ------------------------------------------------------------------------------------------------------


def axle(difference: float, others: int = 2, fast: Any = EVERY) -> Views:
    """A pair of wheels, of which the right one is faster in a turn to the left by a part of it."""
    base = 20.0 + wave(3)
    turning = ways((LAT, TURN), (YAW, TURN))[:others]
    return views(wheels=(base, base + difference * TURN), turning=turning, fast=fast)


@pytest.mark.parametrize(
    ("difference", "others", "found"),
    [
        (0.1, 2, []),
        (-0.1, 2, [("swapped-channels", "front-left", "FAULT")]),
        (-0.1, 1, [("swapped-channels", "front-left", "SUSPECT")]),
        (-0.1, 0, []),
    ],
)
def test_the_outer_wheel_turns_faster(difference: float, others: int, found: Any) -> None:
    assert named(axle(difference, others)) == found


def test_wheels_are_judged_where_they_don_t_slip_else_where_they_do() -> None:
    seen = axle(-0.1)
    seen.__dict__["steady"] = np.zeros(N, dtype=np.bool_)
    assert named(seen) == [("swapped-channels", "front-left", "FAULT")]
    slips = np.arange(N) % 2 == 0
    left = 20.0 + wave(3)
    right = left + np.where(slips, 0.4 * TURN, -0.1 * TURN)
    mixed = views(wheels=(left, right), turning=ways((LAT, TURN), (YAW, TURN)), steady=~slips)
    assert named(mixed) == [("swapped-channels", "front-left", "FAULT")]


def test_what_is_said_of_an_axle() -> None:
    (one,) = exchanged_sightings(axle(-0.1))
    assert one.finding.evidence == (
        (
            "front-left and front-right look exchanged: the outer wheel turned slower (r = -1.00 with the lateral "
            "acceleration, 60 s)."
        ),
    )
    assert one.reach == {"channel:front-left", "channel:front-right"}
    assert one.finding.confidence == pytest.approx(calibrated("swapped-channels", 0.9), abs=5e-4)
    assert one.finding.ruled_out == ("Not the lateral acceleration: other channels agree with it.",)
    (two,) = findings(axle(-0.1, 1))
    assert two.confidence == pytest.approx(calibrated("swapped-channels", 0.55), abs=5e-4)


def test_the_turning_that_most_ways_agree_with_is_the_judge() -> None:
    base = 20.0 + wave(3)
    odd = 4.0 * wave(11)
    turning = ways((LAT, odd), (YAW, TURN), (STEER, TURN))
    (one,) = findings(views(wheels=(base, base - 0.1 * TURN), turning=turning))
    assert "with the yaw rate times speed" in one.evidence[0]
    nobody = views(wheels=(base, base - 0.1 * TURN), turning=ways((LAT, odd), (YAW, TURN)))
    assert named(nobody) == []  # two that don't agree tell nothing


@pytest.mark.parametrize(
    ("own", "found"),
    [
        (0.0, True),
        (0.38, True),  # of its own turning it may show under 0.4
        (0.42, False),
    ],
)
def test_the_two_axes_of_an_accelerometer(own: float, found: bool) -> None:
    along_by, turn_by = ways((SLOPE, BRAKE)), ways((YAW, TURN))
    mixed = own * TURN / 4 + np.sqrt(1 - own**2) * BRAKE / 3
    lateral, lengthwise = ways((LAT, mixed), (LONG, TURN))
    seen = views(turning=(lateral, *turn_by), along=(lengthwise, *along_by))
    got = findings(seen)
    assert [(one.fault, one.subject) for one in got] == [("swapped-channels", "channel:lat")] * found
    if found and own == 0.0:
        assert got[0].evidence[0] == (
            "lat and long look exchanged: the lateral one follows the slope of the speed, the longitudinal one the "
            "turning (r = +1.00 with the slope of the speed, 60 s)."
        )
    assert named(views(turning=(lateral, *turn_by), along=(lengthwise,))) == []
    assert named(views(turning=(lateral,), along=(lengthwise, *along_by))) == []


# Corners ----------------------------------------------------------------------------------------------------


def corners(signs: dict[str, tuple[int, int]], *, along: bool = True, agree: bool = True, size: float = 0.3) -> Views:
    """Dampers by place: with which sign each goes with turning to the left, and with braking."""
    at = {
        place: view(place, "damper_travel", across * TURN / 4 + front * BRAKE / 3 + size * NOISE)
        for place, (across, front) in signs.items()
    }
    turning = ways((LAT, TURN), (YAW, TURN))[: 2 if agree else 1]
    return views(dampers=at, turning=turning, along=ways((LONG, -BRAKE), (SLOPE, -BRAKE)) if along else ())


# In a turn to the left the right side is pressed, under braking the front.
SOUND = {"front-right": (1, 1), "front-left": (-1, 1), "rear-right": (1, -1), "rear-left": (-1, -1)}


def other(**changes: tuple[int, int]) -> dict[str, tuple[int, int]]:
    return SOUND | {name.replace("_", "-"): signs for name, signs in changes.items()}


@pytest.mark.parametrize(
    ("signs", "found"),
    [
        (SOUND, []),
        ({place: (-a, -b) for place, (a, b) in SOUND.items()}, []),  # a longer travel may be less of it
        (other(front_left=(1, 1), front_right=(-1, 1)), [("swapped-channels", "front-right", "FAULT")]),
        (other(rear_left=(1, -1), rear_right=(-1, -1)), [("swapped-channels", "rear-right", "FAULT")]),
        (other(front_left=(-1, -1), rear_left=(-1, 1)), [("swapped-channels", "front-left", "FAULT")]),
        (other(front_left=(1, -1)), [("sign-flipped", "front-left", "FAULT")]),
        (other(rear_right=(-1, 1)), [("sign-flipped", "rear-right", "FAULT")]),
        (other(front_left=(1, 1)), []),  # it moves as a corner does that is there twice
        (other(front_right=(-1, -1), rear_left=(1, 1)), [("swapped-channels", "front-right", "SUSPECT")]),
        ({"front-left": (1, -1), "front-right": (1, 1), "rear-left": (-1, -1)},
         [("sign-flipped", "front-left", "SUSPECT")]),
    ],
)  # fmt: skip
def test_two_signs_tell_where_a_damper_sits(signs: Any, found: Any) -> None:
    assert named(corners(signs)) == found


def test_without_braking_or_another_turning_less_is_told() -> None:
    swapped = other(front_left=(1, 1), front_right=(-1, 1))
    assert named(corners(swapped, along=False)) == []
    assert named(corners(swapped, agree=False)) == [("swapped-channels", "front-right", "SUSPECT")]
    assert named(corners(other(front_left=(1, -1)), agree=False)) == [("sign-flipped", "front-left", "SUSPECT")]


@pytest.mark.parametrize(("size", "found"), [(1.0, 1), (1.4, 0)])
def test_a_damper_shows_its_place_from_a_partial_correlation_of_a_half(size: float, found: int) -> None:
    # A wave has a standard deviation of 0.707: with noise of 1.0 or 1.4 beside it the partial correlation is
    # 0.707 / sqrt(0.5 + 1.0), which is 0.58, or 0.45.
    seen = corners(SOUND | {"front-left": (1, -1)})
    at = seen.__dict__["dampers"]
    noisy = TURN / 4 - BRAKE / 3 + size * NOISE / NOISE.std()
    seen.__dict__["dampers"] = at | {"front-left": view("front-left", "damper_travel", noisy)}
    assert len(named(seen)) == found


def test_fifteen_seconds_of_fast_driving_are_needed_for_a_corner() -> None:
    for windows, found in ((149, 0), (150, 1)):
        seen = corners(other(front_left=(1, -1)))
        # The turning itself is judged by the same windows, with lags: it needs some more.
        seen.__dict__["fast"] = np.arange(N) < windows
        judged = [one for one in findings(seen) if one.fault == "sign-flipped"]
        assert len(judged) == found


def test_the_last_way_to_know_the_braking_judges_corners() -> None:
    seen = corners(other(front_left=(1, -1)))
    seen.__dict__["along"] = ways((LONG, NOISE), (SLOPE, -BRAKE))
    assert named(seen) == [("sign-flipped", "front-left", "FAULT")]


def test_what_is_said_of_corners() -> None:
    (swapped,) = findings(corners(other(front_left=(1, 1), front_right=(-1, 1))))
    assert swapped.evidence == (
        (
            "front-right and front-left look exchanged: in bends and under braking one moves as the front-left corner "
            "should, the other as the front-right one."
        ),
    )
    assert swapped.ruled_out == (
        "Not the lateral acceleration: other channels agree with it.",
        "Not the slope of the speed: other channels agree with it.",
    )
    (turned,) = findings(corners(other(front_left=(1, -1))))
    assert turned.evidence == (
        (
            "front-left moves the wrong way, in bends and under braking: as the rear-right corner should, not the "
            "front-left one."
        ),
    )
    assert turned.confidence == pytest.approx(calibrated("sign-flipped", 0.9), abs=5e-4)
    assert turned.ruled_out == (
        "Not the others: front-right, rear-right and rear-left move as their corners should.",
        "Not exchanged with the rear-right one: that moves as it should.",
    )
    assert turned.rivals == ()
    missing = {place: signs for place, signs in other(front_left=(1, -1)).items() if place != "rear-right"}
    (alone,) = findings(corners(missing))
    assert alone.confidence == pytest.approx(calibrated("sign-flipped", 0.5), abs=5e-4)
    assert [(rival.fault, rival.why) for rival in alone.rivals] == [(
        "swapped-channels", "no channel shows the rear-right corner, and its sensor may be plugged in here instead",
    )]  # fmt: skip
    (across,) = findings(corners(other(front_right=(-1, -1), rear_left=(1, 1))))
    assert across.rivals[0].why == (
        "front-left and rear-right may be exchanged instead: nobody says which sign pressing has"
    )


# Answers ----------------------------------------------------------------------------------------------------


def asked(seen: Views, *roles: tuple[str, str]) -> Case:
    parts = [made(name, np.arange(30.0), role=role) for name, role in roles]
    case = Case(health(), channels=channels_of(*parts))
    seen.channels = case.decoded
    case.__dict__["views"] = seen
    return case


def why(said: Any) -> str:
    return said.why if isinstance(said, Why) else said


def test_whether_anything_tells_which_way_a_channel_goes() -> None:
    both = asked(views(turning=ways((LAT, TURN), (YAW, TURN))), ("lat", "accel_lat"), ("yaw", "yaw_rate"))
    found = {name: why(said) for name, said in sign_way_answers(both).items()}
    assert found == {
        "channel:lat": "the other way than yaw rate times speed",
        "channel:yaw": "the other way than lateral acceleration",
    }
    alone = asked(views(turning=ways((LAT, TURN))), ("lat", "accel_lat"))
    assert why(sign_way_answers(alone)["channel:lat"]) == "nothing else on the car tells which way it goes"
    little = asked(views(turning=ways((LAT, TURN), (YAW, NOISE))), ("lat", "accel_lat"))
    assert why(sign_way_answers(little)["channel:lat"]) == "the car moved too little that way"
    contrary = asked(views(turning=ways((LAT, TURN), (YAW, -TURN))), ("lat", "accel_lat"))
    assert why(sign_way_answers(contrary)["channel:lat"]) == "the other way than yaw rate times speed"
    lost = asked(views(), ("long", "accel_long"), ("oil", "oil_pressure"))
    assert {name: why(said) for name, said in sign_way_answers(lost).items()} == {
        "channel:long": "nothing on the car can be held beside accel_long: a speed is missing, or two channels have "
        "its role"
    }
    along = asked(views(along=ways((LONG, BRAKE), (SLOPE, BRAKE)), fast=~EVERY), ("long", "accel_long"))
    assert why(sign_way_answers(along)["channel:long"]) == "the other way than slope of the speed"
    turns = asked(views(turning=ways((LAT, TURN), (YAW, TURN)), fast=~EVERY), ("lat", "accel_lat"))
    assert why(sign_way_answers(turns)["channel:lat"]) == "the car moved too little that way"


def test_whether_anything_tells_wheels_and_dampers_apart() -> None:
    base = 20.0 + wave(3)

    def places(right: Floats, turning: Any, **more: Any) -> dict[str, str]:
        seen = views(wheels=(base, right), turning=turning, **({"dampers": {}} | more))
        case = asked(seen, ("front-left", "wheel_speed"), ("front-right", "wheel_speed"), ("oil", "oil_pressure"))
        return {name.partition(":")[2]: why(said) for name, said in place_answers(case).items()}

    both = ways((LAT, TURN), (YAW, TURN))
    clear = "left for right, by the lateral acceleration"
    assert places(base + 0.1 * TURN, both) == {"front-left": clear, "front-right": clear}
    assert set(places(base - 0.1 * TURN, both).values()) == {clear}
    assert set(places(base + 0.1 * TURN + 3 * NOISE, both).values()) == {"the car turned too little"}
    assert set(places(base, ()).values()) == {"no channel with a role says which way the car turns"}
    against = ways((LAT, TURN), (YAW, -TURN))
    said = "the lateral acceleration and the yaw rate times speed contradict each other"
    assert set(places(base + 0.1 * TURN, against).values()) == {said}
    assert set(places(base + 0.1 * TURN, ways((LAT, TURN), (YAW, NOISE))).values()) == {"the car turned too little"}


def test_whether_anything_tells_a_corner_and_that_brakes_rise_together() -> None:
    seen = corners(SOUND)
    roles = [(place, "damper_travel") for place in SOUND]
    found = place_answers(asked(seen, *roles, ("bf", "brake_pressure")))
    assert {why(found[f"channel:{place}"]) for place in SOUND} == {
        "another corner, by the lateral acceleration and the braking"
    }
    assert found["channel:bf"] == "nothing to exchange it with"
    unclear = corners(SOUND, size=5.0)
    assert why(place_answers(asked(unclear, *roles))["channel:rear-left"]) == (
        "bends and braking did not show clearly where it sits"
    )
    brakes = asked(views(dampers={}), ("bf", "brake_pressure"), ("br", "brake_pressure"), ("w", "wheel_speed"))
    answers = place_answers(brakes)
    assert why(answers["channel:bf"]) == why(answers["channel:br"]) == "front and rear brakes rise together"
    assert why(answers["channel:w"]) == "no position says where it sits, or nothing sits across"
