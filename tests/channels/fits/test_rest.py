"""What counts as still, on signals made for it."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.fits.rest import rest_of, settled, stillest

HZ = 100


def times(seconds):
    return np.arange(round(seconds * HZ), dtype=np.int64) * (10**9 // HZ)


def noise(seconds, size=0.002, seed=0):
    return size * np.random.default_rng(seed).standard_normal(round(seconds * HZ))


def test_a_still_value_is_still_and_its_mean_is_known_to_its_scatter():
    inside = 0
    for seed in range(200):
        found = rest_of(times(2), 2.5 + noise(2, seed=seed), 4.0)
        assert found.still
        assert found.samples == 200
        inside += abs(found.mean - 2.5) <= 2.36 * found.scatter  # Student's t of seven degrees of freedom
    assert 180 <= inside <= 198


@pytest.mark.parametrize(
    "moving",
    [
        lambda t: 0.02 * t,
        lambda t: 1.0 - np.exp(-t / 1.0),
        lambda t: 0.1 * np.sin(2 * np.pi * 0.7 * t),
        lambda t: np.where(t > 1.0, 0.5, 0.0),
    ],
)
def test_what_moves_is_not_still(moving):
    t = times(2) / 1e9
    assert not rest_of(times(2), 2.5 + moving(t) + noise(2), 4.0).still


def test_noise_of_a_poor_input_is_no_movement():
    assert all(rest_of(times(2), 2.5 + noise(2, 0.05, seed), 4.0).still for seed in range(50))


def test_a_step_is_waited_for_until_it_has_settled():
    t = times(10) / 1e9
    values = np.where(t < 3, 0.5, 2.5 - 2.0 * np.exp(-(t - 3) / 0.6)) + noise(10, 0.001)
    for end, still in ((2.5, True), (4.0, False), (9.0, True)):
        row = round(end * HZ)
        assert settled(times(10)[:row], values[:row], 4.0).still == still
    found = stillest(times(10)[305:], values[305:], 4.0)
    assert found.still
    assert found.mean == pytest.approx(2.5, abs=0.01)


def test_too_little_says_nothing():
    assert rest_of(times(0.05), np.ones(5), 1.0) is None
    assert settled(times(1), np.ones(100), 1.0) is None
    assert settled(times(0), np.ones(0), 1.0) is None
    assert stillest(times(0), np.ones(0), 1.0) is None
    assert stillest(times(1), np.full(100, np.nan), 1.0) is None


def test_a_constant_code_has_no_scatter():
    found = rest_of(times(2), np.full(200, 2.5), 4.0)
    assert found.still
    assert found.scatter == 0.0
