"""Chance against published routines, and gatherings that are there or only seem to be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from buswright.diagnosis.sensors.conditions import binomial_at_least, gatherings, occasions

from .synthetic import SECOND, channels_of, made


@given(st.integers(0, 400), st.integers(0, 400), st.floats(0.001, 0.999))
def test_binomial_tail_is_that_of_scipy(count: int, of: int, share: float) -> None:
    expected = float(stats.binom.sf(count - 1, of, share))
    assert binomial_at_least(count, of, share) == pytest.approx(expected, rel=1e-7, abs=1e-250)


@pytest.mark.parametrize(("count", "of", "share", "chance"), [(0, 5, 0.3, 1.0), (6, 5, 0.3, 0.0), (1, 5, 0.0, 0.0)])
def test_ends_of_the_binomial_tail(count: int, of: int, share: float, chance: float) -> None:
    assert binomial_at_least(count, of, share) == chance


def test_chatter_is_one_occasion() -> None:
    moments = np.array([0.0, 0.1, 0.2, 5.0, 5.3, 9.0]) * SECOND
    assert (occasions(moments.astype(np.int64)) / SECOND).tolist() == [0.0, 5.0, 9.0]


def _run(seed: int = 1):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, 120, 0.02)
    steering = made("steer", 90 * np.sin(seconds / 3), seconds=seconds, unit="deg", role="steering_angle")
    other = made("fuel", 3 + 0.01 * rng.standard_normal(len(seconds)), seconds=seconds)
    return rng, steering, other, channels_of(steering, other)


def test_moments_at_one_end_of_the_steering_gather_there() -> None:
    rng, steering, other, channels = _run()
    times = steering.series.time_ns
    at = np.sort(rng.choice(np.flatnonzero(steering.series.value > 85), 12, replace=False))
    (first, *_) = gatherings(channels, [other], times[at])
    assert (first.about, first.by) == ("position", "steer")
    assert first.lift > 4
    assert first.chance < 1e-3
    assert first.where.startswith("while steer was above ")


@pytest.mark.parametrize("seed", range(30))
def test_moments_at_random_gather_nowhere(seed: int) -> None:
    rng, steering, other, channels = _run(seed)
    times = steering.series.time_ns
    found = gatherings(channels, [other], times[np.sort(rng.choice(len(times), 15, replace=False))])
    assert not [g for g in found if g.chance < 1e-3]


def test_a_channel_is_no_condition_of_itself_but_as_a_position_just_before() -> None:
    seconds = np.arange(0, 120, 0.02)
    swing = 90 * np.sin(seconds / 3)
    for role, about in (("oil_temperature", set()), ("steering_angle", {"position"})):
        own = made("own", swing, seconds=seconds, role=role)
        times = own.series.time_ns[(own.series.value > 85) & (seconds % 1 < 0.02)]
        assert {g.about for g in gatherings(channels_of(own), [own], times)} == about
