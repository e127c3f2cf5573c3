"""What a run can't tell stays a question, with the reason and what would settle it; what it can tell says its limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.session import Session
from buswright.diagnosis.case import Case, Question, sighting
from buswright.diagnosis.detect import case_of
from buswright.diagnosis.inconclusive.asked import ASKED, by_subject, questions
from buswright.diagnosis.trust import trust
from buswright.findings import FAULTS, Severity
from buswright.health.channels.evidence import measure_channels
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car


@pytest.fixture(scope="module")
def drive() -> Case:
    """A healthy car: key on, start, idle, and the first corners."""
    car = demo_car(())
    tracker, run = HealthTracker(car=car), list(simulate_run(30.0, 3))
    for frames in run:
        tracker.update(frames)
    return case_of(tracker.result(), car=car, channels=measure_channels(Session(run, car)))


@pytest.fixture(scope="module")
def asked(drive: Case) -> Mapping[tuple[str, str], Question]:
    return {(one.subject.partition(":")[2], one.about): one for one in questions(drive, ())}


def without(drive: Case, name: str, **changes: object) -> Case:
    """The same drive with one channel's description changed."""
    assert drive.channels is not None
    one = drive.channels[name]
    assert one.channel is not None
    assert drive.car is not None
    described = replace(one.channel, **changes)  # type: ignore[arg-type]
    changed = replace(one, channel=described)
    car = replace(drive.car, channels={**drive.car.channels, name: described})
    return replace(drive, car=car, channels=replace(drive.channels, by_name={**drive.channels.by_name, name: changed}))


def test_a_question_is_either_open_with_a_way_to_settle_it_or_says_what_would_have_shown(asked):
    assert all(bool(one.shows) is not one.is_open for one in asked.values())
    assert all(bool(one.settles) is one.is_open for one in asked.values())
    assert {fault for one in asked.values() for fault in one.faults} <= set(FAULTS)


@pytest.mark.parametrize(
    ("subject", "about", "words"),
    [
        ("damper_fl", "zero", "remember"),
        ("brake_pressure_front", "place", "unplug one sensor"),
        ("oil_pressure", "scale", "a gauge you trust"),
        ("throttle", "wire", "millivolts"),
        ("damper_fl", "cross-talk", "Ground the input beside it"),
        ("pedal", "role", "role"),
    ],
)
def test_what_this_car_cannot_tell_says_what_would(asked, subject, about, words):
    assert asked[subject, about].is_open
    assert words in asked[subject, about].settles


@pytest.mark.parametrize(
    ("subject", "about", "words"),
    [
        ("damper_fl", "wire", "0.25 to 4.75 V"),
        ("oil_pressure", "zero", "off by more than 0.3 bar"),
        ("accel_lat", "sign", "yaw rate"),
        ("damper_fl", "movement", "one value for over"),
        ("5V-A", "supply", "0.1 V"),
        ("vehicle_speed", "scale", "12 %"),
    ],
)
def test_what_it_can_tell_says_from_which_size_on(asked, subject, about, words):
    assert not asked[subject, about].is_open
    assert words in asked[subject, about].shows


def test_a_limit_of_the_car_file_stands_in_the_answer(drive):
    own = questions(without(drive, "damper_fl", thresholds={"stuck_s": 7.0}), ())
    (one,) = [each for each in own if each.subject == "channel:damper_fl" and each.about == "movement"]
    assert "over 7.0 s" in one.shows


def test_without_a_role_nothing_can_be_held_beside_it(drive):
    own = questions(without(drive, "accel_lat", role=None), ())
    about = {one.about for one in own if one.subject == "channel:accel_lat" and one.is_open}
    assert "role" in about
    assert not about & {"zero", "sign", "scale"}


