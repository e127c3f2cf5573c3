"""From detectors to ranked findings: what says the same is one, and what is asked for is all that is judged."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Sighting, Window, sighting
from buswright.diagnosis.detect import BUS_DETECTORS, DETECTORS, Detector, case_of, diagnose, sightings
from buswright.diagnosis.scope import Scope
from buswright.findings import Severity
from buswright.health.baseline.baseline import remember
from buswright.health.channels.evidence import Channels
from buswright.health.model.health import ModuleFigures

from .made import S, absent, bus, car_of, health, identifier
from .sensors.synthetic import made


def seen(seconds: Sequence[tuple[float, float]] = (), **how: Any) -> Sighting:
    keys: dict[str, Any] = {
        "fault": "clock-jump", "severity": Severity.SUSPECT, "subject": "capture", "confidence": 0.5,
        "evidence": ["a"], "threshold": "t", "ruled_out": ["r"], "next_check": "n",
        "windows": [Window(round(a * S), round(b * S)) for a, b in seconds],
    } | how  # fmt: skip
    return sighting(**keys)


def joined(*found: Sighting) -> tuple[Sighting, ...]:
    def judge(case: Case) -> Iterator[Sighting]:
        yield from found

    return sightings(Case(health()), [Detector(judge, "clock-jump echo")])


def test_equal_faults_of_one_subject_are_one_and_the_surer_one_has_the_first_word() -> None:
    first = seen([(1, 2)], count=3, reach=["bus:main"], evidence=["a", "both"], threshold="t1", ruled_out=["r", "s"])
    second = seen(
        [(1.5, 3), (8, 9)], count=4, confidence=0.8, severity=Severity.NOTE, evidence=["b", "both"], threshold="t2",
        ruled_out=["s", "u"], next_check="m", reach=["id:main/100"],
    )  # fmt: skip
    (one,) = joined(first, second)
    found = one.finding
    assert (found.severity, found.confidence, found.next_check) == (Severity.SUSPECT, 0.8, "m")
    assert (found.start_ns, found.end_ns) == (S, 9 * S)
    assert found.evidence == ("b", "both", "a")
    assert found.ruled_out == ("s", "u", "r")
    assert found.threshold == "t2; t1"
    assert one.windows == (Window(S, 3 * S), Window(8 * S, 9 * S))
    assert one.reach == {"capture", "bus:main", "id:main/100"}
    # What both saw at the same time is one thing: the first has nothing beside the second's windows.
    assert found.count == 4


@pytest.mark.parametrize(
    ("windows", "count"),
    [
        ([(8, 9), (10, 11)], 5 + 7),  # all of it lies elsewhere: its own count
        ([(1, 2), (10, 11), (12, 13)], 5 + 2),  # two of three do
        ([(1, 2)], 5),
        ([], 5 + 7),
    ],
)
def test_what_a_second_one_has_beside_the_first_is_counted_too(windows: list[tuple[float, float]], count: int) -> None:
    first, second = seen([(1, 3)], count=5, confidence=0.8), seen(windows, count=7)
    assert [one.finding.count for one in joined(first, second)] == [count]
    assert [one.finding.count for one in joined(second, first)] == [count]


def test_of_two_that_are_as_sure_the_first_has_the_word() -> None:
    (one,) = joined(seen(next_check="first"), seen(next_check="second"))
    assert (one.finding.next_check, one.finding.threshold) == ("first", "t")
    assert (one.finding.start_ns, one.finding.end_ns) == (None, None)
    (timed,) = joined(seen(), seen([(4, 5)]))
    assert (timed.finding.start_ns, timed.finding.end_ns) == (4 * S, 5 * S)


def test_other_faults_and_other_subjects_stay_apart() -> None:
    found = joined(seen(), seen(subject="bus:main"), seen(fault="echo"))
    assert [(one.finding.fault, one.finding.subject) for one in found] == [
        ("clock-jump", "capture"), ("clock-jump", "bus:main"), ("echo", "capture"),
    ]  # fmt: skip


def test_what_hits_a_frame_reaches_its_channels() -> None:
    def judge(case: Case) -> Iterator[Sighting]:
        yield seen(fault="echo", subject="bus:main")

    oil = made("oil", np.zeros(50))
    (one,) = sightings(Case(health(), channels=Channels({"oil": oil})), [Detector(judge, "echo")])
    assert one.reach == {"bus:main", "channel:oil"}


def test_all_detectors_run_unless_some_are_chosen() -> None:
    strange = [identifier(0x500 + n, known=False, module=None) for n in range(5)]
    case = Case(health(strange))
    assert [one.finding.fault for one in sightings(case)] == ["unknown-id"]
    assert sightings(case, []) == ()
    assert len(DETECTORS) > len(BUS_DETECTORS)


def test_a_case_has_all_that_detectors_are_given() -> None:
    measured, car, channels = health([identifier(0x100)]), car_of(), Channels({})
    baseline = remember(measured)
    case = case_of(measured, car=car, baseline=baseline, channels=channels)
    assert (case.health, case.car, case.channels, case.baseline) == (measured, car, channels, baseline)
    assert case.remembered == baseline.identifiers()
    assert case_of(measured).remembered is None


def test_in_the_scope_of_a_module_nobody_else_is_missing() -> None:
    def missing(name: str, number: int) -> ModuleFigures:
        never = (absent(number, "M", name, 100.0),)
        return ModuleFigures(name, "main", (), never, 0, 0, 0.0, 0.0, None, None)

    measured = health([identifier(0x100)], [bus()], modules=[missing("node_y", 0x310), missing("node_z", 0x300)])
    whole = {(one.fault, one.subject) for one in diagnose(measured)}
    assert whole == {("module-missing", "module:node_y"), ("module-missing", "module:node_z")}
    scoped = diagnose(measured, scope=Scope("node_z"))
    assert [(one.fault, one.subject) for one in scoped] == [("module-missing", "module:node_z")]
