"""Cautions and warnings: hold, hysteresis, gate, gaps, quality."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.channels.carfile.model import Limits
from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.parse import parse_formula
from buswright.channels.limits import exceedances
from buswright.channels.samples.series import Quality, Series

EPOCH = 1_780_000_000_000_000_000
STEP = 100_000_000


def samples(*value, quality=None, at=None, **more):
    """Samples at 10 Hz, or at the given tenths of a second."""
    at = np.arange(len(value)) if at is None else np.array(at)
    quality = None if quality is None else np.array(quality, np.uint16)
    time_ns = EPOCH + at.astype(np.int64) * STEP
    return Series("oil", "bar", time_ns, np.array(value, np.float64), quality=quality, period_s=0.1, **more)


def found(series, gate=None, level="caution", **limits):
    """(side, first and last tenth of a second, peak, its tenth) of each."""
    return [
        (
            each.side,
            (each.start_ns - EPOCH) // STEP,
            (each.end_ns - EPOCH) // STEP,
            each.peak,
            (each.peak_ns - EPOCH) // STEP,
        )
        for each in exceedances(series, Limits(**limits), level, gate=gate)
    ]


def test_start_end_and_peak_of_each_side():
    series = samples(5, 1, 2, 0.5, 5, 9, 11, 10, 5)
    assert found(series, low=3.0, high=8.0) == [("low", 1, 3, 0.5, 3), ("high", 5, 7, 11, 6)]
    assert found(series, low=3.0) == [("low", 1, 3, 0.5, 3)]
    assert found(series) == []
    (low,) = exceedances(series, Limits(low=3.0), "warning")
    assert (low.channel, low.level, low.limit, low.unit, low.samples) == ("oil", "warning", 3.0, "bar", 3)
    assert low.duration_s == pytest.approx(0.2)


def test_at_the_limit_is_not_beyond_it():
    assert found(samples(8, 8, 8), high=8.0) == []


def test_it_counts_after_the_hold_and_starts_where_it_began():
    series = samples(5, 9, 9, 5, 9, 9, 9, 9, 5)
    assert found(series, high=8.0, hold_s=0.2) == [("high", 4, 7, 9, 4)]
    assert found(series, high=8.0, hold_s=0.3) == [("high", 4, 7, 9, 4)]
    assert found(series, high=8.0, hold_s=0.31) == []
    assert found(series, high=8.0) == [("high", 1, 2, 9, 1), ("high", 4, 7, 9, 4)]


def test_it_ends_when_the_value_comes_back_by_the_hysteresis():
    series = samples(5, 9, 7.5, 9, 7.5, 7, 7.5, 5)
    assert found(series, high=8.0, hysteresis=1.0) == [("high", 1, 4, 9, 1)]
    assert found(series, high=8.0) == [("high", 1, 1, 9, 1), ("high", 3, 3, 9, 3)]
    mirrored = samples(*(10 - series.value))
    assert found(mirrored, low=2.0, hysteresis=1.0) == [("low", 1, 4, 1, 1)]


def test_the_hold_runs_beyond_the_limit_and_not_within_the_hysteresis():
    # Dips back to the limit restart the hold until it is served; afterwards only the hysteresis ends it.
    series = samples(9, 9, 7.5, 9, 9, 7.5, 9, 9, 9, 7.5, 7.5, 5)
    assert found(series, high=8.0, hysteresis=1.0, hold_s=0.2) == [("high", 6, 10, 9, 6)]


def test_a_gap_ends_it_and_starts_the_hold_again():
    at = [0, 1, 2, 3, 10, 11, 12, 13]
    series = samples(*[9] * 8, at=at)
    assert found(series, high=8.0) == [("high", 0, 3, 9, 0), ("high", 10, 13, 9, 10)]
    assert found(series, high=8.0, hold_s=0.5) == []
    assert found(samples(*[9] * 8, at=[0, 1, 2, 3, 6, 7, 8, 9]), high=8.0) == [("high", 0, 9, 9, 0)]


def test_a_value_within_the_hysteresis_after_a_gap_is_no_exceedance():
    assert found(samples(9, 9, 7.5, 7.5, at=[0, 1, 20, 21]), high=8.0, hysteresis=1.0) == [("high", 0, 1, 9, 0)]


def test_a_segment_ends_it():
    series = samples(9, 9, 9, 9, at=[0, 1, 0, 1])
    assert found(series, high=8.0) == [("high", 0, 1, 9, 0), ("high", 0, 1, 9, 0)]


def test_unusable_samples_neither_begin_nor_prolong_nor_end_one():
    bad = Quality.ELECTRICAL_RAIL
    assert found(samples(5, 99, 5, quality=[0, bad, 0]), high=8.0) == []
    assert found(samples(9, 0, 9, np.nan, 9, 5, quality=[0, bad, 0, 0, 0, 0]), high=8.0) == [("high", 0, 4, 9, 0)]
    assert found(samples(9, 9, 9, 9, quality=[0, 0, bad, bad]), high=8.0, hold_s=0.2) == []
    assert found(samples(9, 9, quality=[Quality.TOO_FAST, 0]), high=8.0) == [("high", 0, 1, 9, 0)]
    # Unusable for so long that it is a gap.
    series = samples(*[9] * 8, quality=[0, 0, *[bad] * 4, 0, 0])
    assert found(series, high=8.0) == [("high", 0, 1, 9, 0), ("high", 6, 7, 9, 6)]


def test_the_gate_decides_when_it_counts():
    oil = samples(*[1] * 10)
    rpm = Series("rpm", "rpm", EPOCH + np.arange(0, 100, 3) * STEP // 10, np.arange(34) * 100.0, period_s=0.03)
    when = parse_formula("rpm > 1000")
    gate = evaluate(when, {"rpm": rpm})
    # rpm passes 1000 at 0.33 s, so the sample at 0.4 s is the first to count.
    assert found(oil, gate, low=2.0, when=when) == [("low", 4, 9, 1, 4)]
    assert found(oil, gate, low=2.0, hold_s=0.6) == []


def test_a_gate_that_closes_ends_it():
    gate = samples(1, 1, 0, 1, 1, 1, kind="state")
    assert found(samples(*[9] * 6), gate, high=8.0) == [("high", 0, 1, 9, 0), ("high", 3, 5, 9, 3)]
    assert found(samples(9, 9, 7.5, 7.5, 9, 9), gate, high=8.0, hysteresis=1.0) == [
        ("high", 0, 1, 9, 0),
        ("high", 4, 5, 9, 4),
    ]


def test_a_gate_without_a_value_counts_nothing():
    oil = samples(*[9] * 10)
    assert found(oil, samples(1, kind="state", at=[5]), high=8.0) == [("high", 5, 6, 9, 5)]
    assert found(oil, samples(kind="state"), high=8.0) == []
    assert found(oil, samples(*[np.nan] * 10, kind="state"), high=8.0) == []
    rail = samples(*[1] * 10, quality=[Quality.BAD_CHECKSUM] * 10, kind="state")
    assert found(oil, rail, high=8.0) == []


def test_nothing_comes_of_nothing():
    assert found(samples(), low=0.0, high=1.0) == []
    assert found(samples(np.nan, np.nan), low=0.0, high=1.0) == []


def one_by_one(series, high, hold_s, hysteresis, gate):
    """The rule sample by sample, as a second opinion; (first, last) times."""
    results, first, active, last, previous = [], None, False, None, None
    for time_ns, value, valid, is_open in zip(series.time_ns, series.value, series.valid, gate, strict=True):
        if not valid:
            continue
        broken = previous is not None and (time_ns < previous or time_ns - previous > 3.1 * STEP)
        if active and (broken or not is_open or value <= high - hysteresis):
            results.append((first, last))
            active, first = False, None
        if broken or not is_open or not (value > high or active):
            first = first if active else None
        if value > high and is_open:
            first = time_ns if first is None else first
            active = active or time_ns - first >= round(hold_s * 1e9)
        last = time_ns
        previous = time_ns
    return [*results, (first, last)] if active else results


@settings(max_examples=200, deadline=1000)
@given(st.data())
def test_columns_agree_with_a_loop(data):
    count = data.draw(st.integers(1, 40))
    draw = lambda values: data.draw(st.lists(st.sampled_from(values), min_size=count, max_size=count))  # noqa: E731
    at = np.cumsum(draw([1, 1, 1, 2, 5, -20]))
    series = samples(*draw([5.0, 7.5, 9.0, 9.0, np.nan]), at=at, quality=draw([0, 0, 0, 16]))
    is_open = np.array(draw([1, 1, 1, 1, 0]), dtype=bool)
    gate = Series("g", "", series.time_ns, is_open * 1.0, kind="state", segments=series.segments)
    hold_s, hysteresis = data.draw(st.sampled_from([0.0, 0.1, 0.3])), data.draw(st.sampled_from([0.0, 1.0]))
    events = exceedances(series, Limits(high=8.0, hold_s=hold_s, hysteresis=hysteresis), "caution", gate=gate)
    expected = one_by_one(series, 8.0, hold_s, hysteresis, is_open)
    assert sorted((each.start_ns, each.end_ns) for each in events) == sorted(expected)
    for each in events:
        inside = series.valid & (series.value > 8.0)
        assert each.peak == 9.0
        assert each.peak_ns in series.time_ns[inside]
