"""Two senders of one identifier, on arrivals made by hand; every limit at it and just beyond."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.health.folds.histogram import Typical
from buswright.health.identifiers.senders import SendersFold, _alternating, _around, _center, _clusters, _crowded
from buswright.health.model.identifiers import TwoSenders
from tests.health.traffic import MS, S

UNSTEADY = Typical(5.0 * MS, 0.5, 0.9)
STEADY = Typical(10.0 * MS, 1.0, 1.0)


def combs(
    separation_ms: float, seconds: float = 10, *, period_ms: float = 10, drift: float = 0.0, start: int = 0
) -> np.ndarray:
    """Two combs, the second later by so much, which grows by a share of the time; one after the other by turns."""
    first = np.arange(round(seconds * 1000 / period_ms)) * period_ms * MS
    second = first + separation_ms * MS + first * drift
    return start + np.round(np.stack([first, second], axis=1).ravel()).astype(np.int64)


def words_of(many: int, *values: int) -> np.ndarray:
    """Payloads by turns."""
    return np.resize(np.array(values, dtype=np.uint64), (many, 1))


def found_of(
    *blocks: np.ndarray,
    own: Typical | None = UNSTEADY,
    declared_ms: float | None = None,
    values: tuple[int, ...] = (0, 255),
) -> TwoSenders | None:
    fold = SendersFold(None if declared_ms is None else declared_ms * MS)
    for block in blocks:
        fold.add(block, words_of(len(block), *values), own)
    return fold.figures()


def test_two_combs_are_told_whole() -> None:
    """Every 10 ms each, 3 ms apart, for 10 s of the grid; payloads of 8 bits' difference between the two."""
    found = found_of(combs(3))
    assert found == TwoSenders(
        windows=1,
        split=1,
        first_ns=0,
        last_ns=9_993 * MS,
        period_ns=10.0 * MS,
        separation_ns=pytest.approx(3 * MS),
        drift_ppm=None,
        sd_ns=pytest.approx(0, abs=1),
        minority=0.5,
        within_bits=0.0,
        between_bits=8.0,
    )


def test_the_separation_is_the_shorter_way_and_its_drift_counts_from_the_first_to_the_last_window() -> None:
    """100 ppm in 30 s: from 2 ms on by 1 ms in each window of ten seconds, on average 0.5, 1.5 and 2.5 ms more."""
    found = found_of(combs(2, 30, drift=100e-6))
    assert found is not None
    assert (found.windows, found.split, found.first_ns) == (3, 3, 0)
    assert found.separation_ns == pytest.approx(4.5 * MS, rel=0.01)
    assert found.drift_ppm == pytest.approx(100, rel=0.01)
    assert found.sd_ns == pytest.approx(0.5 / 12**0.5 * MS, rel=0.02)  # against the mean period each moves by half
    far = found_of(combs(7.5))
    assert far is not None
    assert far.separation_ns == pytest.approx(2.5 * MS)


@pytest.mark.parametrize("many", [15, 16])
def test_sixteen_frames_are_a_window(many: int) -> None:
    assert (found_of(combs(3)[:many]) is not None) is (many == 16)
    # In the second window of the grid, after a whole first one.
    found = found_of(combs(3, 11)[: 2000 + many])
    assert found is not None
    assert found.windows == many - 14


def test_nothing_is_looked_for_where_nothing_points_to_two() -> None:
    one = np.arange(1000) * 10 * MS
    assert found_of(one, own=STEADY) is None
    assert found_of(one, own=None) is None
    assert found_of(one, own=UNSTEADY) is None  # one comb, whatever its spacings in general
    assert found_of(combs(5), own=STEADY) is None  # half a period apart they are one of twice the rate


