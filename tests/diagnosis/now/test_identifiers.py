"""The word for an identifier at the moment: how silent, how fast, what was found of it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.now.identifiers import (
    IdState,
    Rank,
    judge_identifiers,
    judge_unseen,
    late_periods,
    limits_in_words,
    unnamed,
)
from buswright.diagnosis.now.moment import Moment
from buswright.findings import Severity
from buswright.health.model.health import BusHealth, ModuleFigures
from buswright.health.model.identifiers import IdFigures, NeverCame

from ..made import MS, SECONDS, S, absent, bus, car_of, gaps, health, identifier
from .moments import NOW, at, bus_now, finding, received

ID = FrameName("main", 0x100, False)


def state(figures: IdFigures, **how: Any) -> IdState:
    """The state of one identifier of 10 ms unless it is made otherwise."""
    return judge_identifiers(at(health([figures]), **how))[figures.name]


def silent(ms: float, period_ms: float = 10.0, **changes: Any) -> IdFigures:
    return identifier(0x100, period_ms, last_ns=NOW - round(ms * MS), **changes)


def test_one_that_comes_on_time_is_ok_and_says_its_period() -> None:
    one = state(identifier(0x100))
    assert (one.rank, one.word, one.severity) == (Rank.OK, "ok", None)
    # 1 % of 10 ms, see `identifier`.
    assert one.why == "every 10 ms (car file); spacings vary by 1.0 % of that (standard deviation)"
    assert (one.missing, one.still, one.counted, one.sd_wide, one.p999_wide) == (0, False, True, False, False)
    assert one.needs_a_look is False
    calm = replace(identifier(0x100).period, sd_ns=None)
    assert state(identifier(0x100, period=calm)).why == "every 10 ms (car file)"


@pytest.mark.parametrize(
    ("ms", "period_ms", "rank"),
    [
        (15, 10, Rank.OK),  # up to one and a half periods it may be late
        (15.1, 10, Rank.LATE),
        (1000, 10, Rank.LATE),  # a second, which is more than ten periods
        (1000.1, 10, Rank.MISSING),
        (2000, 200, Rank.LATE),  # ten periods, which are more than a second
        (2000.1, 200, Rank.MISSING),
    ],
)
def test_silence_is_late_after_one_and_a_half_periods_and_missing_after_ten_and_a_second(
    ms: float, period_ms: float, rank: Rank
) -> None:
    assert state(silent(ms, period_ms)).rank is rank


def test_late_and_missing_say_by_what_numbers() -> None:
    late = state(silent(40))
    assert (late.word, late.severity, late.missing) == ("late", Severity.SUSPECT, 0)
    assert late.why == "silent for 40.0 ms; late over 1.5 periods of 10 ms (car file)"
    gone = state(silent(2500, known=False))
    assert (gone.word, gone.severity, gone.missing, gone.still) == ("MISSING", Severity.FAULT, 250, True)
    assert gone.why == ("last frame 2.50 s ago; missing over 10 periods (0.1 s) and 1 s; the database doesn't have it")
    held = gaps([(5 * S, 5 * S + 40 * MS)])  # three missing frames before
    assert state(silent(2500, gaps=held)).missing == 253


def test_frames_of_a_live_bus_may_be_on_their_way_for_a_tenth_of_a_second() -> None:
    """The bus carries others up to now, so it isn't us who are late."""
    assert state(silent(115), live=True).rank is Rank.OK
    assert state(silent(116), live=True).rank is Rank.LATE
    assert state(silent(115)).rank is Rank.LATE


def test_frames_that_come_too_far_apart_on_average_are_late_too() -> None:
    """At 60 1/s they are 16.7 ms apart, which is more than 15 ms; at 70 1/s 14.3 ms."""
    late = state(identifier(0x100), rates={ID: 60.0})
    assert (late.rank, late.severity) == (Rank.LATE, Severity.SUSPECT)
    assert late.why == "its latest frames came 16.7 ms apart on average; late over 1.5 periods of 10 ms (car file)"
    for rate in (70.0, 0.0, None):
        assert state(identifier(0x100), rates={ID: rate}).rank is Rank.OK


