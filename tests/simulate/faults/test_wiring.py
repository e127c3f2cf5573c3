"""Faults of wires: what a loose contact does to an input, to nothing else, and that the wiggle test counts it."""

import re
from itertools import pairwise

import numpy as np
import pytest

from buswright.diagnosis.wiggle.test import WiggleTest
from buswright.errors import UserError
from buswright.frames.table import concatenate
from buswright.simulate.car.sensors import INPUTS, OPEN_V, SENSORS
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import START_EPOCH_NS, simulate_run
from buswright.simulate.source import demo_car
from tests.simulate.fault_runs import MESSAGES, SECONDS, at, clean, others_as_before, possible, seen


def millivolts(run, identifier, name):
    """What an input reads, and the seconds at which it was read, about."""
    frames = run.of(identifier)
    first = next(one for one in MESSAGES[identifier].signals if one.name == name).start // 8
    return at(frames), np.ascontiguousarray(frames.payload[:, first : first + 2]).view("<u2").reshape(-1)


@pytest.mark.parametrize(
    ("subject", "identifier", "inputs"),
    [
        ("channel:damper_fl", 0x1A0, ["AIN1"]),
        ("channel:oil_pressure", 0x1B0, ["AIN6"]),
        ("plug:C13", 0x1A1, ["AIN4", "AIN5"]),
    ],
)
def test_a_loose_contact_opens_its_inputs_for_moments_and_touches_nothing_else(subject, identifier, inputs):
    run = seen(Fault("loose-contact", subject, onset_s=12.0, severity=2.0))
    spans = [((start - START_EPOCH_NS) / 1e9, (end - START_EPOCH_NS) / 1e9) for start, end in run.truth.spans]
    assert run.truth.fault == "loose-contact"
    assert run.truth.count == len(spans) == pytest.approx(2.0 * (SECONDS - 12.0), rel=0.2)
    assert spans[0][0] == pytest.approx(12.0)
    assert all(0.01 <= end - start <= 0.06 for start, end in spans[:-1])
    for name in ("AIN1", "AIN2", "AIN3", "AIN4", "AIN5", "AIN6", "AIN7"):
        home = next(message for message in MESSAGES.values() if any(one.name == name for one in message.signals))
        times, values = millivolts(run, home.id, name)
        before = millivolts(clean(), home.id, name)[1]
        changed = values != before
        if name not in inputs:
            assert not changed.any()
            continue
        broken = OPEN_V[SENSORS[INPUTS[name].sensor]["open_reads"]] * 1000
        assert changed.any()
        assert set(values[changed].tolist()) == {broken}
        within = np.zeros(len(times), dtype=bool)
        for start, end in spans:
            within |= (times >= start) & (times <= end + 0.002)
        assert within[changed].all()
    assert others_as_before(run, identifier, most_s=0.0005)
    assert possible(run)


def test_a_loose_contact_that_ends_earlier_begins_the_same():
    """A live car exchanges its run for one in which the fault ends, and goes on."""
    longer = seen(Fault("loose-contact", onset_s=5.0))
    shorter = seen(Fault("loose-contact", onset_s=5.0, duration_s=10.0))
    early = at(longer.frames) < 14.9
    assert np.array_equal(longer.frames.payload[early], shorter.frames.payload[early])
    assert shorter.truth.spans[:-1] == longer.truth.spans[: len(shorter.truth.spans) - 1]


@pytest.mark.parametrize(
    ("subject", "severity", "says"),
    [
        ("channel:exhaust_temperature_1", None, "damper_fl"),
        ("plug:C99", None, "C12"),
        ("channel:damper_fl", 0.0, "more than 0"),
    ],
)
def test_what_cannot_be_loose_is_refused(subject, severity, says):
    with pytest.raises(UserError, match=re.escape(says)):
        simulate_run(20.0, faults=[Fault("loose-contact", subject, severity=severity)])


def test_the_wiggle_test_counts_the_breaks_and_blames_the_place():
    """The plug is loose while it is being moved, from 25 s to 35 s."""
    car = demo_car()
    run = simulate_run(45.0, scenario="key-on", faults=[Fault("loose-contact", onset_s=25.0, duration_s=10.0)])
    test = WiggleTest(["damper_fl", "damper_fr"], car, start_ns=START_EPOCH_NS)
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
