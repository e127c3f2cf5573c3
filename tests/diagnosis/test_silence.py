"""When a silence is too long, how grave lost frames are, and what never came: at, below and above each limit."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.silence import (
    FULL,
    absentees,
    came_later,
    came_meanwhile,
    is_guest,
    is_missing_at_the_end,
    lost_severity,
    missing_after_ns,
    never_seen,
)
from buswright.findings import Severity
from buswright.health.baseline.baseline import IdBaseline
from buswright.health.model.health import ModuleFigures
from buswright.health.model.identifiers import NeverCame

from .made import MS, SECONDS, S, absent, bus, car_of, health, identifier

ID = FrameName("main", 0x100, False)


def test_missing_is_ten_periods_and_a_second_whichever_is_longer() -> None:
    case = Case(health())
    assert missing_after_ns(case, ID, 10.0 * MS) == S
    assert missing_after_ns(case, ID, 100.0 * MS) == S
    assert missing_after_ns(case, ID, 101.0 * MS) == 1010 * MS
    assert missing_after_ns(case, ID, 0.0) == S
    assert missing_after_ns(case, ID, np.array([10.0 * MS, 200.0 * MS])).tolist() == [S, 2 * S]


def test_the_car_file_says_both_limits_for_a_frame_or_its_bus() -> None:
    other = FrameName("main", 0x101, False)
    car = car_of({"main": {"id_missing_periods": 20.0}}, frames={ID: {"id_missing_s": 3.0, "id_missing_periods": 2.0}})
    case = Case(health(), car)
    assert missing_after_ns(case, ID, 100.0 * MS) == 3 * S
    assert missing_after_ns(case, ID, 2000.0 * MS) == 4 * S
    assert missing_after_ns(case, other, 100.0 * MS) == 2 * S


@pytest.mark.parametrize(
    ("last_ns", "came"),
    [(None, False), (20 * S + 100 * MS, False), (20 * S + 100 * MS + 1, True), (30 * S, True), (30 * S + 1, False)],
)
def test_what_came_a_tenth_of_a_second_into_a_silence_was_not_on_its_way(last_ns: int | None, came: bool) -> None:
    assert came_meanwhile(last_ns, Window(20 * S, 30 * S)) is came


@pytest.mark.parametrize(("silent_ms", "missing"), [(1000, False), (1001, True)])
def test_missing_at_the_end_is_a_silence_of_that_length_up_to_it(silent_ms: int, missing: bool) -> None:
    figures = identifier(0x100, last_ns=SECONDS * S - silent_ms * MS)
    assert is_missing_at_the_end(Case(health([figures])), figures) is missing


def test_without_a_rhythm_or_times_nobody_is_missing_at_the_end() -> None:
    stopped = identifier(0x100, last_ns=S)
    case = Case(health([stopped]))
    assert is_missing_at_the_end(case, identifier(0x100, None, last_ns=S)) is False
    assert is_missing_at_the_end(case, replace(stopped, last_ns=None)) is False
    assert is_missing_at_the_end(Case(health(capture={"last_ns": None})), stopped) is False


@pytest.mark.parametrize(
    ("share", "gaps", "counted", "severity"),
    [
        (0.5, FULL - 1, True, Severity.NOTE),  # a single gap or two say little, however long
        (0.0009, FULL, True, Severity.NOTE),
        (0.001, FULL, True, Severity.SUSPECT),
        (0.0099, FULL, True, Severity.SUSPECT),
        (0.01, FULL, True, Severity.FAULT),
        (0.01, FULL, False, Severity.SUSPECT),  # nobody says that they were sent
        (0.0009, FULL, False, Severity.NOTE),
        (0.001, FULL, False, Severity.SUSPECT),
    ],
)
def test_a_loss_is_as_grave_as_its_share_where_three_gaps_show_it(
    share: float, gaps: int, counted: bool, severity: Severity
) -> None:
    figures = identifier(0x100)
    assert FULL == 3
    assert lost_severity(Case(health([figures])), figures, share, gaps, counted=counted) is severity


def test_the_car_file_says_from_which_share_on() -> None:
    figures = identifier(0x100)
    case = Case(health([figures]), car_of(frames={ID: {"lost_share_fault": 0.2, "lost_share_suspect": 0.1}}))
    shares = (0.09, 0.1, 0.19, 0.2)
    found = [lost_severity(case, figures, share, 9, counted=True) for share in shares]
    assert found == [Severity.NOTE, Severity.SUSPECT, Severity.SUSPECT, Severity.FAULT]


@pytest.mark.parametrize(("first_ms", "later"), [(2000, False), (2001, True)])
@pytest.mark.parametrize(("known", "guest"), [(False, True), (True, False), (None, False)])
def test_who_comes_after_the_start_came_later_and_a_stranger_is_a_guest(
    first_ms: int, later: bool, known: bool | None, guest: bool
) -> None:
    """Modules take two seconds to start, and the bus is first heard at 5 s."""
    figures = identifier(0x100, first_ns=5 * S + first_ms * MS, known=known)
    case = Case(health([figures], [bus(first_ns=5 * S)]))
    assert came_later(case, figures) is later
    assert is_guest(case, figures) is (later and guest)


def test_without_times_nobody_came_later() -> None:
    figures = identifier(0x100, first_ns=30 * S, known=False)
    assert came_later(Case(health([figures], [bus(first_ns=None)])), figures) is False
    timeless = replace(figures, first_ns=None)
    assert came_later(Case(health([figures])), timeless) is False


# What never came ------------------------------------------------------------------------------------------------------


def case_of(*never: NeverCame, seconds: float = SECONDS, data_frames: int = 60_000, **changes: Any) -> Case:
    own = ModuleFigures("node_z", "main", (), never, 0, 0, 0.0, 0.0, None, None)
    measured = health([identifier(0x100)], [bus(seconds=seconds, data_frames=data_frames)], modules=[own])
    return Case(measured, **changes)


def ids(found: tuple[NeverCame, ...]) -> list[int]:
    return [one.name.id for one in found]


@pytest.mark.parametrize(
    ("period_ms", "seconds", "due"),
    [
        (100.0, 3.0, False),  # two seconds to start and one to be missing
        (100.0, 3.001, True),
        (500.0, 7.0, False),  # ten periods are five seconds
        (500.0, 7.001, True),
        (None, 3.0, False),  # nobody says how often: a second
        (None, 3.001, True),
    ],
)
def test_what_never_came_is_due_once_it_could_have_been_missing(
    period_ms: float | None, seconds: float, due: bool
) -> None:
    case = case_of(absent(0x300, "Z1", "node_z", period_ms), seconds=seconds)
    assert ids(absentees(case, "main")) == [0x300] * due


def test_a_capture_of_two_seconds_or_without_data_misses_nobody() -> None:
    never = absent(0x300, "Z1", "node_z", 1.0)
    car = car_of({"main": {"id_missing_s": 0.0, "id_missing_periods": 0.0, "startup_ignore_s": 2.0}})
    assert ids(absentees(case_of(never, seconds=2.0, car=car), "main")) == []
    assert ids(absentees(case_of(never, seconds=2.1, car=car), "main")) == [0x300]
    assert ids(absentees(case_of(never, data_frames=0), "main")) == []


def test_what_is_sent_on_change_is_never_due() -> None:
    free = replace(absent(0x300, "Z1", "node_z"), expected=NOTHING.or_else("database", Facts(change_driven=True)))
    assert absentees(case_of(free), "main") == ()


def remembered(sending: str = "periodic", **changes: Any) -> IdBaseline:
    made = IdBaseline("M", "node_b", 600, sending, 100.0, 0.1, 0.2, 0, {"8": 600})
    return replace(made, **changes)


def test_what_a_good_run_had_by_the_clock_is_expected() -> None:
    names = [FrameName("main", number, False) for number in (0x200, 0x180, 0x100, 0x190)]
    good = {name: remembered() for name in names} | {names[3]: remembered("change-driven")}
    good |= {FrameName("other", 0x200, False): remembered()}
    found = absentees(case_of(remembered=good), "main")
    assert [(one.name.id, one.text, one.message, one.module, one.by, one.period_ms) for one in found] == [
        (0x180, "M", "M", "node_b", "good run", 100.0),
        (0x200, "M", "M", "node_b", "good run", 100.0),
    ]
    (nameless,) = absentees(case_of(remembered={names[0]: remembered(message=None, module=None)}), "main")
    assert (nameless.text, nameless.message, nameless.module) == ("200", "", None)
    assert absentees(case_of(remembered={names[0]: remembered("irregular")}), "main") == ()


def test_the_car_file_may_say_that_what_a_good_run_had_is_sent_on_change() -> None:
    name = FrameName("main", 0x200, False)
    car = car_of(frames={name: {}})
    entry = replace(car.frames[name], change_driven=True)
    car = replace(car, frames={name: entry})
    assert absentees(case_of(remembered={name: remembered()}, car=car), "main") == ()


def test_a_good_run_says_how_often_a_described_message_comes() -> None:
    """Without it, nobody would: then ten periods of 0.5 s can't be waited for."""
    never = absent(0x300, "Z1", "node_z")
    good = {never.name: remembered(period_ms=500.0)}
    assert ids(absentees(case_of(never, seconds=6.0), "main")) == [0x300]
    assert absentees(case_of(never, seconds=6.0, remembered=good), "main") == ()
    (one,) = absentees(case_of(never, seconds=8.0, remembered=good), "main")
    assert (one.period_ms, one.by) == (500.0, "database")
    other = {FrameName("main", 0x301, False): remembered(period_ms=500.0)}
    assert ids(absentees(case_of(never, seconds=8.0, remembered=other), "main")) == [0x300, 0x301]


