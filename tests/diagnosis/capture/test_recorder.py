from pathlib import Path

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.frames.captures.opening import open_capture
from buswright.health.model.health import BitRate, ClockStep, CommonFilter, Drop, Duplicates, Spacing
from buswright.health.track import HealthTracker

from ..made import MS, SECONDS, S, bus, errors, faults, found, health, identifier


def test_a_well_capture_gives_nothing() -> None:
    assert faults(health([identifier(0x100), identifier(0x200, module="node_b")])) == []


@pytest.mark.parametrize(("count", "severity"), [(1, Severity.NOTE), (500, Severity.NOTE), (700, Severity.SUSPECT)])
def test_unreadable_lines_weigh_by_their_share(count: int, severity: Severity) -> None:
    one = found(health(capture={"bad_lines": {"odd number of hex digits": count}}), "bad-lines")
    assert one.severity is severity
    assert one.count == count
    assert "odd number of hex digits" in one.evidence[0]
    assert "bad_lines_share = 0.01" in one.threshold


def test_what_a_reader_only_remarks_is_no_bad_line() -> None:
    assert faults(health(capture={"bad_lines": {"time goes backwards": 3, "files overlap in time": 1}})) == []


@pytest.mark.parametrize(
    ("step_ns", "severity"), [(-2_000, Severity.SUSPECT), (-900_000, Severity.SUSPECT), (-3 * MS, Severity.FAULT)]
)
def test_time_that_goes_back_is_a_clock_jump(step_ns: int, severity: Severity) -> None:
    steps = (ClockStep("main", 20 * S, 20 * S + step_ns),)
    one = found(health(buses=[bus(steps_back=steps, steps_back_count=1)]), "clock-jump")
    assert (one.severity, one.subject, one.start_ns) == (severity, "capture", 20 * S)


def test_stamps_of_one_instant_are_no_jump() -> None:
    assert faults(health(buses=[bus(steps_back=(ClockStep("main", 20 * S, 20 * S - 900),), steps_back_count=1)])) == []


def test_losses_that_the_recorder_reports_are_believed() -> None:
    drops = (Drop(30 * S, "main", 12, "12 frames dropped by the socket"), Drop(None, "main", None, "receive overflow"))
    one = found(health(capture={"drops": drops, "dropped": 12}), "capture-drop")
    assert one.severity is Severity.FAULT
    assert one.start_ns == 30 * S
    assert "12 frames" in one.evidence[0]
    assert "12 frames dropped by the socket" in one.evidence[0]


def test_a_bus_that_the_recorder_did_not_hear_is_a_loss_of_its_own() -> None:
    gap = Drop(40 * S, "main", None, "this program did not receive main for 10.000 s: a gap in the recording", 30 * S)
    one = found(health(capture={"drops": (gap,), "dropped": None}), "capture-drop")
    assert (one.start_ns, one.end_ns) == (30 * S, 40 * S)
    assert "a gap in the recording" in one.evidence[0]


def duplicates(copies: int, share: float, other: str = "main") -> dict[str, object]:
    return {"duplicates": (Duplicates("main", other, copies, share, 0, SECONDS * S),)}


def test_every_frame_twice_is_an_echo() -> None:
    one = found(health(capture=duplicates(30_000, 0.5)), "echo")
    assert (one.severity, one.subject) == (Severity.SUSPECT, "bus:main")


def test_a_frame_that_is_repeated_over_and_over_is_no_echo() -> None:
    """An echo has one copy of each frame: more than half of all frames can't be copies."""
    assert "echo" not in [fault for fault, _ in faults(health(capture=duplicates(36_000, 0.6)))]


def test_one_bus_under_two_names_is_an_echo() -> None:
    measured = health(buses=[bus(), bus("other")], capture=duplicates(59_900, 0.998, "other"))
    assert found(measured, "echo").severity is Severity.SUSPECT


def test_a_gateway_that_passes_some_frames_on_is_no_echo() -> None:
    assert faults(health(buses=[bus(), bus("other")], capture=duplicates(30_000, 0.5, "other"))) == []


def test_a_few_frames_twice_are_noted() -> None:
    assert found(health(capture=duplicates(900, 0.015)), "echo").severity is Severity.NOTE


@pytest.mark.parametrize(("impossible", "severity"), [(900, Severity.NOTE), (9000, Severity.SUSPECT)])
def test_spacings_no_wire_can_have_prove_host_stamps(impossible: int, severity: Severity) -> None:
    one = found(health(buses=[bus(spacing=Spacing(60_000, impossible, 0, 0, 0, 0, 60))]), "host-timestamps")
    assert one.severity is severity
    assert "host_spacing_share = 0.1 " in one.threshold
    assert not any("whole milliseconds" in sentence for sentence in one.evidence)


def test_equal_stamps_prove_host_stamps_without_a_bit_rate() -> None:
    one = found(health(buses=[bus(spacing=Spacing(60_000, None, None, 9_000, 9_000, 0, 60_000))]), "host-timestamps")
    assert one.severity is Severity.SUSPECT
    assert any("whole milliseconds" in sentence for sentence in one.evidence)


def test_ids_that_fill_a_mask_are_noted_as_perhaps_filtered() -> None:
    ids = [identifier(0x100 + n) for n in range(4)]
    one = found(health(ids, [bus(filters=(CommonFilter(False, 4, 0x7FC, 0x100, 4),))]), "filter-in-force")
    assert one.severity is Severity.NOTE
    assert "mask 7FC, value 100" in one.evidence[0]


def test_every_finding_says_what_it_rests_on() -> None:
    measured = health(
        buses=[bus(spacing=Spacing(60_000, 900, 0, 0, 0, 0, 60), errors=errors(np.arange(100) * 3 * MS + 5 * S))],
        capture={"bad_lines": {"x": 9}},
    )
    from buswright.diagnosis.detect import diagnose

    for one in diagnose(measured):
        assert one.evidence
        assert one.threshold
        assert one.ruled_out
        assert one.next_check
        assert 0 < one.confidence <= 1
        words = " ".join((*one.evidence, *one.ruled_out, one.next_check)).lower()
        assert " safe" not in words


@pytest.mark.parametrize(("rate", "count"), [(500_000, 1), (1_000_000, 0), (None, 0)])
def test_where_the_rate_is_guessed_only_what_no_frame_can_do_is_proof(rate: int | None, count: int) -> None:
    guessed = BitRate(rate, None, "guessed", 0.1, "guessed")
    spacing = Spacing(60_000, None, None, 0, 900, 0, 60)
    assert len(faults(health(buses=[bus(bitrate=guessed, spacing=spacing)]))) == count


def test_the_recording_of_a_road_car_has_host_stamps_and_nothing_serious() -> None:
    # Looked at by eye: ten seconds of one bus; 49 of 9999 frames stand within 50 us of the one before.
    capture = open_capture(Path(__file__).parents[2] / "data" / "road_car.log")
    tracker, sure = HealthTracker(), HealthTracker(bitrates={"*": 500_000})
    for frames in capture:
        tracker.update(frames)
        sure.update(frames)
    assert [(each.fault, each.severity) for each in diagnose(sure.result())] == [("host-timestamps", Severity.NOTE)]
    measured = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
    one = found(measured, "host-timestamps")
    assert (one.severity, one.count) == (Severity.NOTE, 49)
    assert faults(measured) == [("host-timestamps", "bus:can2")]
