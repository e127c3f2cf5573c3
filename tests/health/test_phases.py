"""Identifiers that keep one phase: the modules of the simulated car, found from nothing but arrivals."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.frames.table import concatenate
from buswright.health.phases import PhaseTracker
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
