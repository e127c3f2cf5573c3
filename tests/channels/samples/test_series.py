"""Series and their quality bits."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.samples.labels import Labels
from buswright.channels.samples.series import (
    BAD,
    Quality,
    Series,
    describe_quality,
    measured_period_s,
    median,
    segment_starts,
    unusable,
    worst,
)
from buswright.errors import UserError

MS = 1_000_000


def series(time_ms, value=None, quality=None, **more):
    time_ns = np.array(time_ms, dtype=np.int64) * MS
    value = np.arange(len(time_ns), dtype=np.float64) if value is None else np.array(value, dtype=np.float64)
    quality = None if quality is None else np.array(quality, dtype=np.uint16)
    return Series("oil_pressure", "bar", time_ns, value, quality=quality, **more)


def test_every_bit_has_a_reason_of_its_own_and_fits_the_column():
    reasons = [describe_quality(bit) for bit in Quality]
    assert len(set(reasons)) == len(Quality) == 13
    assert "good" not in reasons
    assert max(Quality) < 2**16
    assert describe_quality(0) == "good"
    assert describe_quality(Quality.SHORT_FRAME | Quality.BAD_CHECKSUM).count(";") == 1


def test_which_bits_make_a_value_unusable():
    warnings = {
        Quality.DATABASE_RANGE,
        Quality.OUTSIDE_CALIBRATION,
        Quality.TOO_FAST,
        Quality.AFTER_GAP,
        Quality.INTERPOLATED,
    }
    assert {bit for bit in Quality if not bit & BAD} == warnings
    assert unusable(np.array([0, 2048, 16, 16 | 2048], np.uint16)).tolist() == [False, False, True, True]


def test_segments_start_where_time_goes_backwards():
    assert segment_starts(np.array([0, 1, 1, 0, 5, 4], np.int64)).tolist() == [0, 3, 5]
    assert segment_starts(np.zeros(0, np.int64)).tolist() == []
    parts = series([0, 10, 20, 5, 15])
    assert parts.segments.tolist() == [0, 3]
    assert parts.segment(1).time_ns.tolist() == [5 * MS, 15 * MS]
    assert parts.segment(1).value.tolist() == [3.0, 4.0]


@given(st.lists(st.integers(0, 50), max_size=30))
def test_segments_cover_all_rows_once(times):
    whole = series(times)
    parts = [whole.segment(number) for number in range(len(whole.segments))]
    assert sum(map(len, parts)) == len(whole)
    assert all((np.diff(part.time_ns) >= 0).all() for part in parts)


def test_an_empty_segment_keeps_its_number():
    whole = series([0, 10, 5], segments=np.array([0, 2, 2], np.int64))
    assert [len(whole.segment(number)) for number in range(3)] == [2, 0, 1]
    cut = replace(whole, first_ns=0).between(0.006, 0.020)
    assert cut.segments.tolist() == [0, 1, 1]
    assert cut.time_ns.tolist() == [10 * MS]


def test_between_takes_both_ends_and_every_column():
    whole = series([0, 10, 20, 30], [1, 2, 3, 4], [0, 1, 2, 3], raw=np.arange(4), volts=np.arange(4.0))
    cut = replace(whole, first_ns=0).between(0.010, 0.020)
    assert cut.value.tolist() == [2, 3]
    assert cut.quality.tolist() == [1, 2]
    assert cut.raw.tolist() == [1, 2]
    assert cut.volts.tolist() == [1.0, 2.0]
    assert (cut.name, cut.unit) == ("oil_pressure", "bar")


def test_statistics_leave_out_what_is_unusable():
    whole = series([0, 10, 20, 30, 40], [1, 2, 99, np.nan, 3], [0, 0, Quality.ELECTRICAL_RAIL, 0, Quality.TOO_FAST])
    found = whole.statistics()
    assert (found.minimum, found.mean, found.maximum) == (1.0, 2.0, 3.0)
    assert found.count == 5
    assert found.rate_hz == pytest.approx(100)
    assert found.bad_share == pytest.approx(0.4)
    assert found.flagged_share == pytest.approx(0.6)


def test_statistics_of_nothing():
    found = series([]).statistics()
    assert found.count == 0
    assert found.bad_share == 0
    assert np.isnan([found.rate_hz, found.minimum, found.mean, found.maximum]).all()


def test_the_rate_is_neither_moved_by_gaps_nor_by_time_going_backwards():
    times = np.concatenate([np.arange(0, 500, 10), np.arange(9000, 9500, 10), np.arange(100, 600, 10)])
    assert series(times).rate_hz == pytest.approx(100)
    assert series([0, 1000, 0, 1000, 0]).rate_hz == pytest.approx(1)


def test_a_clean_series_costs_no_quality_and_copies_nothing():
    clean = series([0, 10])
    assert clean.quality is None
    assert clean.usable_value is clean.value
    assert worst(None, None) is None


def test_worst_joins_all_objections():
    one, other = np.array([1, 0, 4], np.uint16), np.array([2, 0, 4], np.uint16)
    joined = worst(one, None, other)
    assert joined is not None
    assert joined.tolist() == [3, 0, 4]
    assert worst(None, one) is one


def test_columns_are_checked_and_read_only():
    whole = series([0, 10])
    with pytest.raises(ValueError, match="read-only"):
        whole.value[0] = 5
    with pytest.raises(TypeError, match=r"Series\.value"):
        Series("a", "", np.zeros(2, np.int64), np.zeros(3))
    with pytest.raises(TypeError, match=r"Series\.quality"):
        Series("a", "", np.zeros(2, np.int64), np.zeros(2), quality=np.zeros(2, np.int64))


@pytest.mark.parametrize("values", [[3], [3, 1], [3, 1, 2], [4, 1, 3, 2], [5, 5, 1, 1, 9], [0, 10, 0, 10]])
def test_the_median_is_numpys(values):
    assert median(np.array(values, np.int64)) == np.median(values)


def test_a_period_is_measured_within_segments_from_steps_that_take_time():
    assert measured_period_s(series([0, 10, 20, 100, 0, 10, 10, 20])) == pytest.approx(0.01)
    assert measured_period_s(series([0, 10, 500, 510], segments=np.array([0, 2], np.int64))) == pytest.approx(0.01)
    assert measured_period_s(series([0, 10, 30], segments=np.array([0, 1, 3, 3], np.int64))) == pytest.approx(0.02)
    assert np.isnan(measured_period_s(series([5, 5, 5])))
    assert series([0, 20], period_s=0.01).step_s() == 0.01
    assert series([0, 20]).step_s() == pytest.approx(0.02)
    assert series([0, 20]).rate_hz == pytest.approx(50)


def test_a_frame_that_is_too_short_has_neither_raw_nor_name():
    names = Labels(of_value={2.0: "two"}, of_raw={0: "nought", 1: "one"})
    whole = series([0, 10, 20], [5, 2, 7], [0, 0, Quality.SHORT_FRAME], raw=np.array([1, 1, 0]), labels=names)
    assert [whole.label(row) for row in range(3)] == ["one", "two", ""]
    np.testing.assert_array_equal(whole.raw_value, [1, 1, np.nan])
    assert whole.short.tolist() == [False, False, True]
    clean = series([0, 10], [0, 0], raw=np.array([0, 1]), labels=names)
    assert (clean.label(0), clean.short, clean.raw_value.tolist()) == ("nought", None, [0, 1])
    assert series([0], [0], [Quality.TOO_FAST], raw=np.array([0])).short is None
    assert np.isnan(series([0], [0]).raw_value).all()
    assert (names.text(0.0, 0.5), names.text(0.0, None), names.text(2.0, 1.0)) == ("", "", "two")


def test_rows_are_taken_by_place_or_by_mask_and_segments_follow():
    whole = series([0, 10, 5, 15], [1, 2, 3, 4], [1, 2, 4, 8])
    for rows in (np.array([1, 2]), np.array([False, True, True, False])):
        part = whole.take(rows)
        assert (part.value.tolist(), part.quality.tolist(), part.segments.tolist()) == ([2, 3], [2, 4], [0, 1])
    assert whole.rows(slice(1, 3)).segments.tolist() == [0]


@pytest.mark.parametrize(
    ("start", "stop", "values"),
    [
        (None, None, [1, 2, 3]),
        (0.01, None, [2, 3]),
        (None, 0.01, [1, 2]),
        (0.01, 0.01, [2]),
        (0.0100001, 0.5, [3]),
        ("2026-05-28T20:26:40.010", None, [2, 3]),
        (None, "2026-05-28T20:26:40.010Z", [1, 2]),
        (datetime(2026, 5, 28, 20, 26, 40, 10_000, tzinfo=UTC), None, [2, 3]),
        (np.datetime64("2026-05-28T20:26:40.010"), np.datetime64("2026-05-28T20:26:40.010"), [2]),
    ],
)
def test_between_two_moments(start, stop, values):
    """1,780,000,000 s after 1970 are 2026-05-28 20:26:40 UTC (`date -u -d @1780000000`)."""
    epoch = 1_780_000_000_000
    whole = series([epoch, epoch + 10, epoch + 20], [1, 2, 3])
    assert whole.between(start, stop).value.tolist() == values


def test_between_refuses_what_is_no_stretch_of_time():
    whole = series([0, 10])
    with pytest.raises(UserError, match=r"between\(2, 1\): the end is before the start"):
        whole.between(2, 1)
    with pytest.raises(UserError):
        whole.between("2026-05-28T20:26:40")  # a capture that counts from its own start has no date
    with pytest.raises(UserError):
        series([365 * 86_400_000 - 1]).between("1970-12-31T23:59:59.999")
    later = series([365 * 86_400_000, 365 * 86_400_000 + 10])
    assert len(later.between("1971-01-01T00:00:00.010")) == 1
    assert (series([]).origin_ns, series([7]).origin_ns, series([7], first_ns=3).origin_ns) == (0, 7 * MS, 3)


def test_other_libraries_get_what_can_be_used():
    whole = series([0, 10, 20], [1, 2, 3], [0, Quality.IMPLAUSIBLE, 0], first_ns=-10 * MS)
    np.testing.assert_array_equal(np.asarray(whole), [1, np.nan, 3])
    np.testing.assert_array_equal(whole.to_numpy(), [1, np.nan, 3])
    assert np.asarray(whole, dtype=np.float32).dtype == np.float32
    made = whole.to_pandas(index="seconds", valid_only=True)
    assert (made.index.tolist(), made.tolist(), made.name) == ([0.01, 0.03], [1, 3], "oil_pressure")
    assert (made.index.name, made.attrs) == ("seconds", {"unit": "bar", "units": {"oil_pressure": "bar"}})
    made = whole.to_pandas()
    assert [str(each) for each in made.index[:2]] == ["1970-01-01 00:00:00+00:00", "1970-01-01 00:00:00.010000+00:00"]
    assert (made.index.name, len(made), bool(np.isnan(made.iloc[1]))) == ("time", 3, True)
    with pytest.raises(UserError, match="index='hours': there is no such index"):
        whole.to_pandas(index="hours")


def test_a_series_says_what_it_is():
    whole = series([0, 10, 20, 1020], [1, np.nan, 3, 4])
    assert repr(whole) == "<Series oil_pressure [bar]: 4 samples at 100 Hz, 1.020 s, 1 can't be used>"
    assert repr(series([0])) == "<Series oil_pressure [bar]: 1 sample, 0.000 s>"
    assert repr(replace(series([]), unit="")) == "<Series oil_pressure: no samples>"


def test_every_objection_counts_as_flagged_and_some_as_bad():
    found = series([0, 10, 20, 30], [1, 2, 3, np.nan], [0, Quality.TOO_FAST, Quality.IMPLAUSIBLE, 0]).statistics()
    assert (found.bad_share, found.flagged_share, found.mean) == (0.5, 0.75, 1.5)
    clean = series([0, 10], [1, np.nan]).statistics()
    assert (clean.bad_share, clean.flagged_share) == (0.5, 0.5)
