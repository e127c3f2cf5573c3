"""Findings by whom they concern, and how grave that makes an identifier."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.diagnosis.case import Case
from buswright.diagnosis.found import LOSING, Found, Standing, every, worst
from buswright.findings import FAULTS, Finding, Layer, Severity
from buswright.health.model.identifiers import IdFigures

from .made import MS, S, counter, gaps, health, identifier
from .now.moments import finding

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def standing(figures: IdFigures, *findings: Finding) -> Standing:
    return Found.of(findings).standing(Case(health([figures])), figures)


def holed(count: int = 3, **changes: object) -> IdFigures:
    """An identifier that lacks one frame in each of some gaps, the n-th from n seconds on; 0.1 % of 3,000 in three."""
    rows = [(n * S, n * S + 20 * MS) for n in range(1, count + 1)]
    return identifier(0x100, gaps=gaps(rows), frames=2_997, **changes)


def test_findings_of_a_subject_are_sorted_roots_first_then_by_gravity() -> None:
    mild, grave = finding("late-frames", NOTE, "id:main/100"), finding("frozen-frame", FAULT, "id:main/100")
    root = finding("module-reset", FAULT, "module:a", explains=(grave,))
    found = Found.of((root, mild))
    assert found.roots == (root, mild)
    assert found.of_subject == {"module:a": ((root, root),), "id:main/100": ((mild, mild), (grave, root))}
    both = finding("counter-jump", SUSPECT, "id:main/100")
    assert Found.of((mild, both)).of_subject["id:main/100"] == ((both, both), (mild, mild))


def test_roots_about_subjects_come_in_their_order() -> None:
    one, two = finding("bus-off", FAULT, "bus:main"), finding("echo", NOTE, "capture")
    found = Found.of((one, two, finding("stuck", FAULT, "channel:a")))
    assert list(found.about("capture", "bus:main")) == [one, two]
    assert found.worst("capture", "bus:main") is one
    assert found.worst("capture") is two
    assert found.worst("bus:other") is None


def test_an_identifier_without_findings_and_gaps_is_well() -> None:
    assert standing(identifier(0x100)) == Standing(None)
    late = gaps([(S, S + 20 * MS)], is_missing=np.array([False]))
    assert standing(identifier(0x100, gaps=late)) == Standing(None)


def test_its_gravest_finding_counts_and_what_accounts_for_that() -> None:
    mild, grave = finding("late-frames", SUSPECT, "id:main/100"), finding("frozen-frame", FAULT, "id:main/100")
    assert standing(identifier(0x100), mild) == Standing(SUSPECT, mild, None)
    root = finding("module-reset", SUSPECT, "module:a", explains=(grave,))
    assert standing(holed(), mild, root) == Standing(FAULT, grave, root)
    # Of equally grave ones its own root is told.
    equal = finding("frozen-frame", SUSPECT, "id:main/100")
    explained = finding("module-reset", FAULT, "module:a", explains=(equal,))
    assert standing(identifier(0x100), explained, mild) == Standing(SUSPECT, mild, None)


@pytest.mark.parametrize(
    ("count", "counted", "severity"), [(2, True, NOTE), (3, True, SUSPECT), (40, True, FAULT), (40, False, SUSPECT)]
)
def test_missing_frames_without_a_finding_are_as_grave_as_their_share(
    count: int, counted: bool, severity: Severity
) -> None:
    """3 of 3,000 are 0.1 %, where a look begins; 40 of 3,037 are 1.3 %, a fault where the counter shows the loss."""
    assert standing(holed(count, counter=counter() if counted else None)) == Standing(severity)


def test_gaps_that_hold_no_missing_frame_do_not_count() -> None:
    rows = [(n * S, n * S + 20 * MS) for n in range(1, 4)]
    two = gaps(rows, is_missing=np.array([True, True, False]))
    assert standing(identifier(0x100, gaps=two, frames=998)).severity is NOTE  # 0.2 %, but in two gaps


def test_a_note_of_its_own_counts_where_nothing_accounts_for_the_loss() -> None:
    note = finding("frames-lost", NOTE, "id:main/100")
    assert standing(holed(), note) == Standing(NOTE, note, None)
    assert standing(identifier(0x100), note) == Standing(NOTE, note, None)
    costs_nobody_a_frame = finding("bus-errors", FAULT, "bus:main", explains=(note,))
    assert standing(holed(), costs_nobody_a_frame) == Standing(NOTE, note, None)


@pytest.mark.parametrize(
    ("root", "severity"),
    [
        (finding("module-reset", FAULT, "module:node_a"), FAULT),
        (finding("module-reset", NOTE, "module:node_a"), SUSPECT),  # no milder than the share
        (finding("capture-drop", FAULT, "capture"), NOTE),  # says nothing against its sender
        (finding("bus-off", FAULT, "bus:main"), FAULT),
        (finding("bus-off", FAULT, "module:main/0FF+100"), FAULT),  # a module without a name
        (finding("module-reset", FAULT, "module:node_b"), None),
        (finding("bus-off", FAULT, "bus:other"), None),
        (finding("bus-off", FAULT, "module:other/100"), None),
        (finding("bus-off", FAULT, "module:main/0FF+1000"), None),
        (finding("bus-errors", FAULT, "bus:main"), None),  # costs nobody a frame that isn't sent again
    ],
)
def test_what_took_the_frames_says_how_grave_it_is(root: Finding, severity: Severity | None) -> None:
    expected = Standing(SUSPECT) if severity is None else Standing(severity, None, root)
    assert standing(holed(), root) == expected


@pytest.mark.parametrize(
    ("start_ms", "end_ms", "accounts"),
    [
        (0, 999, False),
        (0, 1000, True),
        (1020, 1500, True),
        (1021, 1500, False),
        (1021, 2000, True),
        (None, 5, True),  # nobody says since when
        (5, None, True),
    ],
)
def test_it_must_have_been_there_in_one_of_the_gaps(start_ms: int | None, end_ms: int | None, accounts: bool) -> None:
    start, end = (None if ms is None else ms * MS for ms in (start_ms, end_ms))
    root = finding("module-reset", FAULT, "module:node_a", start_ns=start, end_ns=end)
    assert standing(holed(), root).root is (root if accounts else None)


def test_the_first_root_that_can_have_taken_them_is_named() -> None:
    later = finding("bus-off", FAULT, "bus:main", start_ns=50 * S, end_ns=51 * S)
    first, second = finding("power-cycle", SUSPECT, "bus:main"), finding("module-reset", FAULT, "module:node_a")
    assert standing(holed(), later, first, second).root is first


def test_a_gap_in_which_nothing_is_missing_is_accounted_for_by_nobody() -> None:
    rows = [(S, S + 20 * MS), (9 * S, 9 * S + 20 * MS)]
    figures = replace(holed(), gaps=gaps(rows, is_missing=np.array([True, False])))
    root = finding("module-reset", FAULT, "module:node_a", start_ns=9 * S, end_ns=10 * S)
    assert standing(figures, root).root is None


def test_what_costs_frames_lies_below_the_values() -> None:
    assert all(FAULTS[fault] <= Layer.NODE for fault in LOSING)


def test_all_findings_are_walked_with_what_they_explain_behind_them() -> None:
    leaf = finding("counter-jump", NOTE, "id:main/100")
    middle = finding("frozen-frame", SUSPECT, "id:main/100", explains=(leaf,))
    root, other = finding("bus-off", FAULT, "bus:main", explains=(middle,)), finding("echo", NOTE, "capture")
    assert list(every([root, other])) == [root, middle, leaf, other]
    assert (worst([other, root]), worst([other, middle]), worst([])) == (FAULT, SUSPECT, None)
