"""What has come of one channel: extremes, the recent stretch, and what may still change."""

from __future__ import annotations

import math

import numpy as np
import pytest

from buswright.channels.following.account import Account, Extremes, Stretch, no_samples
from buswright.channels.samples.series import Quality, Series

S = 1_000_000_000


def series(*values, start_s=0.0, step_s=1.0, bad=(), **more):
    time_ns = np.array([round((start_s + at * step_s) * S) for at in range(len(values))], np.int64)
    quality = np.zeros(len(values), np.uint16)
    quality[list(bad)] = Quality.IMPLAUSIBLE
    return Series("a", "bar", time_ns, np.array(values, float), quality=quality if bad else None, **more)


def jumping(*parts):
    """Segments one after the other, each from second zero on."""
    time_ns = np.concatenate([np.arange(len(part)) * S for part in parts]).astype(np.int64)
    starts = np.cumsum([0, *(len(part) for part in parts[:-1])]).astype(np.int64)
    return Series("a", "bar", time_ns, np.concatenate(parts).astype(float), segments=starts)


def numbers(extremes):
    return extremes.minimum, extremes.maximum, extremes.samples, extremes.bad


def test_extremes_are_those_of_usable_samples():
    found = Extremes()
    assert math.isnan(found.minimum)
    one = series(5, -900, 3, bad=[1])
    found.add(one, one.valid)
    assert numbers(found) == (3, 5, 3, 1)
    for values, bad, wanted in (([4], [], (3, 5, 4, 1)), ([9, 1], [], (1, 9, 6, 1)), ([99], [0], (1, 9, 7, 2))):
        one = series(*values, bad=bad)
        found.add(one, one.valid)
        assert numbers(found) == wanted


# -- the stretch ------------------------------------------------------------------------------------------------------


def test_a_stretch_forgets_what_is_older():
    stretch = Stretch()
    stretch.add(series(0, 1, 2, bad=[1]))
    stretch.add(series(3, 4, start_s=3))
    stretch.drop_before(1 * S)
    whole = stretch.series(series(9, period_s=1.0), None)
    assert whole.value.tolist() == [1, 2, 3, 4]
    assert (whole.quality > 0).tolist() == [True, False, False, False]
    stretch.drop_before(1 * S + 1)
    assert stretch.series(series(9, period_s=1.0), None).value.tolist() == [2, 3, 4]
    stretch.clear()
    assert len(stretch.series(series(9, period_s=1.0), None)) == 0


def test_a_stretch_is_told_with_what_may_still_change():
    stretch = Stretch()
    stretch.add(series(0, 1, 2))
    latest = series(7, 8, period_s=0.5, effective_hz=3.0)
    found = stretch.series(latest, series(3, 4, start_s=3, bad=[1]), since_ns=1 * S)
    assert found.value.tolist() == [1, 2, 3, 4]
    assert found.time_ns.tolist() == [1 * S, 2 * S, 3 * S, 4 * S]
    assert (found.quality > 0).tolist() == [False, False, False, True]
    assert (found.name, found.unit, found.period_s, found.effective_hz) == ("a", "bar", 0.5, 3.0)
    assert found.segments.tolist() == [0]
    plain = stretch.series(latest, series(3, start_s=3), since_ns=2 * S + 1)
    assert plain.value.tolist() == [3]
    assert stretch.series(latest, series()).value.tolist() == [0, 1, 2]


def test_where_nobody_gives_a_period_it_is_the_measured_one():
    """Only a state may have none: it holds without end."""
    stretch = Stretch()
    stretch.add(series(0, 1))
    assert stretch.series(series(1, 2, 3, step_s=0.25), None).period_s == pytest.approx(0.25)
    assert stretch.series(series(1, 2, 3, step_s=0.25, kind="state"), None).period_s is None
    assert stretch.series(series(1), None).period_s is None
    assert stretch.series(series(1, 2, 3, step_s=0.25, period_s=0.1), None).period_s == 0.1


# -- taking in --------------------------------------------------------------------------------------------------------


def test_final_samples_are_counted_from_the_first_new_one():
    account = Account(keeps=True)
    account.take_final(series(0, 1, 2), 0)
    account.take_final(series(0, 1, 2, 3, 4), 3)
    assert numbers(account.counted()) == (0, 4, 5, 0)
    assert account.stretch.series(account.series, None).value.tolist() == [0, 1, 2, 3, 4]
    assert (account.tail, account.stale, account.error) == (None, False, "")


