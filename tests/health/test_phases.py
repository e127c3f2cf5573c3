"""Identifiers that keep one phase: the modules of the simulated car, found from nothing but arrivals."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, concatenate
from buswright.health.phases import ClockFit, PhaseTracker, _apart, _fit, _line, _together
from buswright.simulate.car import networks as car
from buswright.simulate.run import simulate_run
from tests.health.traffic import S, comb, mixed


def phases_of(batches):
    tracker = PhaseTracker()
    for batch in batches:
        tracker.update(batch)
    return tracker.result()


@pytest.fixture(scope="module")
def minute():
    return concatenate(list(simulate_run(60, 3)))


def test_the_modules_of_the_simulated_car_are_found():
    interface = {"engine": "can0", "chassis": "can1"}
    truth = {}
    for message in car.messages():
        truth.setdefault((interface[message.bus], message.sender), set()).add((message.id, message.extended))
    found = {
        (group.bus, frozenset((name.id, name.extended) for name in group.ids))
        for group in phases_of(simulate_run(240, 3)).groups
    }
    assert found == {(bus, frozenset(ids)) for (bus, _), ids in truth.items()}


def test_periods_are_those_of_the_crystals(minute):
    fits = phases_of([minute]).fits
    ppm = {node.name: node.clock_ppm for node in car.NODES}
    for message in car.messages():
        fit = next(fit for name, fit in fits.items() if (name.id, name.extended) == (message.id, message.extended))
        off = fit.period_ns * 1e-6 / message.period_ms * (1 + ppm[message.sender] * 1e-6) - 1
        assert abs(off) < 5 * fit.error, message.name


def test_a_minute_puts_nothing_together_that_is_apart(minute):
    sender = {(message.id, message.extended): message.sender for message in car.messages()}
    groups = phases_of([minute]).groups
    assert len(groups) >= 4
    assert all(len({sender[name.id, name.extended] for name in group.ids}) == 1 for group in groups)


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 117_000), max_size=6))
def test_any_cutting_gives_the_same(minute, cuts):
    edges = sorted({0, *cuts, len(minute)})
    parts = [minute.slice(a, b) for a, b in pairwise(edges)]
    assert phases_of(parts) == phases_of([minute])


def test_two_modules_a_few_ppm_apart_are_two_and_short_runs_say_nothing():
    def two(seconds):
        return mixed(
            comb(0x100, 10, seconds, jitter_us=40),
            comb(0x101, 20, seconds, jitter_us=40),
            comb(0x200, 10, seconds, jitter_us=40, ppm=9),
            comb(0x201, 50, seconds, jitter_us=40, ppm=9),
        )

    groups = phases_of([two(60)]).groups
    assert [[name.id for name in group.ids] for group in groups] == [[0x100, 0x101], [0x200, 0x201]]
    assert phases_of([two(15)]).groups == ()


def test_lost_frames_and_a_restart_do_not_spoil_a_period():
    frames = comb(0x100, 10, 60, jitter_us=50)
    rng = np.random.default_rng(5)
    few = frames.take(rng.random(len(frames)) > 0.0007)
    assert len(few) < len(frames)
    (fit,) = phases_of([few]).fits.values()
    assert fit.period_ns == pytest.approx(1e7, rel=1e-6)
    many = frames.take(rng.random(len(frames)) > 0.03)
    assert not phases_of([many]).fits
    time_ns = frames.time_ns.copy()
    time_ns[1500:] += 3 * S + 4_300_000  # off for three seconds, back with another phase
    restarted = dataclasses.replace(frames, time_ns=time_ns)
    (fit,) = phases_of([restarted]).fits.values()
    assert fit.period_ns == pytest.approx(1e7, rel=1e-6)


# Lines through arrivals, by figures made by hand ---------------------------------------------------------------------

SECOND = 1_000_000_000


def rows_of(time_s):
    """Sums over windows of 5 s, as the tracker makes them of arrivals at whole nanoseconds."""
    time_ns = np.rint(np.asarray(time_s, dtype=np.float64) * SECOND).astype(np.int64)
    window = time_ns // (5 * SECOND)
    parts = [time_ns[window == at] for at in np.unique(window)]
    return np.array(
        [
            (at, own[0], own[-1], len(own), (own - own[0]).sum())
            for at, own in zip(np.unique(window), parts, strict=True)
        ]
    )


def test_a_line_has_its_least_squares_slope_and_error():
    """Through (0, 0), (1, 11), (2, 19), (3, 30): slope 49/5; residuals -0.3, 0.9, -0.9, 0.3, so a variance of 1.8/2.

    The standard error is (0.9/5)**0.5 of 9.8; from 2 degrees of freedom 1 + 9/2 times that.
    """
    found = _line(np.arange(4.0), np.array([0.0, 11.0, 19.0, 30.0]), np.ones(4))
    assert found.period_ns == pytest.approx(9.8)
    assert found.error == pytest.approx((0.9 / 5) ** 0.5 / 9.8 * 5.5)


def test_a_window_counts_as_often_as_frames_came_in_it():
    """Against the weighted fit of NumPy."""
    rng = np.random.default_rng(1)
    number, weight = np.arange(12) * 3.0, rng.integers(1, 9, 12).astype(float)
    time_ns = 1e7 * number + rng.normal(0, 1e5, 12)
    (slope, _), covariance = np.polyfit(number, time_ns, 1, w=np.sqrt(weight), cov=True)
    found = _line(number, time_ns, weight)
    assert found.period_ns == pytest.approx(slope, rel=1e-12)
    assert found.error == pytest.approx(covariance[0, 0] ** 0.5 / slope * (1 + 9 / 10), rel=1e-9)


def test_an_error_from_few_points_is_as_sure_as_one_from_many():
    """One in a thousand by chance: the quantile of Student's t over that of the normal distribution."""
    for freedom in (3, 10, 30):
        number = np.arange(freedom + 2.0)
        time_ns = 1e7 * number + np.random.default_rng(1).normal(0, 1e5, freedom + 2)
        fit = stats.linregress(number, time_ns)
        factor = _line(number, time_ns, np.ones(freedom + 2)).error / (fit.stderr / fit.slope)
        assert 1 < factor / (stats.t.isf(5e-4, freedom) / stats.norm.isf(5e-4)) < 1.4


