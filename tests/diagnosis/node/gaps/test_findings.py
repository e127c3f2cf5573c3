"""Equal verdicts on one bus or module are one finding: its times, how sure, how grave, and whom it explains."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from buswright.channels.carfile.model import CarFile
from buswright.diagnosis.case import Case, Sighting, Window
from buswright.diagnosis.confidence import calibrated
from buswright.diagnosis.node.gaps.findings import gap_sightings
from buswright.findings import Severity
from buswright.health.model.health import BusFigures, Drop
from buswright.health.model.identifiers import IdFigures

from ...made import MS, SECONDS, S, bus, car_of, errors, health
from ..silenced import AT, module, quiet, stopped, well
from .test_classify import CHAIN, burst, chained

NOTE, SUSPECT, FAULT = Severity.NOTE, Severity.SUSPECT, Severity.FAULT


def sighted(ids: Sequence[IdFigures], *buses: BusFigures, car: CarFile | None = None, **capture: Any) -> list[Sighting]:
    return list(gap_sightings(Case(health(ids, buses, capture), car)))


def only(ids: Sequence[IdFigures], *buses: BusFigures, **how: Any) -> Sighting:
    (one,) = sighted(ids, *buses, **how)
    return one


@pytest.mark.parametrize(
    ("count", "stated"),
    [(1, 0.75), (2, 0.85), (3, 0.97)],  # 0.75, 1 - 0.25 ** 2 capped, 1 - 0.25 ** 3 capped
)
def test_silences_that_say_the_same_are_one_finding(count: int, stated: float) -> None:
    at = [AT + n * 7 * S for n in range(count)]
    one = only([*module("a", 0x100, at=at, jumped=False), *well("b", 0x200)])
    found = one.finding
    assert (found.fault, found.severity, found.subject, found.count) == ("sender-skips", SUSPECT, "module:a", count)
    assert found.confidence == round(calibrated("sender-skips", stated), 3)
    # Told from the last frame of any to the first of any; frames were missing from 5 ms on, until 0.5 s.
    assert (found.start_ns, found.end_ns) == (AT, at[-1] + 405 * MS)
    assert one.windows == tuple(Window(start + 5 * MS, start + 500 * MS) for start in at)
    first = f"It was silent {'twice' if count == 2 else '3 times'}: 20.000-20.405 s"
    assert found.evidence[0].startswith(first) is (count > 1)


def test_the_surest_of_them_is_told() -> None:
    """The second silence has its counters: it says more."""
    at = [AT, 2 * AT]
    ids = module("a", 0x100, at=at, kept=False, jumped=9)
    found = only([*ids, *well("b", 0x200)]).finding
    assert found.fault == "module-reset"
    assert sum("silent together" in sentence for sentence in found.evidence) == 1
    assert found.threshold.startswith("reset_periods = 3 periods")
    assert "; timing counts as kept within the largest of 4 standard deviations of the jitter" in found.threshold
    assert "; timing compared on main/103, every 100 ms" in found.threshold
    assert found.next_check.startswith("Measure the voltage drop along the module's feed")


def test_what_never_came_back_is_as_sure_as_one_silence_can_be() -> None:
    one = only([*stopped("a", 0x100), *well("b", 0x200)])
    assert (one.finding.severity, one.finding.confidence) == (FAULT, round(calibrated("module-missing", 0.9), 3))
    assert one.reach == {"module:a", *(f"id:main/10{n}" for n in range(4))}
    assert "timing compared" not in one.finding.threshold


@pytest.mark.parametrize(
    ("how", "fault", "severity"),
    [
        ({"jumped": True}, "bus-off", FAULT),  # counters that went on: 0.6
        ({"jumped": 9}, "module-reset", SUSPECT),  # a timing that was kept by chance: 0.51
        ({}, "bus-off", NOTE),  # by its timing alone 0.45, and such were never right
    ],
)
def test_a_verdict_is_a_fault_from_a_confidence_of_three_fifths(
    how: dict[str, Any], fault: str, severity: Severity
) -> None:
    found = only([*module("a", 0x100, **how), *well("b", 0x200)]).finding
    assert (found.fault, found.severity) == (fault, severity)


def test_a_key_that_is_turned_looks_like_a_power_cycle() -> None:
    ids = [*module("a", 0x100, jumped=9), *module("b", 0x200, jumped=9)]
    one = only(ids, quiet())
    assert (one.finding.fault, one.finding.severity, one.finding.subject) == ("power-cycle", SUSPECT, "capture")
    assert one.reach == Case(health(ids)).subjects_of_bus("main")


def test_a_bus_off_has_its_rival_and_reaches_its_bus() -> None:
    one = only([*module("a", 0x100, jumped=True), *well("b", 0x200)], burst(32))
    assert [(rival.fault, rival.subject) for rival in one.finding.rivals] == [("sender-skips", "module:a")]
    assert one.reach == {"module:a", "bus:main", *(f"id:main/10{n}" for n in range(4))}
    plain = only([*module("a", 0x100), *well("b", 0x200)])
    assert [rival.fault for rival in plain.finding.rivals] == ["sender-skips"]  # its timing rules a restart out
    whole = bus(last_ns=AT, errors=errors(bus_off_ns=(AT,)))
    dead = only([*stopped("a", 0x100), *stopped("b", 0x200)], whole)
    assert (dead.finding.fault, dead.finding.subject, dead.finding.rivals) == ("bus-off", "bus:main", ())
    assert {"bus:main", "module:a", "module:b"} <= dead.reach


def test_an_open_link_explains_the_modules_behind_it_alone() -> None:
    one = only(chained("c", "d", jumped=True), car=car_of(chain=CHAIN))
    assert one.finding.subject == "bus:main"
    ids = {f"id:main/{number:03X}" for first in (0x300, 0x400) for number in range(first, first + 4)}
    assert one.reach == {"bus:main", "module:c", "module:d", *ids}


def test_a_loss_of_the_recorder_reaches_all_on_its_bus() -> None:
    ids = [*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True), *well("c", 0x300, "other")]
    one = only(ids, quiet(), bus("other"))
    case = Case(health(ids, [quiet(), bus("other")]))
    assert (one.finding.fault, one.finding.subject, one.finding.severity) == ("capture-drop", "bus:main", FAULT)
    assert one.reach == {"capture"} | case.subjects_of_bus("main")


@pytest.mark.parametrize(("at_ms", "subject"), [(450, "capture"), (30_000, "bus:main")])
def test_a_loss_that_the_recorder_speaks_of_has_its_subject(at_ms: int, subject: str) -> None:
    ids = [*module("a", 0x100, jumped=True), *module("b", 0x200, jumped=True), *well("c", 0x300, "other")]
    drop = Drop(AT + at_ms * MS, None, None, "overflow")
    one = only(ids, quiet(), bus("other"), drops=(drop,))
    assert one.finding.subject == subject


def test_what_load_or_stamps_explain_is_left_to_them_and_its_gaps_are_nobodys() -> None:
    seconds = [0.3] * (SECONDS + 1)
    seconds[20] = 0.9
    assert sighted([*module("low", 0x600, jumped=True), *well("high", 0x100)], bus(load=seconds)) == []
    lagging = [*module("a", 0x100, jumped=False), *module("b", 0x200, jumped=False)]
    assert sighted(lagging, quiet(host_stamped="clock")) == []


def test_gaps_that_a_verdict_accounts_for_are_no_losses_of_their_own() -> None:
    both = module("a", 0x100, at=(AT, 2 * AT), kept=False)
    assert {one.finding.fault for one in sighted([*both, *well("b", 0x200)])} == {"module-reset"}
