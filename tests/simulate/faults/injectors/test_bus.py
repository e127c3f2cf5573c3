"""Faults of the bus: what is sent more, what is destroyed, who falls silent; and the wire stays a possible one."""

import numpy as np
import pytest

from buswright.errors import UserError
from buswright.frames.table import Flag
from buswright.frames.wire.bits import wire_bits
from buswright.simulate.car import networks as car
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.faults.injectors.bus import BUS_OFF_FAILURES
from tests.simulate.fault_runs import MESSAGES, at, clean, load, others_as_before, possible, same, seconds_of, seen

PROTOCOL, NO_ACKNOWLEDGE, BUS_ERROR, COUNTERS = 0x08, 0x20, 0x80, 0x200  # linux/can/error.h


@pytest.mark.parametrize("rate", [2.0, 20.0])
def test_destroyed_frames_come_again_and_only_errors_are_added(rate):
    run = seen(Fault("bus-errors", "bus:chassis", severity=rate, onset_s=10.0, duration_s=22.0))
    errors = run.errors()
    assert len(errors) == run.truth.count
    assert len(errors) == pytest.approx(22 * rate, rel=0.05)
    assert at(errors)[0] > 10.0
    assert at(errors)[-1] < 32.01
    assert set(errors.bus.tolist()) == {1}
    assert set(errors.id.tolist()) == {PROTOCOL | BUS_ERROR | COUNTERS}
    assert errors.payload[:, 7].min() >= 1  # the recorder's receive error counter
    assert same(run.bus(0), clean().bus(0))
    assert others_as_before(run)
    assert possible(run)


def test_errors_of_one_module_hit_its_frames():
    run = seen(Fault("bus-errors", "module:wheel_node", severity=10.0, variant="crc"))
    errors = np.flatnonzero(run.bus(1).has(Flag.ERROR))
    following = run.bus(1).id[errors + 1]
    assert (np.isin(following, [0x110, 0x111, 0x112])).mean() > 0.9  # unless a more urgent frame came in between
    assert set(run.errors().payload[:, 3].tolist()) == {0x08}  # place: CRC sequence


def test_no_error_frame_takes_less_than_its_flag_and_part_of_a_frame():
    run = seen(Fault("bus-errors", severity=20.0))
    frames = run.bus(1)
    places = np.flatnonzero(frames.has(Flag.ERROR))
    spacing = frames.time_ns[places] - frames.time_ns[places - 1]
    assert spacing.min() > (23 + 19) * 1000


@pytest.mark.parametrize("share", [0.75, 0.9, 1.3])
def test_an_overloaded_bus_is_full_and_delays_what_is_low(share):
    run = seen(Fault("bus-overload", "bus:engine", severity=share, onset_s=10.0, duration_s=5.0))
    assert load(run, 0, 10.1, 15.0) == pytest.approx(min(share, 1.0), abs=0.03)
    assert load(run, 0, 15.3, 20.0) == pytest.approx(load(clean(), 0, 15.3, 20.0), abs=0.005)
    assert same(run.bus(1), clean().bus(1))
    assert possible(run)
    low, before = (at(one.of(0x3F0)) for one in (run, clean()))
    if share > 1:
        assert not ((low > 10.2) & (low < 15.0)).any()  # the least urgent frame never gets its turn
    else:
        late = low - before
        assert late.max() > (0.0009 if share < 0.8 else 0.002)
        assert np.abs(late[(before < 10.0) | (before > 15.1)]).max() < 0.0005
        assert same(run.of(0x0A0), clean().of(0x0A0), times=False)
    assert all(subject.startswith("id:engine/") for subject in run.truth.related)


def test_a_full_bus_never_sends_what_was_overwritten():
    run = seen(Fault("babbling-node", "id:engine/010", severity=0.85, onset_s=10.0, duration_s=5.0))
    sent, due = run.of(0x130), clean().of(0x130)
    assert 10 < len(sent) - (len(due) - 250) < 240
    old: dict[bytes, int] = {}
    for payload, time in zip(due.payload, due.time_ns, strict=True):
        old[payload.tobytes()] = int(time)
    # A frame waits at most until the next one of its kind takes its place.
    waits = [(time - old[payload.tobytes()]) / 1e6 for payload, time in zip(sent.payload, sent.time_ns, strict=True)]
    assert max(waits) < MESSAGES[0x130].period_ms + 1.0


@pytest.mark.parametrize("share", [0.7, 0.9])
def test_a_babbling_node_takes_its_share(share):
    run = seen(Fault("babbling-node", "id:chassis/0F0", severity=share, onset_s=10.0, duration_s=4.0))
    frames = run.of(0x0F0)
    inside = frames.take((at(frames) > 10.001) & (at(frames) < 13.999))
    own = wire_bits(inside).time_ns(1_000_000).sum() / 1e9 / 4.0
    assert own == pytest.approx(share, abs=0.03)
    assert len(inside) > 3 * 4.0 / 0.010
    after = frames.take(at(frames) > 14.02)
    old = clean().of(0x0F0)
    assert same(after, old.take(at(old) > 14.02), times=False)
    assert possible(run)
    assert same(run.bus(0), clean().bus(0))
    assert "module:inertial_node" in run.truth.related


