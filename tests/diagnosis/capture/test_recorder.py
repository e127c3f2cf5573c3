from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.capture.recorder import capture_sightings
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.words import CLEAR_FILTERS
from buswright.findings import Severity
from buswright.frames.captures.opening import open_capture
from buswright.health.model.health import (
    BitRate,
    BusHealth,
    ClockStep,
    CommonFilter,
    Drop,
    Duplicates,
    ModuleFigures,
    Spacing,
)
from buswright.health.track import HealthTracker

from ..made import MS, SECONDS, S, absent, bus, errors, faults, found, health, identifier


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


# -- whole findings, and each limit -----------------------------------------------------------------------------------


def sighted(measured: BusHealth, car: Any = None) -> list[Sighting]:
    return list(capture_sightings(Case(measured, car)))


@pytest.mark.parametrize(
    ("count", "severity", "percent"),
    [(606, Severity.NOTE, "1.00 %"), (607, Severity.SUSPECT, "1.00 %"), (60_000, Severity.SUSPECT, "50.00 %")],
)
def test_more_than_one_line_in_a_hundred_is_suspect(count: int, severity: Severity, percent: str) -> None:
    """Beside 60,000 frames: 606 of 60,606 lines are 0.99990 %."""
    lines = {"odd digits": count - 6, "no time": 3, "a": 1, "b": 1, "c": 1, "the file is empty": 9, "none": 0}
    (seen,) = sighted(health([identifier(0x100)], capture={"bad_lines": lines}))
    finding = seen.finding
    assert finding.evidence[0] == (
        f"{count:,} lines of the capture ({percent}) could not be read: {count - 6} × odd digits; 3 × no time; "
        "1 × a; 1 × b."
    )
    assert (finding.severity, finding.subject, finding.count) == (severity, "capture", count)
    assert finding.confidence == 1.0
    assert seen.reach == {"capture", "bus:main", "module:node_a", "id:main/100"}


def test_steps_back_are_told_whole() -> None:
    steps = (
        ClockStep("main", 30 * S, 30 * S - 2 * MS),
        ClockStep("main", 20 * S, 20 * S - 500_000),
        ClockStep("main", 40 * S, 40 * S - 1_000),
    )
    (seen,) = sighted(health(buses=[bus(steps_back=steps)]))
    finding = seen.finding
    assert finding.evidence == (
        "Time went backwards twice, by up to 0.002000 s on main at 30.000 s.",
        "Stamps of frames on one bus can only rise, so the recorder's clock was set back.",
    )
    assert (finding.severity, finding.count) == (Severity.FAULT, 2)
    assert (finding.start_ns, finding.end_ns) == (20 * S, 30 * S)
    assert seen.windows == (Window(20 * S - 500_000, 20 * S), Window(30 * S - 2 * MS, 30 * S))
    assert finding.confidence == round(calibrated("clock-jump", 1.0), 3)


@pytest.mark.parametrize(
    ("back_ns", "severity"),
    [(1_000, None), (1_001, Severity.SUSPECT), (MS, Severity.SUSPECT), (MS + 1, Severity.FAULT)],
)
def test_from_a_millisecond_on_the_clock_was_set(back_ns: int, severity: Severity | None) -> None:
    found = [each.finding for each in sighted(health(buses=[bus(steps_back=(ClockStep("main", S, S - back_ns),))]))]
    assert [one.severity for one in found] == ([severity] if severity is not None else [])
    if severity is Severity.SUSPECT:
        assert found[0].evidence[1] == "The capture has frames of one bus out of order."


# -- who stamped the frames -------------------------------------------------------------------------------------------


def stamped(*ids: Any, copies: int = 0, **changes: Any) -> list[Sighting]:
    spacing = Spacing(10_000, 0, 0, 0, 0, 0, 0)._replace(
        **{name: changes.pop(name) for name in Spacing._fields if name in changes}
    )
    pairs = (Duplicates("main", "main", copies, 0.0, 0, S),) if copies else ()
    measured = health(ids, [bus(spacing=spacing, **changes)], capture={"duplicates": pairs})
    return [each for each in sighted(measured) if each.finding.fault == "host-timestamps"]


