"""What channels say of each other: fits on made-up traces, views on the simulated car."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.session import Session
from buswright.diagnosis.relations import Views, fit, slope_of, smooth
from buswright.health.channels.evidence import measure_channels
from buswright.simulate.source import SimulatedCapture, demo_car

TIMES = np.arange(900) * 0.1
WAVE = np.sin(TIMES) + 0.3 * np.sin(2.7 * TIMES)


def test_a_fit_finds_factor_offset_and_lag():
    made = fit(2.5 * np.roll(WAVE, 3) + 1.0, WAVE)
    assert made is not None
    assert made.r == pytest.approx(1.0, abs=0.01)
    assert made.slope == pytest.approx(2.5, rel=0.01)
    assert made.offset == pytest.approx(1.0, abs=0.02)
    assert made.lag_s == pytest.approx(0.3)


def test_a_fit_keeps_the_sign_and_leaves_gaps_out():
    y = -WAVE
    y[::7] = np.nan
    made = fit(y, WAVE)
    assert made is not None
    assert made.slope == pytest.approx(-1.0, rel=0.01)


def test_too_little_and_standing_still_give_no_fit():
    assert fit(WAVE[:100], WAVE[:100]) is None
    assert fit(np.ones(900), WAVE) is None
    assert fit(WAVE, WAVE, np.zeros(900, dtype=bool)) is None


@pytest.mark.parametrize("n", [1, 2, 4, 7])
def test_what_is_shorter_than_the_window_keeps_its_length_when_smoothed(n):
    made = smooth(np.arange(n, dtype=float), 7)
    assert len(made) == n
    assert np.isnan(made[0]) == (n < 4)
    slope = slope_of(np.arange(n, dtype=float))
    assert len(slope) == n
    assert fit(made, slope) is None


def test_smoothing_and_slopes_are_those_of_numpy():
    line = 3.0 * TIMES
    assert slope_of(line)[10:-10] == pytest.approx(3.0)
    assert smooth(line)[10:-10] == pytest.approx(line[10:-10])
    assert np.isnan(smooth(np.full(20, np.nan))).all()


@pytest.mark.parametrize("count", [0, 1, 4, 5, 10, 11])
def test_short_traces_keep_their_length(count):
    assert len(smooth(TIMES[:count])) == len(slope_of(TIMES[:count])) == count


@pytest.fixture(scope="module")
def views():
    return Views(measure_channels(Session(SimulatedCapture(60.0, 3), demo_car())))


def test_ways_to_know_the_turning_agree_on_a_sound_car(views):
    lateral, yaw, *others = views.turning
    law = fit(lateral.value, yaw.value, views.fast)
    assert law is not None
    assert law.slope == pytest.approx(1.0, abs=0.05)  # a = v * yaw rate, a body in a circle
    assert len(others) == 2
    assert all((made := fit(other.value, yaw.value, views.fast)) and made.r > 0.9 for other in others)


def test_the_speed_tells_the_longitudinal_acceleration(views):
    own, slope = views.along
    made = fit(own.value, slope.value)
    assert made is not None
    assert made.r > 0.9
    assert made.slope == pytest.approx(1.0, abs=0.2)  # smoothed, and on a hill