def test_a_babbling_node_with_the_highest_priority_starves_the_others():
    run = seen(Fault("babbling-node", "id:engine/001", severity=1.5, onset_s=10.0, duration_s=4.0))
    assert load(run, 0, 10.1, 13.9) == pytest.approx(1.0, abs=0.005)
    inside = run.bus(0).take((at(run.bus(0)) > 10.01) & (at(run.bus(0)) < 13.99))
    assert set(inside.id.tolist()) == {1}
    assert possible(run)


def test_one_frame_is_repeated_where_nobody_acknowledges():
    run = seen(Fault("no-acknowledge", "bus:chassis", onset_s=12.0))
    errors = run.errors()
    assert len(errors) == run.truth.count == 16
    assert set(errors.id.tolist()) == {NO_ACKNOWLEDGE | BUS_ERROR | COUNTERS}
    frames = run.bus(1)
    late = frames.take((at(frames) > at(errors)[-1]) & ~frames.has(Flag.ERROR))
    late = late.take(np.arange(1, len(late)))
    assert set(late.id.tolist()) == {0x0F0}
    assert len(np.unique(late.payload, axis=0)) == 1
    beyond = np.diff(late.time_ns) - wire_bits(late).time_ns(1_000_000)[1:]
    assert set(np.unique(beyond)) <= {7000, 8000, 9000}  # eight bits of suspended transmission, stamps in microseconds
    assert load(run, 1, 12.1, 33.9) > 0.93  # the rest is what an error passive sender must wait
    assert same(run.bus(0), clean().bus(0))
    assert possible(run)
    assert "id:chassis/0F0" in run.truth.related


def test_a_module_goes_bus_off_and_comes_back_with_its_phase():
    run = seen(Fault("bus-off", "module:damper_node", onset_s=10.0, duration_s=20.0, repeat=3, severity=0.4))
    errors = run.errors()
    assert len(errors) == run.truth.count == 3 * BUS_OFF_FAILURES
    message, frames = MESSAGES[0x1A0], run.of(0x1A0)
    times = at(frames)
    for start_ns, end_ns in run.truth.spans:
        start, end = seconds_of(start_ns), seconds_of(end_ns)
        burst = at(errors)[(at(errors) > start - 0.001) & (at(errors) < start + 0.05)]
        assert len(burst) == BUS_OFF_FAILURES
        assert burst[-1] - burst[0] < 0.05
        assert not ((times > start + 0.0005) & (times < end)).any()
        after = np.searchsorted(times, end)
        gap = times[after] - times[after - 1]
        periods = round(gap / 0.005)
        assert abs(gap - 0.005 * periods) < 0.0015
        counts = message.counter.extract(frames.payload[after - 1 : after + 1])
        assert (counts[1] - counts[0]) % 16 == periods % 16
    damper = {m.id for m in car.messages() if m.sender == "damper_node"}
    assert others_as_before(run, *damper, most_s=0.006)
    assert possible(run)


def test_a_module_that_stays_bus_off_never_comes_back():
    run = seen(Fault("bus-off", "module:power_node", onset_s=12.0, severity=0))
    times = at(run.of(0x200))
    assert times[-1] < 12.06
    assert len(run.errors()) == BUS_OFF_FAILURES


def test_modules_beyond_an_open_connector_vanish():
    run = seen(Fault("segment-open", "bus:chassis", onset_s=12.0, variant="wheel_node"))
    gone = {m.id for m in car.messages() if m.sender in {"wheel_node", "damper_node"}}
    for identifier in gone:
        assert at(run.of(identifier))[-1] < 12.003
    assert others_as_before(run, *gone)
    assert len(run.errors()) == run.truth.count > 10
    assert np.all(np.abs(at(run.errors()) - 12.0) < 0.06)
    assert set(run.truth.related) == {"module:wheel_node", "module:damper_node"}
    assert possible(run)


def test_a_segment_that_closes_again_goes_on_in_phase():
    run = seen(Fault("segment-open", "bus:chassis", onset_s=12.0, duration_s=19.0, variant="damper_node"))
    frames, old = run.of(0x1A0), clean().of(0x1A0)
    late = frames.take(at(frames) > 31.01)
    assert same(late, old.take(at(old) > 31.01), times=False)
    assert len(late) > 500


def test_the_short_bus_breaks_before_its_last_module():
    run = seen(Fault("segment-open", "bus:engine", onset_s=12.0))
    assert run.truth.related == ("module:engine_controller",)
    assert at(run.of(0x0A0))[-1] < 12.003
    assert np.array_equal(run.of(0x200).payload, clean().of(0x200).payload)


def test_faults_act_on_the_bus_with_can_fd_too():
    run = seen(
        Fault("module-reset", "module:damper_node", onset_s=12.0),
        Fault("bus-errors", "bus:chassis", severity=20.0),
        Fault("duplicate-id", "id:chassis/1A2", severity=500.0),
        fd=True,
    )
    frames = run.of(0x1A2)
    assert set(frames.length.tolist()) == {24}
    bus = run.bus(1)
    assert (np.diff(bus.time_ns) - wire_bits(bus).time_ns(1_000_000, 4_000_000)[1:]).min() > -1000
    message = next(m for m in car.messages(fd=True) if m.id == 0x1A2)
    assert message.checksum.verify(frames.whole_payload()[:, :24], 0x1A2).all()
    with pytest.raises(UserError, match="classic"):
        seen(Fault("babbling-node", "id:chassis/1A2"), fd=True)
