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


def after(right: int, of: int) -> float:
    """The chance that the next one is right if `right` of `of` were: Laplace's rule of succession."""
    return (right + 1) / (of + 2)


FULL = 1.01
"""Evidence that is sure of itself."""
COUNTED = {
    "babbling-node": [(0.0, FULL, "15 of 21")],
    "bus-errors": [(0.0, FULL, "26 of 26")],
    "bus-off": [(0.0, 0.5, "0 of 8"), (0.5, 0.8, "7 of 16"), (0.8, 0.9, "6 of 10")],
    "bus-overload": [(0.0, FULL, "39 of 42")],
    "capture-drop": [(0.0, FULL, "44 of 44")],
    "checksum-wrong": [(0.0, FULL, "3 of 3")],
    "clock-jump": [(0.0, FULL, "16 of 16")],
    "counter-jump": [(0.0, FULL, "4 of 6")],
    "duplicate-id": [(0.0, FULL, "21 of 22")],
    "echo": [(0.0, FULL, "20 of 20")],
    "filter-in-force": [(0.0, FULL, "15 of 19")],
    "frames-lost": [(0.0, 0.5, "158 of 161"), (0.9, FULL, "27 of 27")],
    "frozen-frame": [(0.0, FULL, "6 of 10")],
    "host-timestamps": [(0.0, FULL, "178 of 178")],
    "id-missing": [(0.0, FULL, "15 of 15")],
    "late-frames": [(0.0, 0.7, "3 of 527"), (0.7, FULL, "300 of 316")],
    "module-missing": [(0.0, 0.88, "0 of 5"), (0.88, FULL, "16 of 19")],
    "module-reset": [(0.0, 0.9, "9 of 14")],
    "no-acknowledge": [(0.0, FULL, "15 of 15")],
    "sender-skips": [(0.0, FULL, "14 of 15")],
    "wrong-bitrate": [(0.0, 0.8, "6 of 10"), (0.8, FULL, "38 of 38")],
    "bit-position": [(0.75, FULL, "24 of 24, 24 exact")],
    "byte-order": [(0.9, FULL, "57 of 57, 13 exact")],
    "chafed-wire": [(0.6, 0.8, "12 of 13, 12 exact"), (0.8, FULL, "8 of 8, 8 exact")],
    "cross-talk": [(0.0, FULL, "2 of 4, 2 exact")],
    "drift": [(0.6, FULL, "13 of 16, 13 exact")],
    "gain": [(0.0, 0.8, "0 of 1"), (0.8, FULL, "10 of 12, 10 exact")],
    "ground-shift": [(0.55, 0.7, "6 of 7, 6 exact"), (0.7, FULL, "17 of 17, 17 exact")],
    "ignition-noise": [(0.55, 0.7, "5 of 5, 3 exact"), (0.7, FULL, "22 of 23, 16 exact")],
    "impossible-rate": [(0.0, 0.7, "0 of 5"), (0.7, FULL, "24 of 24, 24 exact")],
    "loose-contact": [(0.55, 0.7, "8 of 9, 8 exact"), (0.7, FULL, "37 of 42, 37 exact")],
    "mux-undefined": [(0.0, FULL, "4 of 4, 4 exact")],
    "offset": [(0.0, FULL, "14 of 23, 14 exact")],
    "open-circuit": [(0.55, 0.7, "7 of 7, 6 exact"), (0.7, 0.88, "40 of 44, 24 exact"),
                     (0.88, FULL, "15 of 15, 15 exact")],
    "out-of-range": [(0.6, FULL, "20 of 25, 20 exact")],
    "saturated": [(0.0, 0.7, "0 of 1"), (0.7, FULL, "19 of 19, 19 exact")],
    "scale-or-unit": [(0.5, 0.82, "11 of 21, 7 exact"), (0.82, FULL, "21 of 21, 14 exact")],
    "sender-invalid": [(0.9, FULL, "28 of 28, 28 exact")],
    "short-to-ground": [(0.65, FULL, "16 of 16, 16 exact")],
    "short-to-supply": [(0.0, 0.72, "0 of 3"), (0.72, FULL, "17 of 17, 17 exact")],
    "sign-flipped": [(0.9, FULL, "22 of 22, 22 exact")],
    "signedness": [(0.9, FULL, "8 of 8, 8 exact")],
    "stuck": [(0.8, FULL, "22 of 23, 22 exact")],
    "supply-lost": [(0.55, 0.7, "5 of 6, 5 exact"), (0.7, FULL, "16 of 16, 16 exact")],
    "supply-sag": [(0.5, 0.7, "4 of 4, 4 exact"), (0.7, FULL, "14 of 15, 14 exact")],
    "swapped-channels": [(0.9, FULL, "21 of 21, 21 exact")],
    "unit-mixup": [(0.8, FULL, "17 of 20, 12 exact")],
}  # fmt: skip
"""The counts as `tests.diagnosis.reliability` and `tests.cars.evaluate` printed them: from which evidence to which."""


def _row(least: float, below: float, words: str) -> tuple[float, float, int, int, int]:
    right, of, *exact = [int(word) for word in words.replace(",", "").split() if word.isdigit()]
    return least, below, right, of, exact[0] if exact else 0


@pytest.mark.parametrize("fault", sorted(set(COUNTED) | set(TRIED)))
def test_what_a_finding_says_follows_from_what_was_counted(fault: str) -> None:
    """At the ends of each strength of evidence, by the two rules; beyond all of them it says what it says."""
    rows = [_row(*each) for each in COUNTED[fault]]
    assert [tuple(one) for one in TRIED[fault]] == rows

    def said(stated: float) -> float:
        for least, below, right, of, exact in rows:
            if least <= stated < below:
                # The chance of an exact one less its standard error, as of a beta distribution (right + 1, wrong + 1).
                chance = after(exact, of)
                floor = chance - (chance * (1 - chance) / (of + 3)) ** 0.5 if exact else 0.0
                return min(after(right, of), max(stated, floor))
        return stated

    ends = {end for least, below, *_ in rows for end in (least, below)}
    tried = sorted({0.0, 1.0} | {end + off for end in ends for off in (-0.0005, 0.0, 0.0005)} - {FULL})
    for stated in (one for one in tried if 0.0 <= one <= 1.0):
        assert calibrated(fault, stated) == pytest.approx(said(stated)), stated


def test_the_table_counts_no_more_right_ones_than_there_were_and_leaves_no_evidence_twice() -> None:
    for fault, classes in TRIED.items():
        assert all(0.0 <= one.least < one.below <= FULL for one in classes), fault
        assert all(0 <= one.exact <= one.right <= one.of for one in classes), fault


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
