"""Overload as it is found in frames, wherever the seconds of the clock begin."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.bus.load import babblers, crowd, load_severity, load_sightings
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.words import UNPLUG
from buswright.findings import THRESHOLDS, Severity
from buswright.frames.wire.bits import WireBits
from buswright.health.model.health import BitRate, BusFigures, ClockStep, Peak
from buswright.health.model.identifiers import Busiest, IdFigures
from buswright.health.track import HealthTracker
from tests.diagnosis.made import MS, bus, declared, errors, found, gaps, health, identifier
from tests.health.traffic import START, S, comb


@pytest.mark.parametrize("start_s", [1.0, 1.5, 1.7])
def test_a_second_of_full_bus_is_found_wherever_it_begins(start_s: float) -> None:
    """One second of frames of 100 bits end to end at 100 kbit/s, and hardly anything before and after it."""
    burst = comb(0x123, 1, 1.0, start=START + round(start_s * S))
    burst = dataclasses.replace(burst, id=(0x200 + np.arange(len(burst)) % 10).astype(np.uint32))
    tracker = HealthTracker(bitrates={"*": 100_000})
    for part in (comb(0x100, 100, 1), burst, comb(0x100, 100, 1, start=START + 4 * S)):
        tracker.update(part, WireBits(*(np.full(len(part), bits, np.int32) for bits in (100, 0, 0))))
    (found,) = (f for f in diagnose(tracker.result()) if f.fault == "bus-overload")
    assert found.severity is Severity.FAULT
    assert "100.0 %" in " ".join(found.evidence)


def test_the_load_is_told_by_the_second_and_by_the_tenth() -> None:
    seconds = [0.3] * 61
    seconds[20:25] = [0.95] * 5
    one = found(health(buses=[bus(load=seconds)]), "bus-overload")
    assert "The load on main was above 60 % in 5 seconds, at most 95.0 % at 20.000 s." in one.evidence[0]
    assert one.evidence[1] == "Over 100 ms the load was above 90 % in 50 windows, at most 95.0 % at 20.000 s."


# -- each limit, and whole findings -----------------------------------------------------------------------------------


def case_of(one: BusFigures, *ids: IdFigures, **limits: float) -> Case:
    """A bus and its identifiers; `limits` as a car file gives them."""
    if not limits:
        return Case(health(ids, [one]))
    car: Any = SimpleNamespace(
        threshold=lambda name, **_: limits.get(name, THRESHOLDS[name].default), modules={}, buses={}
    )
    return Case(health(ids, [one]), car=car)


def loaded(*high: tuple[int, float], **changes: Any) -> BusFigures:
    """A minute at 30 %, with other seconds among them."""
    seconds = [0.3] * 61
    for at, load in high:
        seconds[at] = load
    return bus(load=seconds, **changes)


def tenths(one: BusFigures, *high: tuple[int, float]) -> BusFigures:
    """The same with other tenths of a second."""
    load = one.windows.load.copy()
    for at, share in high:
        load[at] = share
    return dataclasses.replace(one, windows=dataclasses.replace(one.windows, load=load))


def overload(one: BusFigures, *ids: IdFigures, **limits: float) -> Sighting:
    (seen,) = load_sightings(case_of(one, *ids, **limits))
    assert seen.finding.fault == "bus-overload"
    return seen


@pytest.mark.parametrize(
    ("load", "limits", "severity"),
    [
        (None, {}, None),
        (0.6, {}, None),
        (0.601, {}, Severity.SUSPECT),
        (0.8, {}, Severity.SUSPECT),
        (0.801, {}, Severity.FAULT),
        (0.5, {"load_fault": 0.4}, Severity.FAULT),
        (0.4, {"load_fault": 0.4}, None),
        (0.85, {"load_suspect": 0.9}, Severity.FAULT),
        (0.85, {"load_suspect": 0.9, "load_fault": 0.95}, None),
    ],
)
def test_a_load_is_judged_by_both_limits(
    load: float | None, limits: dict[str, float], severity: Severity | None
) -> None:
    one = bus()
    assert load_severity(case_of(one, **limits), one.name, load) is severity


def test_seconds_and_tenths_that_are_too_full_are_chosen() -> None:
    one = tenths(loaded((20, 0.7), (30, 0.65), (31, 0.6)), (405, 0.91), (406, 0.95), (410, 0.9))
    found = crowd(case_of(one), one)
    assert np.flatnonzero(found.full).tolist() == [20, 30]
    assert np.flatnonzero(found.crowded).tolist() == [405, 406]
    assert (found.highest, found.highest_ns) == (0.7, 20 * S)
    assert (found.peak, found.peak_ns) == (0.95, 40_600 * MS)
    assert found.severity is Severity.SUSPECT
    calm = crowd(case_of(loaded()), loaded())
    assert (calm.highest, calm.highest_ns, calm.peak, calm.peak_ns, calm.severity) == (0.0, None, 0.0, None, None)
    brief = tenths(loaded(), (405, 0.91))
    assert crowd(case_of(brief), brief).severity is Severity.SUSPECT
    grave = loaded((20, 0.85))
    assert crowd(case_of(grave), grave).severity is Severity.FAULT


@pytest.mark.parametrize(
    ("start_ms", "load", "rows", "highest"),
    [
        (20_400, 0.75, [20], (0.75, 20_400 * MS)),
        (20_500, 0.75, [20, 21], (0.75, 20_500 * MS)),  # half of it lies in each
        (20_600, 0.75, [21], (0.75, 20_600 * MS)),
        (20_400, 0.6, [], (0.0, None)),
    ],
)
def test_a_peak_across_two_seconds_counts_where_most_of_it_lies(
    start_ms: int, load: float, rows: list[int], highest: tuple[float, int | None]
) -> None:
    one = loaded(peak_1s=Peak(start_ms * MS, load, 9))
    found = crowd(case_of(one), one)
    assert np.flatnonzero(found.full).tolist() == rows
    assert (found.highest, found.highest_ns) == highest


def test_of_a_second_and_a_peak_near_it_the_higher_load_is_told() -> None:
    for peak, told in ((0.75, (0.75, 20_300 * MS)), (0.7, (0.7, 20 * S)), (0.65, (0.7, 20 * S)), (None, (0.7, 20 * S))):
        one = loaded((20, 0.7), peak_1s=Peak(20_300 * MS, peak, 9))
        assert crowd(case_of(one), one)[2:4] == told
    far = loaded((20, 0.7), peak_1s=Peak(40 * S, 0.5, 9))
    assert crowd(case_of(far), far)[2:4] == (0.7, 20 * S)


def test_a_peak_of_a_tenth_is_told_alike() -> None:
    one = loaded(peak_100ms=Peak(20_030 * MS, 0.93, 9))
    found = crowd(case_of(one), one)
    assert np.flatnonzero(found.crowded).tolist() == [200]
    assert (found.peak, found.peak_ns) == (0.93, 20_030 * MS)
    short = dataclasses.replace(one, seconds=0.09)
    assert not crowd(case_of(short), short).crowded.any(), "of a shorter recording it is the mean"
    assert crowd(case_of(one), dataclasses.replace(one, seconds=0.1)).crowded.any()


def test_of_a_computers_stamps_only_a_load_that_lasts_counts() -> None:
    """The median of a second and its neighbours; tenths say nothing; before the first and after the last is nothing."""
    peaks = {"peak_1s": Peak(50 * S, 0.99, 9), "peak_100ms": Peak(50 * S, 0.99, 9)}
    one = tenths(loaded((0, 0.9), (20, 0.9), (30, 0.7), (31, 0.9), (60, 0.9), **peaks), (405, 0.99))
    stamped = dataclasses.replace(one, host_stamped="clock")
    found = crowd(case_of(stamped), stamped)
    assert np.flatnonzero(found.full).tolist() == [30, 31]
    assert not found.crowded.any()
    assert np.flatnonzero(crowd(case_of(one), one).full).tolist() == [0, 20, 30, 31, 50, 60]
    short = bus(load=[0.9, 0.3], host_stamped="clock")
    assert np.flatnonzero(crowd(case_of(short), short).full).tolist() == [0], "two windows have no middle"
    three = bus(load=[0.3, 0.9, 0.3], host_stamped="clock")
    assert not crowd(case_of(three), three).full.any()


def test_windows_that_time_went_through_twice_and_unknown_ones_are_left_out() -> None:
    """From 25 s back to 22 s: the windows from 22 to 25 hold both passes."""
    one = loaded(*((at, 0.9) for at in (20, 21, 22, 23, 24, 25, 26)), (40, np.nan))
    back = dataclasses.replace(one, steps_back=(ClockStep("main", 25 * S, 22 * S),))
    assert np.flatnonzero(crowd(case_of(back), back).full).tolist() == [20, 21, 26]
    between = dataclasses.replace(one, steps_back=(ClockStep("main", 25 * S - 1, 22 * S + 1),))
    assert np.flatnonzero(crowd(case_of(between), between).full).tolist() == [20, 21, 25, 26]


def test_an_overload_is_told_whole() -> None:
    one = tenths(
        dataclasses.replace(loaded((20, 0.7), (21, 0.75), errors=errors([30 * S])), load=0.32),
        *((at, 0.3) for at in (200, 201, 215, 218, 219)), (198, 0.61), (189, 0.7), (230, 0.95), (231, 0.95),
    )  # fmt: skip
    late = [gaps([(S, 2 * S)]), gaps([(S, 2 * S), (3 * S, 4 * S)], is_missing=[False, False])]
    ids = [
        identifier(0x100, share=0.1),
        identifier(0x200, share=0.4, gaps=late[0]),
        identifier(0x300, share=0.2, gaps=late[1]),
        identifier(0x400, share=0.25, message=""),
        identifier(0x500, None, share=0.01, gaps=late[0]),
    ]
    seen = overload(one, *ids)
    finding = seen.finding
    assert finding.evidence == (
        "The load on main was above 60 % in 2 seconds, at most 75.0 % at 21.000 s. It was 32.0 % over the whole run.",
        "Over 100 ms the load was above 90 % in 2 windows, at most 95.0 % at 23.000 s.",
        "Most of it came from 200 M200 40 %, 400 25 % and 300 M300 20 %.",
        "2 periodic identifiers came late or not at all at times: 200 and 300.",
    )
    assert (finding.severity, finding.count) == (Severity.SUSPECT, 2)
    assert finding.confidence == round(calibrated("bus-overload", 0.95), 3)
    assert finding.threshold.endswith("; bit rate 500000 bit/s (car file)")
    assert finding.ruled_out == ("Not repetition after errors: only 1 error frame came.",)
    # From the first tenth above 60 % within a second before, to the last one within a second behind.
    assert seen.windows == (Window(19_800 * MS, 21_800 * MS),)
    assert "module:node_a" in seen.reach


@pytest.mark.parametrize(("count", "said"), [(0, ["no"]), (600, ["only 600"]), (601, [])])
def test_few_errors_rule_out_that_frames_are_sent_again(count: int, said: list[str]) -> None:
    """One in a hundred of 60,000 frames."""
    seen = overload(loaded((20, 0.7), errors=errors([], on_the_wire=count)))
    assert [*seen.finding.ruled_out] == [f"Not repetition after errors: {word} error frames came." for word in said]


def test_tenths_alone_are_told_as_such() -> None:
    seen = overload(tenths(loaded(), (405, 0.91), (406, 0.92), (500, 0.91)))
    assert (seen.finding.count, seen.finding.severity) == (3, Severity.SUSPECT)
    assert seen.windows == (Window(40_500 * MS, 40_700 * MS), Window(50_000 * MS, 50_100 * MS))
    assert seen.finding.evidence[0].startswith("Over 100 ms the load was above 90 % in 3 windows")
    assert seen.finding.evidence[2] == "No periodic identifier was late or missing."


def test_a_full_second_without_a_full_tenth_is_at_no_time_that_is_known() -> None:
    seen = overload(tenths(loaded((20, 0.7)), *((at, 0.3) for at in range(200, 210))))
    assert (seen.windows, seen.finding.count, seen.finding.start_ns) == ((), 1, None)


def test_a_guessed_rate_makes_a_load_less_sure() -> None:
    guessed = BitRate(500_000, None, "guessed", 0.1, "guessed")
    assert overload(loaded((20, 0.7), bitrate=guessed)).finding.confidence == round(calibrated("bus-overload", 0.6), 3)
    unknown = dataclasses.replace(loaded((20, 0.7)), load=None)
    assert list(load_sightings(case_of(unknown))) == [], "without a rate there is no load"


# -- babbling ---------------------------------------------------------------------------------------------------------


def talker(often: int, bits: int, period_ms: float | None = 20.0, **changes: Any) -> IdFigures:
    return identifier(0x080, period_ms, busiest=Busiest(20 * S, often, bits), **changes)


def told(one: IdFigures, *others: IdFigures, high: float = 0.9) -> list[float]:
    full = loaded((20, high), (21, high))
    return [own for _, own in babblers(case_of(full, one, *others), full)]


@pytest.mark.parametrize(
    ("frames", "bits", "own"),
    [
        (150, 300_000, []),  # three times 50 a second is the limit
        (151, 300_000, [0.6]),
        (151, 100_000, [0.2]),
        (151, 99_999, []),
    ],
)
def test_who_babbles_comes_at_thrice_its_rate_and_takes_a_fifth_of_the_bus(
    frames: int, bits: int, own: list[float]
) -> None:
    assert told(talker(frames, bits)) == own


@pytest.mark.parametrize(
    ("frames", "high", "changes", "found"),
    [
        (31, 0.9, {}, True),  # 600 frames in a minute are 10 a second
        (30, 0.9, {}, False),
        (31, 0.8, {}, False),  # the bus had room
        (5, 0.9, {"known": False}, True),
        (5, 0.8, {"known": False}, False),
        (5, 0.9, {"known": None}, False),
    ],
)
def test_without_a_declared_rate_the_mean_and_a_full_bus_count(
    frames: int, high: float, changes: dict[str, Any], found: bool
) -> None:
    one = talker(frames, 300_000, None, frames=600, **changes)
    assert bool(told(one, high=high)) is found


def test_of_three_that_come_too_often_at_once_none_babbles() -> None:
    def other(number: int, start_ns: int) -> IdFigures:
        return identifier(number, busiest=Busiest(start_ns, 900, 1_000))

    one = talker(500, 300_000)
    assert told(one, other(0x200, 20 * S + 1)) == [0.6]
    assert told(one, other(0x200, 21 * S - 1), other(0x300, 19 * S + 1)) == []
    assert told(one, other(0x200, 21 * S), other(0x300, 19 * S + 1)) == [0.6]
    calm = dataclasses.replace(other(0x300, 20 * S), busiest=Busiest(20 * S, 100, 1_000))
    assert told(one, other(0x200, 20 * S), calm) == [0.6], "its own rate"


def test_without_a_rate_nobody_is_told_to_fill_the_bus() -> None:
    full = loaded((20, 0.9), bitrate=BitRate(None, None, "unknown", 0.0, ""))
    assert list(babblers(case_of(full, talker(500, 300_000)), full)) == []


def test_a_babbler_is_told_whole() -> None:
    """4,000 frames of 120 bits a second are 96 % of 500 kbit/s; 50 are due."""
    full = loaded((20, 0.95), (21, 0.95))
    late = identifier(0x200, module="node_b", gaps=gaps([(20 * S, 21 * S)]))
    one = talker(4_000, 480_000, busy_seconds=2)
    case = case_of(full, one, late)
    seen = next(each for each in load_sightings(case) if each.finding.fault == "babbling-node")
    finding = seen.finding
    assert (finding.severity, finding.subject, finding.count) == (Severity.FAULT, "id:main/080", 2)
    assert finding.evidence == (
        "main/080 M080 came 4,000 times in the second from 20.000 s, 80.0 times what it should.",
        "By itself it took 96 % of the bus, of 95 % load in that second.",
        "node_a sends it.",
        "1 other identifier came late or not at all at times.",
    )
    assert finding.confidence == round(calibrated("babbling-node", 0.9), 3)
    assert finding.ruled_out == (
        "Not a burst on an event: it lasted for 2 seconds.",
        "Not a frame without an acknowledgement: other modules were heard meanwhile.",
        "Not a doubled recording: that makes twice the rate, and this is 80.0 times.",
    )
    assert finding.caution == UNPLUG
    assert seen.windows == (Window(20 * S, 22 * S),)
    assert "module:node_b" in seen.reach


def test_a_babbler_of_which_nobody_knows_is_told_so() -> None:
    full = loaded((20, 0.85), (21, 0.85))
    one = talker(500, 300_000, None, known=False, module=None, frames=600, expected=declared(None))
    seen = next(each for each in load_sightings(case_of(full, one)) if each.finding.fault == "babbling-node")
    finding = seen.finding
    assert finding.evidence == (
        "main/080 M080 came 500 times in the second from 20.000 s.",
        "By itself it took 60 % of the bus, of 85 % load in that second.",
        "No database or car file says which module sends it.",
        "No other identifier was late.",
    )
    assert finding.ruled_out[0] == "Not a burst on an event: it lasted for 1 second."
    assert (finding.count, len(finding.ruled_out)) == (1, 2)
    assert finding.confidence == round(calibrated("babbling-node", 0.7), 3)


@pytest.mark.parametrize(("high", "severity"), [(0.8, Severity.SUSPECT), (0.81, Severity.FAULT)])
def test_a_babbler_that_leaves_room_is_suspect(high: float, severity: Severity) -> None:
    """The load of that second: the tenths that lie within it."""
    full = loaded((20, high), (21, high))
    one = dataclasses.replace(talker(500, 300_000), busiest=Busiest(20 * S + 30 * MS, 500, 300_000))
    seen = next(each for each in load_sightings(case_of(full, one)) if each.finding.fault == "babbling-node")
    assert seen.finding.severity is severity
    alone = loaded((20, high))
    narrow = next(each for each in load_sightings(case_of(alone, one)) if each.finding.fault == "babbling-node")
    assert f"of {100 * high:.0f} % load in that second" in narrow.finding.evidence[1]


def test_a_babbler_is_loud_where_the_load_rose_by_half_of_its_own() -> None:
    """30 % otherwise, 60 % of its own: loud above 60 %, while it was there."""
    full = tenths(loaded(), (100, 0.9), (200, 0.61), (201, 0.7), (202, 0.6), (300, 0.9), (301, 0.9))
    one = talker(500, 300_000, first_ns=15 * S, last_ns=30_150 * MS)
    seen = next(each for each in load_sightings(case_of(full, one)) if each.finding.fault == "babbling-node")
    assert seen.windows == (Window(20 * S, 20_200 * MS), Window(30 * S, 30_150 * MS))
    calm = loaded()
    quiet = next(each for each in load_sightings(case_of(calm, one)) if each.finding.fault == "babbling-node")
    assert quiet.windows == (Window(15 * S, 30_150 * MS),)
    never = dataclasses.replace(one, first_ns=None, last_ns=None)
    untimed = next(each for each in load_sightings(case_of(full, never)) if each.finding.fault == "babbling-node")
    assert untimed.windows == ()
