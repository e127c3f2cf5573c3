"""Whether frames came, second by second: times made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.now.identifiers import judge_identifiers
from buswright.diagnosis.now.modules import judge_modules
from buswright.diagnosis.now.moment import Moment
from buswright.diagnosis.now.seconds import ALL, BLANK, NONE, SOME, marks, silences
from buswright.health.model.health import BusHealth, Drop
from buswright.health.model.identifiers import IdFigures

from ..made import MS, SECONDS, S, bus, gaps, health, identifier
from .moments import NOW, at, bus_now, received


def drawn(measured: BusHealth, seconds: int, **how: Any) -> str:
    """Marks of the first module or identifier."""
    moment = at(measured, **how)
    sender = judge_modules(moment, judge_identifiers(moment), ())[0]
    return marks(moment, sender, seconds)


def spans(figures: IdFigures, begin_s: float = 0.0, end_s: float = SECONDS, **how: Any) -> list[tuple[float, float]]:
    """Silences in milliseconds from the begin."""
    moment = at(health([figures]), **how)
    starts, ends = silences(moment, figures, round(begin_s * S), round(end_s * S))
    return [(a / MS, b / MS) for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]


def test_frames_are_missing_from_one_period_after_the_last_one_until_the_next() -> None:
    holed = gaps([(20 * S, 20 * S + 40 * MS), (30 * S, 30 * S + 25 * MS)])
    assert spans(identifier(0x100, gaps=holed)) == [(20_010, 20_040), (30_010, 30_025)]


def test_what_was_only_late_or_not_heard_is_not_missing() -> None:
    holed = gaps([(20 * S, 20 * S + 40 * MS), (30 * S, 30 * S + 25 * MS)], is_missing=np.array([False, True]))
    assert spans(identifier(0x100, gaps=holed)) == [(30_010, 30_025)]


def test_a_stretch_cuts_what_lies_across_its_ends() -> None:
    holed = gaps([(20 * S, 22 * S), (30 * S, 32 * S)])
    figures = identifier(0x100, gaps=holed)
    assert spans(figures, 21.0, 31.0) == [(0, 1000), (9010, 10_000)]
    assert spans(figures, 22.0, 30.0) == []
    assert spans(figures, 22.0, 22.0) == []
    assert spans(figures, 23.0, 21.0) == []


def test_silences_that_overlap_are_told_once() -> None:
    holed = gaps([(20 * S, 24 * S), (21 * S, 22 * S), (23 * S, 25 * S)])
    assert spans(identifier(0x100, gaps=holed)) == [(20_010, 24_000), (24_000, 25_000)]


def test_an_identifier_that_stopped_is_missing_since_its_next_frame_was_due() -> None:
    assert spans(identifier(0x100, last_ns=NOW - 3 * S)) == [(57_010, 60_000)]
    # Up to one and a half periods it may be late.
    assert spans(identifier(0x100, last_ns=NOW - 15 * MS)) == []
    assert spans(identifier(0x100, last_ns=NOW - 16 * MS)) == [(59_994, 60_000)]


def test_one_that_came_first_when_modules_have_started_was_missing_before() -> None:
    """Modules take two seconds to start, and a slow one has one and a half periods."""
    assert spans(identifier(0x100, first_ns=2 * S)) == []
    assert spans(identifier(0x100, first_ns=3 * S)) == [(0, 2990)]
    assert spans(identifier(0x100, 2000.0, first_ns=3 * S)) == []
    assert spans(identifier(0x100, 2000.0, first_ns=round(3.1 * S))) == [(0, 1100)]
    assert spans(identifier(0x100, first_ns=3 * S), first_ns=S) == []


def test_one_without_a_period_or_times_is_never_silent() -> None:
    assert spans(identifier(0x100, None, last_ns=5 * S)) == []
    assert spans(identifier(0x100, first_ns=None)) == []
    timeless = identifier(0x100, first_ns=None, last_ns=None)
    assert spans(timeless) == []


# Marks ----------------------------------------------------------------------------------------------------------------


def test_each_second_has_its_mark_the_newest_at_the_right() -> None:
    """The moment is half a second into the 61st second; a frame of 20.3 s is missing, and all of 40 s to 42 s."""
    holed = gaps([(20 * S + 300 * MS, 20 * S + 320 * MS), (40 * S - 10 * MS, 42 * S)])
    one = identifier(0x100, gaps=holed, last_ns=NOW + 500 * MS)
    line = drawn(health([one], [bus(last_ns=NOW + 500 * MS)]), SECONDS + 1, now_ns=NOW + 500 * MS)
    assert line == ALL * 20 + SOME + ALL * 19 + NONE * 2 + ALL * 19


def test_of_several_identifiers_a_second_is_whole_or_empty_only_where_all_are() -> None:
    away = gaps([(40 * S - 10 * MS, 42 * S)])
    part = gaps([(41 * S - 10 * MS, 42 * S)])
    measured = health([identifier(0x100, gaps=away), identifier(0x101, gaps=part), identifier(0x102, None)])
    assert drawn(measured, 22)[:4] == ALL + SOME + NONE + ALL  # 39, 40, 41, 42 s


def test_the_first_and_the_last_second_that_are_drawn_have_their_gaps_too() -> None:
    rows = [(n * S + 300 * MS, n * S + 320 * MS) for n in (39, 59)]
    assert drawn(health([identifier(0x100, gaps=gaps(rows))]), 22) == SOME + ALL * 19 + SOME + BLANK


def test_before_the_capture_and_after_what_is_known_nothing_is_drawn() -> None:
    measured = health([identifier(0x100, first_ns=58 * S, last_ns=NOW)], [bus(first_ns=58 * S)], {"first_ns": 58 * S})
    assert drawn(measured, 5) == BLANK * 2 + ALL * 2 + BLANK  # the last one has only begun, and has no length yet
    assert drawn(measured, 0) == ""
    assert drawn(measured, -3) == ""
    assert drawn(measured, 4, now_ns=None) == BLANK * 4


def test_without_a_period_nothing_is_known() -> None:
    assert drawn(health([identifier(0x150, None)]), 4) == BLANK * 4


def test_what_was_not_received_is_no_silence() -> None:
    one = identifier(0x100, last_ns=NOW - 3 * S)
    assert drawn(health([one]), 6, now_ns=NOW + 500 * MS) == ALL * 2 + SOME + NONE * 3  # 55 .. 60 s
    measured = health([one], [bus(last_ns=NOW - 3 * S)])
    gone = {"now_ns": NOW + 500 * MS, "receptions": (received(connected=False),)}
    gone["buses"] = {name: replace(each, last_ns=NOW - 3 * S) for name, each in bus_now(measured).items()}
    assert drawn(measured, 6, **gone) == ALL * 2 + BLANK * 4


@pytest.mark.parametrize(
    ("drop", "blank"),
    [
        (Drop(58 * S, "main", None, "", 57 * S), [2]),  # the 57th second alone
        (Drop(58 * S + 1, None, None, "", 57 * S - 1), [2, 3]),  # and of the 56th nothing but whole frames is known
        (Drop(58 * S, "other", None, "", 57 * S), []),
        (Drop(58 * S, "main", None, ""), []),  # nobody says since when
    ],
)
def test_seconds_that_the_recorder_did_not_hear_are_blank(drop: Drop, blank: list[int]) -> None:
    one = identifier(0x100, last_ns=57 * S - 10 * MS)
    line = drawn(health([one], capture={"drops": (drop,)}), 6, now_ns=NOW + 500 * MS)  # 55 .. 60 s
    assert [n for n, mark in enumerate(line) if mark == BLANK] == blank
    assert {mark for n, mark in enumerate(line[2:], 2) if n not in blank} <= {NONE}


def test_what_nobody_has_looked_at_yet_is_blank_but_for_the_last_two_seconds() -> None:
    """Gaps were looked for up to 50 s; what comes now is known from the figures of the last two seconds."""
    measured = health([identifier(0x100)], [bus(last_ns=50 * S)])
    assert drawn(measured, 14) == ALL * 3 + BLANK * 8 + ALL * 2 + BLANK  # 47 .. 60 s


def test_a_module_that_never_came_has_crosses_where_there_is_time() -> None:
    moment: Moment = at(health([identifier(0x100)]), now_ns=NOW + 1)
    sender = replace(judge_modules(moment, judge_identifiers(moment), ())[0], ids=(), state="never came")
    assert marks(moment, sender, SECONDS + 3) == BLANK * 2 + NONE * (SECONDS + 1)
    assert marks(moment, replace(sender, state="waiting"), 3) == BLANK * 3
    assert marks(at(health([identifier(0x100)])), sender, 2) == NONE + BLANK
