"""Who was silent, how each came back, and what counters, load and errors say: worked by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.node.gaps.evidence import (
    Part,
    Silence,
    Step,
    counter_steps,
    overloaded,
    phase_known,
    sends_on,
    silences,
    unusual_errors,
)
from buswright.findings import THRESHOLDS
from buswright.health.model.health import BusFigures, ErrorFigures
from buswright.health.model.identifiers import IdFigures, PeriodStrip

from ...made import MS, SECONDS, S, bus, car_of, counter, errors, gaps, health, identifier
from ..silenced import AT, module, well


def one_gap(frames: int, step: int, **of_counter: Any) -> IdFigures:
    made = gaps([(AT, AT + (frames + 1) * 10 * MS)], counter_step=np.array([step]))
    return identifier(0x100, gaps=made, counter=counter(**of_counter))


@pytest.mark.parametrize(
    ("frames", "step", "modulus", "did"),
    [
        (2, 3, 16, Step.COUNTED),
        (2, 1, 16, Step.PAUSED),
        (2, 2, 16, Step.RESTARTED),
        (2, 0, 16, Step.RESTARTED),
        (2, -1, 16, Step.UNKNOWN),
        (15, 0, 16, Step.COUNTED),  # sixteen on is where it was
        (16, 1, 16, Step.UNKNOWN),  # pausing and counting look the same
        (17, 2, 16, Step.COUNTED),
        (17, 2, 4, Step.COUNTED),
        (17, 1, 4, Step.PAUSED),
        (4, 1, 4, Step.UNKNOWN),
    ],
)
def test_a_counter_counts_pauses_or_restarts(frames: int, step: int, modulus: int, did: Step) -> None:
    assert counter_steps(one_gap(frames, step, modulus=modulus)).tolist() == [did]


def test_without_a_counter_nobody_knows() -> None:
    figures = replace(one_gap(2, 3), counter=None)
    assert counter_steps(figures).tolist() == [Step.UNKNOWN]
    assert counter_steps(identifier(0x100, counter=counter())).tolist() == []


def test_a_phase_is_known_where_arrivals_came_before() -> None:
    assert phase_known(gaps([(S, 2 * S)] * 2, residual_ns=np.array([np.nan, 0.0]))).tolist() == [False, True]


@pytest.mark.parametrize(
    ("start_ms", "end_ms", "full"),
    [
        (20_050, 20_070, True),
        (20_099, 20_120, True),  # it begins in the full window, of 20.0 to 20.1 s
        (20_100, 20_120, False),
        (19_900, 20_000, True),  # it ends as that window begins
        (19_900, 19_999, False),
        (19_000, 21_000, True),
    ],
)
def test_a_gap_that_touches_a_full_window_lies_in_an_overload(start_ms: int, end_ms: int, full: bool) -> None:
    fast = bus().windows
    for load, limit in ((0.8, full), (0.79, False)):
        loads = fast.load.copy()
        loads[200] = load
        figures = identifier(0x100, gaps=gaps([(start_ms * MS, end_ms * MS), (50 * S, 50 * S + 20 * MS)]))
        case = Case(health([figures], [bus(windows=replace(fast, load=loads))]))
        assert overloaded(case, figures).tolist() == [limit, False]


def test_the_car_file_says_what_an_overload_is_and_without_gaps_there_is_none() -> None:
    figures = identifier(0x100, gaps=gaps([(AT, AT + 20 * MS)]))
    measured = health([figures])
    assert overloaded(Case(measured, car_of({"main": {"load_fault": 0.2}})), figures).tolist() == [True]
    assert overloaded(Case(measured, car_of({"main": {"load_fault": 0.2}})), identifier(0x100)).tolist() == []
    assert THRESHOLDS["load_fault"].default == 0.8


# Parts and silences ---------------------------------------------------------------------------------------------------


def part(number: int = 0x100, period_ms: float = 10.0, *, start: int = AT, ms: int = 400, **how: Any) -> Part:
    """An identifier that was silent for so many ms and came back so many ms (`off`) beside its timing."""
    columns = {
        "residual_ns": np.array([how.pop("off", 0.0) * MS]),
        "same_as_first": np.array([how.pop("first", False)]),
    }
    rows = [(start, start + ms * MS)]
    step = how.pop("step", Step.UNKNOWN)
    made = gaps(rows, round(period_ms * MS), **columns)
    return Part(identifier(number, period_ms, gaps=made, **how), 0, start, start + ms * MS, step)


def gone(number: int = 0x100, period_ms: float = 10.0, start: int = AT) -> Part:
    return Part(identifier(number, period_ms, last_ns=start), None, start, SECONDS * S)


def together(*parts: Part) -> Silence:
    group = health([*module("a", 0x100), *module("b", 0x200)]).gap_groups[0]
    return Silence(parts, group, len(parts), (), 0)


def test_what_one_identifier_did() -> None:
    one = part(off=-0.2)
    assert (one.name.id, one.module, one.period_ns, one.silent_ns) == (0x100, "node_a", 10 * MS, 400 * MS)
    assert (one.due_ns, one.off_ns, one.tolerance_ns, one.kept) == (AT + 10 * MS, 0.2 * MS, 0.3 * MS, True)
    assert one.chance == pytest.approx(0.06)  # 2 x 0.3 ms of 10 ms
    assert (part(off=0.3).kept, part(off=0.31).kept, part(off=float("nan")).kept) == (True, False, None)
    assert (part(first=True).as_first, one.as_first) == (True, False)


def test_one_that_never_came_back_has_no_timing() -> None:
    one = gone()
    assert (one.period_ns, one.silent_ns, one.due_ns) == (10 * MS, 40 * S, AT + 10 * MS)
    assert np.isnan(one.off_ns)
    assert (one.tolerance_ns, one.kept, one.chance, one.as_first) == (0.0, None, 1.0, False)
    unknown = replace(one, figures=identifier(0x100, None))
    assert unknown.period_ns == 1.0


def test_when_several_were_silent() -> None:
    """First due at 20.005 s, last back at 20.5 s; all of them silent from 20.02 to 20.4 s."""
    parts = [part(0x100, 10.0, ms=400), part(0x101, 5.0, ms=450), part(0x102, 20.0, start=AT + 20 * MS, ms=480)]
    one = together(*parts)
    assert one.window == Window(AT + 5 * MS, AT + 500 * MS)
    assert one.common == Window(AT + 20 * MS, AT + 400 * MS)
    assert one.stretch_ns == 380 * MS
    assert one.around == Window(AT - 95 * MS, AT + 600 * MS)
    assert one.silent_ns == 450 * MS  # of the most frequent one
    assert one.back
    away = together(gone())
    assert not away.back
    assert away.around == Window(AT - 90 * MS, AT + 110 * MS)  # the end of the capture is no end of it


def test_the_slowest_whose_timing_is_known_decides() -> None:
    parts = [part(0x100, 10.0), part(0x101, 50.0, off=4.0), part(0x102, 100.0, off=float("nan"))]
    one = together(*parts)
    assert one.slowest is parts[1]
    assert one.phases() == (1, 2)
    assert together(gone()).slowest is None
    assert together(gone()).phases() == (0, 0)


def test_parts_of_a_silence() -> None:
    steps = [part(step=Step.PAUSED), part(0x101, step=Step.PAUSED), part(0x200, module="b", bus="side")]
    one = together(*steps)
    assert one.buses == ("main", "side")
    assert one.counters() == {Step.PAUSED: 2, Step.UNKNOWN: 1}
    assert one.on_bus("side").parts == (steps[2],)
    assert one.of_module("main", "node_a").parts == (steps[0], steps[1])
    assert one.of_module("side", "node_a").parts == ()
    nameless = [part(0x300 + n, module=None) for n in range(3)]
    assert together(*steps, *nameless).unnamed() == tuple(nameless)
    assert together(*steps, *nameless[:2]).unnamed() == ()


# From groups of gaps --------------------------------------------------------------------------------------------------


def read(ids: list[IdFigures], *buses: BusFigures) -> list[Silence]:
    return list(silences(Case(health(ids, buses))))


def test_a_group_is_read_as_those_who_came_back_and_those_who_never_did() -> None:
    back = [identifier(0x100, gaps=gaps([(AT, SECONDS * S - 50 * MS)]))]
    stopped = [identifier(0x200, module="b", last_ns=AT), identifier(0x201, module="b", last_ns=AT)]
    away, returned = read([*back, *stopped, *well("c", 0x300)])
    assert ([p.name.id for p in away.parts], away.back) == ([0x200, 0x201], False)
    assert ([p.name.id for p in returned.parts], returned.back) == ([0x100], True)
    # Seven were due: these three and four others; those of the other reading are left out.
    assert (away.due, returned.due) == (6, 5)
    assert away.parts[0].end_ns == SECONDS * S
    assert returned.parts[0].end_ns == SECONDS * S - 50 * MS
    assert (away.modules, returned.modules) == ((("main", "b"),), (("main", "node_a"),))


def test_who_was_merely_late_was_not_silent() -> None:
    late = gaps([(AT, AT + 30 * MS)], is_missing=np.array([False]), caught_up=np.array([True]))
    ids = [identifier(0x100, gaps=gaps([(AT, AT + 30 * MS)])), identifier(0x101, gaps=late)]
    (one,) = read([*ids, *well("c", 0x300)])
    assert ([p.name.id for p in one.parts], one.merely_late, one.due) == ([0x100], 1, 4)


def test_error_frames_around_it_are_counted_on_its_buses() -> None:
    ids = module("a", 0x100)
    near = errors([AT - 96 * MS, AT - 95 * MS, AT + 605 * MS, AT + 606 * MS])  # due at 20.005, back up to 20.505 s
    (one,) = read([*ids, *well("b", 0x200)], bus(errors=near))
    assert (one.window, one.errors) == (Window(AT + 5 * MS, AT + 500 * MS), 1)
    (one,) = read([*ids, *well("b", 0x200)], bus(errors=errors([AT - 95 * MS, AT + 600 * MS, AT + 601 * MS])))
    assert one.errors == 2


def test_a_module_was_silent_as_a_whole_where_its_most_frequent_identifier_was() -> None:
    def whole(*silent: int) -> tuple[tuple[str, str], ...]:
        """Of a module of 10, 10.4 and 30 ms those of these numbers stop for 24 ms: the slow one isn't due then."""
        rows = [(AT, AT + 24 * MS)]
        ids = [
            identifier(0x100 + n, period, gaps=gaps(rows, round(period * MS)) if n in silent else gaps())
            for n, period in enumerate((10.0, 10.4, 30.0))
        ]
        (one,) = read([*ids, *well("b", 0x200)])
        return one.modules

    assert whole(0, 1) == (("main", "node_a"),)
    assert whole(0) == ()  # another that was due came
    alone = [identifier(0x100, gaps=gaps([(AT, AT + 24 * MS)])), *well("b", 0x200)]
    assert read(alone)[0].modules == (("main", "node_a"),)