@pytest.mark.parametrize(("bits_per_s", "periods"), [(350_000.0, 1.5), (350_001.0, 2.5), (500_000.0, 2.5)])
def test_above_seventy_percent_load_more_is_late(bits_per_s: float, periods: float) -> None:
    """70 % of 500 kbit/s are 350 kbit/s; both limits stand in the table of thresholds."""
    measured = health([silent(20)])
    moment = at(measured, buses=bus_now(measured, bits_per_s))
    assert late_periods(moment, ID) == periods
    assert judge_identifiers(moment)[ID].rank is (Rank.LATE if periods == 1.5 else Rank.OK)


def test_without_a_bit_rate_no_load_excuses_anybody() -> None:
    unknown = bus(bitrate=bus().bitrate._replace(bits_per_s=None))
    measured = health([silent(20)], [unknown])
    assert late_periods(at(measured, buses=bus_now(measured, 1e9)), ID) == 1.5
    assert late_periods(at(measured, buses={}), ID) == 1.5


def test_one_that_comes_on_change_or_in_no_rhythm_is_never_silent() -> None:
    on_change = replace(identifier(0x100, None), expected=NOTHING.or_else("database", Facts(change_driven=True)))
    on_change = replace(on_change, last_ns=10 * S, period=replace(on_change.period, sending="change-driven"))
    said = state(on_change)
    assert (said.rank, said.word, said.severity) == (Rank.ON_CHANGE, "on change", None)
    assert said.why == "sent when something changes (database), so silence is no fault"
    words = {"burst": "bursts", "on request": "on request", "irregular": "no rhythm", "too few": "too few"}
    for sending, word in words.items():
        one = replace(on_change, period=replace(on_change.period, sending=sending))
        assert (state(one).rank, state(one).word, state(one).severity) == (Rank.UNSURE, word, None)


def test_a_heartbeat_is_missing_but_never_late() -> None:
    def beating(ms: float) -> IdFigures:
        one = silent(ms)
        return replace(one, period=replace(one.period, sending="heartbeat"))

    well = state(beating(500))
    assert (well.rank, well.severity, well.counted) == (Rank.ON_CHANGE, None, False)
    assert well.why == "sent when something changes, and every 10 ms at least; never late or early"
    assert state(beating(1100)).rank is Rank.MISSING


@pytest.mark.parametrize(("rate", "rank"), [(299.0, Rank.OK), (300.0, Rank.FAST)])
def test_three_times_its_rate_is_fast(rate: float, rank: Rank) -> None:
    one = state(identifier(0x100), rates={ID: rate})
    assert one.rank is rank
    if rank is Rank.FAST:
        assert (one.word, one.severity) == ("fast", Severity.SUSPECT)
        assert one.why == "3.0 times its rate of 100 1/s (car file); fast from 3 times"


def test_nobody_is_fast_where_no_rate_is_expected() -> None:
    assert state(replace(identifier(0x100), expected=NOTHING), rates={ID: 5000.0}).rank is Rank.OK


def test_an_adapter_that_is_gone_says_nothing_of_who_sends() -> None:
    one = state(silent(5000), receptions=(received(connected=False),))
    assert (one.rank, one.word, one.severity, one.missing) == (Rank.UNHEARD, "no adapter", Severity.FAULT, 0)


def test_frames_without_a_time_are_not_judged() -> None:
    one = state(identifier(0x100, None, first_ns=None, last_ns=None))
    assert (one.rank, one.word, one.severity) == (Rank.UNSURE, "no times", None)