def test_of_a_window_with_jumps_the_last_segment_stays():
    account = Account(keeps=True)
    account.take_final(jumping([5, 1, 2], [7, 8], [9, 3, 4]), 1)
    assert numbers(account.counted()) == (1, 9, 7, 0)
    assert account.stretch.series(account.series, None).value.tolist() == [9, 3, 4]
    assert account.series.value.tolist() == [9, 3, 4]
    low, _, _ = account.trace().at(0)
    assert low[~np.isnan(low)].tolist() == [9, 3, 4]
    account.take_final(jumping([5, 1, 2], [7, 8], [9, 3, 4]), 7)
    assert account.counted().samples == 8


def test_an_empty_last_segment_leaves_the_earlier_one_stale():
    one = Series("a", "", np.arange(2) * S, np.array([1.0, 2.0]), segments=np.array([0, 2]))
    account = Account(keeps=False)
    account.take_final(one, 0)
    assert (account.stale, account.series.value.tolist()) == (True, [1.0, 2.0])
    account.take_final(series(), 0)
    assert account.stale, "nothing new came"
    account.take_final(series(3), 0)
    assert (account.stale, account.series.value.tolist()) == (False, [3.0])


def test_what_may_still_change_is_counted_for_the_moment():
    """Up to 3 s is settled when the next window can be trusted from there on."""
    account = Account(keeps=True)
    account.take(series(0, 1, 2, 3, 4), None)
    assert numbers(account.counted()) == (0, 4, 5, 0)
    assert numbers(account.extremes)[2] == 0
    changed = series(0, 1, 20, 30, 40, 50)
    account.take(changed, 3 * S)
    assert numbers(account.extremes) == (0, 2, 3, 0)
    assert numbers(account.counted()) == (0, 50, 6, 0)
    assert account.tail.value.tolist() == [30, 40, 50]
    assert account.stretch.series(account.series, account.tail).value.tolist() == [0, 1, 2, 30, 40, 50]
    low, _, _ = account.trace().at(0)
    assert low[:6].tolist() == [0, 1, 2, 30, 40, 50]
    account.end_segment()
    assert (account.tail, account.stale) == (None, True)
    assert numbers(account.counted()) == (0, 50, 6, 0)


def test_what_came_later_than_anyone_waits_for_counts_too():
    account = Account(keeps=False)
    account.take(series(0, 1, 2), None)
    late = series(0, 1, 2, 3, 4, 5)
    account.take(late, 5 * S)
    assert account.tail.value.tolist() == [3, 4, 5]
    assert numbers(account.counted()) == (0, 5, 6, 0)


def test_a_window_with_jumps_settles_all_but_the_last_segment():
    account = Account(keeps=True)
    account.take(series(0, 1, 2, 3), None)
    account.take(jumping([0, 1, 2, 3, 4], [7, 8], [9, 6]), 2 * S)
    assert numbers(account.extremes) == (0, 8, 7, 0)
    assert account.tail.value.tolist() == [9, 6]
    assert numbers(account.counted()) == (0, 9, 9, 0)
    assert account.stretch.series(account.series, account.tail).value.tolist() == [9, 6]


def test_extremes_begin_anew_behind_what_came():
    account = Account(keeps=False)
    account.take(series(0, 9, 2), None)
    account.reset()
    assert account.counted().samples == 0
    account.take(series(0, 9, 2, 5), 1 * S)
    assert numbers(account.counted()) == (5, 5, 1, 0)
    account.take(series(0, 9, 2, 5, 6, 7), 5 * S)
    assert numbers(account.extremes) == (5, 5, 1, 0)
    assert numbers(account.counted()) == (5, 7, 3, 0)
    account.end_segment()
    account.take(series(1, 2), None)
    assert numbers(account.counted()) == (1, 7, 5, 0)
    final = Account(keeps=False)
    final.take_final(series(0, 9, 2), 0)
    final.reset()
    final.take_final(series(0, 9, 2, 5), 3)
    assert numbers(final.counted()) == (5, 5, 1, 0)


def test_a_channel_without_samples_is_empty():
    assert (len(no_samples("a")), no_samples("a").name, no_samples("a").unit) == (0, "a", "")
    account = Account(keeps=False)
    account.take(series(), None)
    assert (account.series, account.counted().samples) == (None, 0)
    assert not account.trace().bad.any()
