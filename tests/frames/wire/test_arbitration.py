"""Arbitration against a bus that is played through bit time by bit time in the plainest way."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.frames.wire.arbitration import arbitrate, rank


def plainly(released, ranks, duration):
    """Whenever the bus is free, the waiting frame of the lowest rank starts."""
    waiting, order, starts, now = list(range(len(released))), [], [], 0
    while waiting:
        ready = [row for row in waiting if released[row] <= now]
        if not ready:
            now = min(released[row] for row in waiting)
            continue
        row = min(ready, key=lambda row: (ranks[row], row))
        waiting.remove(row)
        order.append(row)
        starts.append(now)
        now += duration[row]
    return order, starts


frames = st.lists(st.tuples(st.integers(0, 300), st.integers(0, 6), st.integers(1, 30)), min_size=0, max_size=40)


@settings(max_examples=400)
@given(frames)
def test_equals_the_plain_bus(entries):
    entries.sort(key=lambda entry: entry[:2])  # the caller breaks ties of release by rank
    released, ranks, duration = (np.array([entry[i] for entry in entries], np.int64) for i in range(3))
    order, start = arbitrate(released, ranks, duration)
    wanted_order, wanted_start = plainly(released.tolist(), ranks.tolist(), duration.tolist())
    assert order.tolist() == wanted_order
    assert start.tolist() == wanted_start


@given(st.integers(0, 2**29 - 1), st.integers(0, 2**29 - 1))
def test_rank_compares_the_bits_as_they_are_sent(one, other):
    # ISO 11898-1: base identifier, then SRR and IDE (recessive) and the rest, or RTR and IDE (dominant).
    def bits(identifier: int, extended: bool) -> str:
        return f"{identifier >> 18:011b}11{identifier & 0x3FFFF:018b}" if extended else f"{identifier:011b}00"

    pairs = [(one, True), (one >> 18, False)]
    for mine, theirs in [(pairs[0], (other, True)), (pairs[0], (other >> 18, False)), (pairs[1], (other >> 18, False))]:
        first, second = bits(*mine), bits(*theirs)
        if first != second:
            assert (rank(*mine) < rank(*theirs)) == (first < second)