def test_a_module_of_which_only_slow_ones_were_silent_was_not() -> None:
    """The fast one is so new that it wasn't due."""
    rows = [(AT, AT + 250 * MS)]
    slow = [identifier(0x100 + n, 100.0, gaps=gaps(rows, 100 * MS)) for n in range(2)]
    (one,) = read([*slow, identifier(0x102, 10.0, first_ns=30 * S), *well("b", 0x200)])
    assert one.modules == ()
    (one,) = read([*slow, identifier(0x102, 96.0, first_ns=30 * S), *well("b", 0x200)])
    assert one.modules == (("main", "node_a"),)  # as frequent, to five percent
    (one,) = read([slow[0], identifier(0x102, 100.0, first_ns=30 * S), *well("b", 0x200)])
    assert one.modules == ()  # one of two


@pytest.mark.parametrize(("last_ns", "whole"), [(AT + 20 * MS, True), (AT + 300 * MS, False)])
def test_a_module_of_which_another_identifier_came_meanwhile_was_not_silent(last_ns: int, whole: bool) -> None:
    """It has no time at which it is due: what comes well into the silence shows that the module has power."""
    ids = [*module("a", 0x100), identifier(0x150, None, "a", last_ns=last_ns), *well("b", 0x200)]
    (one,) = read(ids)
    assert one.modules == ((("main", "a"),) if whole else ())
    (other,) = read([*module("a", 0x100), identifier(0x150, None, "b", last_ns=last_ns), *well("c", 0x200)])
    assert other.modules == (("main", "a"),)


