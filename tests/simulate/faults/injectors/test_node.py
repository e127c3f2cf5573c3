"""Faults of modules and frames: each does what it says and leaves everything else alone."""

import numpy as np
import pytest

from buswright.frames.table import Flag
from buswright.messages.checksum import Step
from buswright.messages.database import load_database
from buswright.simulate.car import networks as car
from buswright.simulate.databases import wrenfell_databases
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.injectors.node import DIP_S
from tests.simulate.fault_runs import MESSAGES, at, clean, others_as_before, possible, same, seconds_of, seen

DAMPERS = {message.id for message in car.messages() if message.sender == "damper_node"}


def steps(frames, message):
    return message.counter.steps(message.counter.extract(frames.payload[:, : message.length]))


def outside(frames, start, stop):
    return frames.take((at(frames) < start) | (at(frames) >= stop))


def test_a_missing_module_is_silent_from_its_onset():
    run = seen(Fault("module-missing", "module:damper_node", onset_s=12.0))
    for identifier in DAMPERS:
        times, period = at(run.of(identifier)), MESSAGES[identifier].period_ms / 1000
        assert 12.0 - period < times[-1] < 12.0 + 0.002
    lost = sum(len(clean().of(identifier)) - len(run.of(identifier)) for identifier in DAMPERS)
    assert abs(run.truth.count - lost) <= 1
    assert others_as_before(run, *DAMPERS)
    assert possible(run)
    assert (run.truth.kind, run.truth.subject) == ("module-missing", "module:damper_node")
    assert "id:chassis/18FF1A42" in run.truth.related
    assert seconds_of(run.truth.start_ns) == 12.0


def test_a_module_that_was_never_there_sends_nothing():
    run = seen(Fault("module-missing", "module:wheel_node", onset_s=0.0))
    assert len(run.of(0x110)) == len(run.of(0x111)) == 0


def test_a_reset_gives_a_new_phase_counters_from_zero_and_a_dip_before():
    run = seen(Fault("module-reset", "module:damper_node", onset_s=10.0, duration_s=20.0, repeat=4, severity=0.15))
    assert run.truth.count == len(run.truth.spans) == 4
    message = MESSAGES[0x1A0]
    frames = run.of(0x1A0)
    times, counts = at(frames), message.counter.extract(frames.payload)
    residuals = []
    for start_ns, end_ns in run.truth.spans:
        start, end = seconds_of(start_ns), seconds_of(end_ns)
        before, after = times[times < start + 0.001][-1], np.searchsorted(times, start + 0.001)
        assert 0 <= start - before < 0.0051
        assert 0 <= times[after] - end < 0.0051  # the module's first message is this one
        assert counts[after] == 0
        residuals.append((times[after] - before) / 0.005 % 1.0)
        supply = run.of(0x18FF1A42)
        volts = supply.payload[:, :2].copy().view("<u2")[:, 0] / 1000
        here = (at(supply) > start - DIP_S + 0.001) & (at(supply) <= start + 0.001)
        assert here.sum() >= 2
        assert volts[here].max() < 10.0 < volts[(at(supply) > start - 1.0) & (at(supply) < start - 0.2)].min()
    assert np.ptp(residuals) > 0.1  # no phase is kept
    assert others_as_before(run, *DAMPERS)
    assert possible(run)
    up_time = run.of(0x18FF1A42).payload[:, 6:8].copy().view("<u2")[:, 0]
    assert (np.diff(up_time.astype(int)) < 0).sum() == 4


def test_frames_before_a_reset_are_those_of_the_clean_run():
    run = seen(Fault("module-reset", "module:damper_node", onset_s=10.0, repeat=1, variant="no-dip"))
    old, new = clean().frames, run.frames
    assert same(old.take(at(old) < 9.99), new.take(at(new) < 9.99))


def test_a_power_cycle_restarts_all_modules_one_after_the_other():
    run = seen(Fault("power-cycle", onset_s=12.0, severity=1.2))
    truth = run.truth
    assert (truth.kind, truth.subject) == ("power-cycle", "capture")
    times = at(run.frames)
    assert not ((times > 12.02) & (times < 13.2 + 0.09)).any()
    firsts = {
        node.name: min(at(run.of(m.id))[at(run.of(m.id)) > 13].min() for m in car.messages() if m.sender == node.name)
        for node in car.NODES
    }
    assert len({round(first, 2) for first in firsts.values()}) == len(car.NODES)
    for node in car.NODES:
        assert 13.2 + node.boot_ms / 1000 <= firsts[node.name] < 13.2 + node.boot_ms / 1000 + 0.03
    old = clean().frames
    early = run.frames.take(times < 11.8)
    assert same(early, old.take(at(old) < 11.8))


