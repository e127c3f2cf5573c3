"""Counters, checksums, lengths and moving bytes: found by themselves, followed, and not found where there are none."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import FrameName
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Flag, Frames, concatenate
from buswright.health.identifiers.checksum import LEARN_FROM, find_checksum
from buswright.health.identifiers.counter import CounterField, find_counter
from buswright.health.model.health import BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.track import HealthTracker
from buswright.messages.checksum import KINDS, Checksum, Counter
from buswright.messages.model import Database, Message
from buswright.simulate.car.networks import messages
from buswright.simulate.run import simulate_run
from tests.health.traffic import MS, START, comb, measured, special

ROAD_CAR = Path(__file__).parents[2] / "data" / "road_car.log"


def only(health: BusHealth) -> IdFigures:
    (figures,) = health.ids.values()
    return figures


def changed(frames: Frames, rows: slice | list[int], byte: int, value: int) -> Frames:
    payload = frames.payload.copy()
    payload[rows, byte] = value
    return dataclasses.replace(frames, payload=payload)


@given(
    start=st.sampled_from([0, 4, 8, 20, 24, 32, 44, 56]),
    length=st.sampled_from([4, 8, 16]),
    step=st.sampled_from([1, 3, -1]),
    offset=st.integers(0, 65_535),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60, deadline=None)
def test_counters_are_found_where_they_stand(start: int, length: int, step: int, offset: int, seed: int) -> None:
    length = min(length, 64 - start)
    payload = np.random.default_rng(seed).integers(0, 256, (2000, 8), dtype=np.uint8)
    values = (np.arange(2000) * step + offset) % (1 << length)
    Counter(start, length).insert(payload, values)
    found = find_counter(payload, frozenset())
    assert found is not None
    assert (found.start, found.step % 16) == (start, step % 16)
    # A wrap of the upper nibbles may not have come yet: the field may be found shorter, and still counts right.
    assert 4 <= found.length <= length
    assert found.length == length or 16 ** (length // 4) > 2000
    inverse = (np.diff(found.extract(payload)) * found.inverse) % found.modulus
    assert (inverse == 1).all()


def test_a_big_endian_counter_and_one_of_fifteen_values() -> None:
    payload = np.random.default_rng(1).integers(0, 256, (4000, 8), dtype=np.uint8)
    payload[:, 2], payload[:, 3] = (np.arange(4000) >> 8) & 255, np.arange(4000) & 255
    found = find_counter(payload, frozenset())
    assert found == CounterField(16, 16, 1 << 16, 1, big_endian=True)
    payload[:, 2:4] = 0
    payload[:, 5] = (payload[:, 5] & 0xF0) | np.arange(4000) % 15
    assert find_counter(payload, frozenset()) == CounterField(40, 4, 15, 1)


def test_a_constant_nibble_above_a_counter_that_has_not_wrapped_is_left_alone() -> None:
    payload = np.zeros((3000, 8), dtype=np.uint8)
    Counter(16, 12).insert(payload, np.arange(3000))
    assert find_counter(payload, frozenset()) == CounterField(16, 12, 4096)


def test_a_byte_that_is_something_else_is_no_counter_though_it_counts() -> None:
    payload = np.random.default_rng(1).integers(0, 256, (2000, 8), dtype=np.uint8)
    payload[:, 2] = payload[:, 6] = np.arange(2000) & 255
    for barred, start in (({2}, 48), ({6}, 16)):
        found = find_counter(payload, frozenset(barred))
        assert found is not None
        assert (found.start, found.length) == (start, 8)
    assert find_counter(payload, frozenset({2, 6})) is None


def test_what_is_no_counter() -> None:
    rng = np.random.default_rng(2)
    payload = rng.integers(0, 256, (2000, 8), dtype=np.uint8)
    payload[:, 0] = np.arange(2000) % 4  # a multiplexer
    payload[:, 1] = (np.arange(2000) // 7) & 255  # a slow ramp
    payload[:, 2] = 0
    payload[:, 3] = (np.arange(2000) * 10) & 255  # a time
    assert find_counter(payload, frozenset()) is None
    assert find_counter(payload[:200], frozenset()) is None


@pytest.mark.parametrize("name", sorted(KINDS))
@pytest.mark.parametrize("place", ["first", "last"])
def test_checksums_of_every_kind_are_recognised(name: str, place: str) -> None:
    kind = KINDS[name]
    at = 0 if place == "first" else 8 - kind.bytes
    checksum = Checksum(name, at)
    if checksum.shortest > 8:
        pytest.skip("needs the counter behind it")
    payload = np.random.default_rng(3).integers(0, 256, (100, 8), dtype=np.uint8)
    checksum.fill(payload, 0x1A0)
    length = np.full(100, 8, dtype=np.uint8)
    found, payloads = find_checksum(payload, length, 0x1A0)
    assert payloads == LEARN_FROM
    assert found is not None
    # Where all bytes together give a constant, each one of them is a checksum over the others.
    assert found.byte == at or name in ("xor", "sum8-ones", "sum8-twos")
    assert found.verify(payload, 0x1A0).all()


def test_no_checksum_in_noise_nor_in_copies() -> None:
    rng = np.random.default_rng(4)
    length = np.full(500, 8, dtype=np.uint8)
    assert find_checksum(rng.integers(0, 256, (500, 8), dtype=np.uint8), length, 0x1A0) == (None, LEARN_FROM)
    copies = np.zeros((500, 8), dtype=np.uint8)
    copies[:, 3] = copies[:, 7] = rng.integers(0, 256, 500)
    assert find_checksum(copies, length, 0x1A0) == (None, LEARN_FROM)
    assert find_checksum(copies[:20], length[:20], 0x1A0) == (None, 0)


def test_all_counters_and_checksums_of_the_simulated_car() -> None:
    health = measured(concatenate(list(simulate_run(30, seed=4))))
    interfaces = {"engine": "can0", "chassis": "can1"}
    for message in messages():
        found = health.ids[FrameName(interfaces[message.bus], message.id, message.extended)]
        if message.counter is not None and message.period_ms <= 50:
            assert found.counter is not None
            assert (found.counter.start, found.counter.share) == (message.counter.start, 1.0)
        if message.checksum is not None and message.checksum.data_id in (None, message.id):
            assert found.checksum is not None
            assert (found.checksum.checksum.kind, found.checksum.wrong) == (message.checksum.kind, 0)
        if message.checksum is None:
            assert found.checksum is None


def test_a_real_road_car() -> None:
    """A recording of an unknown car: nibble counters in byte 6 and sums over data and identifier in the last byte."""
    health = measured(open_capture(ROAD_CAR))
    counters = [f for f in health.ids.values() if f.counter is not None and f.counter.start == 52]
    checksums = [f for f in health.ids.values() if f.checksum is not None]
    assert len(counters) >= 8
    assert all(f.counter.share == 1.0 for f in counters if f.counter)
    assert len(checksums) >= 8
    assert {f.checksum.checksum.kind for f in checksums if f.checksum} == {"sum8-id"}
    assert not any(f.checksum.wrong for f in checksums if f.checksum)
    assert [f.gaps.total for f in health.ids.values() if f.gaps.total] == []


def test_counter_jumps_repeats_and_restarts() -> None:
    frames = comb(0x100, 10, 60, counter=Counter(24, 8))
    keep = np.ones(len(frames), dtype=bool)
    keep[2000:2003] = False
    frames = changed(frames, [3000], 3, int(frames.payload[2999, 3]))  # the same again
    payload = frames.payload.copy()
    payload[4000:, 3] = np.arange(2000) & 255  # a restart at 0
    figures = only(measured(dataclasses.replace(frames, payload=payload).take(keep)))
    counter = figures.counter
    assert counter is not None
    assert [(e.kind, e.steps, e.in_gap) for e in counter.events[:3]] == [
        ("jump", 4, True), ("repeat", 0, False), ("jump", 2, False),
    ]  # fmt: skip
    assert counter.events[3].time_ns == START + 40_000 * MS
    assert (counter.jumps - counter.jumps_without_gap, counter.repeats, counter.length) == (1, 1, 8)
    assert counter.lost >= 3 + 1
    assert figures.gaps.counter_step.tolist() == [4]


def test_wrong_checksums_are_counted_with_their_times() -> None:
    frames = comb(0x100, 10, 60, checksum=Checksum("crc8-autosar", 7))
    wrong = frames.payload.copy()
    wrong[1000:1005, 0] ^= 0x10
    wrong[5000, 7] ^= 1
    checksum = only(measured(dataclasses.replace(frames, payload=wrong))).checksum
    assert checksum is not None
    assert (checksum.source, checksum.frames, checksum.wrong, checksum.longest_run) == ("learned", 6000, 6, 5)
    assert checksum.wrong_ns.tolist() == frames.time_ns[[1000, 1001, 1002, 1003, 1004, 5000]].tolist()


def test_a_recognised_checksum_that_then_fails_was_none() -> None:
    good = comb(0x100, 10, 10, checksum=Checksum("xor", 7))
    rest = comb(0x100, 10, 20, seed=9, start=good.time_ns[-1] + 10 * MS)
    noise = np.random.default_rng(1).integers(0, 256, len(rest), dtype=np.uint8)
    payload = rest.payload.copy()
    payload[:, 7] = noise
    assert only(measured(concatenate([good, dataclasses.replace(rest, payload=payload)]))).checksum is None


def test_lengths_and_their_changes() -> None:
    first, second = comb(0x100, 10, 10, length=8), comb(0x100, 10, 1, length=4, start=START + 10_000 * MS)
    database = Database(("x.dbc",), (Message("M", 0x100, False, 8),))
    lengths = only(measured(concatenate([first, second]), databases=database)).lengths
    assert lengths.counts == {8: 1000, 4: 100}
    assert (lengths.declared, lengths.off, lengths.changes) == (8, 100, 1)
    assert [(e.before, e.after, e.time_ns) for e in lengths.events] == [(8, 4, START + 10_000 * MS)]


def test_bytes_that_never_change_and_data_that_stands_still() -> None:
    frames = comb(0x100, 10, 100, counter=Counter(24, 4))
    payload = frames.payload.copy()
    payload[3000:5000, :3] = payload[3000, :3]  # frozen, but the counter goes on
    found = only(measured(dataclasses.replace(frames, payload=payload))).payload
    assert found.constant_bytes == (4, 5, 6, 7)
    assert found.changing_bits == bytes([255, 255, 255, 15, 0, 0, 0, 0])
    assert (found.longest_same, found.longest_same_start_ns) == (2000, START + 30_000 * MS)
    assert found.longest_same_end_ns == START + 49_990 * MS
    assert found.first == payload[0].tobytes()
    assert found.last_change_ns == frames.time_ns[-1]


def test_long_frames_count_with_all_their_bytes() -> None:
    frames = comb(0x300, 10, 50, length=24, counter=Counter(160, 8), checksum=Checksum("sum8", 23))
    figures = only(measured(frames))
    assert figures.counter is not None
    assert (figures.counter.start, figures.counter.length) == (160, 8)
    assert figures.checksum is not None
    assert len(figures.payload.changing_bits) == 64
    assert figures.payload.constant_bytes == tuple(n for n in range(3, 23) if n != 20)


def test_a_single_frame() -> None:
    figures = only(measured(special(START, 0x123, Flag(0), b"\1\2")))
    assert figures.payload.first == b"\1\2"
    assert (figures.payload.constant_bytes, figures.counter, figures.checksum) == ((), None, None)


def test_thirty_two_different_payloads_are_enough_to_know_a_checksum() -> None:
    payload = np.random.default_rng(3).integers(0, 256, (32, 8), dtype=np.uint8)
    Checksum("crc8-autosar", 7).fill(payload, 0x1A0)
    length = np.full(32, 8, dtype=np.uint8)
    assert find_checksum(payload, length, 0x1A0) == (Checksum("crc8-autosar", 7), 32)
    assert find_checksum(payload[:31], length[:31], 0x1A0) == (None, 0)


def test_a_checksum_that_counts_along_with_the_counter_is_none_itself() -> None:
    constant = np.tile(np.array([0, 17, 34, 51], dtype=np.uint8), (3000, 1))
    frames = comb(0x100, 10, 30, payload=constant, counter=Counter(56, 8), checksum=Checksum("sum8", 0))
    figures = only(measured(frames))
    assert figures.checksum is not None
    assert figures.checksum.checksum.byte == 0
    assert figures.counter is not None
    assert (figures.counter.start, figures.counter.length) == (56, 8)


def test_error_frames_without_a_word_of_the_controller_say_nothing_of_it() -> None:
    stuff = special(START, 0x008, Flag.ERROR, bytes([0, 0x01, 0x04, 0, 0, 0, 0, 0]))
    assert measured(stuff).buses["can0"].errors.controller == {}


@pytest.mark.parametrize("size", [500, 100_000])
def test_stretches_of_the_same_frame_are_kept_however_the_run_is_cut(size: int) -> None:
    frames = comb(0x100, 10, 60, counter=Counter(24, 8))
    payload = frames.payload.copy()
    for first, last in ((2000, 2300), (4000, 4100), (5800, 6000)):
        payload[first:last] = payload[first]
    payload[3000:3200, 3] = payload[3000, 3]  # the counter stands, and the data goes on
    payload[4400:4404] = payload[4400]  # too short to be a stretch
    frames = dataclasses.replace(frames, payload=payload)
    tracker = HealthTracker()
    for at in range(0, len(frames), size):
        tracker.update(frames.take(np.arange(at, min(at + size, len(frames)))))
    counter = next(iter(tracker.result().ids.values())).counter
    assert counter is not None
    assert [(each.frames, (each.start_ns - START) // (10 * MS)) for each in counter.held] == [
        (300, 2000), (100, 4000), (200, 5800),
    ]  # fmt: skip
