"""The busiest second of an identifier against a plain count, however its arrivals are cut into blocks."""

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

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
