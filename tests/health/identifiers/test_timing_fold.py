"""What one identifier's arrivals are judged by, on figures made by hand; every limit at it and just beyond."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.health.folds.histogram import FINE, Histogram, Typical
from buswright.health.identifiers import timing as module
from buswright.health.identifiers.timing import Reference, TimingFold
from tests.health.traffic import MS, S


def fold_of(declared_ms: float | None = None, *, change_driven: bool = False) -> TimingFold:
    return TimingFold(None if declared_ms is None else declared_ms * MS, change_driven, 1.5)


def add(fold: TimingFold, time_ns: np.ndarray, changed: np.ndarray | None = None) -> tuple[list[bool], Reference]:
    none = np.zeros(len(time_ns), dtype=np.bool_)
    gaps, reference, _ = fold.add(
        time_ns, np.full(len(time_ns), 100, np.int32), None, none, none if changed is None else changed
    )
    return gaps.tolist(), reference


def every(period_ms: float, many: int, start_ms: float = 0) -> np.ndarray:
    return np.round((start_ms + np.arange(many) * period_ms) * MS).astype(np.int64)


def steps(*spacing_ms: float) -> np.ndarray:
    return np.cumsum(np.round(np.array([0, *spacing_ms]) * MS)).astype(np.int64)


# Sums -----------------------------------------------------------------------------------------------------------------


def test_spacings_are_summed_up_and_a_clock_that_goes_back_is_in_none() -> None:
    fold = fold_of()
    add(fold, steps(10, 10, 14, 10, 6))
    add(fold, steps(10, 10, 3)[::-1] + 30 * MS)
    assert (fold.frames, fold.first_ns, fold.last_ns) == (10, 0, 30 * MS)
    assert (fold.spacings.total, fold.backwards) == (6, 3)
    assert (fold.shortest, fold.longest, fold.elapsed_ns) == (3 * MS, 14 * MS, 53 * MS)


def test_frames_of_one_stamp_are_a_spacing_of_nothing() -> None:
    fold = fold_of()
    add(fold, steps(10, 0, 10))
    assert (fold.spacings.total, fold.backwards, fold.shortest, fold.elapsed_ns) == (3, 0, 0, 20 * MS)


def test_the_first_frame_has_no_spacing_and_the_next_block_goes_on() -> None:
    fold = fold_of(10)
    assert add(fold, every(10, 3))[0] == [False] * 3
    gaps, reference = add(fold, every(10, 3, 60))
    assert gaps == [True, False, False]
    assert reference.judged_ns == 10 * MS
    assert fold.longest == 40 * MS


@pytest.mark.parametrize(("spacing_ms", "gap"), [(15, False), (15.000_001, True)])
def test_over_one_and_a_half_periods_is_no_jitter(spacing_ms: float, gap: bool) -> None:
    fold = fold_of(10)
    assert add(fold, steps(10, 10, spacing_ms))[0] == [False, False, False, gap]


def test_jitter_is_the_standard_deviation_of_what_is_no_gap() -> None:
    """Spacings 9, 11, 9, 11 and a gap: their mean 10 is learned, and the sample variance is 4/3."""
    fold = fold_of()
    add(fold, every(10, 61))
    before = fold.sd_ns
    fold = fold_of(10)
    add(fold, steps(9, 11, 9, 11, 40))
    assert before == 0.0
    assert fold.sd_ns == pytest.approx((4 / 3) ** 0.5 * MS)
    assert fold.deviations_ns(0.5) == (pytest.approx(1 * MS, rel=0.02),)
    few = fold_of(10)
    add(few, steps(9, 11, 9, 40))
    assert (few.sd_ns, few.deviations_ns(0.5, 0.9)) == (None, (None, None))


def test_the_spread_is_of_the_ninth_tenth_over_the_first() -> None:
    fold = fold_of()
    assert np.isinf(fold.spread)
    add(fold, steps(*[10] * 20, *[30] * 20))
    assert fold.spread == pytest.approx(3, rel=0.01)
    still = fold_of()
    add(still, steps(*[0] * 20, *[30] * 20))
    assert np.isinf(still.spread)


# The rate -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("frames", "rate_ms"), [(19, None), (20, 10), (600, 10)])
def test_the_rate_is_learned_over_ten_frames_or_more(frames: int, rate_ms: float | None) -> None:
    fold = fold_of()
    add(fold, every(10, frames))
    assert fold._rate_ns == (None if rate_ms is None else rate_ms * MS)
    assert fold._rate_steps == (0 if frames < 20 else min(256, frames // 2))


def test_a_longer_block_wins_and_a_shorter_one_changes_nothing() -> None:
    fold = fold_of()
    add(fold, every(10, 40))
    add(fold, every(20, 39, 1000))
    assert fold._rate_ns == 10 * MS
    add(fold, every(20, 40, 5000))
    assert fold._rate_ns == 20 * MS


@pytest.mark.parametrize(("slow_ms", "rate_ms"), [(12.5, 11.25), (12.6, None)])
def test_a_block_has_no_rate_where_it_changed(slow_ms: float, rate_ms: float | None) -> None:
    """Ten spans over ten spacings each: from all fast ones to all slow ones, in even steps; the middle half too."""
    fold = fold_of()
    add(fold, steps(*[10] * 10, *[slow_ms] * 9, slow_ms))
    assert fold._rate_ns == pytest.approx(11.25 * MS if rate_ms else (10 + slow_ms) / 2 * MS)
    fold = fold_of()
    add(fold, steps(*[10] * 10, *[30] * 10))
    assert fold._rate_ns is None


def test_a_stall_in_a_few_of_the_spans_leaves_the_middle_half_steady() -> None:
    """One stall of 100 ms in the last of eighty spacings: only a few of the spans of forty spacings hold it."""
    fold = fold_of()
    add(fold, steps(*[10] * 75, 500, *[10] * 4))
    assert fold._rate_ns == 10 * MS


def test_frames_of_one_stamp_alone_have_no_rate() -> None:
    fold = fold_of()
    add(fold, np.zeros(40, dtype=np.int64))
    assert fold._rate_ns is None


@pytest.mark.parametrize(
    ("found", "rate_ms", "declared_ms", "clumped"),
    [
        (Typical(1 * MS, 0.9, 0.9), 3, None, True),
        (Typical(1 * MS, 0.9, 0.9), 2.99, None, False),
        (Typical(1 * MS + 1, 0.9, 0.9), 4, None, False),
        (Typical(2 * MS, 0.9, 0.9), 10, 10, True),
        (Typical(2 * MS, 0.9, 0.9), 10.4, 10, True),
        (Typical(2 * MS, 0.9, 0.9), 10.5, 10, False),
        (Typical(2 * MS, 0.9, 0.9), 9.6, 10, True),
        (Typical(2 * MS, 0.9, 0.9), 9.5 - 1e-6, 10, False),
        (Typical(2 * MS, 0.9, 0.9), 5.9, 5.9, False),
        (None, 10, None, True),
        (None, 10, 20, True),
    ],
)
def test_a_host_that_fetches_by_the_clump_leaves_the_rate(
    found: Typical | None, rate_ms: float, declared_ms: float | None, clumped: bool
) -> None:
    fold = fold_of(declared_ms)
    assert fold._unclumped(found) == found
    fold._rate_ns = rate_ms * MS
    assert fold._unclumped(found) == (Typical(rate_ms * MS, 0.0, 0.0) if clumped else found)


# What a block is judged by --------------------------------------------------------------------------------------------

KNOWN = Typical(10.0 * MS, 0.95, 0.97)
SMEARED = Typical(10.0 * MS, 0.5, 0.6)
OWN = Typical(30.0 * MS, 0.95, 0.95)


@pytest.mark.parametrize(
    ("declared_ms", "known", "rate_ms", "own", "spacings", "judged_ms", "learned_ms"),
    [
        (None, None, None, None, 0, None, None),
        (20, None, None, None, 0, 20, None),
        (None, KNOWN, None, None, 0, 10, 10),
        (None, Typical(10.0 * MS, 0.5, 0.8), None, None, 0, 10, 10),
        (None, Typical(10.0 * MS, 0.5, 0.79), None, None, 0, None, 10),
        # A block that is steady at a rate of its own counts.
        (None, KNOWN, None, OWN, 50, 30, 30),
        (None, KNOWN, None, OWN, 49, 10, 10),
        (None, KNOWN, None, Typical(30.0 * MS, 0.9, 0.9), 50, 30, 30),
        (None, KNOWN, None, Typical(30.0 * MS, 0.89, 0.9), 50, 10, 10),
        (None, KNOWN, None, Typical(12.5 * MS, 0.95, 0.95), 50, 10, 10),
        (None, KNOWN, None, Typical(12.6 * MS, 0.95, 0.95), 50, 12.6, 12.6),
        (None, SMEARED, None, OWN, 50, 30, 30),
        # Smeared stamps: the rate, or what it is near.
        (None, SMEARED, 12, None, 0, None, 12),
        (None, SMEARED, 13.39, None, 0, None, 13.39),
        (None, SMEARED, 13.41, None, 0, None, 10),
        (None, Typical(10.0 * MS, 0.8, 0.8), 12, None, 0, 10, 10),
        (None, Typical(10.0 * MS, 0.79, 0.89), 12, None, 0, 12, 12),
        (None, Typical(10.0 * MS, 0.79, 0.9), 12, None, 0, 10, 10),
        (20, SMEARED, 20.9, None, 0, 20, 20),
        (20, SMEARED, 19.1, None, 0, 20, 20),
        (20, SMEARED, 21.01, None, 0, 20, 10),
        (20, SMEARED, None, None, 0, 20, 10),
        # Steady traffic that is more than a quarter off what is declared.
        (20, KNOWN, None, None, 0, 10, 10),
        (20, Typical(10.0 * MS, 0.8, 0.8), None, None, 0, 10, 10),
        (20, Typical(10.0 * MS, 0.79, 0.99), None, None, 0, 20, 10),
        (8, KNOWN, None, None, 0, 8, 10),
        (7.9, KNOWN, None, None, 0, 10, 10),
        (10, KNOWN, None, OWN, 50, 30, 30),
        (10, SMEARED, None, OWN, 50, 30, 30),
    ],
)
def test_what_spacings_are_judged_by(
    monkeypatch: pytest.MonkeyPatch,
    declared_ms: float | None,
    known: Typical | None,
    rate_ms: float | None,
    own: Typical | None,
    spacings: int,
    judged_ms: float | None,
    learned_ms: float | None,
) -> None:
    monkeypatch.setattr(TimingFold, "known", property(lambda _: known))
    expected = tuple(None if each is None else pytest.approx(each * MS) for each in (judged_ms, learned_ms))
    for change_driven in (False, True):
        fold = fold_of(declared_ms, change_driven=change_driven)
        fold._rate_ns = None if rate_ms is None else rate_ms * MS
        found = fold._reference(own, spacings)
        assert tuple(found) == ((None, expected[1]) if change_driven else expected)


def test_what_is_known_is_found_anew_when_spacings_have_come() -> None:
    fold = fold_of()
    assert fold.known is None
    fold.spacings.add(np.full(9, 10 * MS))
    assert fold.known == Typical(10.0 * MS, 1.0, 1.0)
    fold.spacings.add(np.full(99, 50 * MS))
    assert fold.known is not None
    assert fold.known.period_ns == 50 * MS


# Early frames ---------------------------------------------------------------------------------------------------------


def told(spacing_ms: list[float], changed: list[int]) -> list[list[int]]:
    fold = fold_of()
    fold.spacings = Histogram(FINE)
    time_ns = steps(*spacing_ms)
    flags = np.array([0, *changed], dtype=np.bool_)
    core = np.ones(len(time_ns), dtype=np.bool_)
    core[0] = False
    fold._tell_early(time_ns, core, np.diff(time_ns, prepend=0), flags, 10.0 * MS)
    return fold.early_or_same.tolist()


@pytest.mark.parametrize(
    ("spacing_ms", "changed", "kept", "early"),
    [
        ([10, 10, 10], [1, 0, 0], [2, 1], [0, 0]),
        ([10, 8, 10], [0, 0, 0], [3, 0], [0, 0]),  # eight tenths of a period are on time
        ([10, 7.9, 10], [0, 1, 0], [2, 0], [0, 1]),
        ([10, 3, 7, 10], [0, 1, 1, 0], [2, 0], [0, 1]),  # early, and then on time by the clock
        ([10, 3, 3, 4, 10], [0, 1, 1, 1, 0], [2, 0], [0, 2]),  # and after two early ones
        ([10, 3, 6.51, 10], [0, 1, 0, 0], [2, 0], [0, 1]),
        ([10, 3, 6.49, 10], [0, 1, 0, 0], [2, 0], [1, 1]),
        ([10, 3, 7.49, 10], [0, 1, 0, 0], [2, 0], [0, 1]),
        ([10, 3, 7.51, 10], [0, 1, 0, 0], [2, 0], [1, 1]),
    ],
)
def test_early_frames_are_told_from_those_on_time(
    spacing_ms: list[float], changed: list[int], kept: list[int], early: list[int]
) -> None:
    assert told(spacing_ms, changed) == [kept, early]


@pytest.mark.parametrize(
    ("kept", "early", "too"),
    [
        ((100, 0), (0, 20), True),
        ((100, 0), (0, 19), False),
        ((100, 0), (1, 19), True),  # 95 of 100
        ((100, 0), (2, 38), True),
        ((100, 0), (2, 37), False),
        ((50, 50), (0, 30), True),
        ((49, 51), (0, 30), False),
    ],
)
def test_who_sends_on_change_too_sends_news_early_and_repeats_on_time(
    kept: tuple[int, int], early: tuple[int, int], too: bool
) -> None:
    fold = fold_of()
    fold.early_or_same = np.array([kept, early])
    assert fold.on_change_too is too


# Over time ------------------------------------------------------------------------------------------------------------


def strip_of(*blocks: np.ndarray, declared_ms: float = 1000) -> list[tuple[float, ...]]:
    fold = fold_of(declared_ms)
    fold.spacings.add(np.full(10_000, round(declared_ms * MS)))
    for block in blocks:
        add(fold, block)
    strip = fold.strip()
    columns = strip.start_ns, strip.frames, strip.spacings, strip.deviation_ns, strip.longest_ns
    assert len(strip) == len(strip.start_ns)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_each_ten_seconds_hold_their_frames_and_the_extremes_of_their_spacings() -> None:
    """Once a second from 8 s on; the frame of 12 s comes 0.2 s late, and one is 3 s behind the last."""
    time_ns = steps(1000, 1000, 1000, 1200, 800, 3000, 1000) + 8 * S
    for cut in range(1, 8):
        found = strip_of(time_ns[:cut], time_ns[cut:])
        assert [row[:3] for row in found] == [(0, 2, 1), (10 * S, 6, 5)]
        assert [row[3] for row in found] == [pytest.approx(0.0, abs=1e6), pytest.approx(0.2 * S, rel=0.01)]
        assert [row[4] for row in found] == [S, 3 * S]


def test_a_clock_that_goes_back_starts_a_new_row() -> None:
    rows = strip_of(np.array([12, 13, 3, 4, 14]) * S)
    assert [row[:3] for row in rows] == [(10 * S, 2, 1), (0, 2, 1), (10 * S, 1, 0)]
    assert [row[4] for row in rows] == [S, S, 10 * S]


def test_rows_are_joined_and_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    blocks = [np.array([20, 21, 22]) * S + 20 * S * k for k in range(9)]
    whole = strip_of(*blocks)
    monkeypatch.setattr(module, "_PIECES", 2)
    assert strip_of(*blocks) == whole
    assert [row[0] for row in whole] == [(20 + 20 * k) * S for k in range(9)]
    monkeypatch.setattr(module, "_MOST_ROWS", 4)
    assert strip_of(*blocks) == whole[:4]


# Gaps on the way ------------------------------------------------------------------------------------------------------


def test_a_gap_is_judged_once_its_256_arrivals_are_there_or_all_is_over() -> None:
    for after, judged in ((257, 1), (256, 0)):
        fold = fold_of(10)
        add(fold, every(10, 30))
        add(fold, every(10, after, 340))
        assert fold.gaps.count == judged
        fold.finish()
        assert fold.gaps.count == 1
        (row,) = fold.gaps.rows
        assert (row["start"], row["end"], row["frames"], row["residual"]) == (290 * MS, 340 * MS, 4, 0)


def test_gaps_are_the_same_however_the_blocks_are_cut_and_arrivals_before_them_are_kept() -> None:
    time_ns = np.delete(every(10, 1500), [290, 291, 700, 1100, 1450])
    found = []
    for size in (40, 300, 1500):
        fold = fold_of(10)
        for start in range(0, len(time_ns), size):
            add(fold, time_ns[start : start + size])
            assert fold._pending is not None
            assert len(fold._pending) <= 256 + 20 + 1 + size
        fold.finish()
        found.append([(row["start"], row["frames"], row["residual"], row["lagging"]) for row in fold.gaps.rows])
    assert found[0] == found[1] == found[2]
    assert [row[1] for row in found[0]] == [2, 1, 1, 1]


def test_the_very_first_spacing_and_the_grid_of_the_first_frames_count() -> None:
    """A gap behind the first frame; then, of few arrivals that were kept, one behind the third."""
    fold = fold_of(10)
    add(fold, np.concatenate([[0], every(10, 300, 50)]))
    assert [(row["start"], row["frames"]) for row in fold.gaps.rows] == [(0, 4)]
    fold = fold_of(10)
    add(fold, every(10, 259))
    assert fold._pending is not None
    assert (fold._pending.done, len(fold._pending)) == (2, 259)
    add(fold, every(10, 2, 2590))
    assert (fold._pending.done, len(fold._pending)) == (4, 261)
    add(fold, every(10, 300, 2610))
    assert (fold._pending.done, len(fold._pending)) == (20, 277)


def test_the_phase_is_held_against_the_learned_period_and_frames_against_the_declared_one() -> None:
    """Sent every 10.1 ms and declared with 10 ms: a gap of 20 frames is 2 ms off the declared grid, and on its own."""
    fold = fold_of(10)
    time_ns = np.delete(every(10.1, 800), np.arange(400, 420))
    add(fold, time_ns)
    add(fold, every(10.1, 10, 8080))
    (row,) = fold.gaps.rows
    assert (row["period"], row["frames"]) == (10 * MS, 20)
    assert row["residual"] == pytest.approx(0, abs=1000)


def test_the_tolerance_of_a_phase_is_four_standard_deviations_of_the_jitter() -> None:
    """Spacings of 9 and of 11 ms by turns: a ms, so that 4 ms are the largest of what counts."""
    fold = fold_of(10)
    add(fold, steps(*[9, 11] * 30, 50, *[9, 11] * 30))
    fold.finish()
    (row,) = fold.gaps.rows
    assert row["tolerance"] == pytest.approx(4 * MS, rel=0.01)


def test_what_repeats_the_very_first_frame_is_known_however_the_blocks_are_cut() -> None:
    time_ns = np.delete(every(10, 900), [300, 600])
    first = np.isin(np.arange(len(time_ns)), (0, 599))
    for size in (100, 450, 898):
        fold = fold_of(10)
        for start in range(0, len(time_ns), size):
            part = time_ns[start : start + size]
            none = np.zeros(len(part), dtype=np.bool_)
            fold.add(part, np.ones(len(part), np.int32), None, first[start : start + size], none)
        fold.finish()
        assert [bool(row["same_as_first"]) for row in fold.gaps.rows] == [False, True]


def test_without_a_period_there_are_no_gaps() -> None:
    fold = fold_of(10, change_driven=True)
    add(fold, np.concatenate([every(10, 300), every(10, 300, 9000)]))
    fold.finish()
    assert fold.gaps.count == 0
    nothing = fold_of(10)
    nothing.finish()
    assert nothing.gaps.count == 0


def test_seconds_are_busy_by_what_is_declared_and_else_by_what_is_learned() -> None:
    for declared_ms, busy in ((40, 1), (5, 0), (None, 0)):
        fold = fold_of(declared_ms)
        add(fold, every(10, 300)[:100])
        assert fold.crowding.busy_seconds == busy
