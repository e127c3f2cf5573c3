"""Bursts, told from spacings made by hand; every limit at it and just beyond."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.health.identifiers import bursts as module
from buswright.health.identifiers.bursts import BurstFold, Rule, burst_rule
from buswright.health.model.identifiers import Bursts
from tests.health.traffic import MS


def train(*sizes: int, inner_ns: int = 2 * MS, pause_ns: int = 100 * MS) -> np.ndarray:
    """Bursts of these sizes: spacings within, and from the last of one to the first of the next."""
    spacing = np.full(sum(sizes), inner_ns)
    spacing[np.cumsum([0, *sizes[:-1]])] = pause_ns
    return 5 * MS + np.cumsum(spacing)


@pytest.mark.parametrize(("many", "found"), [(6, None), (7, Rule(2, 2 * MS))])
def test_five_whole_bursts_between_others_are_a_rule(many: int, found: Rule | None) -> None:
    assert burst_rule(train(*[2] * many)) == found


def test_a_few_spacings_of_any_kind_are_no_rule() -> None:
    assert burst_rule(train(*[8] * 2)) is None
    assert burst_rule(np.arange(11) * MS) is None
    assert burst_rule(np.arange(4) * MS) is None
    assert burst_rule(np.zeros(0, dtype=np.int64)) is None


def test_four_odd_spacings_at_either_end_are_no_heap() -> None:
    """Ten times as long are the pauses; four are 500 times longer still, and four spacings 33 times shorter."""
    spacing = np.diff(train(*[4] * 40, pause_ns=20 * MS))
    spacing[[3, 43, 83, 123]] = 10_000 * MS
    spacing[[0, 40, 80, 120]] = 60_000
    assert burst_rule(np.cumsum(np.concatenate([[0], spacing]))) == Rule(4, 2 * MS)


def test_pauses_of_any_length_are_pauses() -> None:
    time_ns = train(*[4] * 40) + np.repeat(np.arange(40) ** 2 * 2 * MS, 4)
    assert burst_rule(time_ns) == Rule(4, 2 * MS)


@pytest.mark.parametrize(("pause_ns", "is_one"), [(6 * MS, True), (6 * MS - 1, False)])
def test_a_pause_is_three_times_as_long_as_what_lies_within(pause_ns: int, is_one: bool) -> None:
    assert (burst_rule(train(*[4] * 12, pause_ns=pause_ns)) is not None) is is_one


@pytest.mark.parametrize(("inner_ns", "is_one"), [(50_000, True), (49_999, False)])
def test_frames_closer_than_a_wire_allows_were_fetched_together(inner_ns: int, is_one: bool) -> None:
    """47 bits of a frame without data take 47 µs at 1 Mbit/s (ISO 11898-1), and more with any stuffing or data."""
    assert (burst_rule(train(*[4] * 12, inner_ns=inner_ns)) is not None) is is_one


@pytest.mark.parametrize(("odd", "is_one"), [(1, True), (2, False)])
def test_nine_of_ten_bursts_are_of_one_size(odd: int, is_one: bool) -> None:
    """Of twelve bursts ten lie whole between pauses that are known to begin and to end."""
    sizes = [4] * 12
    for at in range(odd):
        sizes[3 + 3 * at] = 3
    assert (burst_rule(train(*sizes)) == Rule(4, 2 * MS)) is is_one


def test_single_frames_between_pauses_are_no_bursts() -> None:
    """Steps of 2 and of 100 ms by turns of many: the usual number between two pauses is one."""
    spacing = np.concatenate([np.full(8, 2 * MS), np.full(40, 100 * MS)])
    assert burst_rule(np.cumsum(spacing)) is None


@pytest.mark.parametrize(
    ("size", "pause_ns", "is_one"),
    [(32, 10 * MS, True), (33, 10 * MS, False), (33, 36 * MS, False), (33, 36 * MS + 1, True)],
)
def test_many_together_pause_for_longer_than_they_take(size: int, pause_ns: int, is_one: bool) -> None:
    """Nine bursts of 33 frames take 9 * 32 ms, and eight pauses of 36 ms as long."""
    assert (burst_rule(train(*[size] * 9, inner_ns=MS, pause_ns=pause_ns)) is not None) is is_one


def test_frames_of_one_stamp_and_a_clock_that_goes_back_are_no_spacings() -> None:
    time_ns = train(*[4] * 12)
    assert burst_rule(np.concatenate([time_ns, time_ns[-1:], time_ns - 50_000 * MS])) == Rule(4, 2 * MS)


# Counting -------------------------------------------------------------------------------------------------------------


def folded(time_ns: np.ndarray, size: int | None = None) -> Bursts:
    fold = BurstFold()
    for start in range(0, len(time_ns), size or len(time_ns)):
        fold.add(time_ns[start : start + (size or len(time_ns))])
    fold.finish()
    found = fold.figures()
    assert found is not None
    return found


def told(found: Bursts) -> tuple[int, int, int, list[int], list[int], list[int]]:
    columns = found.start_ns.tolist(), found.end_ns.tolist(), found.frames.tolist()
    return found.size, found.short, found.missing, *columns


MANY = 60
WHOLE = train(*[4] * MANY)


@pytest.mark.parametrize("opening", [1024, 160])
@pytest.mark.parametrize("size", [1, 2, 3, 41, 240])
def test_short_bursts_are_kept_with_what_is_left_of_them(
    opening: int, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_OPENING", opening)
    first, middle, last = 5 * 4, 30 * 4 + 1, 45 * 4 + 3
    found = folded(np.delete(WHOLE, [first, middle, middle + 1, last]), size)
    assert told(found) == (
        *(4, 3, 4),
        [int(WHOLE[5 * 4 + 1]), int(WHOLE[30 * 4]), int(WHOLE[45 * 4])],
        [int(WHOLE[5 * 4 + 3]), int(WHOLE[30 * 4 + 3]), int(WHOLE[45 * 4 + 2])],
        [1, 2, 1],
    )


@pytest.mark.parametrize(("burst", "short"), [(0, 0), (1, 0), (2, 1), (57, 1), (58, 0), (59, 0)])
def test_a_burst_is_judged_where_those_beside_it_were_seen_whole(burst: int, short: int) -> None:
    """The first may have begun before the capture, and the last may go on."""
    found = folded(np.delete(WHOLE, burst * 4 + 1))
    assert (found.short, found.missing) == (short, short)


@pytest.mark.parametrize("sizes", [(2, 2), (1, 3), (3, 1)])
def test_two_short_ones_that_make_a_whole_one_had_a_pause_within(sizes: tuple[int, int]) -> None:
    assert told(folded(train(*[4] * 30, *sizes, *[4] * 30)))[1:3] == (0, 0)
    # Beside them one that makes a whole one with neither is short, whatever its neighbours are to each other.
    assert told(folded(train(*[4] * 40, 1, *sizes, 1, *[4] * 40)))[1:3] == ((2, 6) if sizes == (2, 2) else (1, 3))


def test_a_burst_of_more_frames_is_not_short() -> None:
    assert told(folded(train(*[4] * 30, 6, *[4] * 30)))[1:3] == (0, 0)


def test_a_clock_that_goes_back_begins_a_burst() -> None:
    """In the middle of the tenth: two frames of it, and two that are stamped before them."""
    time_ns = WHOLE - np.where(np.arange(240) >= 42, 700 * MS, 0)
    assert told(folded(time_ns))[1:3] == (0, 0)
    assert told(folded(np.delete(time_ns, 43)))[1:3] == (2, 5)


def test_the_pause_of_the_rule_is_the_longest_spacing_within() -> None:
    assert burst_rule(WHOLE + np.where(np.arange(240) >= 41, 1, 0)) == Rule(4, 2 * MS + 1)


@pytest.mark.parametrize(("longer_ns", "short"), [(0, (1, 1)), (1, (2, 5))])
def test_only_what_is_longer_is_a_pause(
    longer_ns: int, short: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two frames, and one of the two that should follow: three of a burst, or two short ones."""
    monkeypatch.setattr(module, "_OPENING", 80)
    time_ns = WHOLE + np.where(np.arange(240) >= 30 * 4 + 2, longer_ns, 0)
    assert told(folded(np.delete(time_ns, 30 * 4 + 3)))[1:3] == short


def test_what_does_not_come_in_bursts_has_none() -> None:
    fold = BurstFold()
    fold.add(np.arange(2000) * MS)
    assert fold.figures() is None
    fold.finish()
    assert fold.figures() is None
