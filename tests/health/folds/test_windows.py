"""Windows, histograms and bounded rows by figures made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.health.folds import windows as module
from buswright.health.folds.bounded import FirstAndLast, LongestAndLatest
from buswright.health.folds.histogram import FINE, Histogram, Typical, bins_of, typical, value_of
from buswright.health.folds.windows import FAST_NS, Busy, SlidingPeaks, WindowSums

MS, S = 1_000_000, 1_000_000_000


# Windows --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ascending", [True, False])
def test_every_lane_of_a_window_is_summed(ascending: bool) -> None:
    """Frames, error frames, bits at the nominal rate and at the data rate; the window that is left empty has zeros."""
    sums = WindowSums()
    time_ns = np.array([0, FAST_NS - 1, FAST_NS, 3 * FAST_NS])
    error, bits, data = np.array([True, False, True, True]), np.array([10, 20, 40, 80]), np.array([1, 2, 4, 8])
    sums.add(time_ns, ascending, (error, bits, data))
    sums.add(time_ns[3:], ascending, (None, bits[:1], None))
    starts, found = sums.sums(1)
    assert starts.tolist() == [0, FAST_NS, 2 * FAST_NS, 3 * FAST_NS]
    assert found.tolist() == [[2, 1, 0, 2], [1, 1, 0, 1], [30, 40, 0, 90], [3, 4, 0, 8]]
    starts, found = sums.sums(10)
    assert (starts.tolist(), found.tolist()) == ([0], [[5], [3], [160], [15]])


def test_windows_begin_with_the_first_that_holds_a_frame() -> None:
    sums = WindowSums()
    sums.add(np.array([-3 * S - 1, 27 * S, 61 * S]), True, (None, np.array([1, 2, 4]), None))
    starts, found = sums.sums(10)
    assert (starts[0], starts[-1]) == (-4 * S, 61 * S)
    assert {int(start): int(bits) for start, bits in zip(starts, found[2], strict=True) if bits} == {
        -4 * S: 1,
        27 * S: 2,
        61 * S: 4,
    }
    assert [column.size for column in WindowSums().sums(1)] == [0, 0]
    assert WindowSums().sums(10)[1].shape == (4, 0)


def test_a_jump_of_the_clock_leaves_windows_out() -> None:
    """A chunk is 25 s: of a day between two frames nothing is held."""
    sums = WindowSums()
    sums.add(np.array([5 * S, 86_405 * S]), True, (None, np.array([1, 2]), None))
    starts, found = sums.sums(10)
    assert len(starts) == 20 + 6
    assert (starts[0], starts[-1], found[2].sum()) == (5 * S, 86_405 * S, 3)


def test_frames_beyond_the_bound_are_counted_and_held_in_no_window(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_MOST_CHUNKS", 1)
    sums = WindowSums()
    time_ns = np.array([0, 24 * S, 25 * S, 30 * S])
    sums.add(time_ns, True, (None, np.array([1, 2, 4, 8]), None))
    assert (sums.left_out, sums.sums(1)[1][2].sum()) == (2, 3)
    sums.add(time_ns[:1], True, (None, np.array([16]), None))
    assert (sums.left_out, sums.sums(1)[1][2].sum()) == (2, 19)


def peaks(*rows: tuple[int, int, int], weight: float = 1.0) -> dict[int, Busy]:
    """Frames (time in ms, bits, bits at the data rate)."""
    fold = SlidingPeaks(weight)
    time, bits, data = (np.array(column, dtype=np.int64) for column in zip(*rows, strict=True))
    fold.add(time * MS, bits.astype(np.int32), data.astype(np.int32))
    return fold.best


def test_a_window_holds_what_ended_in_it_and_not_what_is_a_whole_width_before() -> None:
    rows = [(0, 5, 0), (100, 7, 0), (199, 9, 0), (1000, 11, 0), (1099, 20, 0)]
    assert peaks(*rows) == {FAST_NS: Busy(31.0, 1000 * MS, 31, 0), S: Busy(47.0, 100 * MS, 47, 0)}


def test_bits_at_the_data_rate_weigh_what_they_take() -> None:
    rows = [(0, 100, 0), (500, 10, 400), (2000, 90, 0)]
    assert peaks(*rows, weight=0.2)[FAST_NS] == Busy(100.0, 0, 100, 0)
    assert peaks(*rows, weight=0.25)[FAST_NS] == Busy(110.0, 500 * MS, 10, 400)
    assert peaks(*rows, weight=0.25)[S] == Busy(210.0, 0, 110, 400)


def test_of_equal_windows_the_first_counts() -> None:
    assert peaks((0, 5, 0), (3000, 5, 0), (6000, 5, 0))[S] == Busy(5.0, 0, 5, 0)


@pytest.mark.parametrize(("back_ns", "bits"), [(1_000, 12), (1_001, 7)])
def test_no_window_reaches_over_a_jump_back_but_stamps_may_swap(back_ns: int, bits: int) -> None:
    fold = SlidingPeaks()
    fold.add(np.array([10 * MS, 10 * MS - back_ns]), np.array([5, 7], dtype=np.int32), None)
    assert fold.best[FAST_NS].bits == bits


# Bounded rows ---------------------------------------------------------------------------------------------------------


def test_rows_are_kept_in_order_at_both_ends() -> None:
    keeper = FirstAndLast(np.int64, 2)
    for row in range(7):
        keeper.add(np.array([row]))
    keeper.add(np.zeros(0, dtype=np.int64))
    assert (keeper.rows.tolist(), keeper.count) == ([0, 1, 5, 6], 7)


def test_memory_of_the_longest_and_the_latest_is_bounded() -> None:
    row = np.dtype([("length", np.int64)])
    keeper = LongestAndLatest(row, 2)
    for length in (9, 1, 8, 1, 8, 1, 1):
        keeper.add(np.array([(length,)], dtype=row))
        assert len(keeper._rows) <= 6
    assert keeper.rows["length"].tolist() == [9, 8, 1, 1]
    assert keeper.count == 7


# Histograms -----------------------------------------------------------------------------------------------------------


def test_bins_are_parts_of_an_octave() -> None:
    """At 8 bits 256 of them between 1 and 2; their lower edges are the values themselves."""
    values = np.array([1.0, 1.0 + 1 / 256, 1.5, 2.0, 4.0])
    bins = bins_of(values, 8)
    assert (bins - bins[0]).tolist() == [0, 1, 128, 256, 512]
    assert value_of(bins, 8).tolist() == values.tolist()
    assert bins_of(np.array([0]), 8).tolist() == [0]


def test_quantiles_are_linear_within_a_bin_and_none_of_nothing() -> None:
    spacings = Histogram(FINE)
    assert np.isnan(spacings.quantiles((0.1, 0.9))).all()
    spacings.add(np.array([1024] * 4))  # a bin from 1024 to 1028
    assert spacings.quantiles((0.0, 0.25, 0.5, 1.0)) == (1024.0, 1025.0, 1026.0, 1028.0)
    spacings.add(np.array([2048] * 4))  # from 2048 to 2056
    assert spacings.quantiles((0.5, 0.75, 0.999)) == (1028.0, 2052.0, pytest.approx(2055.984))
    zeros = Histogram(FINE)
    zeros.add(np.array([0, 0, 0, 1024]))
    assert zeros.quantiles((0.5, 0.76)) == (0.0, pytest.approx(1024.16))
    assert zeros.edges[0] == 0.0
    assert spacings.edges[[0, -1]].tolist() == [1024.0, 2056.0]


def test_bins_are_added_below_and_above_and_sums_stay_with_them() -> None:
    spacings, other = Histogram(FINE), Histogram(FINE)
    spacings.add(np.array([2048, 2050]))
    spacings.add(np.array([1024]))
    spacings.add(np.array([4096]), summed=False)
    other.add(np.array([8192]))
    spacings.merge(other)
    spacings.merge(Histogram(FINE))
    held = np.flatnonzero(spacings.counts)
    assert spacings.edges[held].tolist() == [1024.0, 2048.0, 4096.0, 8192.0]
    assert spacings.counts[held].tolist() == [1, 2, 1, 1]
    assert spacings.sums[held].tolist() == [1024.0, 4098.0, 0.0, 8192.0]
    assert spacings.total == 5


def typical_of(*of: tuple[float, int], modes: bool = True) -> Typical | None:
    spacings = Histogram(FINE)
    for value, many in of:
        spacings.add(np.full(many, round(value * 1000)))
    found = typical(spacings, modes=modes)
    return None if found is None else Typical(found.period_ns / 1000, found.exact, found.steady)


@pytest.mark.parametrize(
    ("of", "expected"),
    [
        ([(10, 2)], None),
        ([(10, 3)], Typical(10.0, 1.0, 1.0)),
        ([(0, 2), (10, 1)], Typical(10.0, 1 / 3, 1 / 3)),
        ([(0, 6), (10, 1)], None),  # a seventh is no mode
        ([(10, 6), (11, 4)], Typical(10.4, 1.0, 1.0)),
        ([(10, 8), (12.5, 2)], Typical(10.0, 0.8, 0.8)),  # beyond 20 percent
        ([(10, 6), (20, 2), (100, 1), (110, 1)], Typical(10.0, 0.6, 0.9)),  # whole multiples up to ten
        ([(10, 7), (25, 3)], Typical(10.0, 0.7, 0.7)),
        # Where fewer than half are near the median: the mode whose multiples explain most, of those the longest.
        ([(10, 4), (20, 3), (30, 3)], Typical(10.0, 0.4, 1.0)),
        ([(10, 3), (30, 3), (50, 4)], Typical(10.0, 0.3, 1.0)),
    ],
)
def test_the_typical_spacing_is_near_the_median_or_the_clearest_mode(
    of: list[tuple[float, int]], expected: Typical | None
) -> None:
    assert typical_of(*of) == (None if expected is None else pytest.approx(expected, rel=0.01))


def test_a_mode_holds_fifteen_percent() -> None:
    """Of 100: 15 of 10 ms explain all the others, 14 of them are no mode."""
    assert typical_of((10, 15), (30, 40), (70, 45)) == pytest.approx(Typical(10.0, 0.15, 1.0), rel=0.01)
    found = typical_of((10, 14), (30, 41), (70, 45))
    assert found is not None
    assert found.period_ns == pytest.approx(70, rel=0.01)
    assert typical_of((10, 15), (30, 40), (70, 45), modes=False) == pytest.approx(Typical(30.0, 0.4, 0.4), rel=0.01)
