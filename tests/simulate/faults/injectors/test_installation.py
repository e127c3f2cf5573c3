"""Swapped, turned round, stuck, drifting and too slowly sampled channels: what each does, and to nothing else."""

import numpy as np
import pytest

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run, truth
from tests.simulate.fault_runs import SECONDS, at, changed, clean_measured, compared, measured, seen


@pytest.mark.parametrize(
    ("one", "other", "variant"),
    [
        ("damper_fl", "damper_fr", ""),
        ("damper_fl", "damper_rl", "damper_rl"),
        ("brake_pressure_front", "brake_pressure_rear", ""),
        ("accel_long", "accel_lat", ""),
    ],
)
def test_swapped_channels_show_each_other(one, other, variant):
    faulty = seen(Fault("swapped-channels", f"channel:{one}", onset_s=0.0, variant=variant))
    run = measured(faulty)
    assert changed(run, clean_measured()) == {one, other}
    assert f"channel:{other}" in faulty.truth.related
    car = truth(SECONDS)
    for shown, real in ((one, other), (other, one)):
        channel = compared(shown, run)
        # What is swapped are the volts, so the car file's zero of the input stays.
        right = np.interp(channel.s, car["seconds"], car[real])
        wrong = np.interp(channel.s, car["seconds"], car[shown])
        assert np.corrcoef(channel.value, right)[0, 1] > 0.99
        assert (channel.value - right).std() < 0.3 * (channel.value - wrong).std()


@pytest.mark.parametrize("name", ["accel_lat", "damper_rr", "steering_angle"])
def test_a_sensor_turned_round_has_the_other_sign(name):
    run = measured(seen(Fault("sign-flipped", f"channel:{name}", onset_s=0.0)))
    assert changed(run, clean_measured()) == {name}
    one = compared(name, run)
    assert np.corrcoef(one.value, one.old_value)[0, 1] < -0.98
    assert np.polyfit(one.old_value, one.value, 1)[0] == pytest.approx(-1.0, abs=0.01)


@pytest.mark.parametrize("name", ["damper_rr", "throttle", "wheel_speed_fr"])
def test_a_stuck_value_stays_to_the_last_bit_while_the_frames_come(name):
    run = measured(seen(Fault("stuck", f"channel:{name}", onset_s=14.0, duration_s=18.0)))
    assert changed(run, clean_measured()) == {name}
    one = compared(name, run)
    assert len(set(one.between(14.02, 31.98).raw.tolist())) == 1
    assert len(set(one.between(5.0, 14.0).raw.tolist())) > 100
    assert np.array_equal(one.between(32.02, 99).value, one.between(32.02, 99).old_value)


def test_drift_follows_the_warmth_of_the_electronics():
    run = measured(seen(Fault("drift", "channel:brake_pressure_front", onset_s=0.0, severity=0.3)))
    assert changed(run, clean_measured()) == {"brake_pressure_front"}
    one = compared("brake_pressure_front", run)
    car = truth(SECONDS)
    warm = np.interp(one.s, car["seconds"], car["cold_junction"])
    moved = one.value - one.old_value
    assert np.allclose(moved, 0.3 * 155.0 * (warm - car["cold_junction"][0]), atol=0.05)
    assert moved[-1] > 5.0
    assert moved[0] < 0.2


@pytest.mark.parametrize(("name", "rate"), [("damper_fl", 200), ("accel_vert", 100)])
def test_a_slowly_sampled_channel_comes_in_steps(name, rate):
    run = measured(seen(Fault("under-sampled", f"channel:{name}", onset_s=0.0, severity=5.0)))
    assert changed(run, clean_measured()) == {name}
    one = compared(name, run).between(15.0, SECONDS)
    steps = np.flatnonzero(np.diff(one.raw.astype(np.int64)))
    assert set(np.diff(steps).tolist()) <= {k * rate // 5 + by for k in (1, 2) for by in (-1, 0, 1)}
    assert len(steps) == pytest.approx(5.0 * (SECONDS - 15.0), rel=0.05)


def test_what_is_held_is_the_same_across_blocks_and_when_it_ends_earlier():
    longer = seen(Fault("under-sampled", "channel:damper_fl", onset_s=5.0, severity=0.05))
    one = compared("damper_fl", measured(longer)).between(20.1, SECONDS)
    assert len(set(one.raw.tolist())) == 1, "over the edge at 30 s too"
    shorter = seen(Fault("under-sampled", "channel:damper_fl", onset_s=5.0, severity=0.05, duration_s=20.0))
    early = at(longer.frames) < 24.9
    assert np.array_equal(longer.frames.payload[early], shorter.frames.payload[early])


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("swapped-channels", "channel:damper_fl", variant="accel_lat"), "wired alike"),
        (Fault("swapped-channels", "channel:throttle"), "name it as the variant"),
        (Fault("sign-flipped", "channel:throttle"), "accel_lat"),
        (Fault("under-sampled", severity=0.0), "more than 0"),
        (Fault("stuck", "channel:fan_state"), "damper_fl"),
    ],
)
def test_a_channel_that_cannot_have_it_is_refused(fault, says):
    with pytest.raises(UserError, match=says):
        simulate_run(20.0, faults=[fault])