def test_a_car_that_hardly_turned_is_to_be_driven_through_bends_and_one_without_such_roles_needs_them(drive):
    """The same ways to know its turning: none of them has a role, none shows a bend, one is turned round."""

    def place(case: Case) -> Question:
        (one,) = [each for each in questions(case, ()) if each.subject == "channel:damper_fl" and each.about == "place"]
        return one

    ways = ("steering_angle", "accel_lat", "yaw_rate")
    bare = drive
    for name in ways:
        bare = without(bare, name, role=None)
    assert place(bare).settles.startswith("Give yaw rate, lateral acceleration or steering its role")
    assert drive.channels is not None
    noise = np.random.default_rng(1)
    straight = {
        each.name: each.with_series(replace(each.series, value=noise.normal(0.0, 0.1, len(each))))
        for each in (drive.channels[name] for name in ways)
    }
    little = place(replace(drive, channels=replace(drive.channels, by_name={**drive.channels.by_name, **straight})))
    assert little.why == "the car turned too little"
    assert little.settles.startswith("Drive corners both ways")
    one = drive.channels["accel_lat"]
    turned = {"accel_lat": one.with_series(replace(one.series, value=-one.series.value))}
    two = without(drive, "steering_angle", role=None)
    assert two.channels is not None
    against = place(replace(two, channels=replace(two.channels, by_name={**two.channels.by_name, **turned})))
    assert against.why == "the lateral acceleration and the yaw rate times speed contradict each other"


def test_what_was_found_is_no_question_any_more(drive):
    assert drive.channels is not None
    found = sighting(
        "offset", Severity.FAULT, "channel:damper_fl", count=1, confidence=0.9, evidence=("seen",), threshold="a limit",
        next_check="look",
    ).finding  # fmt: skip
    own = {one.about for one in questions(drive, (found,)) if one.subject == "channel:damper_fl"}
    assert "zero" not in own
    assert "wire" in own


def test_a_channel_that_never_moved_is_not_judged_and_one_that_did_is_fine_with_its_scope(drive):
    assert drive.channels is not None
    still = drive.channels["lambda_collector"]
    one = still.with_series(replace(still.series, value=np.full(len(still), 1.0), raw=np.full(len(still), 1000)))
    case = replace(drive, channels=replace(drive.channels, by_name={**drive.channels.by_name, "lambda_collector": one}))
    states = {each.channel: each for each in trust(case, (), questions(case, ()))}
    assert states["lambda_collector"].state == "not judged"
    assert "never moved" in states["lambda_collector"].why
    assert states["damper_fl"].state == "fine"
    assert "not decided: zero" in states["damper_fl"].why


def test_questions_go_channel_by_channel_and_each_names_its_faults(drive):
    found = questions(drive, ())
    together = {one.about: row for row, group in enumerate(ASKED) for one in group}
    rows = [together[one.about] for one in found]
    assert rows == sorted(rows)
    for row, group in enumerate(ASKED):
        subjects = [one.subject for one in found if together[one.about] == row]
        assert subjects == sorted(subjects, key=subjects.index), "all of one subject, then the next"
        for one in (each for each in found if together[each.about] == row):
            (asked,) = (each for each in group if each.about == one.about)
            assert one.faults == tuple(asked.faults.split())
    whole = by_subject(found)
    assert [one for those in whole.values() for one in those if one.subject == "channel:damper_fl"] == [
        one for one in found if one.subject == "channel:damper_fl"
    ]
    assert sum(len(those) for those in whole.values()) == len(found)
    assert all({one.subject for one in those} == {subject} for subject, those in whole.items())


def test_a_finding_that_another_one_explains_answers_its_question_too(drive):
    def said(fault, subject, explains=()):
        one = sighting(
            fault, Severity.FAULT, subject, count=1, confidence=0.9, evidence=(), threshold="", next_check=""
        ).finding
        return replace(one, explains=explains)

    below = said("offset", "channel:damper_fl")
    own = {one.about for one in questions(drive, (said("supply-sag", "supply:5V-A", (below,)),))
           if one.subject == "channel:damper_fl"}  # fmt: skip
    assert "zero" not in own
    assert not [one for one in questions(drive, (said("supply-sag", "supply:5V-A"),)) if one.subject == "supply:5V-A"]
    assert [one for one in questions(drive, (said("supply-sag", "supply:5V-B"),)) if one.subject == "supply:5V-A"]