def test_what_was_found_of_it_is_its_word_and_names_what_accounts_for_it() -> None:
    skips = finding("sender-skips", Severity.SUSPECT, "id:main/100", evidence=("100 M100 left out 3 frames.",))
    one = state(identifier(0x100), findings=(skips,))
    assert (one.rank, one.word, one.severity) == (Rank.FOUND, "skips", Severity.SUSPECT)
    assert one.why == "100 M100 left out 3 frames."  # no bus before it: nothing to leave out
    named = replace(skips, evidence=("main/100 M100: left out 3 frames.",))
    root = finding("module-reset", Severity.FAULT, "module:node_a", explains=(named,))
    explained = state(identifier(0x100), findings=(root,))
    assert explained.why == "left out 3 frames.; module-reset of node_a accounts for it"
    whole = finding("capture-drop", Severity.FAULT, "capture", explains=(replace(skips, evidence=()),))
    assert (
        state(identifier(0x100), findings=(whole,)).why == "sender-skips; capture-drop of the capture accounts for it"
    )
    note = replace(skips, severity=Severity.NOTE)
    assert state(identifier(0x100), findings=(note,)).rank is Rank.OK


def test_missing_frames_without_a_finding_are_gaps() -> None:
    """Three gaps of two frames: 6 missing and 5,994 that came are 0.1 %, where a look begins; two gaps are a note."""
    for count, severity in ((3, Severity.SUSPECT), (2, Severity.NOTE)):
        rows = [(n * S, n * S + 30 * MS) for n in range(1, count + 1)]
        late = [(50 * S, 50 * S + 20 * MS)]
        is_missing = np.array([True] * count + [False])
        holed = gaps([*rows, *late], is_missing=is_missing)
        one = state(identifier(0x100, gaps=holed, frames=5_994))
        assert (one.rank, one.word, one.severity, one.missing) == (Rank.GAPS, "gaps", severity, 2 * count)
        assert one.why == f"{2 * count} frames missing in {count} gaps ({'0.10' if count == 3 else '0.07'} %)"


def new(first_s: float, now_s: float, period_ms: float = 10.0, **changes: Any) -> IdState:
    """An identifier that came first so many seconds after its bus, seen at another second."""
    one = identifier(0x100, period_ms, first_ns=round(first_s * S), last_ns=round(now_s * S), **changes)
    return state(one, now_ns=round(now_s * S))


@pytest.mark.parametrize(
    ("first_s", "now_s", "period_ms", "rank"),
    [
        (2.0, 10.0, 10.0, Rank.OK),  # modules may take two seconds to start
        (2.1, 10.0, 10.0, Rank.NEW),
        (2.9, 10.0, 2000.0, Rank.OK),  # and a slow one may take one and a half periods
        (3.1, 10.0, 2000.0, Rank.NEW),
        (2.1, 32.1, 10.0, Rank.NEW),
        (2.1, 32.2, 10.0, Rank.OK),  # new for 30 s
    ],
)
def test_one_that_came_while_its_bus_was_heard_is_new(
    first_s: float, now_s: float, period_ms: float, rank: Rank
) -> None:
    assert new(first_s, now_s, period_ms).rank is rank


def test_a_new_one_says_when_it_came() -> None:
    one = new(4.0, 10.0, known=False)
    assert (one.word, one.severity, one.needs_a_look) == ("new", Severity.NOTE, True)
    assert one.why == "came first 6.0 s ago, 4.0 s after its bus; new for 30 s; not in the database either"
    assert new(4.0, 10.0).why.endswith("new for 30 s")


def test_a_steady_rate_that_is_not_the_declared_one_is_off() -> None:
    figures = identifier(0x100)
    other = replace(figures.period, learned_ns=20.0 * MS, judged_ns=20.0 * MS, conflict=True)
    one = state(replace(figures, period=other), rates={ID: 50.0})
    assert (one.rank, one.word, one.severity) == (Rank.OFF_RATE, "off rate", Severity.SUSPECT)
    assert one.why == ("comes steadily every 20 ms, but the car file says 10 ms; off by more than a quarter")
    agreed = replace(figures, period=replace(other, conflict=False))
    assert state(agreed, rates={ID: 50.0}).rank is Rank.OK


