"""Series and their quality bits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.channels.samples.series import BAD, Quality, Series, describe_quality, segment_starts, unusable, worst

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
