"""Faults of wires: what each does to the volts of its inputs, to nothing else, and that the wiggle test counts it."""

import re
from itertools import pairwise

import numpy as np
import pytest

from buswright.diagnosis.wiggle.test import WiggleTest
from buswright.errors import UserError
from buswright.frames.table import concatenate
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import START_EPOCH_NS, simulate_run
from tests.simulate.fault_runs import (
    SECONDS,
    at,
    changed,
    clean_measured,
    compared,
    measured,
    others_as_before,
    possible,
    seconds_of,
    seen,
    wrenfell,
)


@pytest.mark.parametrize(
    ("subject", "variant", "volts"),
    [
        ("channel:damper_fr", "", 4.98),
        ("channel:oil_pressure", "", 0.02),
        ("channel:oil_pressure", "high", 4.98),
        ("plug:C12", "low", 0.02),
    ],
)
def test_an_open_wire_reads_its_bias_from_one_sample_to_the_next(subject, variant, volts):
    fault = Fault("open-circuit", subject, onset_s=12.0, duration_s=8.0, variant=variant)
    run = measured(seen(fault))
    expected = {"damper_fl", "damper_fr"} if subject.startswith("plug") else {subject.partition(":")[2]}
    assert changed(run, clean_measured()) == expected
    for name in expected:
        one = compared(name, run)
        broken = one.between(12.02, 19.99)
        assert np.abs(broken.volts - volts).max() < 0.002
        assert broken.volts.std() < 0.0005
        assert np.array_equal(one.between(0, 12).volts, one.between(0, 12).old_volts)
        assert np.array_equal(one.between(20.02, 99).volts, one.between(20.02, 99).old_volts)


@pytest.mark.parametrize("subject", ["channel:steering_angle", "channel:exhaust_temperature_2"])
def test_an_open_wire_without_bias_wanders_and_hums(subject):
    name = subject.partition(":")[2]
    run = measured(seen(Fault("open-circuit", subject, onset_s=12.0, variant="floating")))
    assert changed(run, clean_measured()) == {name}
    broken = compared(name, run).between(12.02, SECONDS)
    top = 5.0 if name == "steering_angle" else 55.0
    assert broken.volts.std() > 0.1 * top
    assert ((broken.volts > 0.0) & (broken.volts < top)).all()


@pytest.mark.parametrize("name", ["damper_rl", "oil_temperature"])
def test_a_short_to_ground_is_quieter_than_a_sensor(name):
    run = measured(seen(Fault("short-to-ground", f"channel:{name}", onset_s=12.0)))
    assert changed(run, clean_measured()) == {name}
    shorted = compared(name, run).between(12.06, SECONDS)
    assert shorted.volts.max() < 0.05
    assert shorted.volts.std() < 0.3 * 0.0008


def test_a_short_to_5_v_stays_below_the_top_and_one_to_the_battery_moves_the_inputs_beside_it():
    run = measured(seen(Fault("short-to-supply", "channel:fuel_pressure", onset_s=12.0)))
    assert changed(run, clean_measured()) == {"fuel_pressure"}
    shorted = compared("fuel_pressure", run).between(12.06, SECONDS)
    assert (shorted.volts > 4.95).all()
    assert (shorted.volts < 5.0).all()
    assert shorted.volts.std() < 0.0003
    run = measured(seen(Fault("short-to-supply", "channel:coolant_pressure", onset_s=12.0, variant="battery")))
    assert changed(run, clean_measured()) == {"fuel_pressure", "coolant_pressure", "brake_bias_bar"}
    assert (compared("coolant_pressure", run).between(12.06, SECONDS).volts == 5.0).all()
    for beside in ("fuel_pressure", "brake_bias_bar"):
        one = compared(beside, run).between(12.06, SECONDS)
        assert np.abs(one.volts - one.old_volts - 0.03).max() < 0.003


@pytest.mark.parametrize(
    ("subject", "identifier", "channels", "bias"),
    [
        ("channel:damper_fl", 0x1A0, {"damper_fl"}, 4.98),
        ("channel:oil_pressure", 0x1B0, {"oil_pressure"}, 0.02),
        ("plug:C13", 0x1A1, {"damper_rl", "damper_rr"}, 4.98),
    ],
)
def test_a_loose_contact_opens_its_inputs_for_moments_and_touches_nothing_else(subject, identifier, channels, bias):
    faulty = seen(Fault("loose-contact", subject, onset_s=12.0))
    run = measured(faulty)
    truth = faulty.truth
    spans = [(seconds_of(start), seconds_of(end)) for start, end in truth.spans]
    assert truth.kind == "loose-contact"
    assert truth.count == len(spans) > 15
    assert changed(run, clean_measured()) == channels
    period = 0.02 if identifier == 0x1B0 else 0.005
    for name in channels:
        one = compared(name, run)
        different = one.volts != one.old_volts
        ones = np.diff(np.flatnonzero(np.diff(np.concatenate([[0], different, [0]]))))[::2]
        assert ones.min() >= 1
        assert ones.max() <= 7, "five samples, and the filter's tail"
        assert len(ones) == pytest.approx(len(spans), abs=3)
        toward = (one.volts - one.old_volts) * np.sign(bias - one.old_volts)
        assert (toward[different] > 0).all(), "all go one way, to the bias"
        assert np.isclose(one.volts[different], bias, atol=0.1).mean() > 0.5
        inside = np.zeros(len(one.s), dtype=bool)
        for start, end in spans:
            inside |= (one.s > start) & (one.s < end + 0.008 + period)
        assert inside[different].all()
    assert others_as_before(faulty, identifier, most_s=0.0005)
    assert possible(faulty)