@pytest.mark.parametrize(
    ("sending", "last_ns", "second", "on"),
    [
        ("irregular", AT + 5 * S, None, True),
        ("heartbeat", AT + 5 * S, None, True),
        ("periodic", AT + 5 * S, None, False),
        ("irregular", AT + 50 * MS, None, False),  # on its way
        ("irregular", SECONDS * S, 30, True),
        ("irregular", SECONDS * S, 20, False),  # those ten seconds began with the silence: it may have come before
        ("irregular", SECONDS * S, 40, True),
        ("irregular", SECONDS * S, 41, False),  # they end after it
    ],
)
def test_who_has_no_rhythm_sends_on_if_it_came_in_the_silence(
    sending: Any, last_ns: int, second: int | None, on: bool
) -> None:
    one = np.ones(1, dtype=np.int64)
    strip = PeriodStrip(np.array([(second or 0) * S]), (second is not None) * one, one, np.zeros(1), one)
    figures = identifier(0x150, None, last_ns=last_ns, strip=strip)
    figures = replace(figures, period=replace(figures.period, sending=sending))
    assert sends_on(figures, Window(AT, 50 * S)) is on


@pytest.mark.parametrize(
    ("inside", "outside", "unusual"),
    [(2, 0, False), (3, 0, True), (3, 48, True), (3, 60, False), (30, 480, True), (30, 600, False)],
)
def test_errors_are_unusual_from_three_and_five_times_what_the_bus_has_anyway(
    inside: int, outside: int, unusual: bool
) -> None:
    """Around a silence of 0.4 s that is looked at for 0.69 s; in the other 59.3 s there were so many.

    48 in 59.3 s are 0.56 in 0.69 s, and five times that 2.8; 60 give 3.5.
    """
    silent = replace(together(part(0x100, 10.0, ms=500)), errors=inside)
    figures: ErrorFigures = errors(np.arange(inside + outside) * MS)
    case = Case(health([*module("a", 0x100)], [bus(errors=figures)]))
    assert (silent.around.end_ns - silent.around.start_ns) / S == pytest.approx(0.69)
    assert unusual_errors(case, silent) is unusual


def test_in_a_capture_that_is_hardly_longer_than_the_silence_the_rest_counts_as_a_second() -> None:
    silent = replace(together(part(0x100, 10.0, ms=500)), errors=3)
    for outside, unusual in ((0, True), (1, False)):
        short = bus(seconds=0.7, errors=errors(np.arange(3 + outside) * MS))
        assert unusual_errors(Case(health([*module("a", 0x100)], [short])), silent) is unusual
