"""Counts by identifier equal those of a loop over the frames, however these are cut into batches."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.table import Flag, Frames
from buswright.frames.tally import Identifier, Tally
from tests.frames.frame_batches import batch_of, frame_rows

BUSES = ("can0", "can1", "can2")


def told(tally: Tally) -> dict[tuple[str, int, bool, str], tuple[object, ...]]:
    return {
        (one.bus, one.id, one.extended, one.kind): (one.count, one.lengths, one.fd, one.first_ns, one.last_ns)
        for one in tally.identifiers
    }


def counted(frames: Frames) -> dict[tuple[str, int, bool, str], tuple[object, ...]]:
    rows: dict[tuple[str, int, bool, str], list[int]] = {}
    for row in range(len(frames)):
        flags = Flag(int(frames.flags[row]))
        kind = "error" if flags & Flag.ERROR else "remote" if flags & Flag.REMOTE else "data"
        key = (frames.buses[frames.bus[row]], int(frames.id[row]), bool(flags & Flag.EXTENDED), kind)
        rows.setdefault(key, []).append(row)
    return {
        key: (
            len(own),
            tuple(sorted({int(frames.length[row]) for row in own})),
            any(frames.flags[row] & Flag.FD for row in own),
            min(int(frames.time_ns[row]) for row in own),
            max(int(frames.time_ns[row]) for row in own),
        )
        for key, own in rows.items()
    }


@given(st.lists(frame_rows(), min_size=1, max_size=40), st.lists(st.integers(0, 40), max_size=4))
def test_any_frames_are_counted_as_a_loop_counts_them(rows, places) -> None:  # type: ignore[no-untyped-def]
    frames = batch_of([*rows, rows[0]], buses=BUSES)
    tally = Tally()
    for start, stop in pairwise(sorted({0, len(frames), *(place for place in places if place < len(frames))})):
        tally.update(frames.slice(start, stop))
    tally.update(frames.slice(0, 0))
    assert told(tally) == counted(frames)
    assert tally.frames == len(frames)
    assert (tally.first_ns, tally.last_ns) == (int(frames.time_ns.min()), int(frames.time_ns.max()))


def test_frames_without_a_time_are_counted_and_give_none() -> None:
    frames = batch_of([(5, 0, 0x123, 0, 2, b"\x01\x02"), (9, 0, 0x123, 0, 1, b"\x01")])
    tally = Tally()
    tally.update(dataclasses.replace(frames, flags=frames.flags | np.uint8(Flag.UNTIMED)))
    assert told(tally) == {("can0", 0x123, False, "data"): (2, (1, 2), False, None, None)}
    assert (tally.first_ns, tally.last_ns, tally.frames) == (None, None, 2)


def test_first_and_last_time_are_those_of_all_frames() -> None:
    tally = Tally()
    for stamps in ([70, 50], [20, 90], [60]):
        tally.update(batch_of([(at, 0, 0x100 + at, 0, 1, b"\x01") for at in stamps]))
    assert (tally.first_ns, tally.last_ns, tally.frames) == (20, 90, 5)


FIRST = 1_700_000_000 * 10**9


def identifier_of(rows) -> Identifier:  # type: ignore[no-untyped-def]
    tally = Tally()
    tally.update(batch_of(rows))
    (found,) = tally.identifiers
    return found


@pytest.mark.parametrize(
    ("stamps", "rate_hz"),
    [
        ([0], None),
        ([0, 0], None),
        ([0, 500_000_000], 2.0),
        ([0, 10_000_000, 20_000_000, 40_000_000], 75.0),  # three steps in 40 ms
        ([40_000_000, 0], 25.0),
    ],
)
def test_a_rate_counts_the_steps_from_the_first_to_the_last(stamps, rate_hz) -> None:  # type: ignore[no-untyped-def]
    assert identifier_of([(FIRST + at, 0, 0x100, 0, 0, b"") for at in stamps]).rate_hz == rate_hz


def test_a_rate_needs_times() -> None:
    found = identifier_of([(at, 0, 0x100, int(Flag.UNTIMED), 0, b"") for at in (0, 1)])
    assert found.rate_hz is None
    for missing in ({"first_ns": None, "last_ns": 5}, {"first_ns": 5, "last_ns": None}):
        assert dataclasses.replace(found, **missing).rate_hz is None


@pytest.mark.parametrize(
    ("flags", "text", "kind"),
    [
        (0, "01A", "data"),
        (Flag.EXTENDED, "0000001A", "data"),
        (Flag.REMOTE, "01A", "remote"),
        (Flag.ERROR, "0000001A", "error"),
        (Flag.REMOTE | Flag.EXTENDED, "0000001A", "remote"),
        (Flag.ERROR | Flag.REMOTE, "0000001A", "error"),
    ],
)
def test_an_identifier_is_written_as_candump_writes_it(flags, text, kind) -> None:  # type: ignore[no-untyped-def]
    found = identifier_of([(0, 0, 0x1A, int(flags), 8, bytes(8))])
    assert (found.text, found.kind, found.extended) == (text, kind, bool(flags & Flag.EXTENDED))


def test_every_length_of_can_fd_is_told() -> None:
    rows = [(0, 0, 0x100, int(Flag.FD), 0, bytes(size)) for size in (64, 48, 0, 12, 1)]
    assert identifier_of(rows).lengths == (0, 1, 12, 48, 64)
    assert identifier_of(rows).fd


def test_a_batch_with_a_frame_that_has_no_time_tells_no_times() -> None:
    tally = Tally()
    tally.update(batch_of([(0, 0, 0x100, int(Flag.UNTIMED), 0, b""), (FIRST, 0, 0x100, 0, 0, b"")]))
    assert (tally.first_ns, tally.last_ns) == (None, None)
    tally.update(batch_of([(FIRST, 0, 0x100, 0, 0, b""), (FIRST + 9, 0, 0x100, 0, 0, b"")]))
    assert [(one.count, one.first_ns, one.last_ns) for one in tally.identifiers] == [(4, FIRST, FIRST + 9)]


def test_identifiers_come_by_bus_and_then_as_they_win_the_bus_error_frames_last() -> None:
    """ISO 11898-1: of equal leading eleven bits, the 11-bit identifier wins."""
    rows = [
        (0, 1, 0x050, 0, 0, b""),
        (0, 0, 0x200, 0, 0, b""),
        (0, 0, 0x004, int(Flag.ERROR), 8, bytes(8)),
        (0, 0, 0x100 << 18, int(Flag.EXTENDED), 0, b""),
        (0, 0, 0x100, int(Flag.REMOTE), 0, b""),
        (0, 0, 0x100, 0, 0, b""),
        (0, 0, (0x100 << 18) - 1, int(Flag.EXTENDED), 0, b""),
    ]
    tally = Tally()
    tally.update(batch_of(rows, BUSES))
    assert [(one.bus, one.text, one.kind) for one in tally.identifiers] == [
        ("can0", "03FFFFFF", "data"),
        ("can0", "100", "data"),
        ("can0", "100", "remote"),
        ("can0", "04000000", "data"),
        ("can0", "200", "data"),
        ("can0", "00000004", "error"),
        ("can1", "050", "data"),
    ]


def test_what_is_counted_does_not_depend_on_the_order_of_batches() -> None:
    rows = [(at, at % 2, 0x100, 0, at % 9, bytes(at % 9)) for at in (30, 7, 90, 11, 60, 2)]
    forth, back = Tally(), Tally()
    for tally, order in ((forth, rows), (back, rows[::-1])):
        for row in order:
            tally.update(batch_of([row], BUSES))
    assert told(forth) == told(back)
    assert told(forth)["can0", 0x100, False, "data"][-2:] == (2, 90)
    assert told(forth)["can1", 0x100, False, "data"][-2:] == (7, 11)
