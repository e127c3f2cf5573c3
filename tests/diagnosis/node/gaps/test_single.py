"""Gaps of single identifiers that nothing wider accounts for: lost, left out, or gone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.gaps.single import CAUSE_OPEN, single_sightings
from buswright.findings import Severity
from buswright.health.model.health import BusFigures
from buswright.health.model.identifiers import Bursts, IdFigures, TwoSenders

from ...made import MS, SECONDS, S, bus, counter, errors, gaps, health, identifier
from ..silenced import well

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def sighted(
    ids: Sequence[IdFigures], *buses: BusFigures, accounted: Any = None, gone: Any = (), **capture: Any
) -> list[Sighting]:
    return list(single_sightings(Case(health(ids, buses, capture)), accounted or {}, gone))


def only(figures: IdFigures, *others: IdFigures, on: BusFigures | None = None, **how: Any) -> Sighting:
    (one,) = sighted([figures, *others], on or bus(), **how)
    return one


def sure(fault: str, stated: float) -> float:
    return round(calibrated(fault, stated), 3)


def holed(
    count: int, step: int | None = None, *, frames: int = 5_990, off_ms: float = 0.0, number: int = 0x100, **how: Any
) -> IdFigures:
    """Two frames of 10 ms are missing in each of some gaps, the n-th from n seconds on."""
    rows = [(n * S, n * S + 30 * MS) for n in range(1, count + 1)]
    columns = {"residual_ns": np.full(count, off_ms * MS), "counter_step": np.full(count, -1 if step is None else step)}
    with_counter = None if step is None else counter()
    return identifier(number, gaps=gaps(rows, **columns), counter=with_counter, frames=frames, **how)


# Lost -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "stated"), [(1, 0.5), (2, 0.8), (3, 0.95)]  # 0.7 of one gap, joined up to what so many can say
)  # fmt: skip
def test_frames_that_the_counter_counted_were_lost(count: int, stated: float) -> None:
    one = only(holed(count, 3))
    found = one.finding
    assert (found.fault, found.subject, found.count) == ("frames-lost", "id:main/100", 2 * count)
    assert found.confidence == sure("frames-lost", stated)
    assert (found.start_ns, found.end_ns) == (S, count * S + 30 * MS)
    # Missing from the first frame that was due.
    assert one.windows == tuple(Window(n * S + 10 * MS, n * S + 30 * MS) for n in range(1, count + 1))


def test_what_is_said_of_lost_frames() -> None:
    near = errors([S - 89 * MS, 2 * S + 131 * MS])
    found = only(holed(5, 3), on=bus(errors=near)).finding
    assert found.severity is SUSPECT  # 10 of 6,000 are 0.17 %
    assert found.evidence == (
        "main/100 M100 lost 10 frames in 5 gaps (0.17 %), first at 1.000 s.",
        "Its counter counted the missing frames in 5 of them, so those were sent.",
        "Its timing was unchanged after 5 of 5 gaps.",
        "Error frames came within 100 ms of 1 gap.",  # 99 ms before the frame that was due; 101 ms after the second
    )
    assert found.ruled_out == (
        "Not the recorder as a whole: other identifiers came in these gaps.",
        "Not a sender that skips: its counter counted the missing frames.",
    )
    assert found.threshold.startswith("1.5 periods; missing_periods = 1.5 periods (a gap longer than this holds a ")
    assert found.threshold.endswith("; a restarted timer seems unchanged by chance in 6.0 %")  # 2 x 0.3 ms of 10 ms
    assert not found.next_check.startswith("Ask")


@pytest.mark.parametrize(
    ("count", "frames", "severity"),
    [(2, 400, NOTE), (3, 6_001, NOTE), (3, 5_994, SUSPECT), (3, 600, SUSPECT), (3, 594, FAULT)],
)
def test_a_loss_is_as_grave_as_its_share(count: int, frames: int, severity: Severity) -> None:
    """6 of 6,007 are less than 0.1 %, of 6,000 just that; of 600 one percent."""
    assert only(holed(count, 3, frames=frames)).finding.severity is severity


def test_without_a_counter_nobody_knows_whether_they_were_sent() -> None:
    found = only(holed(50)).finding
    assert (found.severity, found.count) == (SUSPECT, 100)  # never a fault
    assert found.confidence == sure("frames-lost", CAUSE_OPEN)
    assert CAUSE_OPEN == 0.3
    assert found.evidence[0].startswith("main/100 M100 lacks 100 frames in 50 gaps")
    assert found.evidence[1] == ("No counter tells whether they were sent: lost on the way, or left out by the module.")
    assert found.ruled_out == ("Not the recorder as a whole: other identifiers came in these gaps.",)
    assert found.next_check.startswith("Ask the module's manual")


def test_timing_is_told_as_far_as_it_is_known() -> None:
    mixed = holed(3, 3)
    some = replace(mixed, gaps=replace(mixed.gaps, residual_ns=np.array([0.0, np.nan, 4.0 * MS])))
    assert "Its timing was unchanged after 1 of 2 gaps." in only(some).finding.evidence
    none = replace(mixed, gaps=replace(mixed.gaps, residual_ns=np.full(3, np.nan)))
    found = only(none).finding
    assert "Too few frames came before to compare the timing." in found.evidence
    assert "by chance" not in found.threshold


def test_gaps_that_are_accounted_for_late_or_in_an_overload_are_left_out() -> None:
    figures = holed(5, 3)
    assert only(figures, accounted={figures.name: {0, 1}}).finding.start_ns == 3 * S
    late = replace(figures.gaps, is_missing=np.array([False, True, True, True, True]))
    assert only(replace(figures, gaps=late)).finding.start_ns == 2 * S
    loads = [0.2] * (SECONDS + 1)
    loads[1] = loads[2] = 0.9
    assert only(figures, on=bus(load=loads)).finding.start_ns == 3 * S
    assert sighted([figures], accounted={figures.name: set(range(5))}) == []


def test_guests_and_those_without_a_rhythm_lose_nothing() -> None:
    assert sighted([holed(5, 3, known=False, first_ns=10 * S)]) == []
    free = holed(5, 3)
    assert sighted([replace(free, period=replace(free.period, sending="irregular"))]) == []
    assert sighted([identifier(0x100)]) == []


def test_gaps_of_two_mixed_streams_say_nothing() -> None:
    two = TwoSenders(6, 6, 0, SECONDS * S, 10.0 * MS, 3.0 * MS, 55.0, 0.1 * MS, 0.5, 6.0, 30.0)
    assert sighted([holed(5, 3, two_senders=two)]) == []


# Left out -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "stated"), [(1, 0.5), (2, 0.8), (3, 0.95)])
def test_frames_over_which_the_counter_paused_were_not_sent(count: int, stated: float) -> None:
    found = only(holed(count, 1)).finding
    assert (found.fault, found.count, found.confidence) == ("sender-skips", count, sure("sender-skips", stated))
    assert found.severity is (SUSPECT if count == 3 else NOTE)
    assert found.evidence[1] == f"Its counter paused over {count} of them, so those frames were never sent."
    assert found.ruled_out == ("Not lost frames: the counter would have counted them.",)


def test_without_a_counter_a_timer_that_began_anew_shows_that_nothing_was_sent() -> None:
    found = only(holed(5, off_ms=4.0)).finding
    assert (found.fault, found.severity) == ("sender-skips", SUSPECT)
    assert found.confidence == sure("sender-skips", 0.784)  # three of 0.4: 1 - 0.6 ** 3
    assert found.evidence == (
        "main/100 M100 left out 10 frames in 5 gaps (0.17 %), first at 1.000 s.",
        "It has no counter, but it came back off its earlier timing, so its timer restarted.",
        "Its timing was unchanged after 0 of 5 gaps.",
    )
    assert found.ruled_out[0].startswith("Not frames dropped by the recorder: other identifiers came")


@pytest.mark.parametrize(("frames", "severity"), [(396, NOTE), (395, SUSPECT)])
def test_one_or_two_gaps_need_a_look_where_more_than_a_percent_was_left_out(frames: int, severity: Severity) -> None:
    """4 of 400 are one percent."""
    assert only(holed(2, 1, frames=frames)).finding.severity is severity


def test_gaps_of_both_kinds_are_two_findings() -> None:
    both = holed(4, 3)
    both = replace(both, gaps=replace(both.gaps, counter_step=np.array([3, 1, 1, 3])))
    found = {one.finding.fault: one for one in sighted([both])}
    assert found["sender-skips"].windows == (
        Window(2 * S + 10 * MS, 2 * S + 30 * MS),
        Window(3 * S + 10 * MS, 3 * S + 30 * MS),
    )
    assert found["frames-lost"].windows == (Window(S + 10 * MS, S + 30 * MS), Window(4 * S + 10 * MS, 4 * S + 30 * MS))


def test_a_counter_that_did_neither_with_a_timing_that_was_kept_is_a_loss() -> None:
    assert only(holed(3, 9)).finding.fault == "frames-lost"
    assert only(holed(3, 9, off_ms=4.0)).finding.fault == "frames-lost"  # the counter has the word


# Gone -----------------------------------------------------------------------------------------------------------------


def away(length_ms: int, **changes: Any) -> IdFigures:
    return identifier(0x100, gaps=gaps([(AT, AT + length_ms * MS)]), **changes)


AT = 20 * S


@pytest.mark.parametrize(("length_ms", "fault"), [(1000, "frames-lost"), (1001, "id-missing")])
def test_an_identifier_that_is_silent_for_over_a_second_was_missing(length_ms: int, fault: str) -> None:
    one = only(away(length_ms), *well("node_a", 0x110))
    assert one.finding.fault == fault
    if fault == "id-missing":
        assert (one.finding.severity, one.finding.confidence) == (FAULT, sure("id-missing", 0.95))
        assert (one.finding.start_ns, one.finding.end_ns) == (AT, AT + 1001 * MS)
        assert one.windows == (Window(AT + 10 * MS, AT + 1001 * MS),)


def test_what_is_said_of_one_that_was_missing() -> None:
    found = only(away(2000), *well("node_a", 0x110), *well("b", 0x200)).finding
    assert found.evidence == (
        "main/100 M100 was silent once: 20.000-22.000 s (2 s). It is due every 10 ms (car file).",
        "Meanwhile 4 other identifiers from node_a kept arriving.",
    )
    assert found.ruled_out == (
        "Not the module's power: 4 other identifiers from node_a kept arriving.",
        "Not a send-on-change message: the car file says it is cyclic.",
    )
    alone = only(away(2000, expected=NOTHING.or_else("learned", Facts(10.0 * MS, change_driven=False)))).finding
    assert len(alone.evidence) == 1
    assert alone.ruled_out == (
        "Not the bus: other identifiers kept arriving.",
        "Not a send-on-change message: it came every 10 ms.",
    )
    rate = NOTHING.or_else("car file: expected_hz", Facts(10.0 * MS, change_driven=False))
    assert only(away(2000, expected=rate)).finding.ruled_out[1].endswith("the car file says it is cyclic.")


def test_others_that_were_silent_too_did_not_keep_arriving() -> None:
    """For half of the time or less they may be: 1 s of 2 s, and 1.001 s."""
    for length_ms, kept in ((1000, True), (1001, False)):
        other = identifier(0x101, gaps=gaps([(AT + 500 * MS, AT + (500 + length_ms) * MS)]))
        found = [one.finding for one in sighted([away(2000), other]) if one.finding.subject == "id:main/100"]
        assert (len(found[0].evidence) == 2) is kept
    for last_ms, kept in ((1000, True), (999, False)):
        stopped = identifier(0x101, last_ns=AT + last_ms * MS)
        found = [one.finding for one in sighted([away(2000), stopped]) if one.finding.subject == "id:main/100"]
        assert (len(found[0].evidence) == 2) is kept


@pytest.mark.parametrize(("silent_ms", "told"), [(1000, False), (1001, True)])
def test_one_that_never_came_back_is_missing_after_a_second(silent_ms: int, told: bool) -> None:
    figures = identifier(0x100, last_ns=SECONDS * S - silent_ms * MS)
    found = sighted([figures])
    assert bool(found) is told
    if told:
        assert found[0].windows == (Window(SECONDS * S - 991 * MS, SECONDS * S),)
        assert "was silent once: 58.999-60.000 s (1 s), and never came back. It is due" in found[0].finding.evidence[0]
    assert sighted([figures], gone={figures.name}) == []


def test_a_silence_and_the_end_are_one_finding() -> None:
    one = only(away(2000, last_ns=50 * S))
    assert one.windows == (Window(AT + 10 * MS, AT + 2 * S), Window(50 * S + 10 * MS, SECONDS * S))
    assert "was silent twice: 20.000-22.000 s and 50.000-60.000 s (12 s in total), and never" in one.finding.evidence[0]
    assert one.finding.count == 2


def test_what_is_sent_on_change_and_by_the_clock_at_least_is_missing_but_never_lost() -> None:
    def beat(figures: IdFigures) -> IdFigures:
        return replace(figures, period=replace(figures.period, sending="heartbeat"))

    found = only(beat(away(2000))).finding
    assert found.evidence[0].endswith("It is due at least every 10 ms (car file).")
    assert found.ruled_out[1] == "Not a pause between changes: without any it came at least every 10 ms."
    assert sighted([beat(away(900))]) == []
    unheard = replace(away(2000).gaps, is_missing=np.array([False]), unheard=np.array([True]))
    assert sighted([replace(beat(away(2000)), gaps=unheard)]) == []


# Bursts ---------------------------------------------------------------------------------------------------------------


def bursting(short: int, missing: int, frames: int = 997) -> IdFigures:
    start = np.arange(1, short + 1) * S
    many = Bursts(4, short, missing, start, start + 50 * MS, np.ones(short, dtype=np.int64))
    return identifier(0x100, None, bursts=many, frames=frames)


def test_bursts_that_lack_frames_are_told_without_their_cause() -> None:
    one = only(bursting(3, 3))
    assert (one.finding.fault, one.finding.severity, one.finding.count) == ("frames-lost", SUSPECT, 3)
    assert one.finding.confidence == sure("frames-lost", CAUSE_OPEN)
    assert one.windows == tuple(Window(n * S, n * S + 50 * MS) for n in (1, 2, 3))
    assert one.finding.evidence[0] == (
        "main/100 M100 lacks 3 frames (0.30 %) in 3 bursts, first at 1.000 s. A burst of it has 4 frames."
    )
    assert only(bursting(2, 2)).finding.severity is NOTE
    assert only(bursting(3, 3, frames=3_000)).finding.severity is NOTE  # less than 0.1 %
    assert sighted([bursting(3, 0)]) == []


# Spread over all ------------------------------------------------------------------------------------------------------


def spread(
    numbers: Sequence[int], modules: str = "ab", count: int = 4, step: int | None = 3, **how: Any
) -> list[IdFigures]:
    """Identifiers of which every one lost two frames in each of some gaps."""
    return [holed(count, step, number=0x100 + n, module=modules[n % len(modules)], **how) for n in numbers]


def test_losses_that_all_share_alike_are_the_recorders() -> None:
    ids = spread(range(4))
    (one,) = sighted(ids)
    found = one.finding
    assert (found.fault, found.subject, found.count) == ("capture-drop", "capture", 32)
    assert found.severity is SUSPECT  # 32 of 23,960 are 0.13 %
    assert found.confidence == sure("capture-drop", 0.9)
    assert found.evidence == (
        "32 single frames are missing on main (0.13 %).",
        ("They are spread over 4 of the 4 identifiers that are frequent enough to show it: 100, 101, 102 and 103."),
        "In 16 gaps a counter counted the missing frames, so they were sent.",
    )
    assert found.ruled_out[0] == "Not one message or one module: identifiers of 2 modules lost frames alike."
    assert (found.start_ns, found.end_ns) == (S, 4 * S + 30 * MS)
    assert one.reach == Case(health(ids)).subjects_of_bus("main")
    without = sighted(spread(range(4), step=None))[0].finding
    assert without.confidence == sure("capture-drop", 0.7)


@pytest.mark.parametrize(
    ("ids", "recorder"),
    [
        (spread(range(3)), False),  # three identifiers are too few
        (spread(range(4), "a"), False),  # of one module
        ([*spread(range(6)), *[identifier(0x300 + n, module="c") for n in range(4)]], True),  # six of ten
        ([*spread(range(5)), *[identifier(0x300 + n, module="c") for n in range(5)]], False),
        ([*spread(range(4)), *[identifier(0x300 + n, 1000.0, module="c", frames=60) for n in range(9)]], True),  # rare
    ],
)
def test_most_of_those_that_can_show_it_must_have_lost_frames(ids: list[IdFigures], recorder: bool) -> None:
    """Who came so seldom that fewer than three of its frames would be lost can't show it."""
    assert ([one.finding.fault for one in sighted(ids)] == ["capture-drop"]) is recorder


