"""Limits in words, and which one a channel is beyond at its latest usable sample."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.carfile.model import Channel, Limits
from buswright.channels.following.account import Account, Stretch
from buswright.channels.following.limits import Beyond, Judge, limits_in_words
from buswright.channels.samples.series import Quality, Series

S = 1_000_000_000
GATE = SimpleNamespace(text="speed > 5")


def channel(caution=None, warning=None):
    return Channel("a", unit="degC", caution=caution, warning=warning)


@pytest.mark.parametrize(
    ("made", "unit", "words"),
    [
        (channel(), "degC", ""),
        (channel(Limits()), "degC", ""),
        (channel(Limits(high=110.0)), "degC", "caution above 110 °C"),
        (channel(Limits(low=1.1, high=5.0)), "", "caution below 1.1 or above 5"),
        (
            channel(Limits(high=110.0, hold_s=2.0), Limits(low=-5.0, hold_s=0.5, when=GATE)),
            "degC",
            "caution above 110 °C for 2 s; warning below -5 °C for 0.5 s when speed > 5",
        ),
    ],
)
def test_limits_are_said_with_number_unit_and_condition(made, unit, words):
    assert limits_in_words(made, unit) == words


def series(values, start_s=0.0, bad=()):
    time_ns = np.array([round((start_s + at) * S) for at in range(len(values))], np.int64)
    quality = np.zeros(len(values), np.uint16)
    quality[list(bad)] = Quality.IMPLAUSIBLE
    return Series("a", "degC", time_ns, np.array(values, float), quality=quality if bad else None, period_s=1.0)


def beyond(judge, values, tail=(), bad=()):
    stretch = Stretch()
    stretch.add(series(values, bad=bad))
    return judge.beyond(stretch, series([0.0]), series(tail, start_s=len(values)) if len(tail) else None)


HOT = channel(Limits(high=110.0, hold_s=2.0), Limits(high=117.0))


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ([], None),
        ([100, 110], None),
        ([100, 111, 111], None),  # held for one second
        ([100, 111, 111, 111], Beyond("caution", "high", 110.0)),
        ([111, 111, 111, 100], None),
        ([100, 117], None),
        ([100, 118], Beyond("warning", "high", 117.0)),
        ([111, 111, 118], Beyond("warning", "high", 117.0)),
        ([118, 111, 111], Beyond("caution", "high", 110.0)),
    ],
)
def test_the_gravest_limit_of_the_latest_sample_is_told(values, found):
    assert beyond(Judge(HOT, {}), values) == found
    assert beyond(Judge(HOT, {}), values[:1], values[1:]) == found


def test_an_unusable_sample_says_nothing():
    judge = Judge(HOT, {})
    assert beyond(judge, [118, 100], bad=[1]) == Beyond("warning", "high", 117.0)
    assert beyond(Judge(HOT, {}), [118], bad=[0]) is None


def test_both_sides_are_watched():
    judge = Judge(channel(Limits(low=5.0, high=9.0)), {})
    assert beyond(judge, [4.9]) == Beyond("caution", "low", 5.0)
    assert beyond(Judge(channel(Limits(low=5.0, high=9.0)), {}), [5.0]) is None


def test_it_looks_back_to_the_last_calm_sample_only():
    """With a hysteresis a value that came back by less stays beyond; what was before the last calm one has no say."""
    slow = channel(Limits(high=110.0, hysteresis=5.0))
    judge = Judge(slow, {})
    stretch = Stretch()
    told = []
    for second, value in enumerate([100, 111, 107, 106, 105, 107, 111]):
        stretch.add(series([value], start_s=second))
        found = judge.beyond(stretch, series([0.0]), None)
        told.append(found is not None)
    assert told == [False, True, True, True, False, False, True]
    judge.begin()
    fresh = Stretch()
    fresh.add(series([107]))
    assert judge.beyond(fresh, series([0.0]), None) is None


def test_a_condition_opens_and_closes_a_limit():
    def gate(*values, **changes):
        account = Account(keeps=True)
        account.take_final(series(list(values)), 0)
        for name, value in changes.items():
            setattr(account, name, value)
        return {GATE.text: account}

    made = channel(Limits(high=110.0, when=GATE))
    assert Judge(made, gate(1.0)).conditions == {GATE.text}
    assert Judge(HOT, {}).conditions == set()
    assert beyond(Judge(made, gate(1.0)), [111]) == Beyond("caution", "high", 110.0)
    assert beyond(Judge(made, gate(0.0)), [111]) is None
    assert beyond(Judge(made, gate(0.0, 1.0)), [111, 111]) is not None
    assert beyond(Judge(made, gate(1.0, stale=True)), [111]) is None
    assert beyond(Judge(made, gate(1.0, series=None)), [111]) is None
    with pytest.raises(ValueError, match="speed > 5: no such channel"):
        beyond(Judge(made, gate(1.0, error="no such channel")), [111])
