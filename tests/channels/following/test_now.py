"""How a channel is at the moment: its rate, its period, its quality, and all of it together."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName, Wiring
from buswright.channels.expectation import NOTHING, Expectation, Facts
from buswright.channels.following.account import Account
from buswright.channels.following.limits import Beyond
from buswright.channels.following.model import SilenceLimits
from buswright.channels.following.now import NO_NUMBER, Followed, _period_s, _quality, _rate, channel_now, objected
from buswright.channels.following.origin import Origin
from buswright.channels.samples.labels import Labels
from buswright.channels.samples.series import Quality, Series, describe_quality

MS, S = 1_000_000, 1_000_000_000


def series(times_ms, values=None, **more):
    time_ns = np.array([round(at * MS) for at in times_ms], np.int64)
    value = np.ones(len(time_ns)) if values is None else np.array(values, float)
    return Series("a", "bar", time_ns, value, segments=np.zeros(1, np.int64), **more)


def steps(*spacings_ms):
    return series(np.cumsum([0.0, *spacings_ms]))


def due(period_ms=None, by_clock=None):
    return NOTHING.or_else("database", Facts(period_ms and period_ms * 1e6, change_driven=by_clock))


@pytest.mark.parametrize(
    ("came", "expected", "period_ms"),
    [
        # Sent on change it comes at no rate.
        (steps(*[10] * 20), due(10.0, by_clock=None).or_else("learned", Facts(change_driven=True)), 0),
        # What eight steady samples keep is believed, the slower one where both may be right.
        (steps(*[10] * 7), NOTHING, 10),
        (steps(*[10] * 6), NOTHING, 0),
        (steps(*[15] * 7), due(10.0), 15),
        (steps(*[5] * 7), due(10.0), 10),
        (steps(*[20] * 7), due(10.0), 20),
        (steps(*[21] * 7), due(10.0), 21),
        (steps(*[4.9] * 7), due(10.0), 4.9),
        (steps(*[40] * 6), due(10.0), 10),
        # Unsteady are steps of more than three times the typical one.
        (steps(*[10] * 6, 29), NOTHING, 10),
        (steps(*[10] * 6, 40), NOTHING, 0),
        (steps(*[10] * 6, 40), due(25.0), 25),
        # The latest 32 samples count.
        (steps(*[100] * 9, *[10] * 31), NOTHING, 10),
        (steps(*[100] * 9, *[10] * 30), NOTHING, 0),
        # By the clock, though nobody says how often: three spacings have to do.
        (steps(10, 90, 12), due(by_clock=False), 12),
        (steps(10, 12), due(by_clock=False), 0),
        (steps(10, 90, 12), NOTHING.or_else("learned", Facts(change_driven=False)), 0),
        (steps(10, 90, 12), due(30.0, by_clock=False), 30),
        (steps(), NOTHING, 0),
        (steps(*[0] * 9), NOTHING, 0),
    ],
)
def test_silence_is_held_against_the_slower_of_what_is_said_and_seen(came, expected, period_ms):
    assert _period_s(came, expected) == pytest.approx(period_ms / 1000)


def rate(times_ms, now_ms, *, period_s=0.01, delay_ms=0, stale=False, expected=NOTHING):
    origin = SimpleNamespace(delay_ns=delay_ms * MS, expected=expected)
    return _rate(SimpleNamespace(stale=stale), series(times_ms), origin, round(now_ms * MS), period_s)


ON_CHANGE = NOTHING.or_else("database", Facts(change_driven=True))


@pytest.mark.parametrize(
    ("came", "found"),
    [
        (rate(range(0, 5_001, 10), 5_000), 100.0),
        (rate(range(0, 5_001, 10), 5_000, stale=True), 0.0),
        (rate([*range(0, 3_000, 10), *range(3_000, 5_001, 20)], 5_000), 50.0),
        (rate([*range(0, 3_000, 10), *range(3_000, 4_001, 20)], 4_000), 75.0),
        (rate(range(0, 5_001, 10), 6_990), 100.0),
        (rate(range(0, 5_001, 10), 6_991), None),  # one sample is no rate
        (rate([0, 1_000, 2_000, 4_000], 4_000, period_s=1.0), 0.75),  # four periods of a slow one
        (rate([0, 1_000, 2_000, 4_000], 4_001, period_s=1.0), 2 / 3),
        (rate([0, 1_000, 2_000, 4_000], 4_000, period_s=0.4), 0.5),
        (rate([3_000, 3_000], 4_000), None),
        (rate([3_000], 4_000, expected=ON_CHANGE), None),
        (rate([3_000, 3_500], 9_000, expected=ON_CHANGE), 0.0),
        (rate([3_000, 3_500], 9_000), None),
        (rate(range(0, 5_001, 10), 5_500, delay_ms=500), 100.0),
        (rate([*range(0, 3_000, 10), *range(3_000, 5_001, 20)], 5_500, delay_ms=500), 50.0),
        (rate([*range(0, 3_000, 10), *range(3_000, 4_001, 20)], 5_500, delay_ms=1_500), 75.0),
    ],
)
def test_a_rate_is_that_of_two_seconds_or_four_periods(came, found):
    assert came == (None if found is None else pytest.approx(found))


def judged(*samples):
    """Samples as (ms, value, quality)."""
    times, values, bits = zip(*samples, strict=True)
    return _quality(series(times, values, quality=np.array(bits, np.uint16)))


BAD, FAST, BETWEEN = int(Quality.IMPLAUSIBLE), int(Quality.TOO_FAST), int(Quality.INTERPOLATED)


def test_quality_is_that_of_the_last_second():
    assert judged((0, 1, BAD), (1, 1, FAST), (1_000, 1, 0)) == (FAST, True, 1.0)
    assert judged((0, 1, 0), (500, 1, BAD), (1_000, 1, FAST)) == (BAD | FAST, True, 0.5)
    assert judged((500, 1, 0), (600, 1, 0), (700, 1, 0), (1_000, 1, BAD)) == (BAD, False, 0.75)
    assert judged((900, math.nan, 0), (1_000, 1, 0)) == (0, True, 0.5)
    assert _quality(series([900, 1_000], [1, math.nan])) == (0, False, 0.5)
    assert _quality(series([900, 1_000])) == (0, True, 1.0)


@pytest.mark.parametrize(
    ("bits", "found"),
    [
        (0, False),
        (int(Quality.INTERPOLATED), False),
        (BAD, True),
        (BAD | int(Quality.INTERPOLATED), True),
        (FAST, True),
    ],
)
def test_that_a_value_was_interpolated_is_no_objection(bits, found):
    assert objected(bits) is found


# -- all of it --------------------------------------------------------------------------------------------------------

SILENCE = SilenceLimits(2.5, 10.0, 1.0)
WIRING = Wiring(plug="C12")


def followed(one, *, account=None, expected=None, delay_ms=0, **more):
    account = account or Account(keeps=False)
    if one is not None:
        account.take_final(one, 0)
    origin = Origin("kPa", "V", "main", "INPUTS", "node", expected or NOTHING, delay_ms * MS, SILENCE, WIRING, "x + y")
    return Followed("a", ("a",), account, origin=origin, **more)


def test_before_a_sample_only_the_description_is_known():
    now = channel_now(followed(None, limit_text="none"), 100 * S, 0)
    known = {name: getattr(now, name) for name in now.__slots__ if name not in ("value", "minimum", "maximum", "trace")}
    assert known == {
        "name": "a", "unit": "kPa", "time_ns": None, "text": "", "raw": None, "volts": None, "electrical": "V",
        "quality": 0, "quality_words": "good", "computed": True, "usable": True, "usable_share": 1.0, "samples": 0,
        "bad_samples": 0, "rate_hz": None, "expected_hz": None, "silent_ns": None, "period_ns": 0.0, "silence": SILENCE,
        "level": None, "side": None, "limit": None, "limit_text": "none", "bus": "main", "message": "INPUTS",
        "module": "node", "wiring": WIRING, "formula": "x + y",
    }  # fmt: skip
    assert all(math.isnan(each) for each in (now.value, now.minimum, now.maximum))
    assert now.trace.start_ns == 41 * S
    assert np.isnan(now.trace.low).all()


def test_a_channel_is_told_whole():
    times = range(0, 3_001, 10)
    values = [2.0] * 300 + [1.0]
    quality = np.zeros(301, np.uint16)
    quality[250] = Quality.IMPLAUSIBLE
    one = series(
        times,
        values,
        raw=np.arange(301),
        volts=np.arange(301) / 600,
        quality=quality,
        labels=Labels(of_raw={300: "on"}),
    )
    made = followed(one, expected=due(20.0), delay_ms=500, beyond=Beyond("warning", "low", 1.5))
    now = channel_now(made, 3_600 * MS, 0)
    assert (now.unit, now.time_ns, now.value, now.text) == ("bar", 3 * S, 1.0, "on")
    assert (now.raw, now.volts, now.electrical) == (300, 0.5, "V")
    assert (now.quality, now.quality_words) == (BAD, describe_quality(BAD))
    assert (now.computed, now.usable, now.usable_share) == (True, True, 0.99)
    assert (now.minimum, now.maximum, now.samples, now.bad_samples) == (1.0, 2.0, 301, 1)
    assert (now.rate_hz, now.expected_hz) == (pytest.approx(100.0), pytest.approx(50.0))
    assert (now.silent_ns, now.period_ns) == (100 * MS, pytest.approx(20.0 * MS))
    assert (now.level, now.side, now.limit) == ("warning", "low", 1.5)
    assert now.trace.start_ns == -56 * S
    assert now.trace.low[56:].tolist() == [2.0, 2.0, 2.0, 1.0]
    assert now.trace.bad.tolist() == [False] * 58 + [True, False]


def test_what_came_before_the_clock_was_set_is_silent_since_then():
    made = followed(series(range(0, 3_001, 10)))
    made.account.stale = True
    now = channel_now(made, 20 * S, 15 * S)
    assert (now.silent_ns, now.rate_hz) == (5 * S, 0.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ([1, 1, 1, math.nan], NO_NUMBER),
        ([math.nan, math.nan, math.nan, 1], NO_NUMBER),
        ([math.nan, math.nan, 1, 1], "good"),  # half of them are usable
    ],
)
def test_a_value_that_is_no_number_says_so(values, words):
    assert channel_now(followed(series([0, 10, 20, 30], values)), S, 0).quality_words == words


def test_a_channel_that_can_not_be_computed_says_why():
    account = Account(keeps=False)
    made = followed(series([0, 10], [1, math.nan]), account=account)
    account.error = "no such input"
    now = channel_now(made, S, 0)
    assert (now.quality_words, now.computed) == ("no such input", False)


def test_of_a_frame_that_was_too_short_there_is_no_raw_value():
    short = series([0, 10], raw=np.arange(2), quality=np.array([0, Quality.SHORT_FRAME], np.uint16))
    assert channel_now(followed(short), S, 0).raw is None
    assert channel_now(followed(series([0, 10], raw=np.arange(2))), S, 0).raw == 1
    assert channel_now(followed(series([0, 10])), S, 0).raw is None


def test_limits_of_silence_are_the_car_files_else_the_defaults():
    assert SilenceLimits.of(None, None, "main") == SilenceLimits(2.5, 10.0, 1.0)
    own = {"missing_periods": 4.0, "missing_periods_loaded": 3.0, "id_missing_periods": 7.0, "id_missing_s": 60.0}
    asked = []

    def threshold(name, *, frame, bus):
        asked.append((frame, bus))
        return own[name]

    name = FrameName("main", 0x100, False)
    car = SimpleNamespace(threshold=threshold)
    assert SilenceLimits.of(car, name, "main") == SilenceLimits(4.0, 7.0, 60.0)
    assert set(asked) == {(name, "main")}
    own["missing_periods_loaded"] = 5.0
    assert SilenceLimits.of(car, name, "main").late_periods == 5.0
    assert isinstance(NOTHING, Expectation)
