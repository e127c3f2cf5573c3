"""Frames held in memory: the latest ones, however they came, and no more than asked for."""

from dataclasses import replace

import numpy as np
import pytest

from buswright.frames.latest import LatestFrames
from buswright.frames.table import Flag, Frames, concatenate
from tests.frames.frame_batches import batch_of, rows_of

S = 1_000_000_000


def stream(count: int, step_ns: int = 1_000_000, start_ns: int = 5 * S, buses=("can0", "can1")) -> Frames:
    """Frames every `step_ns` on two buses, identifiers 0x100 to 0x104, the row number as payload."""
    at = np.arange(count)
    return Frames(
        time_ns=start_ns + at * step_ns,
        bus=(at % 2).astype(np.uint8),
        id=(0x100 + at % 5).astype(np.uint32),
        flags=np.zeros(count, np.uint8),
        dlc=np.full(count, 8, np.uint8),
        length=np.full(count, 8, np.uint8),
        payload=at.astype("<u8").view(np.uint8).reshape(count, 8),
        buses=buses,
    )


def cut(frames: Frames, seed: int, most: int) -> list[Frames]:
    random = np.random.default_rng(seed)
    pieces, at = [], 0
    while at < len(frames):
        stop = min(len(frames), at + int(random.integers(1, most)))
        pieces.append(frames.slice(at, stop))
        at = stop
    return pieces


@pytest.mark.parametrize(("seed", "most"), [(1, 50), (2, 5_000), (3, 60_000)])
def test_the_last_seconds_are_held_whatever_the_cutting(seed, most):
    frames = stream(60_000)
    held = LatestFrames(seconds=10.0)
    for piece in cut(frames, seed, most):
        held.add(piece)
    # Small batches wait to be joined, and only joined ones are cut: a few seconds more may stay.
    kept = held.whole()
    assert len(kept) == len(held)
    assert rows_of(kept) == rows_of(frames.slice(len(frames) - len(kept), len(frames)))
    assert 10_001 <= len(kept) <= 10_001 + 8_192
    assert held.span_ns == (int(kept.time_ns[0]), int(frames.time_ns[-1]))


def test_no_more_frames_than_asked_for():
    held = LatestFrames(seconds=1e6, frames=20_000)
    frames = stream(100_000)
    for piece in cut(frames, 4, 3_000):
        held.add(piece)
        assert len(held) <= 20_000 + 8_192
    assert rows_of(held.whole()) == rows_of(frames.slice(100_000 - len(held), 100_000))


def test_one_great_batch_does_not_stay_whole():
    held = LatestFrames(seconds=5.0)
    held.add(stream(100_000))
    assert len(held) == 5_001


def test_since_and_of():
    frames = stream(30_000)
    held = LatestFrames()
    for piece in cut(frames, 5, 700):
        held.add(piece)
    late = frames.time_ns >= frames.time_ns[20_000]
    assert rows_of(held.since(int(frames.time_ns[20_000]))) == rows_of(frames.take(late))
    assert len(held.since(int(frames.time_ns[-1]) + 1)) == 0
    own = (frames.id == 0x103) & (frames.bus == 1)
    assert rows_of(held.of("can1", 0x103, False)) == rows_of(frames.take(own))
    assert rows_of(held.of("can1", 0x103, False, limit=7)) == rows_of(frames.take(np.flatnonzero(own)[-7:]))
    assert len(held.of("can1", 0x103, True)) == 0
    assert len(held.of("can9", 0x103, False)) == 0


def test_of_leaves_out_error_and_remote_frames_and_keeps_long_payloads():
    rows = [
        (1, 0, 0x10, 0, 8, bytes(range(8))),
        (2, 0, 0x10, int(Flag.REMOTE), 8, b""),
        (3, 0, 0x10, int(Flag.ERROR), 8, bytes(8)),
        (4, 0, 0x10, int(Flag.FD), 15, bytes(range(64))),
        (5, 0, 0x10, int(Flag.EXTENDED), 8, bytes(8)),
    ]
    held = LatestFrames()
    held.add(batch_of(rows))
    found = held.of("can0", 0x10, False)
    assert found.time_ns.tolist() == [1, 4]
    assert found.payload_of(1) == bytes(range(64))
    assert held.of("can0", 0x10, True).time_ns.tolist() == [5]


def test_age_goes_by_the_order_of_arrival():
    """25 s before the newest: all 20 s since the clock was set back, and the last 5 s before that."""
    first, back = stream(20_000, start_ns=1_000 * S), stream(20_000, start_ns=10 * S)
    held = LatestFrames(seconds=25.0)
    held.add(first)
    held.add(back)
    times = held.whole().time_ns
    assert np.count_nonzero(times < 1_000 * S) == 20_000
    assert np.count_nonzero(times >= 1_000 * S) == pytest.approx(5_000, abs=5)


def test_a_quiet_bus_is_bounded_by_time_too():
    held = LatestFrames(seconds=120.0)
    for piece in stream(5_000, step_ns=S).pieces(1):
        held.add(piece)
    assert 120 <= len(held) <= 130


def test_after_a_jump_back_old_frames_still_go():
    held = LatestFrames(seconds=5.0)
    held.add(stream(20_000, start_ns=1_000 * S))
    for piece in stream(20_000, start_ns=10 * S).pieces(500):
        held.add(piece)
    assert held.whole().time_ns.max() < 1_000 * S
    held.add(stream(10, start_ns=9_000 * S))
    held.add(stream(10_000, start_ns=9_001 * S))
    assert held.whole().time_ns.min() >= 9_000 * S


