"""The small folds everything is made of: histograms, bounded memories, windows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.health.folds import windows as module
from buswright.health.folds.bounded import FirstAndLast, LongestAndLatest
from buswright.health.folds.histogram import COARSE, FINE, Histogram, bins_of, typical, value_of
from buswright.health.folds.windows import FAST_NS, SlidingPeaks, WindowSums

ROW = np.dtype([("number", np.int64), ("length", np.int64)])


def pieces(rows: np.ndarray, cuts: list[int]) -> list[np.ndarray]:
    return np.split(rows, sorted(min(c, len(rows)) for c in cuts))


@given(st.lists(st.integers(1, 10**13), min_size=1, max_size=300))
def test_bins_hold_their_values_and_are_narrow(values: list[int]) -> None:
    given_values = np.array(values)
    for bits, width in ((FINE, 0.0040), (COARSE, 0.0160)):
        bins = bins_of(given_values, bits)
        low, high = value_of(bins, bits), value_of(bins + 1, bits)
        assert (low <= given_values * (1 + 1e-6)).all()
        assert (high >= given_values * (1 - 1e-6)).all()
        assert ((high - low) / low <= width).all()


def test_frames_of_one_stamp_take_no_more_room() -> None:
    spacings = Histogram(FINE)
    spacings.add(np.array([0] * 10 + [10_000_000] * 80 + [20_000_000] * 10))
    assert len(spacings.counts) < 7_000
    assert spacings.quantiles((0.05,)) == (0.0,)
    assert spacings.quantiles((0.5,))[0] == pytest.approx(10_000_000, rel=0.004)
    found = typical(spacings)
    assert found is not None
    assert (found.period_ns, found.exact, found.steady) == (10_000_000, 0.8, 0.9)


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=200), st.lists(st.integers(0, 200), max_size=4))
def test_a_histogram_is_the_same_however_it_is_fed(values: list[int], cuts: list[int]) -> None:
    whole, parts = Histogram(FINE), Histogram(FINE)
    whole.add(np.array(values))
    for piece in pieces(np.array(values), cuts):
        own = Histogram(FINE)
        own.add(piece)
        parts.merge(own)
    assert (whole.low, whole.total) == (parts.low, parts.total)
    assert whole.counts.tolist() == parts.counts.tolist()
    assert whole.sums == pytest.approx(parts.sums)
    median = np.quantile(values, 0.5, method="inverted_cdf")
    assert whole.quantiles((0.5,)) == (pytest.approx(median, rel=0.005, abs=1),)


def test_the_typical_spacing_of_lossy_traffic_is_the_period() -> None:
    rng = np.random.default_rng(1)
    lost = Histogram(FINE)
    lost.add(np.rint(rng.geometric(0.4, 5000) * 10e6 + rng.normal(0, 1e5, 5000)).astype(np.int64))
    found = typical(lost)
    assert found is not None
    assert found.period_ns == pytest.approx(10e6, rel=2e-3)
    assert found.exact == pytest.approx(0.4, abs=0.03)
    assert found.steady > 0.98
    noise = Histogram(FINE)
    noise.add(rng.exponential(1e7, 5000).astype(np.int64))
    unsteady = typical(noise)
    assert unsteady is not None
    assert unsteady.steady < 0.7
    few = Histogram(FINE)
    few.add(np.array([10, 10]))
    assert typical(few) is None


@given(st.integers(0, 400), st.integers(1, 50), st.lists(st.integers(0, 400), max_size=8))
def test_first_and_last(count: int, size: int, cuts: list[int]) -> None:
    keeper = FirstAndLast(np.int64, size)
    for piece in pieces(np.arange(count), cuts):
        keeper.add(piece)
    expected = np.arange(count) if count <= 2 * size else np.r_[np.arange(size), np.arange(count - size, count)]
    assert keeper.rows.tolist() == expected.tolist()
    assert keeper.count == count


@given(st.lists(st.integers(0, 20), max_size=300), st.integers(1, 20), st.lists(st.integers(0, 300), max_size=8))
@settings(deadline=None)
def test_longest_and_latest(lengths: list[int], size: int, cuts: list[int]) -> None:
    rows = np.zeros(len(lengths), dtype=ROW)
    rows["number"], rows["length"] = np.arange(len(lengths)), lengths
    keeper = LongestAndLatest(ROW, size)
    for piece in pieces(rows, cuts):
        keeper.add(piece)
    kept = set(range(len(lengths)))
    if len(lengths) > 2 * size:
        longest = sorted(kept, key=lambda n: (-lengths[n], n))[:size]
        kept = set(longest) | set(range(len(lengths) - size, len(lengths)))
    assert keeper.rows["number"].tolist() == sorted(kept)


@given(st.lists(st.tuples(st.integers(0, 10**11), st.integers(1, 200)), min_size=1, max_size=80), st.booleans())
def test_windows_sum_what_fell_into_them(rows: list[tuple[int, int]], ordered: bool) -> None:
    rows = sorted(rows) if ordered else rows
    time_ns, bits = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    sums = WindowSums()
    half = len(rows) // 2
    for part in (slice(0, half), slice(half, None)):
        if len(time_ns[part]):
            ascending = bool((np.diff(time_ns[part]) >= 0).all())
            sums.add(time_ns[part], ascending, (None, bits[part], None))
    for width, (starts, found) in ((FAST_NS, sums.sums(1)), (10 * FAST_NS, sums.sums(10))):
        expected: dict[int, int] = {}
        for time, own in rows:
            expected[time // width * width] = expected.get(time // width * width, 0) + own
        assert {int(s): int(b) for s, b in zip(starts, found[2], strict=True) if b} == expected
        assert found[0].sum() == len(rows)
        assert (np.diff(starts) > 0).all()


@given(
    st.lists(st.tuples(st.integers(-500, 4000), st.integers(1, 200), st.integers(0, 200)), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=5),
    st.sampled_from([1.0, 0.3]),
)
def test_peaks_slide_and_any_cutting_gives_the_same(
    rows: list[tuple[int, int, int]], cuts: list[int], weight: float
) -> None:
    """Held against a loop over all windows; a step back of the clock begins a new run of them."""
    step, bits, data = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    time_ns = np.cumsum(step * 100_000)
    run = np.cumsum(step < 0)
    fold = SlidingPeaks(weight)
    edges = [0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)]
    for start, stop in pairwise(edges):
        if stop > start:
            part = slice(start, stop)
            fold.add(time_ns[part], bits[part].astype(np.int32), data[part].astype(np.int32))
    for width in SlidingPeaks.WIDTHS_NS:
        windows = []
        for row in range(len(rows)):
            inside = (run == run[row]) & (time_ns > time_ns[row] - width) & (np.arange(len(rows)) <= row)
            own, own_data = int(bits[inside].sum()), int(data[inside].sum())
            windows.append((own + own_data * weight, int(time_ns[inside][0]), own, own_data))
        assert fold.best[width] == max(windows, key=lambda window: window[0])


def test_peaks_hold_no_more_than_a_second() -> None:
    fold = SlidingPeaks()
    for second in range(20):
        time_ns = second * 10**9 + np.arange(0, 10**9, 200_000)
        fold.add(np.repeat(time_ns, 3), np.full(15_000, 7, np.int32), None)
    assert len(fold._at) <= 5_001
    assert fold.best[10**9].bits == 15_000 * 7


def test_windows_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_MOST_CHUNKS", 3)
    sums = WindowSums()
    for hour in range(5):
        sums.add(np.array([hour * 3600 * 10**9]), True, (None, np.array([100]), None))
    assert sums.left_out == 2
    assert sums.sums(1)[1][0].sum() == 3
