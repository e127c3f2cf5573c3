"""What is on the buses at the moment, by figures worked out by hand; every limit at it and just beyond."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, Frames
from buswright.frames.wire.bits import WireBits, wire_bits
from buswright.health.recent import BusNow, IdNow, Recent, RecentTracker
from tests.frames.frame_batches import batch_of
from tests.health.traffic import MS

ONE = FrameName("can0", 0x100, False)


def frames(*times_ms: float, flags: int = 0, identifier: int = 0x100, data: bytes = b"\1") -> Frames:
    return batch_of([(round(time * MS), 0, identifier, flags, len(data), data) for time in times_ms])


def now(batch: Frames, at_ms: float, cut: int = 0) -> Recent:
    tracker = RecentTracker()
    for part in (batch.slice(0, cut), batch.slice(cut, len(batch))):
        tracker.update(part)
    return tracker.result(round(at_ms * MS))


def every(period_ms: float, many: int, start_ms: float = 0) -> list[float]:
    return (start_ms + np.arange(many) * period_ms).tolist()


# Buses ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_ms", "per_s"),
    [
        (3050, 100.0),  # from 0.9 to 2.9 s
        (3100, 100.0),
        (1050, 100.0),  # it began at 0: from there to 0.9 s
        (299, 100.0),
        (200, 100.0),
        (199, 0.0),  # nothing is settled
        (4950, 60.0),  # frames until 4 s, window from 2.8 to 4.8 s
        (6099, 5.0),  # window from 3.9 to 5.9 s
        (6100, 0.0),
        (-50, 0.0),
    ],
)
def test_a_bus_is_counted_over_two_settled_seconds(at_ms: float, per_s: float) -> None:
    """Every 10 ms from 0 to 4 s; what came in the last tenth of a second may not be all."""
    times = [time for time in every(10, 400) if time <= max(0, at_ms)]
    batch = frames(*times)
    bits = int(wire_bits(batch).nominal[0])
    for cut in (0, 1, len(times) // 3, len(times) - 1):
        bus = now(batch, at_ms, cut).buses["can0"]
        last_ns = round(times[-1] * MS)
        assert bus == BusNow("can0", pytest.approx(per_s), pytest.approx(per_s * bits), 0.0, last_ns)


def test_error_frames_are_counted_among_all_and_by_themselves() -> None:
    rows = [(n * 10 * MS, 0, 0x88, int(Flag.ERROR) if n % 4 == 0 else 0, 8, bytes(8)) for n in range(400)]
    bus = now(batch_of(rows), 3050).buses["can0"]
    assert (bus.frames_per_s, bus.errors_per_s) == (100.0, 25.0)


def test_a_bus_without_a_time_has_no_rate_and_one_that_is_named_none_either() -> None:
    untimed = now(frames(5, 6, flags=int(Flag.UNTIMED)), 3000)
    assert untimed.buses == {"can0": BusNow("can0", 0.0, 0.0, 0.0, None)}
    both = batch_of([(5 * MS, 1, 0x100, 0, 1, b"\1")], ("can0", "can1"))
    found = now(both, 3000)
    assert found.buses["can0"] == BusNow("can0", 0.0, 0.0, 0.0, None)
    assert found.buses["can1"].last_ns == 5 * MS
    assert found.now_ns == 3000 * MS


@pytest.mark.parametrize("cut", range(9))
def test_a_place_in_the_ring_belongs_to_its_latest_frame(cut: int) -> None:
    """Three frames in bin 5, two in bin 37 that takes its place, and one that is stamped in bin 5 again."""
    batch = frames(500, 510, 520, 3700, 3710, 590)
    assert now(batch.slice(0, 3), 700, min(cut, 3)).buses["can0"].frames_per_s == pytest.approx(3 / 0.1)
    assert now(batch.slice(0, 5), 3900, min(cut, 5)).buses["can0"].frames_per_s == 1.0
    again = now(batch, 2600, min(cut, 6)).buses["can0"]
    assert (again.frames_per_s, again.last_ns) == (pytest.approx(1 / 2), 590 * MS)


# Identifiers ----------------------------------------------------------------------------------------------------------


def rate(times_ms: list[float], at_ms: float) -> Any:
    found = {now(frames(*times_ms), at_ms, cut).ids[ONE].rate_hz for cut in (0, 1, len(times_ms) // 2)}
    assert len(found) == 1
    return found.pop()


@pytest.mark.parametrize(
    ("times_ms", "at_ms", "hz"),
    [
        (every(200, 11), 2000, 5.0),
        (every(200, 11), 2400, 5.0),  # 1.5 periods and a tenth of a second are not overdue
        (every(200, 11), 2500, 10 / 2.1),  # 0.5 s of silence are 0.1 s overdue
        (every(200, 11), 4000, 10 / (2 + 2 - 0.3 - 0.1)),
        (every(200, 11), 4001, 0.0),  # a whole window without a frame
        (every(200, 2), 200, 5.0),
        (every(200, 1), 200, None),
        ([0, 0], 100, 0.0),  # two of one stamp have no rate
        # Of more than eleven frames in the window all count: steps of 50 ms, and one of 350 ms long ago.
        # The window is the bin of this moment and nineteen before it.
        ([*every(50, 10), *every(50, 30, 800)], 2250, 33 / 1.95),
        ([*every(50, 10), *every(50, 30, 800)], 2350, 31 / 1.85),
        ([0, 1000, *every(100, 11, 1500)], 2500, 11 / 1.5),
        # Of fewer the latest ten spacings.
        ([0, 100, 200, *every(300, 8, 600)], 2700, 10 / 2.7),
    ],
)
def test_a_rate_is_of_the_window_or_of_ten_periods(times_ms: list[float], at_ms: float, hz: float | None) -> None:
    found = rate(times_ms, at_ms)
    assert found == (None if hz is None else pytest.approx(hz))


def test_ten_periods_of_a_slow_one_are_waited_for() -> None:
    """Every 700 ms: for seven seconds of silence there is a rate."""
    times = every(700, 12)
    assert rate(times, times[-1] + 7000) == pytest.approx(10 / (7 + 7 - 1.05 - 0.1))
    assert rate(times, times[-1] + 7001) == 0.0


def test_an_identifier_is_told_whole() -> None:
    rows = [
        (1 * MS, 0, 0x100, 0, 2, b"\1\2"),
        (2 * MS, 0, 0x100, int(Flag.FD), 9, bytes(range(12))),
        (5 * MS, 0, 0x100, int(Flag.EXTENDED), 1, b"\7"),
        (6 * MS, 0, 0x100, int(Flag.REMOTE), 1, b""),
    ]
    for cut in range(5):
        found = now(batch_of(rows), 102, min(cut, 4)).ids
        wide = FrameName("can0", 0x100, True)
        assert found == {
            ONE: IdNow(
                ONE,
                2,
                1 * MS,
                2 * MS,
                pytest.approx(1000),
                bytes(range(12)),
                12,
                True,
            ),
            wide: IdNow(wide, 1, 5 * MS, 5 * MS, None, b"\7", 1, False),
        }
    shorter = now(batch_of([rows[1], rows[0]]), 50).ids[ONE]
    assert (shorter.payload, shorter.length, shorter.fd) == (b"\1\2", 2, False)


def test_an_age_is_never_negative() -> None:
    one = now(frames(1000), 1500).ids[ONE]
    assert (one.age_s(1500 * MS), one.age_s(1000 * MS), one.age_s(0)) == (0.5, 0.0, 0.0)


def test_frames_without_a_time_count_and_leave_the_times_of_others() -> None:
    rows = [(n * MS, 0, 0x100, int(Flag.UNTIMED) if n % 2 else 0, 1, bytes([n])) for n in range(1, 9)]
    for cut in range(9):
        one = now(batch_of(rows), 50, min(cut, 8)).ids[ONE]
        assert (one.frames, one.first_ns, one.last_ns, one.payload) == (8, 2 * MS, 8 * MS, b"\10")
        assert one.rate_hz == pytest.approx(500)


def test_bits_of_another_dialect_are_taken_as_they_are_given() -> None:
    batch = frames(*every(10, 300))
    bits = wire_bits(batch)
    tracker = RecentTracker()
    tracker.update(batch, WireBits(bits.nominal * 2, bits.data, bits.stuff))
    assert tracker.result(3050 * MS).buses["can0"].bits_per_s == pytest.approx(2 * 100 * int(bits.nominal[0]))