def test_nothing_and_everything_let_go():
    held = LatestFrames()
    assert held.span_ns is None
    assert len(held.whole()) == len(held.since(0)) == len(held.of("can0", 1, False)) == 0
    held.add(stream(10))
    held.add(stream(0))
    assert len(held) == 10
    held.clear()
    assert len(held) == 0
    assert held.span_ns is None


def test_frames_without_a_time_are_bounded_by_count():
    frames = stream(30_000)
    flags = np.full(30_000, int(Flag.UNTIMED), np.uint8)
    untimed = replace(frames, time_ns=np.zeros(30_000, np.int64), flags=flags)
    held = LatestFrames(frames=9_000)
    for piece in untimed.pieces(1_000):
        held.add(piece)
    assert len(held) <= 9_000 + 8_192
    assert held.span_ns is None
    assert rows_of(held.whole())[-1] == rows_of(untimed)[-1]


def at_seconds(seconds, buses=("can0",), flags=0) -> Frames:
    return batch_of([(round(second * S), 0, 0x100, flags, 0, b"") for second in seconds], buses)


def seconds_of(frames: Frames) -> list[float]:
    return (frames.time_ns / S).tolist()


def test_the_last_two_minutes_are_held_unless_told_otherwise():
    held = LatestFrames()
    held.add(stream(9_000, step_ns=20_000_000, start_ns=0))  # 180 s, in one batch: cut at once
    assert held.span_ns == (180 * S - 20_000_000 - 120 * S, 180 * S - 20_000_000)


def test_a_frame_as_old_as_is_held_is_held():
    held = LatestFrames(seconds=4.0)
    for at in range(11):
        held.add(at_seconds([at]))
    assert seconds_of(held.whole()) == [6, 7, 8, 9, 10]
    assert len(held) == 5


def test_frames_since_a_time_come_whole_in_part_or_not_at_all():
    held = LatestFrames()
    for seconds in ([0, 1], [1, 2], [5, 3, 2], [3]):
        held.add(at_seconds(seconds))
    assert seconds_of(held.since(2 * S)) == [2, 5, 3, 2, 3]
    assert seconds_of(held.since(0)) == [0, 1, 1, 2, 5, 3, 2, 3]
    assert held.since(5 * S + 1).buses == ("can0",)


@pytest.mark.parametrize(
    ("limit", "expected"),
    [(None, [0, 1, 2, 3, 4]), (9, [0, 1, 2, 3, 4]), (3, [2, 3, 4]), (2, [3, 4]), (1, [4]), (0, [])],
)
def test_the_latest_frames_of_an_identifier(limit, expected):
    held = LatestFrames()
    for seconds in ([0, 1], [2], [3, 4]):
        held.add(at_seconds(seconds))
        held.add(batch_of([(round(seconds[-1] * S), 0, 0x101, 0, 0, b"")]))
    assert seconds_of(held.of("can0", 0x100, False, limit)) == expected


def test_no_more_than_so_many_frames_to_the_frame_once_they_are_joined():
    held = LatestFrames(seconds=1e6, frames=3)
    for at in range(8):
        held.add(at_seconds([at * 1e5]))  # so far apart that each is joined at once
    assert seconds_of(held.whole()) == [5e5, 6e5, 7e5]
    held.add(at_seconds([8e5, 9e5, 9.1e5, 9.2e5]))
    assert seconds_of(held.whole()) == [9e5, 9.1e5, 9.2e5]


def test_buses_grow_and_are_forgotten():
    held = LatestFrames()
    held.add(at_seconds([], ("a", "b")))
    held.add(at_seconds([1], ("a",)))
    assert held.buses == ("a", "b")
    assert held.of("a", 0x100, False).time_ns.tolist() == [S]
    assert held.of("b", 0x100, False).buses == ("a", "b")
    held.clear()
    assert (held.buses, len(held), held.span_ns) == ((), 0, None)


def test_frames_without_a_time_are_in_no_span_and_let_no_time_pass():
    held = LatestFrames(seconds=4.0)
    held.add(at_seconds([100, 101]))
    held.add(at_seconds([0, 0], flags=int(Flag.UNTIMED)))
    assert held.span_ns == (100 * S, 101 * S)
    held.add(at_seconds([104]))
    assert len(held) == 5


def test_a_great_batch_is_cut_where_the_clock_was_set_back_within_it():
    """The last 30 s by the order of arrival: 20 s since the clock was set back, and 10 s before, and a piece."""
    forth, back = stream(20_000, start_ns=1_000 * S), stream(20_000, start_ns=10 * S)
    both = concatenate([forth, back])
    held = LatestFrames(seconds=30.0)
    held.add(both)
    times = held.whole().time_ns
    assert np.count_nonzero(times < 1_000 * S) == 20_000
    assert 10_000 <= np.count_nonzero(times >= 1_000 * S) <= 10_000 + 8_192


def test_small_batches_are_joined_after_a_sixteenth_of_the_held_time():
    """So that a live bus, which gives dozens of batches a second, costs no more with every second."""
    held = LatestFrames(seconds=16.0)
    for at in range(500):
        held.add(at_seconds([at / 100]))
    assert [len(batch.frames) for batch in held._batches] == [102, 101, 101, 101]  # more than a second each
    assert len(held) == 500


def test_small_batches_are_joined_when_they_are_many():
    held = LatestFrames(seconds=1e6)
    for _ in range(3):
        held.add(stream(4_096, step_ns=0))
    assert [len(batch.frames) for batch in held._batches] == [8_192]
