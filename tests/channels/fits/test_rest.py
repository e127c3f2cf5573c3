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


def blocks(*levels, each=10, noise=0.0):
    """Hold each of eight levels for a quarter of a second; `noise`: of every other sample."""
    return np.repeat(np.array(levels, dtype=float), each) + noise * (np.arange(8 * each) % 2)


def test_figures_of_a_rest_are_those_of_its_blocks():
    """Blocks at 0 to 7: the last two are 6 above the first two; of means 2.449 apart the mean is known to 0.866."""
    levels = np.arange(8.0)
    found = rest_of(times(0.8), blocks(*levels), 1e9)
    assert (found.mean, found.samples, found.drift) == (3.5, 80, 6.0)
    assert found.scatter == pytest.approx(np.sqrt(6.0) / np.sqrt(8.0))  # variance of 0 to 7: 42 / 7
    assert found.deviation == pytest.approx(np.sqrt(10 * 42 / 79))
    assert (found.start_ns, found.end_ns) == (0, 790_000_000)


def test_what_is_not_a_number_is_left_out():
    values = blocks(*range(8))
    values[::2] = np.nan
    found = rest_of(times(0.8), values, 1e9)
    assert (found.samples, found.mean, found.start_ns, found.end_ns) == (40, 3.5, 10_000_000, 790_000_000)
    values[:65] = np.nan
    assert rest_of(times(0.8), values, 1e9).samples == 8
    values[:66] = np.nan
    assert rest_of(times(0.8), values, 1e9) is None


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("part", "still"), [(0.99, True), (1.01, False)])
def test_a_still_value_drifts_by_a_thousandth_of_the_span_at_most(part, still, way):
    """A slow ramp: the means of the first and the last quarter are three quarters of its height apart."""
    values = 2.0 + way * np.linspace(0.0, 4.0, 80)
    assert rest_of(times(0.8), values, 1.0).drift == pytest.approx(way * 3.0, rel=0.02)
    span = abs(rest_of(times(0.8), values, 1.0).drift) / (0.001 * part)
    assert rest_of(times(0.8), values, span).still == still


@pytest.mark.parametrize(("part", "still"), [(0.97, True), (1.03, False)])
def test_noise_may_move_the_ends_by_four_standard_errors(part, still):
    """Every other sample is one higher: from differences of 1 a deviation of sqrt(1/2), of a mean of ten sqrt(1/20).

    Of the difference between two means of twenty that is the standard error as well.
    """
    drift = part * 4 * np.sqrt(1 / 20)
    values = blocks(*[0.0] * 6, *[drift] * 2, noise=1.0)
    found = rest_of(times(0.8), values, 500 * drift)  # a thousandth of the span is half of the drift
    assert found.drift == pytest.approx(drift)
    assert found.still == still


@pytest.mark.parametrize(("part", "still"), [(0.98, True), (1.02, False)])
def test_a_wobble_of_a_two_hundredth_of_the_span_is_still(part, still):
    """Means that go up and down by w about a line that hardly slopes: w sqrt(8 - what the line takes) / sqrt(6)."""
    levels = np.array([1.0, -1, 1, -1, -1, 1, -1, 1])  # the same first and last: no drift, no slope
    assert np.polyfit(np.arange(8), levels, 1)[0] == pytest.approx(0.0, abs=1e-12)
    wobble = np.sqrt(8 / 6)
    assert rest_of(times(0.8), blocks(*levels), wobble / (0.005 * part)).still == still


def test_a_settled_value_needs_nearly_all_of_its_time():
    for count, there in ((95, False), (96, True)):
        assert (settled(times(1)[:count], np.ones(count), 1.0, hold_s=1.0) is not None) is there
    values = np.concatenate([np.zeros(50), np.ones(101)])
    assert settled(times(1.51), values, 1.0, hold_s=1.0).samples == 101
    assert settled(times(1.51), values, 1.0, hold_s=1.0).mean == 1.0


def test_the_first_still_stretch_is_taken():
    t = times(10) / 1e9
    values = np.where(t < 2, t, np.where(t < 5, 2.0, np.where(t < 6, t - 3, 3.0)))
    found = stillest(times(10), values, 1.0)
    assert (found.still, found.mean) == (True, pytest.approx(2.0, abs=1e-3))
    assert found.end_ns - found.start_ns == pytest.approx(2e9, abs=2e7)


@pytest.mark.parametrize(("seconds", "held"), [(1.5, 1.0), (0.7, 0.5), (0.3, None)])
def test_where_nothing_stands_long_enough_a_half_or_a_quarter_will_do(seconds, held):
    """It stands for some seconds between two ramps of 1 a second."""
    t = times(10) / 1e9
    values = np.where(t < 4, t - 4, np.where(t < 4 + seconds, 0.0, t - 4 - seconds))
    found = stillest(times(10), values, 1.0)
    if held is None:  # of all stretches of two seconds the one with the smallest drift
        assert not found.still
        assert found.end_ns - found.start_ns == pytest.approx(2e9, abs=2e7)
        assert found.drift == pytest.approx(1.2, abs=0.1)
    else:
        assert found.still
        assert found.end_ns - found.start_ns == pytest.approx(held * 1e9, abs=2e7)
        assert found.mean == pytest.approx(0.0, abs=1e-3)
