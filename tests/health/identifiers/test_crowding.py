"""The busiest second of an identifier against a plain count, however its arrivals are cut into blocks."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.health.identifiers import crowding as module
from buswright.health.identifiers.crowding import Crowding

S = 1_000_000_000
SPACINGS = st.lists(st.integers(-300, 1500).map(lambda ms: ms * 1_000_000), min_size=1, max_size=120)


def plain(time_ns, bits):
    """Most frames in a second that ends with one, its first frame and bits; no second reaches over a jump back."""
    found, begin = None, 0
    for end in range(len(time_ns)):
        if end and time_ns[end] < time_ns[end - 1]:
            begin = end
        rows = [row for row in range(begin, end + 1) if time_ns[row] > time_ns[end] - S]
        if found is None or len(rows) > found[1]:
            found = (time_ns[rows[0]], len(rows), sum(bits[row] for row in rows))
    return found


def folded(time_ns, bits, cuts, period_ns):
    fold = Crowding()
    edges = [0, *sorted({cut for cut in cuts if 0 < cut < len(time_ns)}), len(time_ns)]
    for start, stop in pairwise(edges):
        fold.add(time_ns[start:stop], bits[start:stop], period_ns)
    return fold


@given(SPACINGS, st.lists(st.integers(1, 119), max_size=6), st.sampled_from([None, 5e7, 4e8, 2e9]))
def test_it_is_the_true_one_for_any_cutting(spacings, cuts, period_ns):
    time_ns = 1_000 * S + np.cumsum(np.array(spacings, dtype=np.int64))
    bits = (100 + np.arange(len(time_ns)) % 7).astype(np.int32)
    whole, parts = folded(time_ns, bits, [], period_ns), folded(time_ns, bits, cuts, period_ns)
    assert tuple(whole.busiest) == plain(time_ns.tolist(), bits.tolist())
    assert parts.busiest == whole.busiest
    assert parts.busy_seconds == whole.busy_seconds
    if period_ns is None:
        assert whole.busy_seconds == 0


def test_busy_seconds_do_not_overlap():
    time_ns = 1_000 * S + np.arange(2_500, dtype=np.int64) * 1_000_000
    fold = folded(time_ns, np.full(2_500, 100, np.int32), [700, 1_900], 1e8)
    assert fold.busy_seconds == 3
    assert fold.busiest == (1_000 * S, 1_000, 100_000)


def test_a_clock_that_goes_back_keeps_each_frame_its_own_bits():
    time_ns = 1_000 * S + np.array([500, 100, 200, 300], dtype=np.int64) * 1_000_000
    fold = folded(time_ns, np.array([1_000, 1, 2, 3], np.int32), [], None)
    assert fold.busiest == (int(time_ns[1]), 3, 6)


def test_what_was_long_ago_is_not_held_and_a_flood_neither(monkeypatch):
    """Of a second no more than the latest frames are held; what is a whole second before the latest is gone."""
    fold = Crowding()
    fold.add(np.array([0, 1, S, S + 1], dtype=np.int64), np.ones(4, np.int32), None)
    assert fold._time_ns.tolist() == [S, S + 1]
    monkeypatch.setattr(module, "_MOST_HELD", 3)
    fold.add(S + 2 + np.arange(10, dtype=np.int64), np.arange(10, dtype=np.int32), None)
    assert (fold._time_ns.tolist(), fold._bits.tolist()) == ([S + 9, S + 10, S + 11], [7, 8, 9])


@pytest.mark.parametrize(("frames", "busy"), [(301, 0), (302, 1)])
def test_a_second_is_busy_with_over_three_times_the_frames_that_its_period_allows(frames, busy):
    """Every 10 ms a second holds 100 frames, or 101 of which the first was late: three times that, and one more."""
    time_ns = 1_000 * S + np.arange(frames, dtype=np.int64) * 1_000_000
    assert folded(time_ns, np.ones(frames, np.int32), [], 1e7).busy_seconds == busy


@pytest.mark.parametrize(("ms", "busy"), [(4, 1), (5, 0)])
def test_a_busy_second_begins_with_frames_that_are_too_close(ms, busy):
    """Every 15 ms would do no harm; frames 5 ms apart are a third of that."""
    time_ns = 1_000 * S + np.concatenate([[0], ms * 1_000_000 + np.arange(250) * 3_900_000]).astype(np.int64)
    whole = folded(time_ns, np.ones(len(time_ns), np.int32), [], 15e6)
    later = folded(time_ns[1:], np.ones(len(time_ns) - 1, np.int32), [], 15e6)
    assert (whole.busy_seconds, later.busy_seconds) == (1, 1)
    assert (whole._free_ns == int(time_ns[0]) + S) is bool(busy)


@pytest.mark.parametrize(("pause_ns", "busy"), [(0, 2), (-1, 1)])
def test_the_next_busy_second_begins_no_sooner_than_the_last_one_ends(pause_ns, busy):
    """Two floods of 400 frames within 0.1 s, the second one from the end of the first second on."""
    flood = np.arange(400, dtype=np.int64) * 250_000
    time_ns = 1_000 * S + np.concatenate([flood, S + pause_ns + flood[:302]])
    assert folded(time_ns, np.ones(len(time_ns), np.int32), [], 1e7).busy_seconds == busy


def test_frames_just_a_second_apart_are_in_no_second_together():
    for apart, most in ((S, 1), (S - 1, 2)):
        fold = folded(np.array([0, apart], dtype=np.int64), np.array([3, 4], np.int32), [], None)
        assert fold.busiest == (0, most, 3 if most == 1 else 7)
