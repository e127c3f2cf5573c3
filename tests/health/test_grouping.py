"""Which silences are one, by figures made by hand; every limit just below, at and just above."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.health import grouping as module
from buswright.health.grouping import group_gaps
from buswright.health.model.gaps import GapGroup, GapMember
from buswright.health.model.health import BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures
from tests.health.made import bus_of, identifier
from tests.health.traffic import MS

NS = 1 / MS
"""A nanosecond, in ms."""


def groups(*ids: IdFigures, end_ms: float | None = None, buses: tuple[BusFigures, ...] = ()) -> tuple[GapGroup, ...]:
    by_name = {name: bus_of(name) for name in {each.name.bus for each in ids}} | {bus.name: bus for bus in buses}
    found, count = group_gaps(ids, by_name, None if end_ms is None else round(end_ms * MS))
    assert count == len(found)
    return found


def members(found: tuple[GapGroup, ...]) -> list[list[int]]:
    return [[member.name.id for member in group.members] for group in found]


def together(*ids: IdFigures, end_ms: float | None = None) -> bool:
    return len(groups(*ids, end_ms=end_ms)) == 1


# The first is silent from 0 to 100 ms with a period of 10 ms: frames were due from 10 to 90 ms.


@pytest.mark.parametrize(("start_ms", "one"), [(20, True), (20 + NS, False)])
def test_who_came_more_than_ten_ms_after_a_frame_was_missing_stopped_later(start_ms: float, one: bool) -> None:
    assert together(identifier(1, (0, 100)), identifier(2, (start_ms, 200))) is one


@pytest.mark.parametrize(("period_ms", "one"), [(100, True), (100 + NS, False)])
def test_missing_frames_of_one_silence_were_due_within_ten_ms_of_each_other(period_ms: float, one: bool) -> None:
    assert together(identifier(1, (0, 100)), identifier(2, (0, 300), period_ms=period_ms)) is one


@pytest.mark.parametrize(("start_ms", "one"), [(12 - NS, True), (12, False)])
def test_members_share_an_instant_at_which_all_were_silent(start_ms: float, one: bool) -> None:
    short, later = identifier(1, (0, 12), period_ms=6), identifier(2, (start_ms, 50), period_ms=3)
    assert together(short, later) is one


@pytest.mark.parametrize(("start_ms", "one"), [(12 - NS, True), (12, False)])
def test_the_first_to_come_again_ends_what_is_shared_whoever_stopped_first(start_ms: float, one: bool) -> None:
    first = identifier(1, (0, 300), period_ms=6), identifier(2, (0, 12), period_ms=7)
    found = groups(*first, identifier(3, (start_ms, 90), period_ms=5))
    assert members(found)[0] == ([1, 2, 3] if one else [1, 2])


def test_the_last_frame_due_of_any_member_counts_for_who_may_join() -> None:
    """Of the second frames were due until 150 ms, so a third whose first was due at 155 ms belongs to them."""
    ids = identifier(1, (0, 100)), identifier(2, (0, 170), period_ms=20), identifier(3, (5, 400), period_ms=150)
    assert members(groups(*ids)) == [[1, 2, 3]]
    assert members(groups(*ids[::2])) == [[1], [3]]


def test_silences_are_ordered_by_when_the_first_frame_was_due_and_then_by_identifier() -> None:
    ids = identifier(5, (500, 600)), identifier(3, (0, 100)), identifier(1, (0, 100)), identifier(4, (-1, 100))
    found = groups(*ids)
    assert members(found) == [[4, 1, 3], [5]]
    assert [(group.start_ns, group.end_ns) for group in found] == [(9 * MS, 90 * MS), (510 * MS, 590 * MS)]


def test_a_group_ends_with_the_last_frame_that_was_due_and_at_least_one_was() -> None:
    (long,) = groups(identifier(1, (0, 100)), identifier(2, (0, 95), period_ms=20))
    assert (long.start_ns, long.end_ns) == (10 * MS, 90 * MS)
    (short,) = groups(identifier(1, (0, 16)))
    assert (short.start_ns, short.end_ns) == (10 * MS, 10 * MS)


# Who stopped for good -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("end_ms", "count"), [(115, 0), (115 + NS, 1)])
def test_who_is_silent_at_the_end_for_over_one_and_a_half_periods_has_stopped(end_ms: float, count: int) -> None:
    assert len(groups(identifier(1, last_ms=100), end_ms=end_ms)) == count


@pytest.mark.parametrize(
    "silent",
    [
        identifier(1, last_ms=100, sending="heartbeat"),
        replace(identifier(1), first_ns=None, last_ns=None),
        replace(identifier(1, last_ms=100), period=replace(identifier(1).period, judged_ns=None)),
        replace(identifier(1, last_ms=100), period=replace(identifier(1).period, judged_ns=0.0)),
    ],
)
def test_only_who_is_sent_by_the_clock_and_came_can_have_stopped(silent: IdFigures) -> None:
    assert groups(silent, end_ms=1000) == ()


def test_nobody_has_stopped_where_nothing_says_when_the_capture_ended() -> None:
    assert groups(identifier(1, last_ms=100)) == ()


def test_who_stopped_never_came_again_and_misses_every_frame_until_the_end() -> None:
    """Last at 100 ms, every 10 ms, the end at 1005 ms: due at 110 to 1000 ms, 90 frames."""
    (group,) = groups(identifier(1, last_ms=100, module="pump"), end_ms=1005)
    name = FrameName("can0", 1, False)
    assert group.members == (GapMember(name, "pump", None, 100 * MS, None, 90),)
    assert (group.start_ns, group.end_ns) == (110 * MS, 1005 * MS)
    assert (group.phase_kept, group.phase_known, group.chance) == (0, 0, None)
    assert (group.excess_ns, group.excess_share) == (0.0, 0.0)


def test_who_stopped_could_have_come_until_a_period_after_the_end() -> None:
    """The first could have come until 126 ms, so the other, which came at 112 ms for the last time, stopped with it."""
    assert together(identifier(1, last_ms=100), identifier(2, period_ms=1, last_ms=112), end_ms=116)


def test_a_capture_that_ends_before_the_next_frame_is_due_misses_that_one() -> None:
    """Every 100 ms, last at 0: at 160 ms it is late by more than half a period, and one frame is missing."""
    (group,) = groups(identifier(1, last_ms=0, period_ms=100), end_ms=160)
    assert (group.start_ns, group.end_ns, group.members[0].missing) == (100 * MS, 160 * MS, 1)


# One stop of a module -------------------------------------------------------------------------------------------------


def late(start_ms: float, module: str | None = "pump", bus: str = "can0", end_ms: float = 700) -> IdFigures:
    """A slow one, of which a frame was due long after those of a fast one began to be missing."""
    return identifier(2, (start_ms, end_ms), period_ms=300, module=module, bus=bus)


FAST = identifier(1, (0, 500), period_ms=20, module="pump")


@pytest.mark.parametrize(("start_ms", "one"), [(120, True), (120 + NS, False)])
def test_long_silences_of_a_module_that_begin_within_a_tenth_of_a_second_are_one(start_ms: float, one: bool) -> None:
    """A frame of the fast one was missing at 20 ms, and the slow one came up to 100 ms later."""
    assert together(FAST, late(start_ms)) is one


@pytest.mark.parametrize(
    ("other", "one"),
    [
        (late(50), True),
        (late(50, module=None), False),
        (late(50, module="dash"), False),
        (late(50, bus="can1"), False),
    ],
)
def test_only_silences_of_one_known_module_on_one_bus_are_joined(other: IdFigures, one: bool) -> None:
    assert together(FAST, other) is one
    assert not together(replace(FAST, module=None), late(50, module=None))


@pytest.mark.parametrize(("end_ms", "one"), [(1300, True), (1300 + 2 * NS, False)])
def test_joined_silences_share_half_of_their_time(end_ms: float, one: bool) -> None:
    """Both are silent from 300 to 800 ms, one of them until 1300 ms."""
    fast = identifier(1, (300, 800), period_ms=20, module="pump")
    assert together(fast, identifier(2, (300, end_ms), period_ms=510, module="pump")) is one


@pytest.mark.parametrize(("end_ms", "one"), [(320, True), (320 - NS, False)])
def test_joined_silences_share_at_least_three_tenths_of_a_second(end_ms: float, one: bool) -> None:
    ids = (
        identifier(1, (0, end_ms), period_ms=15, module="pump"),
        identifier(2, (20, 400), period_ms=310, module="pump"),
    )
    assert together(ids[0], replace(ids[1], gaps=replace(ids[1].gaps, start_ns=np.array([20 * MS])))) is one


def test_joining_keeps_the_members_of_both_and_counts_one_group_less() -> None:
    (group,) = groups(FAST, late(50))
    assert group.members == (
        GapMember(FAST.name, "pump", 0, 0, 500 * MS, 24),
        GapMember(late(50).name, "pump", 0, 50 * MS, 700 * MS, 1),
    )
    assert (group.start_ns, group.end_ns) == (20 * MS, 480 * MS)
    assert group.silence_ns == 0


@pytest.mark.parametrize(("between", "one"), [(7, True), (8, False)])
def test_a_few_other_groups_may_lie_between_two_of_one_stop(between: int, one: bool) -> None:
    """Of modules of their own, each due 11 ms after the one before, and none of them silent for long."""
    others = [identifier(16 + n, (40 + 11 * n, 50 + 11 * n), period_ms=5, module=f"m{n}") for n in range(between)]
    found = groups(FAST, *others, late(110))
    assert ([1, 2] in members(found)) is one
    assert len(found) == between + (1 if one else 2)


# Who was due and came -------------------------------------------------------------------------------------------------

SILENT = identifier(1, (0, 100), module="pump")


@pytest.mark.parametrize(
    ("other", "due"),
    [
        (identifier(2, period_ms=100 / 1.5), 2),  # came for one and a half of its periods while the first was silent
        (identifier(2, period_ms=100 / 1.5 + 0.01), 1),
        (identifier(2, period_ms=20, first_ms=70), 2),
        (identifier(2, period_ms=20, first_ms=70 + NS), 1),
        (identifier(2, period_ms=20, last_ms=30), 2),
        (identifier(2, period_ms=20, last_ms=30 - NS), 1),
        (identifier(2, bus="can1"), 1),
        (identifier(2, sending="heartbeat"), 1),
        (replace(identifier(2), period=replace(identifier(2).period, judged_ns=None)), 1),
        (replace(identifier(2), first_ns=None, last_ns=None), 1),
    ],
)
def test_who_was_due_is_by_the_clock_there_and_on_the_bus(other: IdFigures, due: int) -> None:
    (group,) = groups(SILENT, other)
    assert (group.due, group.share) == (due, 1 / due)
    assert groups(other, SILENT)[0].due == due


def test_a_module_is_silent_where_none_of_its_identifiers_came() -> None:
    pump, dash = identifier(2, module="pump"), identifier(3, (2, 90), module="dash")
    assert groups(SILENT, dash)[0].modules == (("can0", "dash"), ("can0", "pump"))
    assert groups(SILENT, dash, pump)[0].modules == (("can0", "dash"),)
    assert groups(replace(SILENT, module=None))[0].modules == ()
    assert groups(SILENT, replace(pump, name=FrameName("can1", 2, False)))[0].modules == (("can0", "pump"),)


def test_on_two_buses_both_are_named_and_all_that_came_on_either_counts() -> None:
    (group,) = groups(SILENT, identifier(2, (0, 80), bus="can1"), identifier(3, bus="can1"), identifier(4))
    assert (group.buses, group.due, group.share) == (("can0", "can1"), 4, 0.5)


# Phase, excess, errors, silence ---------------------------------------------------------------------------------------


def test_phases_are_counted_where_they_are_known_and_the_longest_period_says_how_likely_chance_is() -> None:
    """Within 0.3 ms of 10 ms a random phase lies with 2 * 0.3 / 10, of 40 ms with 2 * 0.3 / 40."""
    kept = identifier(1, (0, 100))
    lost = identifier(2, (0, 100), period_ms=40, columns={"residual_ns": [0.31 * MS]})
    unknown = identifier(3, (0, 100), period_ms=50, columns={"residual_ns": [np.nan]})
    (group,) = groups(kept, lost, unknown)
    assert (group.phase_kept, group.phase_known) == (1, 2)
    assert group.chance == pytest.approx(0.6 / 40)
    assert groups(unknown)[0].chance is None


def test_the_excess_is_the_middle_one_and_its_share_those_within_a_tenth_of_a_period() -> None:
    """Of 50 ms periods 5 ms: the middle excess is 300 ms; one is 5 ms off, one more than that."""
    (group,) = groups(
        identifier(1, (0, 350), period_ms=50),
        identifier(2, (0, 355), period_ms=50),
        identifier(3, (0, 344.9), period_ms=50),
    )
    assert group.excess_ns == 300 * MS
    assert group.excess_share == pytest.approx(2 / 3)


@pytest.mark.parametrize(("off_ms", "share"), [(1, 1.0), (1 + NS, 2 / 3)])
def test_a_millisecond_is_always_near(off_ms: float, share: float) -> None:
    (group,) = groups(identifier(1, (0, 100)), identifier(2, (0, 100)), identifier(3, (0, 100 + off_ms)))
    assert group.excess_share == pytest.approx(share)


def test_who_never_came_back_has_no_excess() -> None:
    (group,) = groups(identifier(1, (900, 1000)), identifier(2, last_ms=900), end_ms=1000)
    assert (group.excess_ns, group.excess_share, len(group.members)) == (90 * MS, 1.0, 2)
    assert (group.phase_kept, group.phase_known) == (1, 1)


@pytest.mark.parametrize(
    ("silences", "last_ms", "end_ms", "longest_ms"),
    [
        ([(-20, 30), (60, 200)], 10_000, None, 40),
        ([(-20, 30), (60, 75)], 10_000, None, 30),
        ([], 10_000, 10_000, 0),
        ([], 30, 10_000, 70),  # the bus itself ended at 30 ms
        ([], 30, 80, 50),
        ([(0, 20)], 30, None, 20),
        ([(0, 28)], 75, 10_000, 28),
        ([], 80, 80, 0),
    ],
)
def test_a_bus_is_silent_for_the_longest_stretch_within_the_group(
    silences: list[tuple[float, float]], last_ms: float, end_ms: float | None, longest_ms: float
) -> None:
    bus = bus_of(silences_ms=silences, last_ns=round(last_ms * MS))
    (group,) = groups(SILENT, identifier(2, (-5, 110), period_ms=20), end_ms=end_ms, buses=(bus,))
    assert group.silence_ns == round(longest_ms * MS)


def test_of_two_buses_the_one_with_the_shorter_silence_counts() -> None:
    buses = bus_of("can0", [(0, 60)]), bus_of("can1", [(0, 40)])
    (group,) = groups(SILENT, identifier(2, (0, 80), bus="can1"), buses=buses)
    assert group.silence_ns == 40 * MS


def test_error_frames_within_a_tenth_of_a_second_of_it_count_on_all_its_buses() -> None:
    """Frames were due from 10 to 90 ms: errors from -90 to 190 ms count."""
    times = np.array([-90 - NS, -90, 50, 190, 190 + NS]) * MS
    errors = replace(bus_of().errors, time_ns=np.rint(times).astype(np.int64))
    buses = bus_of("can0", errors=errors), bus_of("can1", errors=errors)
    assert groups(SILENT, buses=buses)[0].errors == 3
    assert groups(SILENT, identifier(2, (0, 80), bus="can1"), buses=buses)[0].errors == 6


# Who loses arbitration ------------------------------------------------------------------------------------------------

BASE, EXTENDED = False, True


@pytest.mark.parametrize(
    ("silent", "came", "lower"),
    [
        ((0x101, BASE), (0x100, BASE), True),
        ((0x100, BASE), (0x101, BASE), False),
        # ISO 11898-1: SRR and IDE of an extended frame are recessive, so a base frame with its first 11 bits wins.
        ((0x100 << 18, EXTENDED), (0x100, BASE), True),
        ((0x100, BASE), (0x100 << 18, EXTENDED), False),
        ((0x101, BASE), ((0x100 << 18) + 0x3FFFF, EXTENDED), True),
        (((0x100 << 18) + 1, EXTENDED), (0x100 << 18, EXTENDED), True),
    ],
)
def test_of_lower_priority_is_who_loses_arbitration(
    silent: tuple[int, bool], came: tuple[int, bool], lower: bool
) -> None:
    """ISO 11898-1: the dominant bit wins, so the lower identifier."""
    (group,) = groups(identifier(silent[0], (0, 100), extended=silent[1]), identifier(came[0], extended=came[1]))
    assert group.lower_priority is lower


def test_all_members_must_lose_against_all_that_came_on_their_own_bus() -> None:
    low, lower, high = identifier(0x200, (0, 100)), identifier(0x300, (0, 100)), identifier(0x100)
    assert groups(low, lower, high)[0].lower_priority
    assert not groups(low, lower, high, identifier(0x250))[0].lower_priority
    assert not groups(low, lower)[0].lower_priority  # nobody came
    assert not groups(low, high, identifier(0x400, (0, 100), bus="can1"))[0].lower_priority  # none came on can1
    assert groups(low, high, identifier(0x400, (0, 100), bus="can1"), identifier(0x3FF, bus="can1"))[0].lower_priority


# Too many -------------------------------------------------------------------------------------------------------------


def test_of_too_many_groups_those_with_most_members_are_kept_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(BusHealth, "GROUPS_KEPT", 2)
    alone = identifier(1, *((start, start + 50) for start in range(0, 5000, 1000)))
    both = identifier(2, (3000, 3050))
    found, count = group_gaps((alone, both), {"can0": bus_of()}, None)
    assert (members(found), count) == ([[1], [1, 2]], 5)
    assert [group.start_ns for group in found] == [10 * MS, 3010 * MS]


def test_of_too_many_gaps_the_longest_are_grouped(monkeypatch: pytest.MonkeyPatch) -> None:
    """In periods: 5 of 10 ms are longer than 2 of 40 ms; and a stop is longer than all."""
    monkeypatch.setattr(module, "_MOST_GAPS", 2)
    ids = identifier(1, (0, 50)), identifier(2, (1000, 1080), period_ms=40), identifier(3, last_ms=5000)
    assert members(groups(*ids, end_ms=5500)) == [[1], [3]]
