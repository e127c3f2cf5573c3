"""Key on against idling: shifts and noise of analogue channels, supplies, and silences while cranking."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Car
from buswright.channels.session import Session
from buswright.diagnosis.detect import case_of as judged
from buswright.diagnosis.phases.running import changes, crank_gaps, supplies
from buswright.health.channels.evidence import measure_channels
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car

from ..matrix import wrenfell
from ..sensors.synthetic import TRAVEL, case_of, made, sensor
from .phased import CRANKING, HZ, IDLE, OFF, RPM, SECONDS, engine, noise, plain, pressed


def table(*channels):
    return {one.channel: one for one in changes(case_of(*engine(), *channels))}


@pytest.mark.parametrize(("volts", "grade"), [(0.003, "good"), (0.015, "look"), (-0.04, "bad")])
def test_a_level_that_moves_with_the_start_is_a_shift(volts, grade):
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name in ("a", "b")))
    one = found["a"]
    assert one.unit == "mV"
    assert one.shift == pytest.approx(1000 * volts, abs=1.0)
    assert one.shift_grade == found["b"].shift_grade == grade


def test_what_moves_alone_is_no_ground():
    """The pressure of the water rises with its pump."""
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name, volts in (("a", 0.04), ("b", 0.0))))
    assert [found[name].shift_grade for name in "ab"] == ["not judged", "good"]
    found = table(*(pressed(name, 2.0 + volts * ~OFF + noise(0.001)) for name, volts in (("a", 0.04), ("b", -0.04))))
    assert {one.shift_grade for one in found.values()} == {"not judged"}


def test_what_moves_minutes_later_is_no_doing_of_the_start():
    seconds = np.arange(0, 120, 1 / HZ)
    rpm, still = np.where(seconds < 6, 0.0, 900.0), 0.0 * seconds
    late = 2.0 + 0.04 * (seconds > 60) + np.random.default_rng(1).standard_normal(len(seconds)) * 0.001
    channels = (
        made("rpm", rpm, hz=HZ, unit="rpm", role="engine_speed"),
        made("speed", still, hz=HZ, unit="km/h", role="vehicle_speed"),
        made("a", late, hz=HZ, kind=sensor()),
    )
    (one,) = changes(case_of(*channels))
    assert one.shift == pytest.approx(0.0, abs=1.0)
    assert one.shift_grade == "good"


def test_what_the_engine_really_moves_is_no_shift():
    found = table(
        pressed("oil", np.where(OFF, 0.5, 2.0) + noise(0.001), "oil_pressure"),
        made("hot", 2.0 + 0.05 * IDLE, hz=HZ, kind=sensor(TRAVEL | {"unit": "degC"})),
        plain("bar", 1.0 + 0.5 * IDLE, None, "bar"),
    )
    assert {one.shift_grade for one in found.values()} == {"not judged"}
    assert found["oil"].shift_why == found["hot"].shift_why == "the engine really moves it"
    assert found["bar"].shift_why == "no volts are known"


@pytest.mark.parametrize(("factor", "grade"), [(1.0, "good"), (3.5, "look"), (9.0, "bad")])
def test_noise_idling_is_held_against_noise_at_rest(factor, grade):
    one = table(pressed("a", 2.0 + noise(0.004) * np.where(OFF, 1.0, factor)))["a"]
    assert one.ratio == pytest.approx(factor, rel=0.25)
    assert one.ratio_grade == grade


def test_noise_of_what_moves_is_not_judged():
    louder = noise(0.004) * np.where(OFF, 1.0, 9.0)
    found = table(
        made("damper", 2.0 + louder, hz=HZ, kind=sensor(TRAVEL), role="damper_travel"),
        pressed("fuel", 2.0 + louder, "fuel_pressure"),
        pressed("moved", 2.0 + louder + 0.5 * IDLE),
    )
    assert {name: one.ratio_grade for name, one in found.items()} == dict.fromkeys(found, "not judged")
    assert found["damper"].ratio_why == "the engine shakes it"
    assert found["fuel"].ratio_why == "it pulses with the engine"
    assert found["moved"].ratio_why == "it moved meanwhile, so its noise may be real"


def test_the_strongest_frequency_is_held_against_the_firing_and_its_alias():
    speed = np.where(SECONDS < 7, RPM, 1500 + 200 * (SECONDS // 1 % 17))
    phase = np.cumsum(speed / 60 * 2) / HZ
    channels = (
        plain("rpm", speed, "engine_speed", "rpm"),
        plain("speed", np.where(SECONDS < 20, 0.0, 60.0), "vehicle_speed", "km/h"),
        pressed("a", 2.0 + 0.05 * np.sin(2 * np.pi * phase) * ~OFF + noise(0.001)),
    )
    car = replace(wrenfell(), car=Car("x", cylinders=4))
    (one,) = changes(replace(case_of(*channels), car=car))
    seen = one.strongest
    assert seen.follows
    assert seen.firing_hz == pytest.approx(seen.rpm / 60 * 2)
    assert seen.firing_hz > HZ / 2
    assert seen.appears_hz == pytest.approx(abs(seen.firing_hz - HZ * round(seen.firing_hz / HZ)))
    (unknown,) = changes(case_of(*channels))
    assert (unknown.strongest.firing_hz, unknown.strongest.follows) == (None, False)


def test_a_run_without_idling_is_not_compared():
    speed = plain("rpm", np.where(OFF, 0.0, 900.0), "engine_speed", "rpm")
    moving = plain("speed", np.where(OFF, 0.0, 50.0), "vehicle_speed", "km/h")
    assert changes(case_of(speed, moving, pressed("a", 2.0 + noise(0.001)))) == ()


@pytest.mark.parametrize(("idle", "grade"), [(13.9, "good"), (12.8, "look"), (15.1, "look")])
def test_supplies_are_told_phase_by_phase(idle, grade):
    volts = np.where(OFF, 12.4, np.where(CRANKING, 9.8 + 0.5 * np.sin(SECONDS * 9), idle))
    (one,) = supplies(case_of(*engine(), plain("battery", volts, "battery_voltage", "V")))
    assert one.rest == pytest.approx(12.4)
    assert one.lowest == pytest.approx(volts[CRANKING].min(), abs=0.01)
    assert (one.idle, one.grade) == (pytest.approx(idle), grade)


@pytest.mark.parametrize("fault", [True, False])
def test_a_module_that_restarts_while_cranking_is_named(fault):
    faults = (Fault("module-reset", "module:damper_node", onset_s=3.0),) if fault else ()
    car, capture = demo_car(), SimulatedCapture(6.0, faults=faults)
    tracker = HealthTracker(car=car)
    for frames in capture:
        tracker.update(frames)
    names = ["engine_speed", "vehicle_speed"]
    case = judged(tracker.result(), car=car, channels=measure_channels(Session(capture, car), names))
    found = crank_gaps(case)
    assert {one.module for one in found} == {module for _, module in case.health.modules}
    assert [one.module for one in found if one.grade == "look"] == (["damper_node"] if fault else [])
    if fault:
        assert found[0].longest_ns > 200_000_000
        assert found[0].periods > 3
