"""What the payloads carry: counters, checksums, lengths and frozen frames, each finding whole."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.contents import contents_sightings
from buswright.findings import Finding, Severity
from buswright.health.model.identifiers import (
    ChecksumFigures,
    CounterEvent,
    CounterFigures,
    Held,
    IdFigures,
    LengthChange,
    Lengths,
    PayloadFigures,
)
from buswright.messages.checksum import Checksum

from ..made import MS, SECONDS, S, car_of, counter, health, identifier

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def found(figures: IdFigures, **case: Any) -> dict[str, Finding]:
    return {one.finding.fault: one.finding for one in contents_sightings(Case(health([figures]), **case))}


def sure(fault: str, stated: float) -> float:
    return round(calibrated(fault, stated), 3)


# Counters -------------------------------------------------------------------------------------------------------------


def jumps(count: int, kind: Any = "jump") -> tuple[CounterEvent, ...]:
    return tuple(CounterEvent((10 + n) * S, kind, 3, False) for n in range(count))


def counted(**changes: Any) -> dict[str, Finding]:
    return found(identifier(0x100, counter=counter(**changes)))


@pytest.mark.parametrize(
    ("wrong", "frames", "severity"),
    [(2, 6000, NOTE), (3, 6000, SUSPECT), (59, 6000, SUSPECT), (60, 6000, FAULT), (1, 100, FAULT)],
)
def test_wrong_steps_need_a_look_from_three_and_are_a_fault_from_one_percent(
    wrong: int, frames: int, severity: Severity
) -> None:
    one = counted(jumps_without_gap=wrong, frames=frames, events=jumps(2))["counter-jump"]
    assert (one.severity, one.count, one.start_ns, one.end_ns) == (severity, wrong, 10 * S, 11 * S)
    assert one.confidence == sure("counter-jump", 0.9)


def test_all_kinds_of_wrong_steps_are_counted_and_told() -> None:
    events = (*jumps(1), CounterEvent(12 * S, "back", 9, False), CounterEvent(13 * S, "repeat", 0, False))
    one = counted(repeats=3, jumps_without_gap=1, events=events, source="learned", frames=100)["counter-jump"]
    assert (one.count, one.confidence) == (5, sure("counter-jump", 0.6))
    assert one.evidence == (
        "The counter of main/100 M100 took 5 wrong steps in 100 with no gap in time, first at 10.000 s.",
        "3 repeated, 1 jumped ahead, 1 went back. The counter has 4 bits (learned).",
    )
    assert one.ruled_out == (
        "Not lost frames: there is no gap in time at these steps.",
        "Not a frozen payload: the rest of it kept changing.",
    )
    assert one.threshold == (
        "counter_share_fault = 0.01 (share of wrong counter steps or checksums that is a fault); from 3 wrong steps on "
        "it is worth a look"
    )


@pytest.mark.parametrize(("wrong", "told"), [(1, False), (2, True)])
def test_a_learned_counter_may_be_wrong_in_two_percent_of_its_steps(wrong: int, told: bool) -> None:
    assert ("counter-jump" in counted(jumps_without_gap=wrong, frames=100, events=jumps(1), source="learned")) is told
    assert "counter-jump" in counted(jumps_without_gap=wrong, frames=100, events=jumps(1))


def test_steps_in_gaps_or_without_any_step_say_nothing() -> None:
    in_gap = tuple(event._replace(in_gap=True) for event in jumps(3))
    assert counted(jumps_without_gap=3, events=in_gap) == {}
    assert counted(jumps_without_gap=3, events=()) == {}
    assert counted(events=jumps(3)) == {}
    assert counted(jumps_without_gap=3, frames=0, events=jumps(3)) == {}
    assert found(identifier(0x100)) == {}


@pytest.mark.parametrize(("alternating", "told"), [(0.01, False), (0.011, True)])
def test_two_senders_may_count_side_by_side(alternating: float, told: bool) -> None:
    one = counted(jumps_without_gap=90, events=jumps(3), alternating=alternating)["counter-jump"]
    said = "Over two frames 1 % of the steps are right, so two senders may count side by side."
    assert (said in one.evidence) is told


# Frozen ---------------------------------------------------------------------------------------------------------------


def held(*stretches: Held, **changes: Any) -> IdFigures:
    return identifier(0x100, counter=counter(held=stretches, **changes))


@pytest.mark.parametrize(
    ("frames", "ms", "frozen"), [(10, 500, True), (9, 500, False), (10, 499, False), (5000, 50_000, True)]
)
def test_a_frame_is_frozen_from_half_a_second_and_ten_frames_on(frames: int, ms: int, frozen: bool) -> None:
    assert ("frozen-frame" in found(held(Held(frames, 20 * S, 20 * S + ms * MS)))) is frozen
    car = car_of({"main": {"frozen_s": 0.1, "frozen_frames": 5.0}})
    assert "frozen-frame" in found(held(Held(5, 20 * S, 20 * S + 100 * MS)), car=car)


def test_what_is_said_of_a_frozen_frame() -> None:
    one = found(held(Held(200, 20 * S, 22 * S), Held(100, 30 * S, 31 * S), source="learned"))["frozen-frame"]
    assert (one.severity, one.count, one.start_ns, one.end_ns) == (FAULT, 300, 20 * S, 31 * S)
    assert one.confidence == sure("frozen-frame", 0.8)
    assert one.evidence == (
        "main/100 M100 sent one frame over and over, its counter included: 300 frames.",
        "That was twice: 20.000-22.000 s and 30.000-31.000 s (3 s in total).",
        "The frames kept arriving on time, so the values only seem to hold.",
        "At other times the payload changed 6,000 times in 6,000 frames.",
    )
    to_end = found(held(Held(200, 58 * S, SECONDS * S)))["frozen-frame"]
    assert to_end.evidence[1] == "That was once: 58.000-60.000 s (2 s), to its last frame."
    assert to_end.confidence == sure("frozen-frame", 0.95)


def test_the_repeats_of_frozen_frames_are_no_wrong_steps() -> None:
    """A stretch of 200 equal frames has 199 repeats; what comes after its end is counted."""
    inside = [CounterEvent(20 * S, "repeat", 0, False), CounterEvent(22 * S, "jump", 3, False)]
    frozen = held(Held(200, 20 * S, 22 * S), repeats=199, events=tuple(inside))
    assert set(found(frozen)) == {"frozen-frame"}
    after = CounterEvent(22 * S + 1, "jump", 3, False)
    both = found(held(Held(200, 20 * S, 22 * S), repeats=201, jumps_without_gap=1, events=(*inside, after)))
    assert both["counter-jump"].count == 3
    assert both["counter-jump"].ruled_out[1] == "Not the frozen payload: its frames are not counted here."
    assert both["counter-jump"].start_ns == 22 * S + 1


# Checksums ------------------------------------------------------------------------------------------------------------


def summed(wrong: int, run: int = 1, frames: int = 6000, source: Any = "car file", **changes: Any) -> Finding | None:
    times = np.arange(min(wrong, 40)) * S + 10 * S
    figures = ChecksumFigures(Checksum("xor", 7, (0, 6)), source, frames, wrong, run, 0, times)
    return found(identifier(0x100, checksum=figures, **changes)).get("checksum-wrong")


@pytest.mark.parametrize(
    ("wrong", "run", "frames", "severity"),
    [
        (1, 1, 6000, SUSPECT),
        (20, 9, 6000, SUSPECT),  # nine frames of 10 ms
        (20, 10, 6000, FAULT),  # a tenth of a second without a break
        (59, 1, 6000, SUSPECT),
        (60, 1, 6000, FAULT),  # one percent
        (2, 1, 100, SUSPECT),  # too few
        (3, 1, 100, FAULT),
        (5939, 5939, 6000, FAULT),
        (5940, 5940, 6000, SUSPECT),  # nearly all: the description is wrong
    ],
)
def test_wrong_checksums_weigh_by_share_and_by_how_long(wrong: int, run: int, frames: int, severity: Severity) -> None:
    one = summed(wrong, run, frames)
    assert one is not None
    assert (one.severity, one.count, one.start_ns) == (severity, wrong, 10 * S)
    assert ("formula" in one.next_check) is (wrong == 5940)


def test_what_is_said_of_checksums() -> None:
    one = summed(30, 4, source="learned")
    assert one is not None
    assert one.evidence == (
        "The checksum of main/100 M100 was wrong in 30 of 6,000 frames (0.50 %), first at 10.000 s.",
        "At most 4 in a row were wrong.",
        "It is xor in byte 7 (learned).",
    )
    assert (one.end_ns, one.confidence) == (39 * S, sure("checksum-wrong", 0.6))
    assert one.threshold.endswith("; or wrong for 0.1 s without a break")
    every = summed(6000, 6000)
    assert every is not None
    assert every.evidence[1].startswith("All are wrong, so the formula")
    assert every.confidence == sure("checksum-wrong", 0.9)
    assert summed(0) is None
    assert summed(3, frames=0) is None


# Lengths --------------------------------------------------------------------------------------------------------------


def lengths(counts: dict[int, int], declared: int | None, off: int, *changes: LengthChange) -> Finding | None:
    made = Lengths(counts, declared, off, len(changes), changes)
    return found(identifier(0x100, lengths=made)).get("wrong-length")


def test_the_right_length_throughout_is_nothing() -> None:
    assert lengths({8: 6000}, 8, 0) is None
    assert lengths({6: 6000}, None, 0) is None


def test_short_frames_are_a_fault_while_they_last() -> None:
    one = lengths({8: 5000, 6: 1000}, 8, 1000, LengthChange(20 * S, 8, 6), LengthChange(30 * S, 6, 8))
    assert one is not None
    assert (one.severity, one.count, one.confidence) == (FAULT, 1000, 0.95)
    assert (one.start_ns, one.end_ns) == (20 * S, 30 * S)
    assert one.evidence == (
        "main/100 M100 came with 1,000 × 6 bytes and 5,000 × 8 bytes. The database says 8.",
        "The length changed twice, first from 8 to 6 bytes at 20.000 s.",
        "Signals beyond the end of a short frame have no value.",
    )
    assert one.threshold == "any frame with another length than the database says"


def test_long_frames_are_suspect_to_the_end_and_a_length_from_the_start_over_the_whole_run() -> None:
    one = lengths({6: 5000, 8: 1000}, 6, 1000, LengthChange(20 * S, 6, 8))
    assert one is not None
    assert (one.severity, one.start_ns, one.end_ns, len(one.evidence)) == (SUSPECT, 20 * S, SECONDS * S, 2)
    always = lengths({6: 6000}, 8, 6000)
    assert always is not None
    assert (always.severity, always.start_ns, always.end_ns) == (FAULT, 10 * MS, SECONDS * S)
    assert always.evidence == (
        "main/100 M100 came with 6,000 × 6 bytes. The database says 8.",
        "Signals beyond the end of a short frame have no value.",
    )


def test_without_a_database_each_change_is_a_moment() -> None:
    made = Lengths({6: 3000, 8: 3000}, None, 0, 2, (LengthChange(20 * S, 8, 6), LengthChange(30 * S, 6, 8)))
    (one,) = contents_sightings(Case(health([identifier(0x100, lengths=made)])))
    assert (one.finding.severity, one.finding.count, one.finding.confidence) == (NOTE, 2, 0.5)
    assert one.windows == (Window(20 * S, 20 * S), Window(30 * S, 30 * S))
    assert one.finding.evidence[0] == "main/100 M100 came with 3,000 × 6 bytes and 3,000 × 8 bytes."
    assert one.finding.threshold == "any change of length; no database says which is right"


def test_a_change_stamped_after_the_last_frame_does_no_harm() -> None:
    made = Lengths({8: 5999, 6: 1}, 8, 1, 1, (LengthChange(70 * S, 8, 6),))
    (one,) = contents_sightings(Case(health([identifier(0x100, lengths=made)])))
    assert one.windows == (Window(70 * S, 70 * S),)


def test_frames_without_times_have_lengths_all_the_same() -> None:
    made = Lengths({6: 6000}, 8, 6000, 0, ())
    timeless = identifier(0x100, lengths=made, first_ns=None, last_ns=None)
    (one,) = contents_sightings(Case(health([timeless])))
    assert one.windows == ()


def test_a_counter_of_frames_that_never_froze_has_no_payload_to_show() -> None:
    still = PayloadFigures((), bytes(8), 0, 6000, 0, SECONDS * S, None, bytes(8))
    assert found(replace(identifier(0x100), payload=still)) == {}
    figures: CounterFigures = counter()
    assert found(replace(identifier(0x100), payload=still, counter=figures)) == {}
