"""A channel second by second: whole seconds of the clock, the latest sixty."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.following.trace import Bins

S = 1_000_000_000


def binned(*samples, bins=None):
    """Add (seconds, value, usable) at once."""
    bins = bins or Bins()
    time_ns = np.array([round(at * S) for at, _, _ in samples], np.int64)
    bins.add(time_ns, np.array([value for _, value, _ in samples], float), np.array([ok for _, _, ok in samples]))
    return bins


def told(bins, first_s):
    """Return what stands in the bins: second, low, high, bad."""
    low, high, bad = bins.at(first_s)
    assert len(low) == len(high) == len(bad) == 60
    return [
        (first_s + row, *(None if np.isnan(each[row]) else float(each[row]) for each in (low, high)), bool(bad[row]))
        for row in range(60)
        if not np.isnan(low[row]) or bad[row]
    ]


def test_smallest_and_largest_of_each_second_are_kept():
    bins = binned((100.0, 3, True), (100.5, 1, True), (100.999, 2, True), (101.0, 5, True), (103.2, 4, True))
    assert told(bins, 44) == [(100, 1, 3, False), (101, 5, 5, False), (103, 4, 4, False)]
    binned((103.3, 9, True), (103.4, -9, True), bins=bins)
    assert told(bins, 44)[-1] == (103, -9, 9, False)


@pytest.mark.parametrize("across", [False, True])
def test_an_unusable_sample_is_told_and_not_counted(across):
    later = [(101.0, 7, True)] if across else []
    assert told(binned((100.0, 3, True), (100.1, 99, False), *later), 44)[0] == (100, 3, 3, True)
    assert told(binned((100.1, 99, False), (100.2, 98, False), *later), 44)[0] == (100, None, None, True)


def test_the_newest_second_moves_the_others_out():
    bins = binned((100.0, 1, True), (101.0, 2, True))
    binned((159.0, 3, True), bins=bins)
    assert told(bins, 100) == [(100, 1, 1, False), (101, 2, 2, False), (159, 3, 3, False)]
    binned((160.0, 4, False), bins=bins)
    assert told(bins, 101) == [(101, 2, 2, False), (159, 3, 3, False), (160, None, None, True)]
    binned((219.0, 5, True), bins=bins)
    assert told(bins, 160) == [(160, None, None, True), (219, 5, 5, False)]
    binned((1_000.0, 6, True), bins=bins)
    assert told(bins, 941) == [(1_000, 6, 6, False)]


def test_what_is_older_than_a_minute_is_left_out():
    bins = binned((100.0, 1, True))
    binned((41.0, 2, True), (40.9, 3, True), bins=bins)
    assert told(bins, 41) == [(41, 2, 2, False), (100, 1, 1, False)]


@pytest.mark.parametrize(
    ("first_s", "left"),
    [(44, [100, 103]), (43, [100]), (100, [100, 103]), (101, [103]), (104, []), (41, [100]), (40, []), (-500, [])],
)
def test_they_can_be_had_from_any_second_on(first_s, left):
    bins = binned((100.0, 1, True), (103.0, 2, True))
    assert [second for second, *_ in told(bins, first_s)] == left
    assert [second for second, *_ in told(bins, 44)] == [100, 103], "asking changes nothing"


def test_without_a_sample_there_is_nothing():
    assert told(Bins(), 7) == []


def test_a_copy_goes_its_own_way():
    bins = binned((100.0, 1, True))
    other = bins.copy()
    binned((100.1, 9, False), (100.2, 8, True), bins=other)
    assert told(bins, 44) == [(100, 1, 1, False)]
    assert told(other, 44) == [(100, 1, 8, True)]


def test_beyond_single_precision_is_infinite():
    assert told(binned((1.0, 1e300, True), (1.1, 0.0, True)), 0) == [(1, 0.0, np.inf, False)]
