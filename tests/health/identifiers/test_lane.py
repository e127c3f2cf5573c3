"""Frames of one identifier gathered into blocks: the same ones however they come."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import Expectation, Stated
from buswright.health.folds.histogram import FINE, Histogram
from buswright.health.identifiers import lane as module
from buswright.health.identifiers.contents import Block
from buswright.health.identifiers.counter import CounterField
from buswright.health.identifiers.lane import IdFold, IdLane, forked
from buswright.health.model.gaps import GapLimits
from buswright.messages.checksum import Checksum, Counter

NAME = FrameName("can0", 0x100, False)


def rows(start: int, many: int, *, width: int = 8, timed: bool | None = None) -> Block:
    """Frames whose time, first byte, length and bits say which ones they are."""
    number = np.arange(start, start + many)
    payload = np.zeros((many, width), dtype=np.uint8)
    payload[:, 0], payload[:, -1] = number, number
    has_time = None if timed is None else number % 2 == 0
    return Block(number * 10, payload, (number % 9).astype(np.uint8), (number + 100).astype(np.int32), has_time)


@pytest.mark.parametrize("cuts", [(), (1,), (3,), (4,), (5, 6), (8,), (2, 11), (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12)])
def test_blocks_are_of_the_same_frames_however_they_come(
    cuts: tuple[int, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "BLOCK", 4)
    monkeypatch.setattr(module, "_FIRST_ROOM", 1)
    seen: list[Block] = []
    monkeypatch.setattr(IdFold, "add", lambda _, block: seen.append(Block(*(np.array(column) for column in block))))
    lane = IdLane(NAME, Expectation(), GapLimits(1.5, 2.5))
    edges = [0, *cuts, 13]
    for start, stop in itertools.pairwise(edges):
        lane.told = "old"  # type: ignore[assignment]
        lane.add(rows(start, stop - start, timed=True), 5 * (stop - start), 7)
        assert lane.told is None
    assert [block.time_ns.tolist() for block in seen] == [[0, 10, 20, 30], [40, 50, 60, 70], [80, 90, 100, 110]]
    for number, block in enumerate([*seen, lane._rest()]):
        expected = rows(4 * number, len(block.time_ns), timed=True)
        for name in Block._fields:
            assert getattr(block, name).tolist() == getattr(expected, name).tolist()
    assert (lane.frames, lane.untimed, lane.bits, lane.data_bits) == (13, 6, 65, 7 * (len(edges) - 1))


def test_a_first_long_frame_widens_what_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BLOCK", 4)
    seen: list[np.ndarray] = []
    monkeypatch.setattr(IdFold, "add", lambda _, block: seen.append(block.payload.copy()))
    lane = IdLane(NAME, Expectation(), GapLimits(1.5, 2.5))
    for block in (rows(0, 2), rows(2, 1, width=64), rows(3, 1), rows(4, 4)):
        lane.add(block, 0, 0)
    assert [block.shape for block in seen] == [(4, 64), (4, 64)]
    assert seen[0][:, [0, 7, 63]].tolist() == [[0, 0, 0], [1, 1, 0], [2, 0, 2], [3, 3, 0]]
    assert seen[1][:, [0, 7, 8]].tolist() == [[number, number, 0] for number in range(4, 8)]


def test_a_frame_has_a_time_unless_it_says_otherwise(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BLOCK", 4)
    lane = IdLane(NAME, Expectation(), GapLimits(1.5, 2.5))
    lane.add(rows(0, 1), 0, 0)
    lane.add(rows(1, 2, timed=True), 0, 0)
    timed = lane._rest().timed
    assert timed is not None
    assert (timed.tolist(), lane.untimed) == ([True, False, True], 1)


def test_figures_of_a_part_leave_what_waits_alone() -> None:
    lane = IdLane(NAME, Expectation(), GapLimits(1.5, 2.5))
    assert lane.folded().timing.frames == 0
    lane.add(rows(0, 5), 0, 0)
    assert [lane.folded().timing.frames for _ in range(2)] == [5, 5]
    assert lane.fold.timing.frames == 0


# One block after the other --------------------------------------------------------------------------------------------


def block_of(payload: np.ndarray, start: int = 0, timed: np.ndarray | None = None) -> Block:
    many = len(payload)
    time_ns = (start + np.arange(many, dtype=np.int64)) * 10_000_000
    return Block(time_ns, payload, np.full(many, 8, np.uint8), np.full(many, 100, np.int32), timed)


def noise(seed: int, counted: bool = False) -> np.ndarray:
    payload = np.random.default_rng(seed).integers(0, 256, (210, 8), dtype=np.uint8)
    if counted:
        Counter(24, 4).insert(payload, np.arange(210))
    return payload


@pytest.mark.parametrize(
    ("number", "found"), [(0, True), (1, True), (2, False), (3, True), (4, False), (6, False), (7, True)]
)
def test_a_counter_is_looked_for_in_the_first_block_the_second_the_fourth_and_so_on(number: int, found: bool) -> None:
    fold = IdFold(0x100, Expectation(), 1.5)
    for block in range(number + 1):
        fold.add(block_of(noise(block, counted=block == number), 210 * block))
    assert (fold.counter.field == CounterField(24, 4, 16)) is found
    assert fold.blocks == number + 1


def test_what_is_stated_is_not_looked_for() -> None:
    stated = Expectation(counter=Stated(Counter(0, 4), "car file"), checksum=Stated(Checksum("xor", 7), "database"))
    fold = IdFold(0x100, stated, 1.5)
    fold.add(block_of(noise(1, counted=True)))
    assert fold.counter.field == CounterField(0, 4, 16, source="car file")
    assert fold.checksum.checksum == Checksum("xor", 7)
    figures = fold.checksum.figures()
    assert figures is not None
    assert figures.frames == 210


def test_counter_and_checksum_are_left_out_of_the_data() -> None:
    """All bits of byte 7, and the low four of byte 3."""
    masks = []
    for told in (
        Expectation(),
        Expectation(counter=Stated(Counter(24, 4), "database")),
        Expectation(checksum=Stated(Checksum("xor", 7), "database")),
        Expectation(counter=Stated(Counter(24, 4), "database"), checksum=Stated(Checksum("xor", 7), "database")),
    ):
        aside = IdFold(0x100, told, 1.5)._aside(1)
        masks.append(None if aside is None else aside.tolist())
    assert masks == [None, [0x0F << 24], [0xFF << 56], [0xFF << 56 | 0x0F << 24]]


def test_frames_without_a_time_are_in_no_spacing_and_their_counter_counts() -> None:
    payload = noise(1, counted=True)
    timed = np.arange(210) % 3 != 0
    fold = IdFold(0x100, Expectation(), 1.5)
    fold.add(block_of(payload, timed=timed))
    assert (fold.timing.frames, fold.timing.spacings.total) == (140, 139)
    figures = fold.counter.figures()
    assert figures is not None
    assert (figures.frames, figures.share) == (209, 1.0)
    none = IdFold(0x100, Expectation(), 1.5)
    none.add(block_of(payload, timed=np.zeros(210, dtype=np.bool_)))
    assert none.timing.frames == 0
    whole = IdFold(0x100, Expectation(), 1.5)
    whole.add(block_of(payload, timed=np.ones(210, dtype=np.bool_)))
    assert whole.timing.frames == 210


def test_a_fork_goes_on_by_itself() -> None:
    first = Histogram(FINE)
    first.add(np.array([1000, 2000]))
    other = forked(first)
    other.add(np.array([1000]))
    assert (first.total, first.counts.sum(), other.total, other.counts.sum()) == (2, 2, 3, 3)
    holder: Any = module.IdFold(0x100, Expectation(), 1.5)
    holder.add(block_of(noise(1)))
    fork = forked(holder)
    fork.add(block_of(noise(2), 210))
    assert (holder.timing.frames, fork.timing.frames) == (210, 420)
    assert (holder.lengths.figures().counts, fork.lengths.figures().counts) == ({8: 210}, {8: 420})
    assert (sum(holder.timing.strip().frames), sum(fork.timing.strip().frames)) == (210, 420)
    assert (holder.timing.crowding.busiest, holder.timing.gaps.count) == (fork.timing.crowding.busiest, 0)
