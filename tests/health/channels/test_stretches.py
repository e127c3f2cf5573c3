"""Stretches of samples: in a row, held, short departures that come back."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from buswright.health.channels.stretches import excursions, held_values, stretches_of

ONE = np.zeros(1, dtype=np.int64)


@given(st.lists(st.booleans(), max_size=60), st.integers(0, 60))
def test_stretches_are_runs_that_a_segment_cuts(chosen, cut):
    wanted, open_at = [], None
    for row, is_in in enumerate([*chosen, False]):
        if open_at is not None and (not is_in or row == cut):
            wanted.append((open_at, row))
            open_at = None
        if is_in and open_at is None:
            open_at = row
    found = stretches_of(np.array(chosen, dtype=bool), np.array([0, cut]))
    assert list(zip(found.first.tolist(), found.stop.tolist(), strict=True)) == wanted
    assert found.mask(len(chosen)).tolist() == chosen


def test_values_held():
    raw = np.array([1, 1, 1, 2, 2, 3, 3, 3, 3])
    held = held_values(raw, np.array([0, 7]), 3, np.ones(9, dtype=bool))
    assert (held.first.tolist(), held.stop.tolist()) == ([0], [3])  # the segment cuts the threes


def test_what_is_not_there_holds_no_value():
    raw = np.array([4, 4, 4, 0, 0, 0, 0, 4, 4])
    held = held_values(raw, ONE, 2, raw > 0)
    assert (held.first.tolist(), held.stop.tolist()) == ([0, 7], [3, 9])


def departures(value, **options):
    time = np.arange(len(value), dtype=np.int64) * 10_000_000
    chosen = {"least": 1.0, "back": 0.5, "longest_ns": 50_000_000} | options
    found = excursions(time, np.array(value, dtype=float), chosen.pop("segments", ONE), **chosen)
    return list(zip(found.first.tolist(), found.stop.tolist(), strict=True))


def test_a_departure_comes_back_in_time_to_where_it_was():
    assert departures([0, 0, 5, 5, 0, 0, 0]) == [(2, 4)]
    assert departures([0, 0, 5, 5, 5, 5, 5, 5, 5, 0]) == []  # too long
    assert departures([0, 0, 5, 5, 5, 5, 2, 2]) == []  # a step
    assert departures([0, 0, 5, 0, -5, 0, 0]) == [(2, 3), (4, 5)]
    assert departures([0, 0, np.nan, 0, 0]) == [(2, 3)]
    assert departures([0, 0, 5, 0], segments=np.array([0, 2])) == []
    assert departures([0, 0.9, 0, 0.9]) == []
    assert departures([1, 2]) == []


def test_a_jump_back_is_no_departure_of_its_own():
    assert departures([0, 0, 5, 0, 0, 5, 0, 0]) == [(2, 3), (5, 6)]
