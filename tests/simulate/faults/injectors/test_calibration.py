"""Faults of calibration: the value is wrong as a sensor's would be, and nothing else is."""

import datetime

import numpy as np
import pytest

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.injectors.calibration import MIXUPS
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car
from tests.simulate.fault_runs import SECONDS, changed, clean, clean_measured, compared, measured, same, seen


def value_of(fault: Fault):
    """The one channel that a fault changes, from its onset on."""
    name = fault.subject.partition(":")[2]
    faulty = seen(fault)
    run = measured(faulty)
    assert changed(run, clean_measured()) == {name}
    assert faulty.truth.subject == fault.subject
    return compared(name, run)


@pytest.mark.parametrize(
    ("name", "span"), [("damper_fl", 76.0), ("steering_angle", 353.0), ("brake_pressure_rear", 155)]
)
def test_an_offset_is_the_same_everywhere(name, span):
    one = value_of(Fault("offset", f"channel:{name}", onset_s=12.0, severity=-0.04))
    moved = one.between(12.05, SECONDS).value - one.between(12.05, SECONDS).old_value
    assert np.allclose(moved, -0.04 * span, atol=0.006 * span)
    assert np.mean(moved) == pytest.approx(-0.04 * span, rel=0.01)
    assert np.array_equal(one.between(0, 12).raw, clean_measured()[name].raw[: len(one.between(0, 12).raw)])


@pytest.mark.parametrize("name", ["oil_pressure", "brake_pressure_front", "wheel_speed_rl"])
def test_a_gain_leaves_zero_and_scales_the_rest(name):
    one = value_of(Fault("gain", f"channel:{name}", onset_s=0.0, severity=1.2))
    slope, zero = np.polyfit(one.old_value, one.value, 1)
    assert slope == pytest.approx(1.2, rel=0.01)
    assert abs(zero) < 0.005 * np.ptp(one.old_value)


def test_a_wired_sensor_shows_its_wrong_calibration_in_volts():
    one = value_of(Fault("gain", "channel:oil_pressure", onset_s=0.0, severity=1.2))
    slope, zero = np.polyfit(one.old_volts - 0.5, one.volts - 0.5, 1)
    assert slope == pytest.approx(1.2, rel=0.01)
    assert abs(zero) < 0.003


@pytest.mark.parametrize(
    ("subject", "variant", "factor", "added"),
    [
        ("oil_pressure", "absolute-as-gauge", 1.0, 1.013),
        ("fuel_pressure", "bar-as-psi", 1 / 14.5038, 0.0),
        ("brake_pressure_rear", "psi-as-bar", 14.5038, 0.0),
        ("barometric_pressure", "gauge-as-absolute", 1.0, -101.3),
        ("coolant_temperature", "fahrenheit-as-celsius", 1.8, 32.0),
        ("vehicle_speed", "mph-as-kmh", 0.621371, 0.0),
    ],
)
def test_a_unit_taken_for_another_has_its_known_factor(subject, variant, factor, added):
    fault = Fault("unit-mixup", f"channel:{subject}", onset_s=0.0, variant=variant)
    if subject == "barometric_pressure":
        # Below the lowest value that the signal has, as its sender limits it.
        assert (value_of(fault).value <= 50.1).all()
        return
    one = value_of(fault)
    within = one.old_value * factor + added < 240.0  # the brakes' signal ends at 250 bar
    assert within.mean() > 0.5
    noise = 0.02 * np.ptp(one.old_value) + 0.1
    assert np.abs(one.value - (factor * one.old_value + added))[within].max() < noise * max(factor, 1.0)


def test_every_mixup_is_known_by_its_words():
    assert all("-as-" in words for words in MIXUPS)
    with pytest.raises(UserError, match="psi-as-bar"):
        Fault("unit-mixup", variant="furlongs-as-miles")


def test_an_overdue_calibration_is_in_the_car_file_and_in_no_frame():
    fault = Fault("calibration-overdue", "channel:oil_pressure", onset_s=0.0, severity=41.0)
    faulty = seen(fault)
    assert same(faulty.frames, clean().frames)
    assert faulty.truth.subject == "channel:oil_pressure"
    due = {record.channel: record.due for record in demo_car([fault]).calibration_log if record.due}
    assert due["oil_pressure"] == datetime.date(2026, 3, 1), "41 days before the meeting of 11 April"
    before = [record for record in demo_car().calibration_log if record.due and record.due.year < 2030]
    assert not before


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("offset", "channel:gear"), "damper_fl"),
        (Fault("gain", "channel:nothing"), "oil_pressure"),
        (Fault("calibration-overdue", severity=0.0), "1 or more"),
        (Fault("calibration-overdue", "channel:accel_lat"), "damper_fl"),
    ],
)
def test_a_channel_that_cannot_have_it_is_named_with_those_that_can(fault, says):
    with pytest.raises(UserError, match=says):
        simulate_run(20.0, faults=[fault])
