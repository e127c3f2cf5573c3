"""What a bus may and may not do: no overlap, priorities kept, clocks and jitter as specified."""

from itertools import pairwise

import numpy as np
import pytest

from buswright.frames.table import Flag
from buswright.frames.wire.arbitration import rank
from buswright.frames.wire.bits import wire_bits
from buswright.messages.checksum import Step
from buswright.simulate.car import networks as car
from buswright.simulate.run import START_EPOCH_NS, cycles
from buswright.simulate.wire.bus import BLOCK_S, MOST_JITTER, RESOLUTION_NS, Wire, car_talkers, due_times

NODES = {node.name: node for node in car.NODES}


def lengths(frames, bus):
    return wire_bits(frames).time_ns(bus.bitrate, bus.data_bitrate)


@pytest.mark.parametrize("fd", [False, True])
def test_frames_of_one_bus_never_overlap(run, fd_run, fd):
    recorded = fd_run if fd else run
    for number, bus in enumerate(car.buses(fd=fd)):
        frames = recorded.bus(number)
        spacing = np.diff(frames.time_ns) - lengths(frames, bus)[1:]
        assert spacing.min() > -RESOLUTION_NS  # stamps are cut to whole microseconds
        assert (spacing < RESOLUTION_NS).mean() > 0.02  # and some frames do follow one right behind the other


def test_load_is_realistic(run):
    for number, (bus, most) in enumerate(zip(car.buses(), (0.45, 0.40), strict=True)):
        frames = run.bus(number)
        load = lengths(frames, bus).sum() / (frames.time_ns[-1] - frames.time_ns[0])
        assert 0.10 < load < most
    rate = len(run.frames) / run.seconds(run.frames)[-1]
    assert 1700 < rate < 2500


def test_the_batch_is_ordered_and_complete(run):
    assert (np.diff(run.frames.time_ns) >= 0).all()
    assert run.frames.buses == ("can0", "can1")
    for message in car.messages():
        times = run.seconds(run.frames.take(run.frames.id == message.id))
        due = due_times(message, NODES[message.sender], 0.0, 70.0)[1]
        assert len(times) in {len(due), len(due) - 1}  # the last one may end after the end of the run
        assert np.all(times >= due[: len(times)])


def test_a_waiting_frame_never_lets_a_lower_priority_pass():
    wire = Wire(car.CHASSIS_BUS, car_talkers(car.CHASSIS_BUS, False))
    cycle = next(cycles(1))
    due = wire._due(cycle, 0, 1, START_EPOCH_NS)
    sent, _ = Wire(car.CHASSIS_BUS, car_talkers(car.CHASSIS_BUS, False)).block(cycle, 0, 1, START_EPOCH_NS, last=True)
    released = {}
    for at, row in zip(due.released.tolist(), due.sender.tolist(), strict=True):
        released.setdefault(wire.messages[row].id, []).append(at)
    # The n-th frame of a message on the wire is the n-th that was released.
    counts: dict[int, int] = {}
    ready, ranks = [], []
    extended = sent.has(Flag.EXTENDED)
    for identifier, long_id in zip(sent.id.tolist(), extended.tolist(), strict=True):
        ready.append(released[identifier][counts.setdefault(identifier, 0)])
        counts[identifier] += 1
        ranks.append(rank(identifier, long_id))
    before = sent.time_ns[:-1] - 47 * 1000  # the frame before was still on the wire; it is at least that long
    passed = [at for at in range(len(before)) if ranks[at + 1] < ranks[at] and ready[at + 1] < before[at] - 100_000]
    assert passed == []
    overtaken = sum(r > s for r, s in pairwise(ready))
    assert overtaken > 50  # arbitration did have something to decide


def test_clocks_and_jitter_are_as_specified(run):
    seconds = run.seconds(run.frames)
    for message in car.messages():
        node = NODES[message.sender]
        times = seconds[(run.frames.id == message.id)]
        number = np.arange(len(times))
        slope, _ = np.polyfit(number, times, 1)
        drift = slope / (message.period_ms / 1000) - 1
        allowed = 3e-4 / (times[-1] - times[0]) + 1.5e-6
        assert drift == pytest.approx(-node.clock_ppm * 1e-6, abs=allowed), message.name
        due = due_times(message, node, 0.0, 70.0)[1][: len(times)]
        late = times - due
        blocked = 2.0e-3  # the longest wait for others on these buses, and the frame itself
        assert late.min() > 40e-6
        assert late.max() < MOST_JITTER * node.jitter_us * 1e-6 + blocked
        assert np.std(np.diff(times)) < 0.10 * message.period_ms / 1000, message.name


def test_counters_step_by_one_and_checksums_hold(run, fd_run):
    for recorded, fd in ((run, False), (fd_run, True)):
        guarded = [message for message in car.messages(fd=fd) if message.counter or message.checksum]
        assert len(guarded) >= 6
        for message in guarded:
            payload = recorded.frames.take(recorded.frames.id == message.id).whole_payload()[:, : message.length]
            if message.counter:
                steps = message.counter.classify(message.counter.extract(payload))
                assert set(steps[1:].tolist()) == {Step.NEXT}, message.name
            if message.checksum:
                assert message.checksum.verify(payload, message.id).all(), message.name
                payload[:, message.length - 2] ^= 0x10
                assert not message.checksum.verify(payload, message.id).any(), message.name


def test_the_car_has_one_of_each_kind_of_message():
    messages = car.messages()
    assert sum(message.extended for message in messages) == 1
    assert sum(message.big_endian for message in messages) == 1
    assert sum(message.multiplexer is not None for message in messages) == 1
    assert sum(message.fd for message in car.messages(fd=True)) == 1
    kinds = {message.checksum.kind for message in (*messages, *car.messages(fd=True)) if message.checksum}
    assert kinds == {"crc8-j1850", "crc8-autosar", "xor", "e2e-p02", "e2e-p05"}


def test_fast_messages_have_higher_priority_within_a_bus():
    for bus in ("engine", "chassis"):
        ordered = sorted((m for m in car.messages() if m.bus == bus), key=lambda m: rank(m.id, m.extended))
        assert max(m.period_ms for m in ordered[:3]) <= 10
        assert min(m.period_ms for m in ordered[-3:]) >= 40


def test_blocks_divide_a_cycle():
    assert 240 % BLOCK_S == 0
