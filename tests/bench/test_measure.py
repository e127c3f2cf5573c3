"""Numbers of a step against what can be worked out by hand."""

import math

import numpy as np
import pytest

from buswright.bench.measure.levels import moves_of, response_of, trace_of
from buswright.bench.measure.noticing import Noticed, notice_level, notice_travel
from buswright.bench.measure.samples import Sampled
from buswright.channels.glitches import Watched
from buswright.channels.samples.series import Series
from buswright.health.channels.evidence import ChannelEvidence

SECOND = 1_000_000_000


def sampled(values, hz=200.0, span=100.0, name="one"):
    time = (np.arange(len(values)) * SECOND / hz).astype(np.int64)
    series = Series(name, "mm", time, np.asarray(values, dtype=np.float64))
    return Sampled(ChannelEvidence(series, watched=Watched(name, step=0.01, span=span)), zero=0.0)


def level(one, seconds, **more):
    return notice_level(one, 0, round(seconds * SECOND), **{"settle_s": 0.5, "still_share": 0.003} | more)


@pytest.mark.parametrize("tau", [0.01, 0.05, 0.2])
def test_a_first_order_lag_is_found_with_its_time_constant_and_delay(tau):
    seconds = np.arange(0, 4, 0.001)
    values = np.where(seconds < 1.0, 10.0, 10.0 + 60.0 * (1 - np.exp(-(seconds - 1.0) / tau)))
    found = response_of(sampled(values, 1000.0), SECOND, SECOND + SECOND // 10, (3 * SECOND, 4 * SECOND))
    assert found.time_constant_s == pytest.approx(tau, rel=0.02)
    assert found.delay_s == pytest.approx(tau * math.log(1 / 0.9), abs=0.001)
    assert found.change == pytest.approx(60.0, rel=0.001)


def test_a_channel_that_does_not_go_from_level_to_level_has_no_response():
    assert response_of(sampled(np.full(800, 5.0)), 0, SECOND, (3 * SECOND, 4 * SECOND)) is None


def ramp(hold=2.0, hz=200.0):
    seconds = np.arange(0, 1.0 + 0.5 + hold, 1 / hz)
    return np.clip((seconds - 1.0) / 0.5, 0, 1) * 50.0


def test_a_level_is_still_only_after_the_whole_ramp():
    found = level(sampled(ramp()), 3.5)
    assert 1.0 < found.happened_ns / SECOND < 1.3
    start, stop = (moment / SECOND for moment in found.still_ns)
    assert 1.4 <= start <= 1.8
    assert stop == pytest.approx(start + 0.5)


@pytest.mark.parametrize("seconds", [2.2, 2.6, 3.5])
def test_what_comes_later_does_not_move_the_moment_at_which_it_is_settled(seconds):
    assert level(sampled(ramp()), seconds) == level(sampled(ramp()), 3.5)


def test_noise_is_not_taken_for_movement_nor_a_slow_creep_for_stillness():
    noisy = ramp() + np.random.default_rng(3).normal(0, 0.8, len(ramp()))
    assert level(sampled(noisy), 3.5).still_ns is not None
    creeping = ramp() + np.clip(np.arange(len(ramp())) / 200.0 - 1.5, 0, None) * 5.0
    assert level(sampled(creeping), 3.5).still_ns is None
    assert level(sampled(np.full(700, 20.0)), 3.5) == Noticed()


def travel(low=0.0, high=100.0, rest=20.0):
    points = [(0, rest), (0.5, rest), (0.9, low), (1.2, low), (2.2, high), (3.0, high), (4.0, low), (5.0, low)]
    seconds = np.arange(0, 5, 0.005)
    return np.interp(seconds, *zip(*points, strict=True))


def notice_of(values, upto_s, *, channel="one", begin="low"):
    samples = {"one": sampled(values), "two": sampled(np.full(len(values), 30.0), name="two")}
    limits = {"settle_s": 0.5, "still_share": 0.003, "moved": 0.05}
    return notice_travel(samples, 0, round(upto_s * SECOND), channel=channel, begin=begin, **limits)


def test_a_travel_is_over_when_it_is_back_where_it_began_and_not_at_the_other_end():
    assert notice_of(travel(), 5).still_ns[1] / SECOND > 4.3
    assert notice_of(travel(), 3).still_ns is None
    assert (
        notice_of(travel(), 5, channel="two").still_ns[1] / SECOND > 4.3
    )  # another one moves: whichever end was first


def from_the_far_end(upto_s):
    """An input that rests at its high end when the step begins, and rests there again on the way."""
    points = [(0, 100), (1, 100), (1.5, 0), (2.5, 0), (3.5, 100), (5, 100), (6, 0), (7.5, 0)]
    return np.interp(np.arange(0, upto_s, 0.005), *zip(*points, strict=True))


def test_a_move_that_starts_at_the_far_end_gets_no_sign_at_all_rather_than_a_wrong_one():
    halfway = notice_of(from_the_far_end(5), 5)
    assert (halfway.still_ns, halfway.elsewhere) == (None, True)
    assert notice_of(from_the_far_end(7.5), 7.5).still_ns[1] / SECOND > 6.3
    assert moves_of({"one": sampled(from_the_far_end(7.5))}, 0, 7 * SECOND, 0.05)["one"].first == 0
    # Begun where it should, it has one; a sensor that works the wrong way round looks as if it is elsewhere.
    assert moves_of({"one": sampled(travel())}, 0, 5 * SECOND, 0.05)["one"].first == 1
    assert notice_of(100 - travel(rest=50), 5).elsewhere


def test_a_movement_is_told_from_its_copy_and_from_noise():
    rng = np.random.default_rng(5)
    moved = travel()
    samples = {
        "one": sampled(moved),
        "copy": sampled(40.0 + 0.03 * moved + rng.normal(0, 0.05, len(moved)), name="copy"),
        "quiet": sampled(10.0 + rng.normal(0, 0.05, len(moved)), name="quiet"),
        "mirror": sampled(100.0 - moved, name="mirror"),
    }
    found = moves_of(samples, 0, 5 * SECOND, 0.05)
    assert found["one"].copied == 1.0
    assert found["copy"].copied == pytest.approx(0.03, abs=0.001)
    assert found["copy"].alike > 0.9
    assert abs(found["quiet"].alike) < 0.2
    assert found["mirror"].copied == pytest.approx(-1.0, abs=0.001)
    assert (found["one"].first, found["mirror"].first, found["quiet"].first) == (1, -1, found["quiet"].first)
    assert found["one"].low == 0.0
    assert found["one"].high == 100.0


def test_a_trace_keeps_the_extremes():
    values = np.zeros(20_000)
    values[12_345] = 9.0
    trace = trace_of(sampled(values), 0, 200 * SECOND)
    assert max(trace.value) == 9.0
    assert len(trace.value) <= 400
