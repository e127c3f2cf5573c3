"""Clipped quantities, and those that only rest at an end."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.diagnosis.detect import sightings
from buswright.diagnosis.sensors.inputs.saturation import saturation_sightings
from buswright.findings import Severity
from tests.diagnosis.sensors.synthetic import PRESSURE, TRAVEL, case_of, made, sensor

SECONDS = np.arange(0, 60, 0.02)


def wave(centre: float, swing: float, seed: int = 1) -> Any:
    noise = 0.002 * np.random.default_rng(seed).standard_normal(len(SECONDS))
    return centre + swing * np.sin(SECONDS) + noise


@pytest.mark.parametrize(
    ("values", "table", "says"),
    [
        (np.minimum(wave(3.4, 1.9), 4.9), TRAVEL, "electrical range"),
        (np.maximum(wave(1.4, 1.9), 0.1), TRAVEL, "electrical range"),
        (np.minimum(wave(3.4, 1.9), 4.5), PRESSURE, "range of the sensor"),
    ],
)
def test_a_flat_top_with_corners_is_clipped(values: Any, table: Any, says: str) -> None:
    found = [one.finding for one in sightings(case_of(made("a", values, kind=sensor(table, open_reads="high"))))]
    (one,) = [each for each in found if each.layer >= 3]
    assert (one.fault, one.subject, one.severity) == ("saturated", "channel:a", Severity.FAULT)
    assert says in one.evidence[0]
    assert one.count == 9 or one.count == 10


def test_a_raw_code_at_its_end_is_clipped() -> None:
    values = np.minimum(wave(25, 12, 2), 32.767)
    (one,) = saturation_sightings(case_of(made("accel", values, unit="g")))
    assert "database" in one.finding.evidence[0] or "raw code" in one.finding.evidence[0]


@pytest.mark.parametrize(
    ("values", "table"),
    [
        (np.minimum(wave(3.4, 1.9), 4.5), TRAVEL),  # a stop of the mechanics
        (wave(3.0, 1.4), PRESSURE),  # a round top
        (np.maximum(wave(1.0, 1.2), 0.5), PRESSURE),  # no pressure
        (wave(3.5, 1.4), PRESSURE),  # a round top beyond the band
    ],
)
def test_rest_at_a_natural_end_is_no_fault(values: Any, table: Any) -> None:
    assert not list(saturation_sightings(case_of(made("a", values, kind=sensor(table)))))


def test_a_wire_that_jumps_to_the_rail_is_not_clipped() -> None:
    values = wave(2.5, 0.8)
    values[1000:1200] = 4.98
    assert not list(saturation_sightings(case_of(made("a", values, kind=sensor(TRAVEL)))))
