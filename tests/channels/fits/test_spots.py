"""Readings off samples made for it: by markers, by spans, and beside the supply of that moment."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from buswright.channels.calibration.kind import Need
from buswright.channels.fits.rest import Rest
from buswright.channels.fits.spots import Reader, Spot, Wanted, reading_of, readings_marked
from buswright.channels.samples.series import Quality, Series
from buswright.channels.session import Session
from buswright.errors import UserError

S = 1_000_000_000
ICE = {"ice": 0.0}


def wanted(electrical="", needs=(), hold_s=2.0, unit="bar", words=None):
    return Wanted("brake", electrical, unit, 4.0, needs, words or {}, hold_s=hold_s)


def series(values, unit="V", hz=100, **more):
    time_ns = np.arange(len(values), dtype=np.int64) * (S // hz)
    return Series("brake", unit, time_ns, np.array(values, dtype=np.float64), **more)


def reader(values, asked=None, **more):
    """Samples at 100 Hz, of a session that holds nothing else."""
    one = values if isinstance(values, Series) else series(values)
    return Reader(cast("Session", {"brake": one, **more}), asked or wanted())


def steps(*levels, seconds=4):
    """Stand for some seconds at each level, with two codes of noise."""
    count = seconds * 100
    return np.repeat(levels, count) + 0.001 * (np.arange(count * len(levels)) % 2)


def test_the_last_marker_counts_up_to_the_last_sample():
    values = [2.0 + 0.001 * (row % 2) for row in range(100)]
    values[-1] = 2.5
    (read,) = readings_marked(reader(values), [(0, "20 bar")], wanted())
    assert read.value == 20.0
    assert read.electrical == pytest.approx(np.mean(values), rel=1e-12)


def test_each_marker_counts_until_the_next_one_and_says_where_it_comes_from():
    marks = [(0, "0"), (4 * S, "pressed by hand"), (8 * S, "P = 20 bar"), (12 * S, "then 72.5189psi")]
    found = list(readings_marked(reader(steps(0.5, 1.5, 2.5, 3.5)), marks, wanted()))
    assert [(one.value, one.source) for one in found] == [
        (0.0, 'marker "0"'),
        (20.0, 'marker "P = 20 bar"'),
        (pytest.approx(5.0, rel=1e-5), 'marker "then 72.5189psi"'),
    ]
    assert [one.electrical for one in found] == pytest.approx([0.5005, 2.5005, 3.5005])
    assert {(one.note, one.reference) for one in found} == {("", None)}


def test_where_markers_name_the_channel_only_these_count():
    marks = [(0, "brake at 10 up"), (4 * S, "oil at 15 up"), (8 * S, " brake at 30 bar down"), (12 * S, "40")]
    found = list(readings_marked(reader(steps(0.5, 1.5, 2.5, 3.5)), marks, wanted()))
    assert [(one.value, one.electrical) for one in found] == [
        (10.0, pytest.approx(0.5005)),
        (30.0, pytest.approx(2.5005)),
    ]
    other = list(readings_marked(reader(steps(0.5, 1.5)), [(0, "oil at 15 up"), (4 * S, "40")], wanted()))
    assert [one.value for one in other] == [40.0], "the marker of another channel is none of a value"


def test_a_marker_may_be_a_word_and_must_say_what_is_wanted():
    marks = [(0, "ice"), (4 * S, "20 mm"), (8 * S, "25")]
    found = list(readings_marked(reader(steps(0.5, 1.5, 2.5)), marks, wanted(unit="degC", words=ICE)))
    assert [one.value for one in found] == [0.0, 25.0]


def test_a_marker_without_samples_behind_it_gives_no_reading():
    marks = [(0, "1"), (S // 50, "2"), (4 * S, "3")]
    assert [one.value for one in readings_marked(reader(steps(0.5)), marks, wanted())] == [2.0]


def test_a_value_is_waited_for_no_longer_than_half_a_minute():
    """It moves for 31 s, then stands: what it did within 30 s is taken, and that it moved is said."""
    moving = np.concatenate([np.linspace(0.0, 3.1, 3100), np.full(600, 3.1)])
    (found,) = readings_marked(reader(moving), [(0, "20")], wanted())
    assert found.note == "it was not still: it moved by 0.15 bar"  # 0.1 V a second, six eighths of 2 s
    assert found.electrical < 3.0
    (found,) = readings_marked(reader(moving), [(2 * S, "20")], wanted())
    assert (found.note, found.electrical) == ("", pytest.approx(3.1))


def test_a_span_holds_its_last_sample_and_a_search_does_not():
    values = [1.0] * 20 + [2.0] * 30
    found = reader(values).whole(0, 19 * S // 100)
    assert (found.rest.mean, found.rest.samples) == (1.0, 20)
    assert reader(values).whole(0, 20 * S // 100).rest.samples == 21
    assert reader(values).stillest(0, 20 * S // 100).rest.samples == 20
    assert reader(values).whole(0, 5 * S // 100) is None


def test_the_latest_is_the_last_seconds_that_are_held():
    values = [1.0] * 300 + [2.0] * 101
    assert reader(values, wanted(hold_s=1.0)).latest().rest.mean == 2.0
    assert reader(values, wanted(hold_s=3.0)).latest().rest.mean == pytest.approx((200 + 202) / 301)
    assert reader(values, wanted(hold_s=10.0)).latest() is None


@pytest.mark.parametrize(
    ("bit", "counts"),
    [
        *((bit, False) for bit in (Quality.SHORT_FRAME, Quality.MUX_ABSENT, Quality.SENDER_INVALID)),
        (Quality.BAD_CHECKSUM, False),
        *((bit, True) for bit in (Quality.ELECTRICAL_RAIL, Quality.IMPLAUSIBLE, Quality.OUTSIDE_CALIBRATION)),
    ],
)
def test_what_only_the_old_curve_objects_to_is_measured(bit, counts):
    quality = np.zeros(40, np.uint16)
    quality[20:] = bit
    found = reader(series([1.0] * 20 + [2.0] * 20, quality=quality)).whole(0, S)
    assert (found.rest.samples, found.rest.mean) == ((40, 1.5) if counts else (20, 1.0))


def test_inputs_are_taken_in_the_sensors_unit():
    mean = lambda one: one.whole(0, S).rest.mean  # noqa: E731
    sensed = series([10.0] * 20, "bar", volts=np.full(20, 1.5))
    assert mean(reader(sensed, wanted("V"))) == 1.5
    assert mean(reader(sensed, wanted("mV"))) == 1.5, "the session has converted it"
    assert mean(reader(sensed, wanted(""))) == 10.0
    assert mean(reader(series([1500.0] * 20, "mV"), wanted("V"))) == 1.5
    assert mean(reader(series([1.5] * 20, "V"), wanted("V"))) == 1.5
    for unit, said in (("bar", "bar"), ("", "no unit")):
        with pytest.raises(UserError, match=f"brake is in {said}, and the sensor takes V") as caught:
            reader(series([1.0] * 20, unit), wanted("V"))
        assert "--electrical" in caught.value.hint


def test_the_supply_is_that_of_the_same_samples():
    """5000 mV until 1 s, then 4000; bad samples of it don't count; a channel that came not at all is passed over."""
    quality = np.zeros(40, np.uint16)
    quality[10] = Quality.SENDER_INVALID
    volts = np.repeat([5000.0, 4000.0], 20)
    volts[[10, 12]] = 9e9, np.nan
    feed = series(volts, "mV", hz=20, quality=quality)
    needs = (Need("absent", "V", "supply", 5.0), Need("feed", "V", "supply", 5.0), Need("other", "V", "supply", 5.0))
    beside = {"absent": series([]), "feed": feed, "other": series([9.0] * 200)}
    one = reader(series([1.0] * 40, hz=20), wanted(needs=needs), **beside)
    assert one.whole(0, 19 * S // 20).reference == pytest.approx(5.0)
    assert one.whole(0, S).reference == pytest.approx((18 * 5.0 + 4.0) / 19)
    assert one.whole(S, 2 * S).reference == pytest.approx(4.0)
    assert reader([1.0] * 40).whole(0, S).reference is None


@pytest.mark.parametrize(
    ("still", "electrical", "note"),
    [
        (True, "V", ""),
        (False, "V", "it was not still: it moved by 0.123 V"),
        (False, "", "it was not still: it moved by 0.123 bar"),
    ],
)
def test_a_reading_says_what_was_shown_and_what_was_true(still, electrical, note):
    rest = Rest(2.5, 0.01, 0.05, -0.1234, 200, 0, S, still)
    found = reading_of(Spot(rest, 4.9), 20.0, "typed", wanted(electrical))
    assert (found.electrical, found.value, found.source) == (2.5, 20.0, "typed")
    assert (found.scatter, found.reference, found.note) == (0.01, 4.9, note)
