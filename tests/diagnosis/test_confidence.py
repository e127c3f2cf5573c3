"""Findings are as sure as they say: on cars that neither detectors nor confidence were made with."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from buswright.diagnosis.case import sighting
from buswright.diagnosis.confidence import TRIED, Tried, calibrated
from buswright.findings import FAULTS, Rival, Severity
from buswright.report.findings import headline

from .reliability import BANDS, Stated, tried

UNSEEN = 2001
"""Cars from this seed on were never looked at while anything was made."""


def overstated(stated: list[Stated]) -> list[str]:
    """Bands of which far fewer were right than they say, beyond chance (two standard errors) and a tenth."""
    said = []
    for low, high in itertools.pairwise(BANDS):
        inside = [one for one in stated if low <= one.confidence < high]
        if not inside:
            continue
        mean = sum(one.confidence for one in inside) / len(inside)
        right = sum(one.right for one in inside) / len(inside)
        if right < mean - 0.1 - 2 * (mean * (1 - mean) / len(inside)) ** 0.5:
            said.append(f"{len(inside)} findings say {mean:.2f}, and {right:.2f} were right")
    return said


def test_findings_on_unseen_cars_are_right_as_often_as_they_say() -> None:
    stated = tried(range(UNSEEN, UNSEEN + 1))
    assert len(stated) > 15
    assert overstated(stated) == []


@pytest.mark.acceptance
def test_findings_on_many_unseen_cars_are_right_as_often_as_they_say() -> None:
    stated = tried(range(UNSEEN, UNSEEN + 20))
    assert len(stated) > 500
    assert overstated(stated) == []


def test_a_band_that_says_too_much_is_told() -> None:
    wrong = [Stated("late", 1, "late-frames", "id:b0/100", 0.6, right=False)] * 30
    assert overstated(wrong) == ["30 findings say 0.60, and 0.00 were right"]


def test_what_was_rarely_right_is_no_surer_than_that_and_what_was_not_tried_says_what_it_says() -> None:
    assert calibrated("late-frames", 0.6) < 0.05
    assert calibrated("late-frames", 0.8) == 0.8
    assert calibrated("module-reset", 0.97) == 0.97
    assert calibrated("bad-lines", 1.0) == 1.0
    made = sighting(
        "late-frames", Severity.SUSPECT, "id:b0/100", count=1, confidence=0.6, evidence=["x"], threshold="x",
        next_check="x",
    )  # fmt: skip
    assert made.finding.confidence < 0.05


def test_channel_findings_are_no_surer_than_such_were_on_other_cars() -> None:
    assert calibrated("offset", 0.9) == pytest.approx(15 / 25)
    assert calibrated("scale-or-unit", 0.8) < 0.7 < calibrated("scale-or-unit", 0.85)


def test_what_was_right_more_often_than_it_says_says_more_and_never_more_than_was_counted():
    (one,) = TRIED["stuck"]
    assert (one.right, one.of) == (22, 23)
    assert 0.8 < calibrated("stuck", 0.8) == pytest.approx(0.92 - (0.92 * 0.08 / 26) ** 0.5)
    assert calibrated("stuck", 1.0) == one.share == pytest.approx(0.92)
    assert Tried(0.0, 1.01, 3, 3, 3).floor < Tried(0.0, 1.01, 30, 30, 30).floor < 31 / 32


def test_evidence_that_leaves_two_names_open_is_made_no_surer_by_being_right_about_either():
    (one,) = TRIED["byte-order"]
    assert one.right == one.of > 3 * one.exact
    assert calibrated("byte-order", 0.5) == 0.5
    assert calibrated("bus-errors", 0.5) == 0.5  # nobody counted the exact ones


def test_stronger_evidence_is_never_less_sure() -> None:
    assert set(TRIED) <= set(FAULTS)
    for fault, classes in TRIED.items():
        assert all(one.below <= other.least for one, other in itertools.pairwise(classes)), fault
        sure = [calibrated(fault, step / 100) for step in range(101)]
        assert sure == sorted(sure), fault


def test_words() -> None:
    plain = sighting(
        "gain", Severity.SUSPECT, "channel:a", count=1, confidence=0.5, evidence=(), threshold="", next_check=""
    ).finding
    words = [replace(plain, confidence=one).how_sure for one in (1.0, 0.9, 0.89, 0.7, 0.5, 0.39, 0.01)]
    assert words == [
        "sure (100 %)", "sure (90 %)", "likely (89 %)", "likely (70 %)", "possible (50 %)", "inconclusive (39 %)",
        "inconclusive (1 %)",
    ]  # fmt: skip


def test_a_rival_makes_what_is_not_likely_inconclusive() -> None:
    rivals = [Rival("scale-or-unit", "channel:a", "the module sends no volts")]
    made = [
        sighting(
            "gain", Severity.SUSPECT, "channel:a", count=1, confidence=1.0, evidence=(), threshold="", next_check="",
            rivals=rivals,
        ).finding
    ] * 2  # fmt: skip
    likely, open_ = (replace(one, confidence=sure) for one, sure in zip(made, (0.7, 0.69), strict=True))
    assert (likely.inconclusive, open_.inconclusive) == (False, True)
    assert headline(likely) == "the scale of a is off"
    assert headline(open_) == "inconclusive: the scale of a is off or a has a wrong scale or unit"


@pytest.mark.parametrize("fault", list(TRIED))
@pytest.mark.parametrize("stated", [0.1, 0.3, 0.45, 0.6, 0.75, 0.85, 0.95])
def test_what_was_hardly_ever_right_is_no_suspicion(fault: str, stated: float) -> None:
    made = sighting(
        fault, Severity.SUSPECT, "bus:a", count=1, confidence=stated, evidence=["seen"], threshold="", next_check=""
    ).finding
    assert made.severity is (Severity.NOTE if made.confidence < 0.2 else Severity.SUSPECT)
