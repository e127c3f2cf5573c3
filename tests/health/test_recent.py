"""What is on the buses at the moment: the same for any cutting into batches, and equal to counting frame by frame."""

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, Frames, concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.health.recent import RecentTracker
from tests.health.traffic import MS, START, S, comb

BIN = 100 * MS


def tracked(frames, cuts=()):
    tracker = RecentTracker(bus_names={"can1": "chassis"})
    for first, last in pairwise([0, *sorted(cuts), len(frames)]):
        tracker.update(frames.slice(first, last))
    return tracker


def merged(*parts):
    frames = concatenate(parts)
    return frames.take(np.argsort(frames.time_ns, kind="stable"))


def changed(frames, **columns):
    return dataclasses.replace(frames, **columns)


def mixed(seconds=6.0):
    """Two buses; fast, slow and stopping identifiers; error and remote frames."""
    both = ("can0", "can1")
    stops = comb(0x300, 20, seconds / 2, jitter_us=50, buses=both)
    frames = merged(
        comb(0x100, 5, seconds, jitter_us=100, buses=both),
        comb(0x1FFFFFF0, 10, seconds, jitter_us=100, extended=True, bus=1, buses=both),
        comb(0x200, 700, seconds, buses=both, phase_ms=30),
        stops,
        comb(0x080, 50, seconds, bus=1, buses=both),
        comb(0x081, 90, seconds, bus=1, buses=both),
    )
    flags = frames.flags.copy()
    flags[frames.id == 0x080] |= np.uint8(Flag.ERROR)
    flags[frames.id == 0x081] |= np.uint8(Flag.REMOTE)
    return changed(frames, flags=flags)


def same(one, other):
    assert one.now_ns == other.now_ns
    assert dict(one.buses) == dict(other.buses)
    assert dict(one.ids) == dict(other.ids)


MIXED = mixed()


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(0, len(MIXED)), max_size=12), st.integers(-500, 3000))
def test_any_cutting_gives_the_same(cuts, later_ms):
    now = int(MIXED.time_ns[-1]) + later_ms * MS
    same(tracked(MIXED, cuts).result(now), tracked(MIXED).result(now))


@settings(deadline=None, max_examples=20)
@given(st.lists(st.integers(0, 2 * len(MIXED)), max_size=8), st.sampled_from([-3600, -7, -1, 2, 50]))
def test_a_clock_that_jumps_does_not_depend_on_the_cutting_either(cuts, step_s):
    later = changed(MIXED, time_ns=MIXED.time_ns + (6 + step_s) * S)
    frames = concatenate([MIXED, later])
    now = int(frames.time_ns[-1])
    same(tracked(frames, cuts).result(now), tracked(frames).result(now))
    assert tracked(frames).result(now).ids[FrameName("can0", 0x100, False)].rate_hz == pytest.approx(200, rel=0.01)


def test_a_bus_is_counted_in_whole_tenths_of_a_second():
    """The reference counts frame by frame, in Python."""
    now = int(MIXED.time_ns[-1])
    end = (now - 100 * MS) // BIN
    bits = wire_bits(MIXED).total
    result = tracked(MIXED).result(now)
    for number, name in enumerate(("can0", "chassis")):
        inside = [
            row
            for row in range(len(MIXED))
            if MIXED.bus[row] == number and end - 20 <= int(MIXED.time_ns[row]) // BIN < end
        ]
        bus = result.buses[name]
        assert bus.frames_per_s == pytest.approx(len(inside) / 2.0)
        assert bus.bits_per_s == pytest.approx(sum(int(bits[row]) for row in inside) / 2.0)
        assert bus.errors_per_s == pytest.approx(sum(bool(MIXED.flags[row] & Flag.ERROR) for row in inside) / 2.0)
        assert bus.last_ns == max(int(t) for t in MIXED.time_ns[MIXED.bus == number])
    assert result.buses["chassis"].errors_per_s == 20.0
    assert result.buses["can0"].errors_per_s == 0.0


def test_a_bus_that_has_only_begun_is_not_diluted():
    frames = comb(0x100, 5, 0.75, phase_ms=2)
    now = START + 750 * MS
    assert tracked(frames).result(now).buses["can0"].frames_per_s == pytest.approx(200, rel=0.02)
    assert tracked(frames).result(START + 20 * MS).buses["can0"].frames_per_s == 0.0


def test_rates_do_not_depend_on_where_the_window_begins():
    frames = comb(0x100, 30, 5.0)
    tracker = tracked(frames)
    last = int(frames.time_ns[-1])
    rates = [tracker.result(last + ms * MS).ids[FrameName("can0", 0x100, False)].rate_hz for ms in range(0, 100, 7)]
    assert rates == pytest.approx([1000 / 30] * len(rates))


