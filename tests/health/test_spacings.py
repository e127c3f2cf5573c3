"""Spacings by column: against a loop over frames, whatever the batches."""

from collections import defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import FrameName
from buswright.frames.table import Flag, empty_frames
from buswright.health import spacings as module
from buswright.health.spacings import FINEST_NS, SpacingColumns
from tests.frames.frame_batches import batch_of

BUSES = ("can0", "can1", "can2")
NAMES = {"can0": "engine", "can2": "engine"}


def batch(rows):
    return batch_of([(*row, 8, bytes(8)) for row in rows], BUSES)


def by_hand(rows, width):
    """The same with a loop: {name: {column: (frames, shortest, longest)}}."""
    found, last = defaultdict(dict), {}
    for time_ns, bus, identifier, flags in rows:
        if flags & (Flag.ERROR | Flag.REMOTE | Flag.UNTIMED):
            continue
        name = FrameName(NAMES.get(BUSES[bus], BUSES[bus]), identifier, bool(flags & Flag.EXTENDED))
        column = time_ns // width
        frames, shortest, longest = found[name].get(column, (0, -1, -1))
        spacing = time_ns - last[name] if name in last else -1
        if spacing >= 0:
            shortest = spacing if shortest < 0 else min(shortest, spacing)
            longest = max(longest, spacing)
        last[name] = time_ns
        found[name][column] = (frames + 1, shortest, longest)
    return dict(found)


def as_plain(result):
    return {
        name: {
            start // result.width_ns: (frames, shortest, longest)
            for start, frames, shortest, longest in zip(
                *(c.tolist() for c in (track.start_ns, track.frames, track.shortest_ns, track.longest_ns)), strict=True
            )
        }
        for name, track in result.tracks.items()
    }


ROWS = st.lists(
    st.tuples(
        st.integers(-50, 400).map(lambda k: k * 3_700_001),
        st.integers(0, 2),
        st.sampled_from([0x100, 0x101]),
        st.sampled_from([0, 0, 0, Flag.EXTENDED, Flag.ERROR, Flag.REMOTE, Flag.UNTIMED]).map(int),
    ),
    max_size=60,
)


@settings(deadline=None)
@given(ROWS, st.lists(st.integers(0, 60), max_size=4), st.sampled_from([4, 16, 1200]))
def test_any_cutting_gives_what_a_loop_gives(rows, cuts, most):
    fold = SpacingColumns(NAMES)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MOST_COLUMNS", most)
        edges = [0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)]
        for start, stop in pairwise(edges):
            fold.update(batch(rows[start:stop]))
    result = fold.result()
    assert as_plain(result) == by_hand(rows, result.width_ns)
    columns = {column for track in by_hand(rows, result.width_ns).values() for column in track}
    assert len(columns) <= most
    if result.width_ns > FINEST_NS:
        finer = {column for track in by_hand(rows, result.width_ns // 2).values() for column in track}
        assert len(finer) > most, "no coarser than it must be"


@given(ROWS, st.integers(1, 20))
def test_a_coarser_grid_keeps_the_extremes(rows, columns):
    fold = SpacingColumns(NAMES)
    fold.update(batch(rows))
    coarse = fold.result().within(columns)
    assert as_plain(coarse) == by_hand(rows, coarse.width_ns)
    assert len({start for track in coarse.tracks.values() for start in track.start_ns.tolist()}) <= max(columns, 2)


def test_a_flood_of_identifiers_is_bounded():
    fold = SpacingColumns()
    for start in (0, 3_000, 6_000):
        fold.update(batch([(k * 1000, 0, k, int(Flag.EXTENDED)) for k in range(start, start + 3_000)]))
    fold.update(batch([(10**10, 0, 5_000, int(Flag.EXTENDED)), (10**10, 0, 7, int(Flag.EXTENDED))]))
    tracks = fold.result().tracks
    assert len(tracks) == module.MOST_IDS
    assert tracks[FrameName("can0", 7, True)].frames.tolist() == [1, 1]
    assert FrameName("can0", 5_000, True) not in tracks


def test_nothing_gives_nothing():
    fold = SpacingColumns()
    fold.update(empty_frames(BUSES))
    assert fold.result().tracks == {}
    assert fold.result().within(5).tracks == {}


def test_memory_does_not_grow_with_the_run():
    fold = SpacingColumns()
    for minute in range(40):
        times = (np.arange(0, 60, 0.01) + minute * 60) * 1e9
        fold.update(batch([(int(t), 0, 0x123, 0) for t in times]))
    (track,) = fold.result().tracks.values()
    assert len(track.start_ns) <= module.MOST_COLUMNS
    assert set(track.longest_ns.tolist()) <= {9_999_999, 10_000_000, 10_000_001, 10_000_128, 9_999_872, 10_000_256}
    assert track.frames.sum() == 40 * 6000
