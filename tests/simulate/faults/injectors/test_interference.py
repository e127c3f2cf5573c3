"""Noise, jumps, too much gain and cross-talk: what each does to the volts of its input, and to nothing else."""

import numpy as np
import pytest

from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import truth
from tests.simulate.fault_runs import SECONDS, at, changed, clean_measured, compared, measured, seconds_of, seen


def test_ignition_noise_grows_with_engine_speed_and_stands_at_the_folded_firing_frequency():
    run = measured(seen(Fault("ignition-noise", "channel:fuel_pressure", onset_s=0.0, severity=60.0)))
    assert changed(run, clean_measured()) == {"fuel_pressure"}
    one = compared("fuel_pressure", run)
    noise = 1000 * (one.volts - one.old_volts)
    car = truth(SECONDS)
    rpm = np.interp(one.s, car["seconds"], car["engine_speed"])
    assert not noise[rpm < 1].any(), "silent with the engine off"
    windows = np.arange(1.0, SECONDS - 1, 0.5)
    spread = [noise[(one.s >= w) & (one.s < w + 0.5)].std() for w in windows]
    speed = [rpm[(one.s >= w) & (one.s < w + 0.5)].mean() for w in windows]
    assert np.corrcoef(spread, speed)[0, 1] > 0.6
    mean = 0.5 * (car["engine_speed"] + np.roll(car["engine_speed"], 1))
    fired = np.cumsum(np.diff(car["seconds"], prepend=0.0) * mean / 60 * 1.5)  # three cylinders, four strokes
    wave = np.sin(2 * np.pi * np.interp(one.s, car["seconds"], fired))
    # Stamps come up to a tenth of a millisecond after the sample, which is little of a firing.
    assert np.corrcoef(noise / np.maximum(rpm, 1), wave)[0, 1] > 0.6
    assert abs(noise.mean()) < 2.0, "it goes both ways"


def test_impossible_jumps_last_one_sample_and_go_both_ways():
    faulty = seen(Fault("impossible-rate", "channel:steering_angle", severity=0.8))
    run = measured(faulty)
    assert changed(run, clean_measured()) == {"steering_angle"}
    one = compared("steering_angle", run)
    moved = one.volts - one.old_volts
    rows = np.flatnonzero(np.abs(moved) > 0.1)
    assert len(rows) == faulty.truth.count >= 10
    assert np.diff(rows).min() > 1, "single samples"
    assert np.abs(np.abs(moved[rows]) - 0.8).max() < 0.003
    assert {-1.0, 1.0} == set(np.sign(moved[rows]))
    assert 0.8 / 4.0 * 360 / 0.005 > 1500, "faster than the sensor's max_rate"


def test_a_jump_may_stay():
    faulty = seen(Fault("impossible-rate", "channel:fuel_pressure", severity=1.0, variant="step"))
    run = measured(faulty)
    assert changed(run, clean_measured()) == {"fuel_pressure"}
    one = compared("fuel_pressure", run)
    moved = np.round(one.volts - one.old_volts, 1)
    assert set(moved.tolist()) <= {-1.0, 0.0, 1.0}
    changes = np.count_nonzero(np.diff(moved))
    assert changes == pytest.approx(2 * faulty.truth.count, abs=1)
    assert changes >= 8


def test_jumps_that_end_earlier_begin_the_same():
    longer = seen(Fault("impossible-rate", onset_s=5.0))
    shorter = seen(Fault("impossible-rate", onset_s=5.0, duration_s=20.0))
    early = at(longer.frames) < 24.9
    assert np.array_equal(longer.frames.payload[early], shorter.frames.payload[early])


def test_a_saturated_input_runs_smoothly_into_the_top_and_out_again():
    run = measured(seen(Fault("saturated", "channel:damper_fl", severity=1.7)))
    assert changed(run, clean_measured()) == {"damper_fl"}
    one = compared("damper_fl", run).between(12.0, SECONDS)
    full = one.volts == 5.0
    assert 0.02 < full.mean() < 0.6
    free = ~full
    assert np.abs(one.volts[free] - 1.7 * one.old_volts[free]).max() < 0.004
    assert one.old_volts[full].min() > 5.0 / 1.7 - 0.003
    steps = np.abs(np.diff(one.volts))
    into = np.flatnonzero(np.diff(full.astype(int)) != 0)
    assert steps[into].max() <= steps[free[1:] & free[:-1]].max(), "no jump to the rail"


@pytest.mark.parametrize(("name", "before"), [("damper_rl", "steering_angle"), ("steering_angle", "damper_fr")])
def test_cross_talk_copies_a_share_of_the_pin_before(name, before):
    faulty = seen(Fault("cross-talk", f"channel:{name}", severity=0.05))
    run = measured(faulty)
    assert changed(run, clean_measured()) == {name}
    assert f"channel:{before}" in faulty.truth.related
    one = compared(name, run).between(12.0, SECONDS)
    source = clean_measured()[before]
    neighbour = np.interp(one.s, [seconds_of(t) for t in source.time_ns.tolist()], source.volts)
    moved = one.volts - one.old_volts
    slope, _ = np.polyfit(neighbour - one.old_volts, moved, 1)
    assert slope == pytest.approx(0.05, abs=0.003)
    assert np.corrcoef(neighbour - one.old_volts, moved)[0, 1] > 0.95
