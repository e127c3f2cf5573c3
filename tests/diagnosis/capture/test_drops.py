"""What the recorder says that it lost, and what the gaps show of the same: one finding."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.capture.drops import recorder_subject, reported_drops, touch
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.health.model.health import BusHealth, ClockSet, Drop, Silences
from buswright.health.model.identifiers import IdFigures

from ..made import MS, S, bus, counter, faults, found, gaps, health, identifier

AT, LENGTH = 30 * S, 400 * MS


def silent(number: int, module: str, on: str = "main", at: int = AT) -> IdFigures:
    """An identifier that was silent for a while, on its old grid afterwards, its counter further by just that."""
    hole = gaps([(at, at + LENGTH)], counter_step=[40 % 16])
    return identifier(number, module=module, bus=on, gaps=hole, counter=counter())


def lost(*drops: Drop, at: int = AT, second: bool = False) -> BusHealth:
    """A bus on which everybody was silent at once, maybe beside one that went on, and the recorder's own word."""
    quiet = Silences(np.array([at]), np.array([at + LENGTH]), 1)
    ids = [silent(0x100, "node_a", at=at), silent(0x200, "node_b", at=at), silent(0x300, "node_c", at=at)]
    buses = [bus(silences=quiet, interfaces=("can0",))]
    if second:
        ids += [identifier(0x110 + n, module=f"other_{n}", bus="other") for n in range(3)]
        buses.append(bus("other", interfaces=("can1",)))
    return health(ids, buses, capture={"drops": drops})


def gap(on: str | None = "can0", at: int = AT) -> Drop:
    return Drop(at + LENGTH, on, None, "this program did not receive can0 for 0.4 s", at)


def drops_in(measured: BusHealth) -> list[Any]:
    return [one for one in diagnose(measured) if one.fault == "capture-drop"]


def test_a_loss_that_only_the_gaps_show_is_found() -> None:
    (one,) = drops_in(lost())
    assert (one.subject, one.count) == ("capture", 1)


@pytest.mark.parametrize("second", [False, True])
@pytest.mark.parametrize("on", ["can0", "main", None])
def test_the_recorders_word_leads_and_what_the_gaps_show_joins_it(on: str | None, second: bool) -> None:
    (one,) = drops_in(lost(gap(on), second=second))
    assert one.subject == ("bus:main" if second and on else "capture")
    assert one.severity is Severity.FAULT
    assert one.confidence > 0.97
    assert one.count == 1
    assert "The recorder itself reported" in one.evidence[0]
    assert "All 3 identifiers that were due" in one.evidence[1]
    assert AT <= one.start_ns <= one.end_ns <= AT + LENGTH + 10 * MS
    assert "capture-drop" not in [each.fault for each in one.explains]


def test_another_loss_at_another_time_counts_once_more() -> None:
    (one,) = drops_in(lost(gap(at=10 * S)))
    assert one.count == 2
    assert (one.start_ns, one.end_ns) == (10 * S, AT + LENGTH)


def test_a_loss_of_another_bus_stands_by_itself() -> None:
    told = drops_in(lost(gap("can1"), second=True))
    assert sorted(one.subject for one in told) == ["bus:main", "bus:other"]


def test_what_the_recorder_says_of_a_bus_without_frames_concerns_the_capture() -> None:
    measured = health([identifier(0x100)], capture={"drops": (gap("can7"),)})
    assert found(measured, "capture-drop").subject == "capture"
    assert faults(measured) == [("capture-drop", "capture")]


def test_moments_in_common() -> None:
    assert touch(Window(0, 5), Window(5, 9))
    assert touch(Window(0, 9), Window(3, 4))
    assert not touch(Window(0, 5), Window(6, 9))


@pytest.mark.parametrize(
    ("step", "fault"), [(1, "clock-jump"), (40 % 16, "capture-drop"), (-1, "capture-drop"), (5, "capture-drop")]
)
def test_a_laptop_that_slept_or_whose_clock_was_set_is_the_recorders_own(step: int, fault: str) -> None:
    hole = {"counter_step": [step], "residual_ns": [4.0 * MS]}
    ids = [
        identifier(number, module=f"node_{number}", gaps=gaps([(AT, AT + 8 * S)], **hole), counter=counter())
        for number in (0x100, 0x200, 0x300)
    ]
    quiet = Silences(np.array([AT]), np.array([AT + 8 * S]), 1)
    moved = ClockSet(AT + 8 * S + 300 * MS, 8 * S - 200 * MS, "the wall clock moved by +7.800 s")
    (one,) = diagnose(health(ids, [bus(silences=quiet)], capture={"clock_set": (moved,)}))
    assert (one.fault, one.subject) == (fault, "capture")
    assert any("the wall clock moved by +7.800 s" in sentence for sentence in one.evidence)
    (other,) = diagnose(health(ids, [bus(silences=quiet)], capture={"clock_set": (moved._replace(time_ns=5 * S),)}))
    assert not any("the wall clock" in sentence for sentence in other.evidence)


