"""Volts that no converter reads, and inputs that are at a rail for another reason."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.diagnosis.sensors.numbers.calibration import value_sightings
from tests.diagnosis.sensors.synthetic import STEP_V, case_of, made, sensor

N = 4000
SECONDS = np.arange(N) / 50.0


def found(volts):
    channel = made("p", volts, kind=sensor())
    return [(one.finding.fault, one.finding.subject) for one in value_sightings(case_of(channel))]


def driven(seed):
    rng = np.random.default_rng(seed)
    return 2.2 + 1.2 * np.sin(SECONDS / 3) + rng.normal(0, 2 * STEP_V, N)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("factor", [10.0, 0.1, 100.0])
def test_a_factor_of_ten_in_the_volts_is_a_scale(seed, factor):
    assert found(driven(seed)) == []
    assert found(factor * driven(seed)) == [("scale-or-unit", "channel:p")]


def test_a_level_that_rests_is_a_scale_where_not_even_a_battery_gives_so_much():
    rng = np.random.default_rng(5)
    assert found(25.0 + rng.normal(0, STEP_V, N)) == [("scale-or-unit", "channel:p")]
    assert found(13.8 + rng.normal(0, STEP_V, N)) == []  # the battery itself


def test_wires_at_a_rail_are_no_scale():
    rng = np.random.default_rng(6)
    assert found(5.6 + rng.normal(0, STEP_V, N)) == []
    assert found(0.03 + rng.normal(0, STEP_V, N)) == []
    assert found(0.1 + np.abs(rng.normal(0, 0.05, N))) == []  # hum on an open input
    assert found(0.008 * driven(6)) == []  # a pot whose supply is gone
    shorted = driven(6)
    shorted[N // 4 :] = 5.02
    assert found(shorted) == []


def test_a_supply_that_was_right_at_first_is_off_for_a_while_only():
    lost = np.where(SECONDS > 20, 0.02, 5.0)
    (one,) = value_sightings(case_of(made("ref", lost, unit="V", role="reference_voltage")))
    assert one.finding.subject == "channel:ref"
    assert [round(window.start_ns / 1e9) for window in one.windows] == [20]
    (one,) = value_sightings(case_of(made("ref", 0.1 * (lost + 5), unit="V", role="reference_voltage")))
    assert one.windows == ()