def test_a_stranger_is_a_note_and_one_that_came_later_may_go() -> None:
    one = state(identifier(0x100, known=False, first_ns=0))
    assert (one.rank, one.word, one.severity, one.needs_a_look) == (Rank.UNKNOWN, "unknown id", Severity.NOTE, False)
    guest = state(silent(5000, known=False, first_ns=10 * S))
    assert guest.rank is Rank.UNKNOWN


@pytest.mark.parametrize(
    ("sd", "p999", "wide"), [(0.10, 0.5, (False, False)), (0.11, 0.5, (True, False)), (0.1, 0.51, (False, True))]
)
def test_jitter_over_its_limits_is_marked(sd: float, p999: float, wide: tuple[bool, bool]) -> None:
    figures = identifier(0x100)
    rough = replace(figures.period, sd_ns=sd * 10 * MS, p999_ns=p999 * 10 * MS)
    one = state(replace(figures, period=rough))
    assert (one.sd_wide, one.p999_wide) == wide
    none = replace(rough, judged_ns=None, sending="irregular")
    free = state(replace(figures, period=none))
    assert (free.sd_wide, free.p999_wide) == (False, False)


def test_the_gravest_come_first_then_what_is_so_now_then_by_missing_frames() -> None:
    fault, suspect, note = Severity.FAULT, Severity.SUSPECT, Severity.NOTE
    order = [
        IdState(Rank.MISSING, "MISSING", fault, ""),
        IdState(Rank.FOUND, "checksum", fault, "", missing=9),
        IdState(Rank.FOUND, "checksum", fault, "", missing=2),
        IdState(Rank.GAPS, "gaps", fault, "", missing=2),
        IdState(Rank.LATE, "late", suspect, ""),
        IdState(Rank.FAST, "fast", suspect, ""),
        IdState(Rank.GAPS, "gaps", suspect, "", missing=99),
        IdState(Rank.NEW, "new", note, ""),
        IdState(Rank.UNSURE, "too few", None, ""),
        IdState(Rank.OK, "ok", None, ""),
    ]
    assert sorted([*order[5:], *order[:5]], key=lambda one: one.importance) == order
    assert [one.needs_a_look for one in order] == [True] * 8 + [False] * 2


def test_its_own_name_is_left_out_before_a_sentence_that_stands_beside_it() -> None:
    one = identifier(0x100)
    assert unnamed(one, "main/100 M100 was silent.") == "was silent."
    assert unnamed(one, "main/100 is strange.") == "is strange."
    assert unnamed(one, "A counter of it jumped.") == "A counter of it jumped."


# What never came ------------------------------------------------------------------------------------------------------


def missing(*never: NeverCame, seconds: float = SECONDS, module: str = "node_z", **changes: Any) -> BusHealth:
    own = ModuleFigures(module, "main", (), never, 0, 0, 0.0, 0.0, None, None)
    return replace(health([identifier(0x100)], [bus(seconds=seconds)], modules=[own]), **changes)


def unseen(measured: BusHealth, **how: Any) -> dict[int, IdState]:
    return {each.key.id: each.state for each in judge_unseen(at(measured, **how))}


def test_what_never_came_is_missing_once_it_is_overdue() -> None:
    """In the first 2 s nothing is missing, and 10 periods of 100 ms and a second later it is: after 3 s."""
    never = absent(0x300, "Z1", "node_z", 100.0)
    early, late = unseen(missing(never, seconds=3.0)), unseen(missing(never, seconds=3.1))
    assert (early[0x300].rank, early[0x300].word, early[0x300].severity) == (Rank.UNSURE, "waiting", None)
    assert early[0x300].why == (
        "has not come in the 3.0 s so far; the database expects it of node_z every 100 ms; too early to call it missing"
    )
    assert (late[0x300].rank, late[0x300].severity) == (Rank.MISSING, Severity.NOTE)  # only a database says so
    assert late[0x300].why == "never came in 3.1 s; the database expects it of node_z every 100 ms"
    car = car_of(modules=[("main", "node_z")])
    assert unseen(missing(never), car=car)[0x300].severity is Severity.FAULT