def test_three_points_are_no_line_and_no_line_is_trusted_beyond_the_load_of_a_bus():
    assert _line(np.arange(3.0), np.arange(3.0), np.ones(3)) is None
    assert _line(np.arange(4.0), np.arange(4.0), np.ones(4)) == ClockFit(1.0, 3e-7)


@pytest.mark.parametrize(("last_s", "known"), [(20.0, True), (20.0 - 1e-9, False)])
def test_twenty_seconds_tell_a_period(last_s, known):
    fit = _fit(rows_of([*np.arange(0, 20, 0.5), last_s]))
    assert (fit is not None) is known
    if fit:
        assert fit == ClockFit(SECOND / 2, 3e-7)


@pytest.mark.parametrize("gone", [[13], [13, 14, 15], [30, 31, 52]])
def test_frames_that_are_missing_spoil_no_number(gone):
    """From 0 to 30 s twice a second; a window in which one is missing counts with its first frame alone."""
    time_s = np.delete(np.arange(0, 30, 0.5), gone)
    fit = _fit(rows_of(time_s))
    assert fit.period_ns == pytest.approx(SECOND / 2, rel=1e-9)
    assert fit.error == 3e-7


def test_a_window_with_a_missing_frame_counts_with_its_first_alone():
    """Its mean would be late, and its others are; all the rest lies on the line."""
    time_s = np.delete(np.arange(0, 30, 0.5), 13)
    time_s[(time_s > 5.1) & (time_s < 9.9)] += 0.1
    assert _fit(rows_of(time_s)).error == 3e-7


@pytest.mark.parametrize(("step_s", "whole"), [(1.25, True), (1.25 + 1e-9, False), (0.75, True), (0.75 - 1e-9, False)])
def test_a_step_off_the_grid_by_over_a_quarter_is_a_restart(step_s, whole):
    """Twenty seconds before it and thirty behind it, once a second: a restart leaves the longer part, to the ns."""
    before, after = np.arange(0.9, 20), 19.9 + step_s + np.arange(0, 31.0)
    fit = _fit(rows_of([*before, *after]))
    assert (fit.error == 3e-7) is not whole
    if not whole:
        assert fit.period_ns == SECOND


def test_of_the_parts_between_restarts_the_longest_counts_whichever_it_is():
    for first, second in ((21, 40), (40, 21)):
        time_s = [*np.arange(first), *(first + 4.4 + np.arange(second) * 1.0001)]
        assert _fit(rows_of(time_s)).period_ns == pytest.approx((1.0001 if second > first else 1.0) * SECOND, rel=1e-9)


def test_a_frame_that_comes_again_at_once_is_a_restart():
    """Nothing comes less than a period behind the last: there the count begins anew."""
    time_s = [*np.arange(0, 10.0), 9.1, *(9.1 + np.arange(1, 26))]
    rows = np.array([(0, 0, 4, 5, 10), (1, 5, 9, 5, 10), *((n, 9.1 + 5 * n, 13.1 + 5 * n, 5, 10) for n in range(5))])
    assert len(time_s) == 36
    fit = _fit(np.rint(rows * [1, SECOND, SECOND, 1, SECOND]).astype(np.int64))
    assert fit == ClockFit(SECOND, 3e-7)