def test_a_loose_contact_opens_more_often_where_the_car_shakes_and_by_hand_evenly():
    run = seen(Fault("loose-contact", onset_s=0.0))
    start = np.array([seconds_of(a) for a, _ in run.truth.spans])
    assert (start < 9.0).sum() <= 2, "the car hardly moves"
    assert (start > 15.0).sum() > 20
    by_hand = seen(Fault("loose-contact", onset_s=0.0, variant="by-hand"))
    start = np.array([seconds_of(a) for a, _ in by_hand.truth.spans])
    assert len(start) == pytest.approx(4.0 * SECONDS, rel=0.1)
    assert (start < 9.0).sum() == pytest.approx(36, abs=5)


def test_a_loose_contact_that_ends_earlier_begins_the_same():
    """A live car exchanges its run for one in which the fault ends, and goes on."""
    for variant in ("", "by-hand"):
        longer = seen(Fault("loose-contact", onset_s=5.0, variant=variant))
        shorter = seen(Fault("loose-contact", onset_s=5.0, duration_s=20.0, variant=variant))
        early = at(longer.frames) < 24.9
        assert np.array_equal(longer.frames.payload[early], shorter.frames.payload[early])
        assert shorter.truth.spans[:-1] == longer.truth.spans[: len(shorter.truth.spans) - 1]


@pytest.mark.parametrize(
    ("subject", "variant", "position", "beyond"),
    [("plug:C12", "", "steering_angle", 20.0), ("channel:damper_rr", "damper", "damper_rr", 6.0)],
)
def test_a_chafed_wire_touches_in_one_position(subject, variant, position, beyond):
    faulty = seen(Fault("chafed-wire", subject, onset_s=10.0, variant=variant))
    run = measured(faulty)
    channels = {"damper_fl", "damper_fr"} if subject == "plug:C12" else {"damper_rr"}
    assert changed(run, clean_measured()) == channels
    where = clean_measured()[position]
    touches = np.array([seconds_of(a) for a, _ in faulty.truth.spans])
    there = np.interp(touches, (where.time_ns - START_EPOCH_NS) / 1e9, where.value) > beyond - 1.0
    grid = np.arange(10.0, SECONDS, 0.01)
    time_there = (np.interp(grid, (where.time_ns - START_EPOCH_NS) / 1e9, where.value) > beyond).mean()
    assert len(touches) > 20
    elsewhere = max((~there).sum(), 1) / (1 - time_there)
    assert there.sum() / time_there / elsewhere > 5, "far more often in that position"
    if subject == "plug:C12":  # both wires at once
        one, other = (compared(name, run) for name in sorted(channels))
        assert (one.volts != one.old_volts).sum() > 50
        assert ((one.volts != one.old_volts) == (other.volts != other.old_volts)).mean() > 0.99


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("loose-contact", "channel:accel_lat"), "damper_fl"),
        (Fault("loose-contact", "plug:C99"), "C12"),
        (Fault("loose-contact", severity=0.0), "more than 0"),
        (Fault("short-to-supply", "channel:exhaust_temperature_1"), "damper_fl"),
    ],
)
def test_an_input_that_is_not_there_is_named_with_those_that_are(fault, says):
    with pytest.raises(UserError, match=re.escape(says)):
        simulate_run(20.0, faults=[fault])


def test_the_wiggle_test_counts_the_breaks_and_blames_the_place():
    """The plug is loose while it is being moved, from 25 s to 35 s."""
    fault = Fault("loose-contact", onset_s=25.0, duration_s=10.0, severity=2.0, variant="by-hand")
    run = simulate_run(45.0, scenario="key-on", faults=[fault])
    test = WiggleTest(["damper_fl", "damper_fr"], wrenfell(), start_ns=START_EPOCH_NS)
    places = {25: "plug C12", 35: ""}
    frames = concatenate(list(run))
    cuts = np.searchsorted(frames.time_ns, START_EPOCH_NS + 1_000_000_000 * np.arange(47)).tolist()
    for second, (start, stop) in enumerate(pairwise(cuts)):
        if second in places:
            test.move_to(places[second], START_EPOCH_NS + second * 1_000_000_000)
        test.update(frames.slice(start, stop))
    test.stop(START_EPOCH_NS + 45_000_000_000)
    result = test.result()
    (truth,) = run.ground_truth
    (place,) = [one for one in result.places if one.place == "plug C12"]
    assert dict(place.counts) == {"damper_fl": truth.count, "damper_fr": 0}
    assert result.total == truth.count >= 15
    assert place.likely