def test_a_missing_identifier_leaves_the_rest_of_its_module():
    run = seen(Fault("id-missing", "id:chassis/1B1", onset_s=12.0, duration_s=6.0))
    times = at(run.of(0x1B1))
    gap = np.diff(times).argmax()
    assert abs(times[gap] - 12.0) < 0.051
    assert abs(times[gap + 1] - 18.0) < 0.051
    assert run.truth.count == len(clean().of(0x1B1)) - len(times) == 120
    assert others_as_before(run, 0x1B1)


def test_skipped_frames_leave_no_mark_in_the_counter_and_keep_the_phase():
    run = seen(Fault("sender-skips", "id:chassis/1A0", severity=0.05))
    message, frames = MESSAGES[0x1A0], run.of(0x1A0)
    assert set(message.counter.classify(message.counter.extract(frames.payload))[1:].tolist()) == {Step.NEXT}
    assert message.checksum.verify(frames.payload, 0x1A0).all()
    gaps = np.diff(at(frames))
    missing = np.rint(gaps / 0.005) - 1
    assert missing.sum() == run.truth.count == len(clean().of(0x1A0)) - len(frames)
    assert np.abs(gaps - 0.005 * (missing + 1)).max() < 0.0015
    starts = np.array([seconds_of(start) for start, _ in run.truth.spans])
    assert np.abs(starts[:, None] - at(clean().of(0x1A0))).min(axis=1).max() < 0.001
    assert others_as_before(run, 0x1A0)
    assert possible(run)


def test_a_counter_jumps_and_no_frame_is_missing():
    run = seen(Fault("counter-jump", "id:chassis/0F0", severity=3, repeat=5, duration_s=20.0))
    message, frames = MESSAGES[0x0F0], run.of(0x0F0)
    jumped = np.flatnonzero(steps(frames, message) != 1)
    assert len(jumped) == run.truth.count == 5
    assert set(steps(frames, message)[jumped].tolist()) == {4}
    assert message.checksum.verify(frames.payload, 0x0F0).all()
    assert len(frames) == len(clean().of(0x0F0))
    found = at(frames)[jumped + 1]
    assert np.abs(found - [seconds_of(start) for start, _ in run.truth.spans]).max() < 0.002
    assert others_as_before(run, 0x0F0)


def test_checksums_are_wrong_in_just_the_frames_that_are_named():
    run = seen(Fault("checksum-wrong", "id:chassis/111", severity=0.05))
    message, frames = MESSAGES[0x111], run.of(0x111)
    wrong = ~message.checksum.verify(frames.payload, 0x111)
    assert wrong.sum() == run.truth.count > 50
    due = np.array([seconds_of(start) for start, _ in run.truth.spans])
    assert np.abs(at(frames)[wrong] - due).max() < 0.002
    assert same(frames.take(~wrong), clean().of(0x111).take(~wrong))
    changed = (frames.payload != clean().of(0x111).payload).any(axis=0)
    assert np.flatnonzero(changed).tolist() == [message.checksum.byte]
    assert others_as_before(run, 0x111)


def test_a_frozen_frame_repeats_itself_and_goes_on_where_it_would_be():
    run = seen(Fault("frozen-frame", "id:chassis/0F0", onset_s=12.0, duration_s=20.0))
    frames, before = run.of(0x0F0), clean().of(0x0F0)
    inside = (at(frames) >= 12.0) & (at(frames) < 32.0)
    assert len(np.unique(frames.payload[inside], axis=0)) == 1
    assert abs(int(inside.sum()) - run.truth.count) <= 1
    assert same(frames.take(~inside), before.take(~inside), times=False)
    assert others_as_before(run, 0x0F0)