@pytest.mark.parametrize(
    ("own", "declared_ms", "looked"),
    [
        (Typical(10.0 * MS, 0.89, 1.0), None, True),
        (Typical(10.0 * MS, 0.9, 1.0), None, False),
        (Typical(5.0 * MS, 1.0, 1.0), 10, True),
        (Typical(5.49 * MS, 1.0, 1.0), 10, True),
        (Typical(5.51 * MS, 1.0, 1.0), 10, False),
        (Typical(4.51 * MS, 1.0, 1.0), 10, True),
        (Typical(4.49 * MS, 1.0, 1.0), 10, False),
        (Typical(5.0 * MS, 1.0, 1.0), None, False),
    ],
)
def test_irregular_ones_and_those_that_come_twice_as_often_as_declared_are_looked_at(
    own: Typical, declared_ms: float | None, looked: bool
) -> None:
    fold = SendersFold(None if declared_ms is None else declared_ms * MS)
    assert fold._suspicious(own) is looked


@pytest.mark.parametrize(
    ("declared_ms", "found"), [(10, True), (10.9, True), (11.2, False), (9.05, False), (None, False)]
)
def test_half_a_period_apart_they_are_two_where_one_is_declared(declared_ms: float | None, found: bool) -> None:
    """2 * 5 ms over what is declared, within a tenth."""
    assert (found_of(combs(5), declared_ms=declared_ms) is not None) is found


@pytest.mark.parametrize(("separation_ms", "found"), [(4.94, True), (4.96, False)])
def test_spacings_by_turns_of_one_length_are_one_sender(separation_ms: float, found: bool) -> None:
    """Two percent of half a period are 0.1 ms; 4.95 and 5.05 ms are that far apart."""
    assert (found_of(combs(separation_ms)) is not None) is found


@pytest.mark.parametrize(("odd", "found"), [(19, True), (21, False)])
def test_eight_in_ten_frames_come_a_period_after_the_last_but_one(odd: int, found: bool) -> None:
    """Every stretched spacing moves two of the 198 over two frames beyond a tenth of their middle."""
    spacing = np.diff(combs(3, 1))
    spacing[np.linspace(5, 190, odd).astype(int)] += 2 * MS
    time_ns = np.cumsum(np.concatenate([[0], spacing]))
    fold = SendersFold(None)
    fold.add(time_ns, words_of(200, 0), UNSTEADY)
    assert bool(fold._windows) is found


def test_frames_of_one_stamp_have_no_period() -> None:
    assert found_of(np.zeros(100, dtype=np.int64)) is None


def test_two_clocks_that_differ_by_much_are_told_second_by_second() -> None:
    """2,000 ppm move the second comb by two periods in ten seconds, and by a fifth of one in a second."""
    found = found_of(combs(2, 10, drift=2000e-6))
    assert found is not None
    assert (found.windows, found.split) == (1, 1)
    assert found.minority == pytest.approx(0.5, abs=0.02)


def test_a_window_that_is_no_two_combs_is_counted_and_not_split() -> None:
    """Too close to be told apart in any of its seconds; and only in some of them."""
    found = found_of(combs(1))
    assert found == TwoSenders(1, 0, None, None, 0.0, 0.0, None, 0.0, 0.0, 0.0, 0.0)


def test_the_smaller_part_is_counted_and_bits_within_and_between() -> None:
    """Of three frames in a period two are of the first comb: payloads 0 and 1, 1 bit apart, and 255 of the other."""
    found = found_of(combs(3), values=(0, 255, 1, 255))
    assert found is not None
    assert (found.within_bits, found.between_bits) == (pytest.approx(0.5, abs=0.01), pytest.approx(7.5, abs=0.01))


# Parts ----------------------------------------------------------------------------------------------------------------


def phases(*clusters: tuple[float, int]) -> np.ndarray:
    """Arrivals in periods: so many at each of these phases."""
    return np.concatenate([np.arange(many) + phase for phase, many in clusters])


