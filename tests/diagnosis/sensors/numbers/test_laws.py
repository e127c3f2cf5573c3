"""Factors between two ways to know a quantity: how far off is a fault, whose it is, and what it is called."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Why
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.relations import View, Views
from buswright.diagnosis.sensors.numbers.laws import (
    Law,
    factor_answers,
    laws,
    unit_answers,
    with_scale,
    wrong_factors,
)
from buswright.findings import Finding
from tests.diagnosis.made import health
from tests.diagnosis.sensors.synthetic import PRESSURE, Floats, case_of, channels_of, made, sensor

N = 600
EVERY = np.ones(N, dtype=np.bool_)
PLACES = ("front-left", "front-right", "rear-left", "rear-right")


def wave(cycles: int) -> Floats:
    """A sine over the minute; those of different cycles have nothing in common."""
    return np.sin(2 * np.pi * cycles * np.arange(N) / N)


BASE = 20.0 + 5.0 * wave(3)


def view(name: str, role: str, value: Floats, words: str = "", sources: Sequence[Any] = ()) -> View:
    return View(words or name, value, (made(name, np.ones(30), role=role), *sources))


def views(*, wheels: Sequence[float | Floats] = (), **ways: Any) -> Views:
    """Views of which a test says each, without any smoothing; wheels as factors of one speed."""
    found = Views(channels_of())
    columns = [BASE * each if np.isscalar(each) else each for each in wheels]
    at = {place: view(place, "wheel_speed", np.asarray(value)) for place, value in zip(PLACES, columns, strict=False)}
    nothing = {"speed": None, "turning": (), "along": (), "fast": EVERY, "steady": EVERY, "dampers": {}}
    found.__dict__.update({"wheels": at} | nothing | ways)
    return found


def said(seen: Views) -> list[Finding]:
    case = Case(health(), channels=channels_of())
    case.__dict__["views"] = seen
    return [one.finding for one in wrong_factors(case)]


def named(found: Sequence[Finding]) -> list[tuple[str, str, str]]:
    return [(one.fault, one.subject.partition(":")[2], one.severity.name) for one in found]


# Wheels -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wheels", "found"),
    [
        # Alone an axle may be off by 12 % (tyres slip), beside another one by 5 %: both turn alike on the straight.
        ((1.119, 1.0), []),
        ((1.0, 1.13), []),  # left over right: 0.885
        ((1.13, 1.0), [("gain", "front-left", "SUSPECT")]),
        ((1.0, 1.15), [("gain", "front-left", "SUSPECT")]),  # nobody says which of the two it is
        ((1.049, 1.0, 1.0, 1.0), []),
        ((1.051, 1.0, 1.0, 1.0), [("gain", "front-left", "FAULT")]),
        ((1.0, 1.054, 1.0, 1.0), [("gain", "front-right", "FAULT")]),
        ((1.0, 1.0, 0.94, 1.0), [("gain", "rear-left", "FAULT")]),
        # The wheel that is further off the others by 1.5 % is the one.
        ((1.040, 0.976, 1.0, 1.0), [("gain", "front-left", "FAULT")]),
        ((1.038, 0.976, 1.0, 1.0), [("gain", "front-left", "SUSPECT")]),
        # A car that circles: the other axle turns as unevenly the same way, by three tenths of it at the least.
        ((1.10, 1.0, 1.031, 1.0), []),
        ((1.10, 1.0, 1.029, 1.0), [("gain", "front-left", "FAULT")]),
        ((1.0, 1.0 / 0.9, 1.0, 1.0 / 0.969), []),
    ],
)
def test_wheels_of_an_axle_turn_alike(wheels: Any, found: Any) -> None:
    assert named(said(views(wheels=wheels))) == found


def test_a_wheel_is_held_against_the_middle_of_at_least_two_others() -> None:
    seen = list(laws(views(wheels=(1.3, 1.0, 1.01))))
    middle = [law for law in seen if law.words == "the middle of the other wheels"]
    # FL against 1.005, FR against 1.155, RL against 1.15: the others are off by over half of its 0.3.
    assert [law.each.name for law in middle] == ["front-left", "front-right", "rear-left"]
    assert middle[0].made.slope == pytest.approx(1.3 / 1.005)
    assert {(law.agree, law.tolerance, law.sources, law.beside) for law in middle} == {(True, 0.12, (), "")}
    assert not [law for law in laws(views(wheels=(1.3, 1.0))) if law.words == "the middle of the other wheels"]


@pytest.mark.parametrize(("inner", "laws_"), [(0.80, 0), (0.95, 4)])
def test_where_two_wheels_are_off_the_middle_the_car_circles(inner: float, laws_: int) -> None:
    # The outer wheel is off the middle of the others by 0.3; the inner one by 0.2 or by 0.05, over or under its half.
    circles = views(wheels=(1.3, inner, 1.0, 1.0))
    assert len([law for law in laws(circles) if law.words == "the middle of the other wheels"]) == laws_


def test_wheels_are_compared_while_none_slips() -> None:
    slips = np.arange(N) % 3 == 0
    spinning = np.where(slips, BASE * 1.5, BASE)
    seen = views(wheels=(spinning, 1.0, 1.0, 1.0), steady=~slips)
    (first, *_) = (law for law in laws(seen) if law.words == "the middle of the other wheels")
    assert first.made.slope == pytest.approx(1.0)


def test_a_wheel_of_another_size_is_said_with_its_proof() -> None:
    (one,) = said(views(wheels=(1.1, 1.0, 1.0, 1.0)))
    assert one.evidence == ("front-left moves 1.1 times as much as the wheel beside it says (r = 1.00, 60 s).",)
    assert one.confidence == pytest.approx(calibrated("gain", 0.85), abs=5e-4)
    assert one.threshold.startswith("off by more than 5 %; unit_guess = 0.02")
    assert one.ruled_out == ("Not the wheel beside it: others agree with it.",)
    assert one.next_check.endswith("count the teeth and measure the rolling circumference.")
    assert one.rivals == ()
    (open_,) = said(views(wheels=(1.0, 1.15)))
    assert open_.evidence == (
        "front-left moves 0.87 times as much as the wheel beside it says (r = 1.00, 60 s).",
        "It may as well be the wheel beside it that is off: no third says which.",
    )
    assert open_.confidence == pytest.approx(calibrated("gain", 0.5), abs=5e-4)
    assert open_.ruled_out == ()
    assert open_.threshold.startswith("off by more than 12 %")
    assert open_.next_check.startswith("Roll the car by ten turns of that wheel")
    assert [(each.fault, each.subject) for each in open_.rivals] == [("gain", "channel:front-right")]


# Names of a factor ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("factor", "fault"),
    [
        (2.0, "scale-or-unit"),  # twice the teeth
        (1.951, "scale-or-unit"),  # within 2.5 %, half of the 5 % of a pair
        (1.94, "gain"),
        (0.5, "scale-or-unit"),
        (1.609, "scale-or-unit"),
        (3.6, "scale-or-unit"),
        (1.3, "gain"),
    ],
)
def test_a_factor_that_is_a_mix_up_of_units_is_called_so(factor: float, fault: str) -> None:
    found = said(views(wheels=(factor, 1.0, 1.0, 1.0)))
    assert (found[0].fault, found[0].subject) == (fault, "channel:front-left")
    assert any(text.startswith("That is ") for text in found[0].evidence) == (fault != "gain")


def test_how_near_it_is_to_that_factor_is_said_and_a_sensor_of_its_own_makes_it_a_mix_up() -> None:
    (one, *_) = said(views(wheels=(1.96, 1.0, 1.0, 1.0)))
    assert one.evidence[1] == "That is a diameter for a radius, or twice the teeth, within 2.0 %."
    own = View("speed", 3.6 * BASE, (made("speed", np.ones(300), kind=sensor(PRESSURE), role="vehicle_speed"),))
    (mixed,) = said(views(wheels=(1.0, 1.0, 1.0), speed=own))
    assert (mixed.fault, mixed.subject) == ("unit-mixup", "channel:speed")
    assert mixed.evidence[1] == "That is km/h read as m/s, within 0.0 %."


def test_twice_as_much_with_a_lowest_bit_that_rests_is_a_place_in_the_frame() -> None:
    # Codes of 1/1000: always even, and the second bit changes with every third sample.
    codes = np.cumsum(np.arange(300) % 3 == 0) * 2 * 0.001
    wheel = View("fl", 2.0 * BASE, (made("fl", codes, role="wheel_speed"),))
    seen = views(wheels=(2.0, 1.0, 1.0, 1.0))
    seen.__dict__["wheels"]["front-left"] = wheel
    (one, *_) = said(seen)
    assert (one.fault, one.subject) == ("bit-position", "channel:fl")
    assert any("The lowest 1 bit of fl never changes" in text for text in one.evidence)
    seen.__dict__["wheels"]["front-left"] = View("fl", 1.9 * BASE, wheel.sources)
    assert said(seen)[0].fault == "gain"


@pytest.mark.parametrize(("other", "found"), [(0.31, 1), (0.35, 0)])
def test_what_hardly_goes_together_has_no_factor(other: float, found: int) -> None:
    # 1.2 (x + c z) of two waves that have nothing in common: r = 1 / sqrt(1 + c^2), 0.955 and 0.944.
    speed = view("speed", "vehicle_speed", 20 + 1.2 * 5 * (wave(3) + other * wave(29)))
    assert len(said(views(wheels=(1.0, 1.0), speed=speed))) == found


# Speed, turning, along --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wheels", "factor", "found"),
    [
        ((1.0, 1.0, 1.0), 1.11, []),
        ((1.0, 1.0, 1.0), 1.13, [("gain", "speed", "FAULT")]),
        ((1.0, 1.0), 1.13, [("gain", "speed", "SUSPECT")]),
        ((1.0,), 1.13, []),
        ((1.0, 1.0, 1.0), 0.87, [("gain", "speed", "FAULT")]),
    ],
)
def test_a_speed_goes_with_the_median_of_the_wheels(wheels: Any, factor: float, found: Any) -> None:
    speed = view("speed", "vehicle_speed", factor * BASE)
    assert named(said(views(wheels=wheels, speed=speed))) == found


def test_a_speed_that_is_that_of_the_wheels_is_not_held_against_them() -> None:
    own = view("front-left", "wheel_speed", 1.3 * BASE)
    assert not [law for law in laws(views(wheels=(1.0, 1.0, 1.0), speed=own)) if law.words == "the wheel speeds"]
    (law,) = (law for law in laws(views(wheels=(1.0, 1.0), speed=view("s", "vehicle_speed", BASE)))
              if law.words == "the wheel speeds")  # fmt: skip
    assert (law.agree, law.beside, law.tolerance) == (False, "front-left", 0.12)


def turning(lateral: float, yaw: float, wheels: float | None = None, roles: Any = ("accel_lat", "yaw_rate")) -> Views:
    """Ways to know the lateral acceleration as factors of one; that of the wheels is a track times it."""
    turn = 4.0 * wave(5)
    ways = [view("lat", roles[0], lateral * turn), view("yaw", roles[1], yaw * turn, "yaw rate times speed")]
    if wheels is not None:
        ways.append(view("fl", "wheel_speed", wheels * turn))
    return views(turning=tuple(ways), speed=view("speed", "gps", BASE))


@pytest.mark.parametrize(
    ("seen", "found"),
    [
        (turning(1.24, 1.0), []),
        (turning(1.26, 1.0), [("gain", "lat", "SUSPECT")]),
        (turning(0.74, 1.0), [("gain", "lat", "SUSPECT")]),
        # The difference of the wheel speeds is the turn times the track: 0.9 to 1.8 m are usual.
        (turning(2.2, 1.0, 1.5), [("gain", "lat", "FAULT")]),
        (turning(1.0, 2.2, 1.5), [("gain", "yaw", "FAULT")]),
        (turning(1.4, 1.0, 1.5), []),  # 1.07 and 1.5 m: both are usual
        (turning(2.2, 1.0, 0.91), [("gain", "lat", "FAULT")]),
        (turning(2.2, 1.0, 0.89), [("gain", "lat", "SUSPECT")]),
        (turning(2.2, 1.0, 1.79), [("gain", "lat", "FAULT")]),
        (turning(2.2, 1.0, 1.81), [("gain", "lat", "SUSPECT")]),
        (turning(2.2, 1.0, -1.5), [("gain", "lat", "SUSPECT")]),
        (turning(2.2, 1.0, None, ("accel_lat", "steering_angle")), []),
        (turning(2.2, 1.0, None, ("yaw_rate", "steering_angle")), []),
    ],
)  # fmt: skip
def test_a_lateral_acceleration_is_the_yaw_rate_times_the_speed(seen: Views, found: Any) -> None:
    assert [each[1:] for each in named(said(seen))] == [each[1:] for each in found]


def test_wheels_that_hardly_follow_the_turn_are_no_third() -> None:
    seen = turning(2.2, 1.0)
    odd = view("fl", "wheel_speed", 1.5 * 4.0 * (0.59 * wave(5) + np.sqrt(1 - 0.59**2) * wave(31)))
    seen.__dict__["turning"] = (*seen.turning, odd)
    assert named(said(seen))[0][2] == "SUSPECT"


def test_what_a_law_says_of_both_sides() -> None:
    (law,) = laws(turning(2.0, 1.0))
    assert law == Law(law.each, law.made, "yaw rate times speed", False, 0.25, ("speed",), "yaw")
    (turned,) = laws(turning(1.0, 2.0, 1.5))
    assert (turned.each.name, turned.words) == ("yaw", "the lateral acceleration over the speed")
    assert turned.made.slope == pytest.approx(2.0)  # turned round: yaw over lateral
    assert turned.made.r == pytest.approx(1.0)
    assert (turned.agree, turned.sources, turned.tolerance) == (True, ("speed",), 0.25)


def test_turned_round_a_line_has_the_inverse_slope_and_comes_as_much_sooner() -> None:
    turn = 4.0 * wave(5)
    lateral, yaw = 2.0 * np.roll(turn, 2) + 3.0, turn
    ways = (view("lat", "accel_lat", yaw), view("yaw", "yaw_rate", lateral), view("fl", "wheel_speed", 1.5 * yaw))
    (law,) = laws(views(turning=ways))
    # lat = (yaw - 3) / 2, two windows sooner: yaw = 2 lat + 3, two windows later.
    assert (law.each.name, law.made.lag_s) == ("yaw", pytest.approx(0.2))
    assert (law.made.slope, law.made.offset) == (pytest.approx(2.0), pytest.approx(3.0, abs=0.05))


@pytest.mark.parametrize(("factor", "found"), [(1.29, 0), (1.31, 1), (0.69, 1), (0.71, 0)])
def test_an_acceleration_is_the_slope_of_the_speed_within_three_tenths(factor: float, found: int) -> None:
    slope = view("speed", "vehicle_speed", 3.0 * wave(4), "slope of the speed")
    seen = views(along=(view("long", "accel_long", factor * 3.0 * wave(4)), slope), speed=view("speed", "x", BASE))
    got = said(seen)
    assert [each[1:] for each in named(got)] == [("long", "SUSPECT")] * found
    assert all(one.rivals[0].subject == "channel:speed" for one in got)
    alone = views(along=(slope,))
    assert list(laws(alone)) == []


def test_what_comes_from_a_speed_that_is_off_itself_is_not_blamed() -> None:
    seen = turning(1.5, 1.0)
    fast = view("speed", "vehicle_speed", 1.5 * BASE)
    at = {place: view(place, "wheel_speed", BASE) for place in PLACES[:3]}
    seen.__dict__.update(speed=fast, wheels=at)
    assert named(said(seen)) == [("gain", "speed", "FAULT")]


def test_without_others_that_agree_the_proof_belongs_to_the_role() -> None:
    speed = view("speed", "vehicle_speed", 1.3 * BASE)
    (one,) = said(views(wheels=(1.0, 1.0), speed=speed))
    assert one.next_check == "Drive a measured distance at a steady speed with a stop watch, and hold speed against it."
    (agreed,) = said(views(wheels=(1.0, 1.0, 1.0), speed=speed))
    assert agreed.next_check == "Look up scale, unit and sensor of speed in the car file and the database."


# Answers ----------------------------------------------------------------------------------------------------


def test_what_would_have_shown_is_said_and_why_it_would_not() -> None:
    ones = np.arange(300) * 0.01
    parts = [
        made("fl", ones, unit="km/h", role="wheel_speed"),
        made("oil", ones, unit="bar", role="oil_pressure"),
        made("gear", ones, role="gear"),
        made("x", ones),
        made("travel", ones, unit="mm", role="damper_travel"),
        made("air", ones, unit="degC", role="air_temperature"),
    ]
    case = case_of(*parts)
    assert [each.name for each in with_scale(case)] == ["fl", "oil", "travel", "air"]
    factors = factor_answers(case)
    assert isinstance(factors["channel:fl"], Why)
    assert factors["channel:fl"].why == "nothing that it can be compared with moved clearly enough, or had a role"
    oil = factors["channel:oil"]
    assert isinstance(oil, Why)
    assert oil.why == "nothing else on the car measures the same"
    found = unit_answers(case)
    assert found["channel:air"] == "only levels that no car has: below -40 or above 120 °C"
    assert isinstance(found["channel:oil"], Why)
    assert found["channel:oil"].why == "the engine did not run"  # type: ignore[union-attr]
    assert found["channel:travel"].why == "no rule says what is usual for it"  # type: ignore[union-attr]
    ran = made("rpm", np.where(np.arange(300) < 250, 2000.0, 0.0), unit="rpm", role="engine_speed")
    assert unit_answers(case_of(*parts, ran))["channel:oil"] == "only levels that no car has: below 0.3 or above 12 bar"
    briefly = made("rpm", np.where(np.arange(300) < 244, 2000.0, 0.0), unit="rpm", role="engine_speed")
    assert isinstance(unit_answers(case_of(*parts, briefly))["channel:oil"], Why)  # five seconds at least


def test_a_law_that_was_tried_says_from_which_factor_on_it_shows() -> None:
    case = Case(health(), channels=channels_of(made("speed", np.ones(30), unit="km/h", role="vehicle_speed")))
    case.__dict__["views"] = views(wheels=(1.0, 1.0), speed=view("speed", "vehicle_speed", BASE))
    assert factor_answers(case) == {"channel:speed": "a factor off by more than 12 %, beside the wheel speeds"}
    poor = view("speed", "vehicle_speed", BASE + 2.0 * wave(29))  # r = 0.93
    case = Case(health(), channels=case.channels)
    case.__dict__["views"] = views(wheels=(1.0, 1.0), speed=poor)
    assert isinstance(factor_answers(case)["channel:speed"], Why)
