"""Faults as values: what may be asked for, that it is always the same, that faults combine."""

import re

import numpy as np
import pytest

from buswright.errors import UserError
from buswright.findings import FAULTS
from buswright.frames.table import Flag
from buswright.simulate.car import networks as car
from buswright.simulate.faults import catalogue
from buswright.simulate.faults.catalogue import KINDS, Fault, Tried, injector
from buswright.simulate.run import START_EPOCH_NS, simulate_run
from buswright.simulate.source import SimulatedCapture
from tests.simulate.fault_runs import at, clean, clean_measured, measured, possible, same, seconds_of, seen
from tests.simulate.scenarios import clean_scenarios, scenarios


def test_every_fault_can_be_put_in():
    assert set(KINDS) == set(FAULTS)


COMPLETE = {
    "severity": "seconds",
    "default": 1.0,
    "subject": "capture",
    "takes": ("capture",),
    "tried": (Tried((1.0,)),),
}


@pytest.mark.parametrize(
    ("name", "summary", "changed", "says"),
    [
        ("gremlins", "It rattles.", {}, "a name from findings.FAULTS"),
        ("drift", "", {}, "a sentence that says what happens"),
        ("drift", "It drifts.", {"takes": ("bus",)}, "a subject of a kind that it takes"),
        ("drift", "It drifts.", {"company": ("gremlins",)}, "company from findings.FAULTS"),
        ("drift", "It drifts.", {"tried": ()}, "runs that it is tried in"),
        ("bus-off", "It is off.", {}, "two simulated faults"),
    ],
)
def test_an_injector_with_something_forgotten_raises_on_import(monkeypatch, name, summary, changed, says):
    monkeypatch.delitem(catalogue._KINDS, "drift")
    before = dict(KINDS)
    with pytest.raises(TypeError, match=says):
        injector(name, summary, **COMPLETE | changed)(lambda fault, plan: None)
    assert dict(KINDS) == before


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"kind": "gremlins"}, ", bad-lines"),
        ({"kind": "module-reset", "subject": "id:chassis/1A0"}, "module:damper_node"),
        ({"kind": "capture-drop", "variant": "bang"}, "burst, events"),
        ({"kind": "id-missing", "onset_s": -1.0}, "onset from 0"),
    ],
)
def test_an_impossible_fault_is_refused_with_what_would_be_possible(arguments, says):
    with pytest.raises(UserError, match=re.escape(says)):
        Fault(**arguments)


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        (Fault("id-missing", "id:chassis/7FF"), "0F0"),
        (Fault("id-missing", "id:chassis/xyz"), "id:chassis/1A0"),
        (Fault("bus-errors", "bus:comfort"), "engine, chassis"),
        (Fault("module-missing", "module:toaster"), "damper_node"),
        (Fault("counter-jump", "id:chassis/1B1"), "id:chassis/1A0"),
        (Fault("checksum-wrong", "id:chassis/1B1"), "id:chassis/111"),
        (Fault("wrong-length", "id:chassis/1B1", severity=8), "another number"),
        (Fault("segment-open", variant="power_node"), "wheel_node"),
        (Fault("id-missing", onset_s=100.0), "earlier onset"),
        (Fault("bad-lines"), "damaged"),
    ],
)
def test_a_subject_that_is_not_there_is_named_with_those_that_are(fault, says):
    with pytest.raises(UserError, match=re.escape(says)):
        simulate_run(5.0 if fault.onset_s == 100 else 20.0, faults=[fault])


def test_the_same_faults_give_the_same_run_and_another_seed_another_one():
    fault = Fault("frames-lost", severity=0.05)
    assert same(seen(fault).frames, seen(fault).frames)
    other = seen(Fault("frames-lost", severity=0.05, seed=2))
    assert other.truth.spans != seen(fault).truth.spans


def test_faults_combine_and_each_keeps_its_truth():
    run = seen(
        Fault("clock-jump", severity=5.0, onset_s=20.0),
        Fault("frames-lost", "id:engine/0A0", severity=0.02),
        Fault("module-reset", "module:damper_node", onset_s=25.0),
        Fault("bus-errors", "bus:chassis", severity=5.0, onset_s=12.0),
        Fault("counter-jump", "id:chassis/1A0", onset_s=12.0),
    )
    kinds = [truth.kind for truth in run.truths]
    assert kinds == ["clock-jump", "frames-lost", "module-reset", "bus-errors", "counter-jump"]
    by_kind = dict(zip(kinds, run.truths, strict=True))
    assert len(run.errors()) == by_kind["bus-errors"].count
    assert len(run.of(0x0A0)) == len(clean().of(0x0A0)) - by_kind["frames-lost"].count
    reset = by_kind["module-reset"]
    assert seconds_of(reset.start_ns) == pytest.approx(30.0)  # on the recorder's clock
    times = at(run.of(0x1A0))
    gap = np.flatnonzero((np.diff(times) > 0.2) & (np.diff(times) < 1.0))
    assert times[gap[0]] == pytest.approx(30.0, abs=0.006)