@pytest.mark.parametrize(("frames", "alike"), [(700, False), (5_990, True)])
def test_who_lost_far_more_than_its_share_has_its_own_reasons(frames: int, alike: bool) -> None:
    """Three of five lost frames. One of them 100 of 800, which is 27 times the common rate, or of 6,090: 4 times."""
    ids = [*spread(range(2)), holed(50, 3, number=0x102, module="b", frames=frames), *well("c", 0x300)[1:2]]
    ids = [*ids, identifier(0x304, module="c")]
    assert ("capture-drop" in {one.finding.fault for one in sighted(ids)}) is alike


@pytest.mark.parametrize(("frames", "severity"), [(800, FAULT), (801, SUSPECT)])
def test_the_recorders_loss_is_a_fault_from_one_percent(frames: int, severity: Severity) -> None:
    """Eight missing beside each so many that came."""
    (one,) = sighted(spread(range(4), frames=frames))
    assert one.finding.severity is severity


def test_buses_are_judged_apart() -> None:
    far = [replace(one, name=one.name._replace(bus="other")) for one in spread(range(3))]
    found = sighted([*spread(range(4)), *far], bus(), bus("other"))
    assert [(one.finding.fault, one.finding.subject) for one in found] == [
        ("capture-drop", "bus:main"),
        *[("frames-lost", f"id:other/10{n}") for n in range(3)],
    ]