@pytest.mark.parametrize(
    ("changes", "severity"),
    [
        ({"impossible": 9}, None),
        ({"impossible": 10}, Severity.NOTE),
        ({"zero": 10}, Severity.NOTE),
        ({"impossible": 1_000}, Severity.NOTE),  # one in ten is the limit
        ({"impossible": 1_001}, Severity.SUSPECT),
        ({"impossible": 1_001, "host_stamped": "clock"}, Severity.NOTE),  # nobody was deceived
        ({"host_stamped": "clock"}, Severity.NOTE),
        ({"host_stamped": "spacings"}, None),
        ({"impossible": 1, "on_millisecond": 9_001}, Severity.NOTE),
        ({"impossible": 1, "on_millisecond": 9_000}, None),
        ({"impossible": 0, "on_millisecond": 9_001}, None),
        ({"impossible": 1_001, "pairs": 0}, None),
        ({"impossible": 20, "copies": 10}, None),  # a copy and the frame behind it
        ({"impossible": 21, "copies": 10}, Severity.NOTE),
    ],
)
def test_what_no_wire_can_do_ten_times_was_stamped_by_a_computer(
    changes: dict[str, Any], severity: Severity | None
) -> None:
    found = [each.finding.severity for each in stamped(**changes)]
    assert found == ([severity] if severity is not None else [])


@pytest.mark.parametrize(
    ("rate", "fd", "told"), [(800_000, 0, True), (800_001, 0, False), (500_000, 1, False), (None, 0, False)]
)
def test_no_classic_frame_is_shorter_than_50_us_up_to_800_kbit(rate: int | None, fd: int, told: bool) -> None:
    """The shortest one has 44 bits and 3 between frames: 58.75 us at 800 kbit/s (ISO 11898-1)."""
    guessed = BitRate(rate, None, "guessed", 0.1, "guessed")
    found = stamped(impossible=None, under_50us=20, bitrate=guessed, fd_frames=fd)
    assert bool(found) is told
    if told:
        assert found[0].finding.confidence == round(calibrated("host-timestamps", 0.8), 3)


def test_a_computers_stamps_are_told_whole() -> None:
    (seen,) = stamped(identifier(0x100), impossible=200, zero=50, on_millisecond=9_500, host_stamped="clock")
    finding = seen.finding
    assert finding.evidence == (
        "The capture says that the computer stamped the frames when it fetched them.",
        "200 of 10,000 spacings on main (2.00 %) are closer than a frame lasts on the wire; 50 have equal stamps.",
        "No bus can do that: a computer stamped the frames when it fetched them, several at once.",
        "95 % of the stamps are whole milliseconds.",
    )
    assert (finding.count, finding.subject, len(finding.ruled_out)) == (200, "bus:main", 1)
    assert finding.confidence == round(calibrated("host-timestamps", 1.0), 3)
    assert seen.windows == (Window(0, 60 * S),)
    assert "id:main/100" in seen.reach
    (equal,) = stamped(zero=50)
    assert equal.finding.evidence[0].startswith("50 of 10,000 spacings on main (0.50 %) are with equal stamps; 50 have")
    (said,) = stamped(host_stamped="clock")
    assert (said.finding.count, said.finding.ruled_out, len(said.finding.evidence)) == (1, (), 1)


def test_who_is_late_beyond_the_stamps_is_not_explained_by_them() -> None:
    def usual(number: int, off_ms: float) -> Any:
        one = identifier(number, module=f"node_{number:x}")
        return replace(one, period=replace(one.period, p50_ns=off_ms * MS))

    ids = [usual(0x100, 5.0), *(usual(0x200 + n, 0.1) for n in range(3))]
    (seen,) = stamped(*ids, host_stamped="clock")
    assert "id:main/100" not in seen.reach
    assert "id:main/200" in seen.reach


# -- filters ----------------------------------------------------------------------------------------------------------

FILTER = CommonFilter(False, 4, 0x7FC, 0x100, 4)
SEEN = [identifier(0x100 + n) for n in range(4)]


def filtered(
    *never: int, ids: Any = SEEN, common: CommonFilter = FILTER, module: str = "node_a", others: Any = ()
) -> list[Sighting]:
    lacking = tuple(absent(number, module=module, period_ms=10.0) for number in never)
    own = tuple(one.name for one in ids if one.module == module)
    figures = ModuleFigures(module, "main", own, lacking, 1, 1, 0.1, 0.1, 0, 60 * S)
    measured = health(ids, [bus(filters=(common,))], modules=[figures, *others])
    return [each for each in sighted(measured) if each.finding.fault == "filter-in-force"]