@pytest.mark.parametrize("most", [0.3, 0.9])
def test_late_frames_are_late_and_in_order(most):
    run = seen(Fault("late-frames", "id:chassis/0F1", severity=most, onset_s=10.0))
    frames, before = run.of(0x0F1), clean().of(0x0F1)
    assert same(frames, before.take(np.arange(len(frames))), times=False)
    late = at(frames) - at(before)[: len(frames)]
    inside = at(before)[: len(frames)] > 10.01
    assert 0.75 * most * 0.01 < late[inside].max() < most * 0.01 + 0.001
    assert late[inside].min() > -0.001
    assert np.abs(late[~inside][:-1]).max() < 0.001
    # Differences of two uniform delays have a standard deviation of d / sqrt(6).
    assert np.std(np.diff(at(frames)[inside])) == pytest.approx(most * 0.01 / 6**0.5, rel=0.1)
    assert others_as_before(run, 0x0F1)
    assert possible(run)


def test_a_late_module_delays_all_of_its_messages():
    run = seen(Fault("late-frames", "module:wheel_node", severity=0.8))
    for identifier in (0x110, 0x111, 0x112):
        period = MESSAGES[identifier].period_ms / 1000
        gaps = np.diff(at(run.of(identifier))[at(run.of(identifier)) > 10.1])
        assert np.std(gaps) > 0.2 * period
    assert others_as_before(run, 0x110, 0x111, 0x112)


def test_a_second_sender_has_its_own_phase_values_counter_and_clock():
    run = seen(Fault("duplicate-id", "id:chassis/111", severity=500.0))
    frames, message = run.of(0x111), MESSAGES[0x111]
    known = {payload.tobytes() for payload in clean().of(0x111).payload}
    second = np.array([payload.tobytes() not in known for payload in frames.payload])
    assert same(frames.take(~second), clean().of(0x111), times=False)
    assert abs(int(second.sum()) - run.truth.count) <= 1
    theirs = frames.take(second)
    assert message.checksum.verify(theirs.payload, 0x111).all()
    assert set(steps(theirs, message).tolist()) == {1}
    ours = frames.take(~second)
    period = np.diff(at(theirs)).mean() / np.diff(at(ours)).mean()
    assert period == pytest.approx(1 - 500e-6, abs=30e-6)
    pressures = [f.payload[:, 2:4].copy().view("<i2") for f in (theirs, ours)]
    assert pressures[0].min() > pressures[1].max()
    assert at(theirs)[0] > 10.0
    assert others_as_before(run, 0x111)
    assert possible(run)


def test_two_senders_that_meet_destroy_each_others_frames_in_bursts():
    run = seen(Fault("duplicate-id", "id:engine/0A0", severity=200.0))
    errors = run.errors()
    assert len(errors) > 20
    assert set(errors.bus.tolist()) == {0}
    first = at(errors)[0]
    assert np.sum(at(errors) - first < 0.010) >= 16  # error passive after sixteen failures, 8 counts each
    frames = run.of(0x0A0)
    after = np.searchsorted(at(frames), first + 0.010)
    assert after  # both get through in the end
    assert possible(run)
    assert others_as_before(run, 0x0A0, most_s=0.008)


def test_a_frame_of_another_length_keeps_what_fits():
    run = seen(Fault("wrong-length", "id:chassis/112", severity=6, onset_s=12.0, duration_s=20.0))
    frames, before = run.of(0x112), clean().of(0x112)
    short = frames.length == 6
    assert run.truth.count == short.sum() == 400
    assert (frames.dlc == frames.length).all()
    assert (at(frames)[short] > 12.0).all()
    assert (at(frames)[short] < 32.01).all()
    assert np.array_equal(frames.payload[:, :6], before.payload[:, :6])
    assert not frames.payload[short, 6:].any()
    assert others_as_before(run, 0x112)
    longer = seen(Fault("wrong-length", "id:chassis/0F2", severity=8)).of(0x0F2)
    assert set(longer.length.tolist()) == {6, 8}


def test_a_stranger_comes_with_its_period_and_is_in_no_database(tmp_path):
    run = seen(Fault("unknown-id", "id:chassis/18FF5A01", severity=20.0, onset_s=12.0))
    strange = run.frames.take(run.frames.id == 0x18FF5A01)
    assert strange.has(Flag.EXTENDED).all()
    assert np.diff(at(strange)).mean() == pytest.approx(0.02, rel=1e-3)
    assert 12.0 <= at(strange)[0] < 12.02
    assert len(strange) == 1100
    (tmp_path / "c.dbc").write_bytes(wrenfell_databases()["wrenfell_chassis.dbc"])
    known = {message.id for message in load_database(tmp_path / "c.dbc").messages}
    assert 0x18FF5A01 not in known
    assert others_as_before(run)