# -- the recorder's own word, whole -----------------------------------------------------------------------------------


def said(*drops: Drop, buses: tuple[str, ...] = ("main",), dropped: int | None = None) -> Sighting:
    found = [bus(name, interfaces=(f"can{number}",)) for number, name in enumerate(buses)]
    ids = [identifier(0x100 + number, bus=name, module=f"on_{name}") for number, name in enumerate(buses)]
    (seen,) = reported_drops(Case(health(ids, found, capture={"drops": drops, "dropped": dropped})))
    return seen


def test_no_word_is_no_loss() -> None:
    assert list(reported_drops(Case(health()))) == []


def test_what_the_recorder_reports_is_told_whole() -> None:
    """Frames are missing up to a second before the loss is noticed, and up to a tenth behind."""
    late = Drop(20 * S, "can0", 7, "overflow")
    early = Drop(10 * S, "can0", 5, "overflow", 8 * S)
    seen = said(late, early, Drop(None, "can0", None, ""), buses=("main", "other"), dropped=12)
    finding = seen.finding
    assert finding.evidence == ("The recorder itself reported losses 3 times on can0, 12 frames in total: overflow.",)
    assert (finding.fault, finding.severity, finding.subject, finding.count) == (
        "capture-drop", Severity.FAULT, "bus:main", 3,
    )  # fmt: skip
    assert (finding.start_ns, finding.end_ns) == (8 * S, 20 * S)
    assert seen.windows == (Window(7 * S, 10 * S + 100 * MS), Window(19 * S, 20 * S + 100 * MS))
    assert finding.confidence == round(calibrated("capture-drop", 1.0), 3)
    assert seen.reach == {"bus:main", "module:on_main", "id:main/100"}
    silent = said(Drop(10 * S, None, None, ""))
    assert silent.finding.evidence == ("The recorder itself reported losses once, without a number of frames.",)
    near = said(Drop(10 * S, None, None, ""), Drop(11 * S, None, None, ""))
    assert near.windows == (Window(9 * S, 11 * S + 100 * MS),)
    many = said(*(Drop(S, "can0", 1, text) for text in "cba"), dropped=1)
    assert many.finding.evidence == (
        "The recorder itself reported losses 3 times on can0, 1 frame in total: a, b and 1 more.",
    )


@pytest.mark.parametrize(
    ("on", "subject"),
    [
        (["can0"], "bus:main"),
        (["main"], "bus:main"),
        (["can1", "can1"], "bus:other"),
        (["can0", "can1"], "capture"),
        (["can0", None], "capture"),
        (["can0", "can7"], "capture"),
        (["can7"], "capture"),
        ([None], "capture"),
    ],
)
def test_a_loss_is_of_the_buses_that_it_names(on: list[str | None], subject: str) -> None:
    seen = said(*(Drop(S, name, None, "") for name in on), buses=("main", "other"))
    assert seen.finding.subject == subject
    both = on == ["can0", "can1"] or (subject == "capture")
    assert {"bus:main", "bus:other"} <= seen.reach if both else f"id:{subject[4:]}" in str(seen.reach)


@pytest.mark.parametrize(
    ("window", "subject", "buses", "found"),
    [
        ((8, 9), "bus:x", ["main"], "bus:main"),
        ((10, 11), "bus:x", ["main"], "bus:main"),
        ((11, 12), "bus:x", ["main"], "bus:x"),
        ((8, 9), "id:main/100", [], "bus:main"),
        ((8, 9), "bus:x", ["other"], "bus:x"),
        ((8, 9), "bus:x", ["other", "main"], "bus:main"),
    ],
)
def test_a_loss_that_the_gaps_show_joins_the_word_of_that_time(
    window: tuple[int, int], subject: str, buses: list[str], found: str
) -> None:
    word = said(Drop(10 * S, "can0", None, ""), buses=("main", "other"))
    assert recorder_subject([word], Window(window[0] * S, window[1] * S), subject, buses) == found


def test_moments_in_common_are_told_both_ways() -> None:
    for one, other, common in (((5, 9), (0, 5), True), ((6, 9), (0, 5), False), ((3, 4), (0, 9), True)):
        assert touch(Window(*one), Window(*other)) is common
