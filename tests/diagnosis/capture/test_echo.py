"""Frames that came twice: whose they are, and from which share on a whole bus is recorded twice."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from buswright.channels.expectation import NOTHING, Facts
from buswright.diagnosis.capture.echo import echoes
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, Duplicates
from buswright.health.model.identifiers import Busiest, IdFigures

from ..made import MS, S, bus, counter, declared, health, identifier


def pair(copies: int, share: float, bus_name: str = "main", other: str = "main", first_ns: int = 0) -> Duplicates:
    return Duplicates(bus_name, other, copies, share, first_ns, 60 * S)


def seen(one: Duplicates, *ids: IdFigures, **changes: Any) -> list[Sighting]:
    return list(echoes(Case(health(ids, [bus(**changes), bus("other")], capture={"duplicates": (one,)}))))


def faults(one: Duplicates, *ids: IdFigures, **changes: Any) -> list[Severity]:
    return [each.finding.severity for each in seen(one, *ids, **changes)]


@pytest.mark.parametrize(
    ("share", "severity"),
    [
        (0.004, []),
        (0.0051, [Severity.NOTE]),  # one in a hundred frames is in a pair
        (0.47, [Severity.NOTE]),
        (0.476, [Severity.SUSPECT]),  # 95 in a hundred
        (0.52, [Severity.SUSPECT]),
        (0.521, []),  # over and over
    ],
)
def test_of_one_bus_every_copy_has_its_original(share: float, severity: list[Severity]) -> None:
    assert faults(pair(10, share)) == severity


@pytest.mark.parametrize(("share", "severity"), [(0.6, []), (0.949, []), (0.951, [Severity.SUSPECT])])
def test_of_two_buses_a_gateway_passes_some_frames_on(share: float, severity: list[Severity]) -> None:
    assert faults(pair(10, share, other="other")) == severity


def test_a_babbling_bus_shows_no_echo() -> None:
    seconds = [0.3] * 61
    seconds[20] = 0.9
    loud = identifier(0x080, 20.0, busiest=Busiest(20 * S, 4_000, 480_000))
    assert faults(pair(30_000, 0.5), loud, load=seconds) == []
    assert faults(pair(30_000, 0.5), identifier(0x080, 20.0), load=seconds) == [Severity.SUSPECT]


def test_an_echo_is_told_whole() -> None:
    (found,) = seen(pair(29_000, 0.49, first_ns=S), identifier(0x100))
    finding = found.finding
    assert finding.evidence == (
        "29,000 frames came twice on main: same identifier, same payload, less than 1 ms apart.",
        "From 1.000 s to 60.000 s 98.3 % of the frames are in such pairs.",  # 29,000 of 59,100, the ends by half
    )
    assert (finding.fault, finding.subject, finding.count) == ("echo", "bus:main", 29_000)
    assert finding.confidence == round(calibrated("echo", 58 / 59), 3)
    assert len(finding.ruled_out) == 2
    assert "echo_share = 0.95" in finding.threshold
    assert "copies of what" not in finding.threshold
    assert found.windows == (Window(S, 60 * S),)
    assert found.reach == {"bus:main", "module:node_a", "id:main/100"}
    (two,) = seen(pair(59_000, 0.98, other="other"))
    assert two.finding.evidence[0].startswith("59,000 frames came twice on main just after other: ")
    assert two.finding.evidence[1].endswith("98.3 % of the frames are in such pairs.")
    (one,) = seen(pair(1, 0.49))
    assert one.finding.evidence[0].startswith("1 frame came twice on main: ")


# -- copies of some ---------------------------------------------------------------------------------------------------

FEW = pair(40, 0.001)


@pytest.mark.parametrize(
    ("copies", "clumped", "changes", "found"),
    [
        (3, "unknown", {"counter": counter()}, True),
        (2, "unknown", {"counter": counter()}, False),
        (3, "clock", {"counter": counter()}, True),  # a counter counts, whoever stamps
        (3, "unknown", {"expected": declared(2_000_001.0)}, True),
        (3, "unknown", {"expected": declared(2_000_000.0)}, False),  # it may send twice a millisecond apart
        (3, "clock", {"expected": declared(20e6)}, False),  # fetched together
        (3, "unknown", {"expected": NOTHING.or_else("car file", Facts(20e6, change_driven=True))}, False),
        (3, "unknown", {"expected": NOTHING}, False),
        (3, "unknown", {"expected": NOTHING.or_else("learned", Facts(20e6))}, False),
    ],
)
def test_three_copies_of_what_nobody_sent_twice_are_enough(
    copies: int, clumped: Any, changes: dict[str, Any], found: bool
) -> None:
    one = identifier(0x100, 20.0, copies=copies, **({"expected": NOTHING} | changes))
    assert faults(FEW, one, identifier(0x200), host_stamped=clumped) == [Severity.SUSPECT] * found


@pytest.mark.parametrize(
    ("copies", "ids", "clumped", "found"),
    [
        (10, 3, "unknown", True),
        (10, 2, "unknown", False),
        (9, 3, "unknown", False),
        (10, 3, "spacings", False),
    ],
)
def test_one_identifier_may_come_in_pairs_and_three_do_not(copies: int, ids: int, clumped: Any, found: bool) -> None:
    copied = [identifier(0x100 + n, 1.0, copies=copies, expected=NOTHING, frames=1_000) for n in range(ids)]
    assert faults(FEW, *copied, identifier(0x200), host_stamped=clumped) == [Severity.SUSPECT] * found


@pytest.mark.parametrize(("copies", "found"), [(59, False), (60, True)])
def test_of_many_frames_one_in_a_hundred_is_copied(copies: int, found: bool) -> None:
    copied = [identifier(0x100 + n, 10.0, copies=copies, expected=NOTHING) for n in range(3)]
    assert faults(FEW, *copied) == [Severity.SUSPECT] * found


def test_whose_frames_came_twice_is_told() -> None:
    copied = [identifier(0x100, copies=20, counter=counter()), identifier(0x101, copies=20)]
    spared = [identifier(0x200, module="node_b"), identifier(0x300, module="node_c")]
    (found,) = seen(FEW, *copied, *spared)
    finding = found.finding
    assert (
        finding.evidence[2] == "The copies are of 2 identifiers of node_a (100 and 101); 2 others of the bus have none."
    )
    assert finding.ruled_out[2:] == (
        "Not frames that were sent twice: 1 of them have a counter, and it did not count them.",
    )
    assert finding.threshold.endswith("; or 3 copies of what its sender can't have sent twice")
    assert finding.confidence == round(calibrated("echo", 0.9), 3)
    assert found.reach == {
        "bus:main", "module:node_a", "module:node_b", "module:node_c", "id:main/100", "id:main/101",
    }  # fmt: skip
    (every,) = seen(FEW, *copied)
    assert every.finding.evidence[2] == "All 2 identifiers of the bus have copies."
    (mixed,) = seen(FEW, *copied, identifier(0x400, module="node_b", copies=5), *spared)
    assert mixed.finding.evidence[2].startswith("The copies are of 3 identifiers (100, 101 and 400); 2 others")
    nobody = [replace(one, module=None) for one in copied]
    (strange,) = seen(FEW, *nobody, *spared)
    assert strange.finding.evidence[2].startswith("The copies are of 2 identifiers (100 and 101)")


# -- the share where there were any -----------------------------------------------------------------------------------


def counted(frames: list[int]) -> BusFigures:
    """Windows of 100 ms from zero on with so many frames."""
    one = bus()
    count = len(frames)
    windows = replace(
        one.windows, start_ns=np.arange(count) * 100 * MS, frames=np.array(frames, np.int64),
        errors=np.zeros(count, np.int64), load=np.full(count, 0.2),
    )  # fmt: skip
    return replace(one, windows=windows)


@pytest.mark.parametrize(
    ("first_ms", "last_ms", "copies", "severity"),
    [
        # Of 300 frames in 100..399 ms half of those in the outer windows count: 200.
        (100, 399, 95, Severity.SUSPECT),
        (100, 399, 94, Severity.NOTE),
        (199, 300, 95, Severity.SUSPECT),
        (200, 300, 48, Severity.SUSPECT),  # of two windows of a hundred each half of both
        (200, 300, 47, Severity.NOTE),
        (100, 400, 143, Severity.SUSPECT),
        (100, 400, 142, Severity.NOTE),
    ],
)
def test_copies_are_held_against_the_frames_of_their_time(
    first_ms: int, last_ms: int, copies: int, severity: Severity
) -> None:
    one = Duplicates("main", "main", copies, 0.01, first_ms * MS, last_ms * MS)
    case = Case(health([], [counted([100] * 10)], capture={"duplicates": (one,)}))
    assert [each.finding.severity for each in echoes(case)] == [severity]


def test_outside_of_all_windows_the_share_is_that_of_the_run() -> None:
    for stretch in ((2 * S, 3 * S), (-S, -1)):
        one = Duplicates("main", "main", 95, 0.01, *stretch)
        case = Case(health([], [counted([100] * 10)], capture={"duplicates": (one,)}))
        assert [each.finding.severity for each in echoes(case)] == [Severity.NOTE]
    empty = Case(health([], [counted([])], capture={"duplicates": (pair(9, 0.49),)}))
    assert [each.finding.severity for each in echoes(empty)] == [Severity.SUSPECT]