def test_faults_of_several_layers_combine_on_one_channel():
    run = seen(
        Fault("module-reset", "module:damper_node", onset_s=25.0),
        Fault("ground-shift", "ground:G2", onset_s=0.0),
        Fault("gain", "channel:damper_fl", onset_s=0.0, severity=1.2),
        Fault("open-circuit", "channel:damper_fl", onset_s=12.0, duration_s=4.0),
        Fault("stuck", "channel:damper_fl", onset_s=20.0, duration_s=3.0),
        Fault("scale-or-unit", "channel:throttle", onset_s=0.0, severity=2.0),
    )
    assert [truth.kind for truth in run.truths] == [
        *("module-reset", "ground-shift", "gain", "open-circuit", "stuck", "scale-or-unit"),
    ]
    channels = measured(run)
    damper, times = channels["damper_fl"], (channels["damper_fl"].time_ns - START_EPOCH_NS) / 1e9
    assert damper.volts is not None
    assert (damper.volts[(times > 12.05) & (times < 15.98)] > 4.95).all()
    assert np.ptp(damper.volts[(times > 20.01) & (times < 22.98)]) == 0
    assert np.diff(times).max() > 0.15, "the module restarted"
    still = (times > 1.0) & (times < 2.0)  # nothing but the pump's current in the ground
    before = clean_measured()["damper_fl"].volts
    assert before is not None
    assert np.mean(damper.volts[still]) - np.mean(before[: len(still)][still]) == pytest.approx(0.0147, abs=0.002)


def test_a_fault_with_a_second_sender_survives_a_wrong_length_beside_it():
    run = seen(Fault("wrong-length", "id:chassis/111", severity=5), Fault("id-missing", "id:chassis/110"))
    assert set(run.of(0x111).length.tolist()) == {5, 8}
    assert possible(run)


def test_the_capture_object_has_events_and_truth():
    capture = SimulatedCapture(6.0, faults=[Fault("capture-drop", onset_s=2.0, variant="events")])
    assert sum(len(frames) for frames in capture) > 1000
    assert len(capture.events) == 2
    assert capture.ground_truth[0].kind == "capture-drop"
    assert abs(capture.first_time_ns() - START_EPOCH_NS) < 1e9


def test_the_scenarios_have_every_kind_and_different_names():
    listed = scenarios()
    assert {scenario.faults[0].kind for scenario in listed} == set(KINDS)
    assert len({scenario.name for scenario in listed}) == len(listed)
    for kind in ("capture-drop", "bus-errors", "module-reset", "frames-lost", "duplicate-id"):
        assert len({s.faults[0].amount for s in listed if s.faults[0].kind == kind}) >= 2
    assert {scenario.load for scenario in clean_scenarios()} == {None, 0.20, 0.40, 0.55}
    assert all(not scenario.faults for scenario in clean_scenarios())
    other = listed[5].with_seed(9)
    assert other.seed == other.faults[0].seed == 9


CHEAP = [s for s in scenarios() if not s.in_text and s.faults[0].kind not in {"bus-overload", "no-acknowledge"}]


@pytest.mark.parametrize("scenario", CHEAP[::6], ids=lambda scenario: scenario.name)
def test_a_scenario_runs_on_another_seed_and_says_what_is_true(scenario):
    run = scenario.with_seed(4).run()
    frames = sum(len(batch) for batch in run)
    assert frames > 1000
    (truth,) = run.ground_truth
    assert truth.start_ns <= truth.end_ns
    kinds = {"capture", *(f"bus:{bus.name}" for bus in car.buses())}
    assert truth.subject in kinds or truth.subject.startswith(
        ("module:", "id:", "channel:", "plug:", "supply:", "ground:")
    )


def test_no_fault_frame_carries_an_error_flag_by_mistake():
    run = seen(Fault("duplicate-id", "id:chassis/111"), Fault("unknown-id"))
    assert not (run.frames.has(Flag.ERROR) & (run.frames.id == 0x5A5)).any()