def test_a_good_run_makes_nothing_overdue_sooner_than_a_description_does() -> None:
    """Ten periods of 0.5 s after the two seconds of the start; and what a database calls on change stays that."""
    name = FrameName("main", 0x200, False)
    good = {name: remembered(period_ms=500.0)}
    assert absentees(case_of(seconds=7.0, remembered=good), "main") == ()
    assert ids(absentees(case_of(seconds=7.1, remembered=good), "main")) == [0x200]
    free = replace(absent(0x200, "Z1", "node_z"), expected=NOTHING.or_else("database", Facts(change_driven=True)))
    assert absentees(case_of(free, remembered=good), "main") == ()


def test_only_modules_of_the_bus_that_is_asked_for_count() -> None:
    case = case_of(absent(0x300, "Z1", "node_z", 100.0))
    both = replace(case, health=replace(case.health, buses={**case.health.buses, "other": bus("other")}))
    assert absentees(both, "other") == ()
    assert ids(absentees(both, "main")) == [0x300]


def test_periodic_ones_and_those_of_a_good_run_are_known_to_be_missing() -> None:
    by_clock, unsaid = absent(0x300, "Z1", "node_z", 100.0), absent(0x301, "Z2", "node_z")
    good = {FrameName("main", 0x200, False): remembered()}
    case = case_of(by_clock, unsaid, remembered=good)
    assert never_seen(case, "main") == (by_clock.name, FrameName("main", 0x200, False))
