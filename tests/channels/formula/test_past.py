"""What is carried from stretch to stretch."""

import numpy as np
import pytest

from buswright.channels.formula.past import Past, last_before
from buswright.channels.formula.tree import Call
from buswright.channels.samples.series import Series

CALL = Call("accumulate", (), 0)


def series(*times, **more):
    return Series("x", "", np.array(times, np.int64), np.zeros(len(times)), **more)


@pytest.mark.parametrize(("time_ns", "row"), [(9, None), (10, None), (11, 0), (20, 0), (21, 1), (99, 2)])
def test_the_last_row_before_a_time_is_not_the_one_at_it(time_ns, row):
    assert last_before(series(10, 20, 30), time_ns) == row


def test_a_new_segment_forgets_where_the_grid_began_and_what_was_kept():
    past = Past(origin_ns=5, rate_hz=10.0, kept={CALL: series(1)})
    past.begin(7)
    assert (past.trusted_ns, past.origin_ns, past.rate_hz, list(past.kept)) == (7, 5, 10.0, [CALL])
    copy = past.copy()
    past.begin(None)
    assert (past.trusted_ns, past.origin_ns, past.rate_hz, past.kept) == (None, None, 10.0, {})
    assert (copy.trusted_ns, copy.origin_ns, copy.rate_hz, list(copy.kept)) == (7, 5, 10.0, [CALL])


def test_the_origin_of_a_grid_is_kept_until_a_segment_ends():
    past = Past()
    past.note_grid(series(10, 20, effective_hz=50.0))
    assert (past.origin_ns, past.rate_hz) == (10, None)  # not cut yet: its rate is found anew
    past.begin(15)
    past.note_grid(series(20, 30, effective_hz=50.0))
    assert (past.origin_ns, past.rate_hz) == (10, 50.0)
    past.note_grid(series(30, 40, 4, 8, effective_hz=25.0))
    assert (past.origin_ns, past.rate_hz) == (4, 25.0)
    past.note_grid(series(30, 40, segments=np.array([0, 2], np.int64)))  # the last segment has no point
    assert past.origin_ns is None


def test_of_what_a_call_came_to_the_latest_segment_is_kept():
    past = Past()
    past.note(CALL, series(10, 20, 5, 6))
    assert past.kept[CALL].time_ns.tolist() == [5, 6]
    past.note(CALL, series())
    assert len(past.kept[CALL]) == 0
