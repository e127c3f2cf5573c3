"""Steps that stay: faster than the quantity can be, or only seemingly."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.sensors.inputs.impossible import impossible_sightings
from buswright.findings import Severity
from tests.diagnosis.sensors.synthetic import case_of, made, sensor

HZ = 50.0
SECONDS = np.arange(0, 60, 1 / HZ)


def slow() -> Any:
    return 2.0 + 0.2 * np.sin(SECONDS / 9) + 0.002 * np.random.default_rng(1).standard_normal(len(SECONDS))


@pytest.mark.parametrize(("at", "count", "severity"), [((20,), 1, Severity.NOTE), ((10, 20, 30), 3, Severity.FAULT)])
def test_a_step_that_stays_is_found(at: tuple[float, ...], count: int, severity: Severity) -> None:
    values = slow()
    for number, start in enumerate(at):
        values += np.where(start <= SECONDS, 0.6 * (-1) ** number, 0.0)
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    assert (one.finding.count, one.finding.severity) == (count, severity)
    assert one.finding.subject == "channel:oil"
    assert [(rival.fault, rival.subject) for rival in one.finding.rivals] == [("loose-contact", "channel:oil")]


@pytest.mark.parametrize(
    "values",
    [
        pytest.param(slow(), id="nothing"),
        pytest.param(slow() + 0.6 * ((SECONDS >= 20) & (SECONDS < 20.05)), id="a short dropout"),
        pytest.param(slow() + 0.6 * np.clip((SECONDS - 20) / 0.3, 0, 1), id="as fast as it can be"),
        pytest.param(slow() + 0.03 * (SECONDS >= 20), id="too small"),
    ],
)
def test_what_is_no_impossible_step(values: Any) -> None:
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))))


def test_a_value_that_is_renewed_slowly_may_step() -> None:
    values = np.repeat((2.0 + 0.8 * np.sin(SECONDS[::10])), 10)
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))))


def test_without_a_known_rate_nothing_is_judged() -> None:
    values = slow() + 0.6 * (SECONDS >= 20)
    assert not list(impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor()))))


def leaps(height: float, sides: tuple[int, ...]) -> Any:
    values = slow()
    for number in range(20):
        values[(5 + 2 * number <= SECONDS) & (5 + 2 * number + 1.5 / HZ > SECONDS)] += (
            height * sides[number % len(sides)]
        )
    return values


def test_leaps_to_both_sides_are_neither_a_contact_nor_sparks() -> None:
    def said(values: Any) -> list[tuple[str, int]]:
        case = case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0)))
        return [(one.finding.fault, one.finding.count) for one in impossible_sightings(case)]

    assert said(leaps(1.5, (1, -1))) == [("impossible-rate", 20)]
    assert said(leaps(1.5, (1,))) == []  # a contact goes one way, to its bias
    assert said(leaps(0.1, (1, -1))) == []  # sparks do so little
    floating = slow() + np.where(SECONDS > 20, np.random.default_rng(4).uniform(-1.5, 1.5, len(SECONDS)), 0.0)
    assert said(floating) == []


def test_a_quiet_value_that_leaps_and_stays_did_not_wait_to_be_renewed() -> None:
    values = np.round(slow(), 3)
    values[int(20 * HZ) - 3 : int(20 * HZ)] = values[int(20 * HZ) - 3]
    values[int(20 * HZ) :] += 0.9
    (one,) = impossible_sightings(case_of(made("oil", values, hz=HZ, kind=sensor(max_rate=20.0))))
    assert one.finding.count == 1