@pytest.mark.parametrize(
    ("clusters", "separation"),
    [
        (((0.0, 50), (0.3, 50)), 0.3),
        (((0.0, 50), (0.8, 50)), 0.2),
        (((0.95, 50), (0.15, 50)), 0.2),
        (((0.0, 80), (0.3, 20)), 0.3),  # a fifth is enough
        (((0.0, 81), (0.3, 19)), None),
        (((0.0, 45), (0.3, 45), (0.6, 10)), 0.3),  # nine tenths are covered
        (((0.0, 45), (0.3, 44), (0.6, 11)), None),
        (((0.0, 50), (0.05, 50)), None),
        (((0.0, 100),), None),
    ],
)
def test_arrivals_fall_into_two_clusters_by_phase(
    clusters: tuple[tuple[float, int], ...], separation: float | None
) -> None:
    found = _clusters(phases(*clusters))
    assert (found is None) is (separation is None)
    if found is not None and separation is not None:
        assert found.separation == pytest.approx(separation)
        assert found.sd == pytest.approx(0, abs=1e-9)
        assert int(found.covered.sum()) == sum(many for _, many in clusters[:2])
        sizes = sorted([int((found.second & found.covered).sum()), int((~found.second & found.covered).sum())])
        assert sizes == sorted(many for _, many in clusters[:2])


def test_clusters_that_spread_over_a_tenth_of_a_period_are_none() -> None:
    rng = np.random.default_rng(1)
    spread = np.concatenate([np.full(400, 0.2), np.full(400, 0.7)]) + rng.uniform(-0.1, 0.1, 800)
    found = _clusters(spread)
    assert found is not None
    assert found.sd == pytest.approx(0.2 / 12**0.5, rel=0.05)
    edges = np.concatenate([np.full(400, 0.2), np.full(400, 0.7)]) + np.where(np.arange(800) % 2, 0.12, -0.12)
    assert _clusters(edges) is None


def test_means_and_differences_of_phases_go_round() -> None:
    assert _around(np.array([0.4, 0.6, -0.6, 1.2, -0.1])).tolist() == pytest.approx([0.4, -0.4, 0.4, 0.2, -0.1])
    assert _center(np.array([0.95, 0.05, 0.1, 0.5]), 0.0) == pytest.approx(0.1 / 3)
    assert _center(np.array([0.5]), 0.1) == pytest.approx(0.1)
    assert _center(np.array([0.9, 0.8]), 0.95) == pytest.approx(0.85)


@pytest.mark.parametrize(("spread_ms", "calmer"), [(1, True), (0, True)])
def test_spacings_over_two_frames_are_calmer_than_single_ones(spread_ms: float, calmer: bool) -> None:
    assert _alternating(combs(3, 1)) is calmer
    jitter = np.random.default_rng(1).normal(0, spread_ms * MS, 200)
    one = (np.arange(200) * 10 * MS + jitter).astype(np.int64)
    # Over one spacing and over two the jitter of a single sender is the same: that of two stamps.
    assert _alternating(one) is (spread_ms == 0)


@pytest.mark.parametrize(("many", "crowded"), [(120, False), (121, True)])
def test_a_window_with_a_fifth_more_frames_than_its_period_allows_is_crowded(many: int, crowded: bool) -> None:
    """Of 100 in ten seconds; a capture of one window says nothing of how it was before."""
    before = np.arange(100) * 100 * MS
    full = 10 * S + np.linspace(0, 9.9 * S, many).astype(np.int64)
    own = Typical(100.0 * MS, 1.0, 1.0)
    assert _crowded(np.concatenate([before, full]), own) is crowded
    assert _crowded(np.concatenate([full, full + 10 * S + 5]), own) is crowded
    assert not _crowded(full, own)
    assert not _crowded(np.concatenate([before, full]), Typical(0.0, 1.0, 1.0))


@pytest.mark.parametrize(("a_ms", "calmer"), [(0.74, True), (0.77, False)])
def test_calmer_is_half_the_spread(a_ms: float, calmer: bool) -> None:
    """Spacings 3+a, 7+a, 3-a, 7-a: over one (4 + a**2)**0.5, over two 2**0.5 a; half as much at a = 0.756."""
    spacing = np.tile([3 + a_ms, 7 + a_ms, 3 - a_ms, 7 - a_ms], 50)
    assert _alternating(np.cumsum(np.round(spacing * MS)).astype(np.int64)) is calmer
