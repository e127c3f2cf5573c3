"""Counts by identifier equal those of a loop over the frames, however these are cut into batches."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.table import Flag, Frames
from buswright.frames.tally import Tally
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