def test_a_slow_identifier_is_measured_over_ten_periods():
    frames = comb(0x200, 700, 15.0)
    now = int(frames.time_ns[-1])
    one = tracked(frames).result(now + 600 * MS).ids[FrameName("can0", 0x200, False)]
    assert one.rate_hz == pytest.approx(1 / 0.7)
    late = tracked(frames).result(now + 3 * S).ids[FrameName("can0", 0x200, False)]
    assert 0.7 < late.rate_hz < 1.2
    silent = [tracked(frames).result(now + after * MS).ids[FrameName("can0", 0x200, False)] for after in (6900, 7100)]
    assert silent[0].rate_hz > 0.05
    assert silent[1].rate_hz == 0.0
    for back, steps_s in ((10, 9 * 0.7 + 1.4), (11, 10 * 0.7)):  # a longer step is the tenth from the end, or not
        time_ns = frames.time_ns + np.where(np.arange(len(frames)) >= len(frames) - back, 700 * MS, 0)
        one = tracked(changed(frames, time_ns=time_ns)).result(now + 700 * MS).ids[FrameName("can0", 0x200, False)]
        assert one.rate_hz == pytest.approx(10 / steps_s)


def test_who_stops_falls_to_zero_within_the_window():
    name = FrameName("can0", 0x300, False)
    tracker = tracked(MIXED)
    last = tracker.result(START).ids[name].last_ns
    rates = [tracker.result(last + ms * MS).ids[name].rate_hz for ms in (0, 100, 500, 1500, 2100)]
    assert rates[0] == pytest.approx(50, rel=0.01)
    assert rates[-1] == 0.0
    assert all(after <= before for before, after in pairwise(rates))
    assert tracker.result(last + 500 * MS).ids[name].age_s(last + 500 * MS) == pytest.approx(0.5)


def test_frames_are_counted_and_the_latest_is_there():
    now = int(MIXED.time_ns[-1])
    ids = tracked(MIXED).result(now).ids
    assert set(ids) == {
        FrameName("can0", 0x100, False),
        FrameName("can0", 0x200, False),
        FrameName("can0", 0x300, False),
        FrameName("chassis", 0x1FFFFFF0, True),
    }  # neither error frames nor remote ones
    for name, one in ids.items():
        rows = np.flatnonzero((MIXED.id == name.id) & (MIXED.flags & np.uint8(Flag.ERROR | Flag.REMOTE) == 0))
        assert one.frames == len(rows)
        assert (one.first_ns, one.last_ns) == (int(MIXED.time_ns[rows[0]]), int(MIXED.time_ns[rows[-1]]))
        assert one.payload == MIXED.payload_of(int(rows[-1]))
        assert one.length == MIXED.length[rows[-1]]


def test_one_frame_gives_no_rate():
    one = tracked(comb(0x100, 1000, 1.0)).result(START + S).ids[FrameName("can0", 0x100, False)]
    assert one.frames == 1
    assert one.rate_hz is None


def test_long_frames_are_whole_and_shorter_ones_after_them_too():
    long = comb(0x100, 10, 0.1, length=64, payload=np.full((10, 64), 7, dtype=np.uint8))
    short = comb(0x100, 10, 0.1, length=3, start=START + S)
    name = FrameName("can0", 0x100, False)
    tracker = tracked(long)
    assert tracker.result(START).ids[name].payload == bytes([7] * 64)
    tracker.update(short)
    assert tracker.result(START + S).ids[name].payload == short.payload_of(len(short) - 1)


def test_frames_without_a_time_are_counted_and_give_no_rate():
    frames = comb(0x100, 10, 1.0)
    untimed = changed(frames, time_ns=np.zeros_like(frames.time_ns), flags=frames.flags | np.uint8(Flag.UNTIMED))
    result = tracked(untimed).result(0)
    one = result.ids[FrameName("can0", 0x100, False)]
    assert one.frames == 100
    assert one.rate_hz is None
    assert result.buses["can0"].last_ns is None
    assert (one.first_ns, one.last_ns) == (0, 0)
    mixed_up = concatenate([untimed.slice(0, 50), frames])
    assert tracked(mixed_up).result(START + S).ids[FrameName("can0", 0x100, False)].rate_hz == pytest.approx(100)


def test_bits_may_be_given():
    given_bits, own = RecentTracker(), RecentTracker()
    given_bits.update(MIXED, wire_bits(MIXED))
    own.update(MIXED)
    now = int(MIXED.time_ns[-1])
    same(given_bits.result(now), own.result(now))


def test_a_copy_goes_on_by_itself():
    half = len(MIXED) // 2
    tracker = tracked(MIXED.slice(0, half))
    copy = tracker.copy()
    before = copy.result(START + 6 * S)
    tracker.update(MIXED.slice(half, len(MIXED)))
    same(copy.result(START + 6 * S), before)
    copy.update(MIXED.slice(half, len(MIXED)))
    same(copy.result(START + 6 * S), tracker.result(START + 6 * S))


def test_new_identifiers_and_buses_may_come_at_any_time():
    first = comb(0x100, 10, 1.0)
    second: Frames = comb(0x101, 10, 1.0, bus=1, buses=("can0", "can1"), start=START + S)
    tracker = tracked(first)
    tracker.update(second)
    result = tracker.result(START + 2 * S)
    assert set(result.buses) == {"can0", "chassis"}
    assert result.ids[FrameName("chassis", 0x101, False)].frames == 100
    assert RecentTracker().result(5).ids == {}
