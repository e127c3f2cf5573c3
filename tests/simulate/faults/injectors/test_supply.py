"""Faults of what sensors share: all of them, by the same factor or the same millivolts, and nothing else."""

import numpy as np
import pytest

from buswright.simulate.car.sensors import INPUTS
from buswright.simulate.faults.catalogue import Fault
from tests.simulate.fault_runs import SECONDS, changed, clean_measured, compared, measured, seen

FED = {wired.channel for wired in INPUTS.values() if wired.supply == "5V-A"}


def on(ground: str) -> set[str]:
    return {wired.channel for wired in INPUTS.values() if wired.ground == ground}


@pytest.mark.parametrize("variant", ["", "in-loom"])
def test_a_lost_supply_takes_all_its_sensors_to_0_v_together(variant):
    run = measured(seen(Fault("supply-lost", onset_s=12.0, duration_s=10.0, variant=variant)))
    telling = set() if variant else {"sensor_supply"}
    assert changed(run, clean_measured()) == FED | telling
    for name in FED:
        assert (compared(name, run).between(12.06, 21.99).volts < 0.01).all()
        after = compared(name, run).between(22.06, SECONDS)
        assert np.array_equal(after.volts, after.old_volts)
    if telling:
        assert (compared("sensor_supply", run).between(12.06, 21.99).value < 0.1).all()


@pytest.mark.parametrize("factor", [0.95, 0.8])
def test_a_sagging_supply_scales_all_its_sensors_by_one_factor(factor):
    run = measured(seen(Fault("supply-sag", onset_s=12.0, severity=factor)))
    assert changed(run, clean_measured()) == FED | {"sensor_supply"}
    for name in FED:
        one = compared(name, run).between(12.06, SECONDS)
        assert np.median(one.volts / one.old_volts) == pytest.approx(factor, rel=0.004)
    telemetry = compared("sensor_supply", run).between(12.06, SECONDS)
    assert np.mean(telemetry.value) == pytest.approx(factor * np.mean(telemetry.old_value), rel=0.001)
    pressure, damper = (compared(name, run).between(12.06, SECONDS) for name in ("oil_pressure", "damper_fl"))
    assert np.abs(np.median(damper.value - damper.old_value)) > 1.0
    if factor > 0.9:  # a pressure is measured against that telemetry, as long as this is plausible
        assert np.abs(np.median(pressure.value - pressure.old_value)) < 0.02
    else:
        assert np.isnan(pressure.value).all()


@pytest.mark.parametrize("ground", ["G2", "G3"])
def test_a_ground_shifts_all_its_sensors_by_the_same_millivolts_as_loads_come_and_go(ground):
    run = measured(seen(Fault("ground-shift", f"ground:{ground}", onset_s=0.0, severity=60.0), seconds=60.0))
    before = measured(seen(seconds=60.0))
    assert changed(run, before) == on(ground)
    fan = before["current_fan"]
    shifts = {}
    for name in on(ground):
        one = compared(name, run, before)
        drawn = np.interp(one.s, (fan.time_ns - fan.time_ns[0]) / 1e9, fan.value) > 9.0
        moved = 1000 * (one.volts - one.old_volts)
        shifts[name] = np.mean(moved[drawn & (one.s > 30)]), np.mean(moved[~drawn & (one.s < 30) & (one.s > 8)])
    with_fan, without = np.array(list(shifts.values())).T
    assert np.ptp(with_fan) < 2.0
    assert np.ptp(without) < 2.0
    assert with_fan.min() > 45
    assert with_fan.min() - without.max() > 20