@pytest.mark.parametrize(
    ("never", "severity"),
    [
        ((), Severity.NOTE),
        ((0x200,), None),
        ((0x200, 0x201), None),
        ((0x200, 0x201, 0x202), Severity.SUSPECT),
        ((0x200, 0x201, 0x202, 0x103), None),  # one of them would pass
        ((0x200, 0x201, 0x18FF0001), None),  # another filter is for 29-bit identifiers
    ],
)
def test_a_filter_stops_all_that_never_came(never: tuple[int, ...], severity: Severity | None) -> None:
    ids = [one for one in SEEN if one.name.id not in never]
    found = [each.finding.severity for each in filtered(*never, ids=ids)]
    assert found == ([severity] if severity is not None else [])


@pytest.mark.parametrize(
    ("common", "told"),
    [
        (CommonFilter(False, 2, 0x7FE, 0x100, 2), True),
        (CommonFilter(False, 1, 0x7FF, 0x100, 1), False),
        (CommonFilter(False, 3, 0x7FC, 0x100, 4), False),
    ],
)
def test_identifiers_that_fill_a_mask_may_be_filtered(common: CommonFilter, told: bool) -> None:
    assert bool(filtered(common=common)) is told


def test_a_filter_is_told_whole() -> None:
    (seen,) = filtered(0x200, 0x201, 0x202)
    finding = seen.finding
    assert finding.evidence == (
        "All 4 11-bit identifiers on main can pass one filter: mask 7FC, value 100, which lets 4 through.",
        "3 expected identifiers never came (main/200, main/201 and main/202). It would stop each of them.",
    )
    assert (finding.count, finding.next_check) == (3, CLEAR_FILTERS)
    assert finding.confidence == round(calibrated("filter-in-force", 0.8), 3)
    assert finding.ruled_out == ("Not missing modules: other identifiers of the same modules came.",)
    assert seen.reach >= {"bus:main", "id:main/100", "id:main/200", "id:main/202"}
    assert seen.windows == (Window(0, 60 * S),)
    (perhaps,) = filtered()
    assert (perhaps.finding.count, perhaps.finding.ruled_out, len(perhaps.finding.evidence)) == (1, (), 1)
    assert perhaps.finding.confidence == round(calibrated("filter-in-force", 0.3), 3)
    wide = CommonFilter(True, 2, 0x1FFFFF00, 0x18FF0000, 256)
    (long,) = filtered(0x1CFF0001, 0x1CFF0002, 0x1CFF0003, ids=[identifier(0x18FF0000)], common=wide)
    assert long.finding.evidence[0] == (
        "Both 29-bit identifiers on main can pass one filter: mask 1FFFFF00, value 18FF0000, which lets 256 through."
    )


def test_modules_that_never_came_at_all_are_missing_rather_than_filtered() -> None:
    never = (0x200, 0x201, 0x202)
    assert filtered(*never, module="node_x") == [], "one module alone"
    other = ModuleFigures("node_y", "main", (), (absent(0x300, module="node_y", period_ms=10.0),), 0, 0, 0.0, 0.0, 0, 0)
    assert len(filtered(*never, module="node_x", others=[other])) == 1, "two are no accident"
    elsewhere = replace(other, bus="second")
    assert filtered(*never, module="node_x", others=[elsewhere]) == []
    partly = replace(other, ids=(SEEN[0].name,))
    assert len(filtered(*never, module="node_x", others=[partly])) == 1, "of a module some came"


def test_two_modules_behind_an_open_link_are_missing_rather_than_filtered() -> None:
    lacking = [
        ModuleFigures(name, "main", (), tuple(absent(number, module=name, period_ms=10.0) for number in numbers), 0, 0,
                      0.0, 0.0, None, None)
        for name, numbers in (("node_x", (0x200, 0x201)), ("node_y", (0x202,)))
    ]  # fmt: skip
    measured = health(SEEN, [bus(filters=(FILTER,))], modules=lacking)
    for chain, count in ((("node_a", "node_x", "node_y"), 0), (("node_x", "node_a", "node_y"), 1)):
        car = SimpleNamespace(
            buses={"main": SimpleNamespace(chain=chain)}, modules={}, threshold=Case(measured).limit, channels={}
        )
        told = [each for each in sighted(measured, car) if each.finding.fault == "filter-in-force"]
        assert len(told) == count