def test_single_frames_and_frames_of_one_stamp_have_no_period():
    assert _fit(rows_of(np.arange(0, 60, 6.0))) is None
    assert _fit(np.array([(n, n * 5 * SECOND, n * 5 * SECOND, 3, 0) for n in range(9)])) is None


# One clock ------------------------------------------------------------------------------------------------------------


def named(**fits):
    """Fits by name, each a period and its error in ppm, of which the first is how far it is off 10 ms."""
    return {
        FrameName("can0", number, False): ClockFit(1e7 * (1 + off * 1e-6), error * 1e-6)
        for number, (off, error) in ((int(key[1:]), fit) for key, fit in fits.items())
    }


def joined(**fits):
    return [[name.id for name in group] for group in _together(named(**fits))]


@pytest.mark.parametrize(
    ("ratio", "nearest"), [(1, 1), (2.5, 2.5), (40 / 3, 40 / 3), (13 / 12, 13 / 12), (14 / 13, 13 / 12)]
)
def test_periods_are_apart_by_the_nearest_ratio_of_small_numbers(ratio, nearest):
    """4 ppm with errors of 3 and 4 ppm are 4/5 standard errors."""
    one, other = ClockFit(1e7, 3e-6), ClockFit(1e7 * ratio * (1 + 4e-6), 4e-6)
    wanted = abs(ratio * (1 + 4e-6) / nearest - 1) / 5e-6
    assert _apart(one, other) == pytest.approx(wanted, rel=1e-6)
    assert _apart(other, one) == pytest.approx(wanted, rel=1e-6)


def test_what_is_well_known_is_together_within_three_and_a_half_standard_errors():
    """Two of 1 ppm: 3.5 * 2**0.5 = 4.95 ppm."""
    assert joined(i1=(0, 1), i2=(4.94, 1)) == [[1, 2]]
    assert joined(i1=(0, 1), i2=(4.96, 1)) == [[1], [2]]


def test_it_must_agree_with_every_member():
    assert joined(i1=(0, 1), i2=(4.9, 1), i3=(9.8, 1)) == [[1, 2], [3]]


@pytest.mark.parametrize(("off", "groups"), [(2.5, [[1, 3], [2]]), (3.5, [[1], [2, 3]])])
def test_of_two_groups_it_joins_the_nearer_one(off, groups):
    assert joined(i1=(0, 1), i2=(6, 1), i3=(off, 1)) == groups


def test_those_known_best_found_the_groups():
    """The second agrees with both others, which don't agree with each other: it stays with the better known one."""
    assert joined(i1=(0, 1), i2=(4.5, 0.9), i3=(8.6, 0.8)) == [[1], [2, 3]]
    assert joined(i1=(0, 0.8), i2=(4.1, 0.9), i3=(8.6, 1)) == [[1, 2], [3]]


@pytest.mark.parametrize(("error", "groups"), [(1, [[1], [2]]), (1.01, [[1]]), (4, [[1]]), (4.01, [[1]])])
def test_what_is_less_well_known_founds_no_group(error, groups):
    assert joined(i1=(0, 1), i2=(500, error)) == groups


@pytest.mark.parametrize(("error", "groups"), [(3.99, [[1, 2]]), (4.01, [[1]])])
def test_what_is_known_to_four_ppm_may_join_one(error, groups):
    assert joined(i1=(0, 1), i2=(3, error)) == groups


def test_it_joins_none_where_two_would_do_and_only_within_its_error():
    assert joined(i1=(0, 1), i2=(8, 1), i3=(4, 3)) == [[1], [2]]
    assert joined(i1=(0, 1), i2=(40, 1), i3=(4, 3)) == [[1, 3], [2]]
    assert joined(i1=(0, 1), i3=(11.1, 3)) == [[1]]  # 3.5 * (1 + 9)**0.5 = 11.07
    assert joined(i1=(0, 1), i3=(11.0, 3)) == [[1, 3]]


def test_groups_are_of_one_bus_and_listed_in_order():
    frames = mixed(
        comb(0x200, 10, 30, buses=("can0", "can1")), comb(0x100, 20, 30, buses=("can0", "can1")),
        comb(0x100, 20, 30, bus=1, buses=("can0", "can1")), comb(0x050, 10, 30, extended=True, buses=("can0", "can1")),
    )  # fmt: skip
    found = phases_of([frames])
    assert [(group.bus, [str(name) for name in group.ids]) for group in found.groups] == [
        ("can0", ["can0/00000050", "can0/100", "can0/200"])
    ]
    assert list(found.fits) == sorted(found.fits)
    assert len(found.fits) == 4


def test_only_data_frames_with_a_time_are_taken():
    for flag in (Flag.ERROR, Flag.REMOTE, Flag.UNTIMED):
        frames = comb(0x100, 10, 30)
        frames = dataclasses.replace(frames, flags=frames.flags | np.uint8(flag))
        assert phases_of([frames]).fits == {}