def test_what_never_came_is_told_with_what_is_declared_of_it() -> None:
    (one,) = judge_unseen(at(missing(absent(0x300, "Z1", "node_z", 100.0))))
    assert (one.key.id, one.message, one.module, one.known, one.expected_hz, one.length) == (
        0x300, "Z1", "node_z", True, 10.0, None,
    )  # fmt: skip
    assert (one.state.missing, one.state.still, one.state.counted) == (0, False, True)


def test_of_a_bus_that_was_never_heard_nobody_has_waited_yet() -> None:
    name = FrameName("quiet", 0x300, False)
    never = replace(absent(0x300, "Z1", "node_z", 100.0), name=name)
    own = ModuleFigures("node_z", "quiet", (), (never,), 0, 0, 0.0, 0.0, None, None)
    one = unseen(health([identifier(0x100)], modules=[own]))[0x300]
    assert (one.word, one.why.partition(";")[0]) == ("waiting", "has not come in the 0.0 s so far")


def test_what_is_sent_on_change_may_never_come() -> None:
    free = replace(absent(0x300, "Z1", "node_z"), expected=NOTHING.or_else("database", Facts(change_driven=True)))
    one = unseen(missing(free))[0x300]
    assert (one.rank, one.word, one.severity) == (Rank.ON_CHANGE, "on change", None)
    assert one.why == "never came; the database expects it of node_z: sent only when something changes"


def test_nobody_waits_for_frames_of_a_bus_that_is_not_received() -> None:
    gone = (received(connected=False),)
    measured = replace(missing(absent(0x300, "Z1", "node_z", 100.0)), only_asked={FrameName("main", 0x321, False): 4})
    assert {each.rank for each in unseen(measured, receptions=gone).values()} == {Rank.UNHEARD}


def test_what_is_only_asked_for_is_a_note() -> None:
    asked = replace(health([identifier(0x100)]), only_asked={FrameName("main", 0x321, False): 4})
    (one,) = judge_unseen(at(asked))
    assert (one.key.id, one.message, one.module, one.known, one.length) == (0x321, "", "", None, None)
    assert (one.state.rank, one.state.word, one.state.severity) == (Rank.UNKNOWN, "only asked", Severity.NOTE)
    assert one.state.why == "4 remote frames ask for it, and no data frame has answered"
    never = replace(missing(absent(0x321, "Z1", "node_z")), only_asked=asked.only_asked)
    assert [each.message for each in judge_unseen(at(never))] == ["Z1"]  # once, as what never came


def test_limits_are_said_in_numbers_and_that_the_car_file_has_its_own() -> None:
    words = limits_in_words(at(health()))
    assert words == (
        "late over 1.5 periods",
        "MISSING over 10 periods and 1 s",
        "fast from 3× its rate",
        "late over 2.5 periods above 70 % load",
        "new for 30 s",
        "sd worth a look over 10 %, 99.9 % over 50 %",
    )
    with_own: list[Moment] = [
        at(health(), car=car_of({"main": {}, "other": {"missing_periods": 4.0}})),
        at(health(), car=car_of(frames={ID: {"missing_periods": 4.0}, FrameName("main", 0x101, False): {}})),
    ]
    for moment in with_own:
        assert limits_in_words(moment) == ("the car file has limits of its own", *words)
    assert limits_in_words(at(health(), car=car_of())) == words


def test_a_limit_of_the_car_file_holds_for_its_identifier() -> None:
    one, other = silent(40), identifier(0x101, last_ns=NOW - 40 * MS)
    car = car_of(frames={ID: {"missing_periods": 5.0}})
    states = judge_identifiers(at(health([one, other]), car=car))
    assert [states[each.name].rank for each in (one, other)] == [Rank.OK, Rank.LATE]
