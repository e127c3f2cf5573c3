"""Where a bus's time goes backwards."""

import numpy as np
import pytest

from buswright.frames.captures.order import BackwardStep, BackwardSteps, _last_row
from buswright.frames.table import Flag
from tests.frames.frame_batches import batch_of

BUSES = ("a", "b")


def batch(*rows):
    """Rows of (time, bus), with a third value for flags."""
    return batch_of([(row[0], row[1], 1, row[2] if len(row) > 2 else 0, 0, b"") for row in rows], BUSES)


@pytest.mark.parametrize(
    ("rows", "steps"),
    [
        ([], []),
        ([(5_000, 0), (4_000, 0)], []),  # a microsecond: stamps are no better
        ([(5_000, 0), (3_999, 0)], [(1, 0, 1_001)]),
        ([(9_000, 0), (1_000, 1), (9_500, 0), (2_000, 1)], []),  # the buses were read in turn
        ([(9_000, 0), (8_000, 1), (5_000, 1), (2_000, 0), (7_000, 1)], [(2, 1, 3_000), (3, 0, 7_000)]),
        ([(9_000, 0), (0, 0, int(Flag.UNTIMED)), (9_000, 0)], []),
        ([(9_000, 0), (5_000, 0), (7_000, 0), (4_000, 0)], [(1, 0, 4_000), (3, 0, 3_000)]),
    ],
)
def test_steps_within_a_batch(rows, steps):
    assert BackwardSteps().of(batch(*rows)) == [BackwardStep(*step) for step in steps]


def test_steps_from_batch_to_batch():
    steps = BackwardSteps()
    assert steps.of(batch((5_000, 0), (9_000, 1))) == []
    assert steps.of(batch((6_000, 0))) == []
    assert steps.of(batch()) == []
    assert steps.of(batch((5_500, 1), (5_000, 0))) == [BackwardStep(0, 1, 3_500)]
    assert steps.of(batch((3_000, 0), (5_500, 1))) == [BackwardStep(0, 0, 2_000)]
    assert steps.of(batch((3_000, 0), (5_000, 1))) == []


def test_the_latest_frame_of_a_bus_counts_and_not_its_newest():
    steps = BackwardSteps()
    steps.of(batch((9_000, 0), (2_000, 0)))
    assert steps.of(batch((5_000, 0), (1_000, 0))) == [BackwardStep(1, 0, 4_000)]


@pytest.mark.parametrize("count", [1, 4_096, 4_097, 9_000])
def test_the_last_row_of_a_bus_is_found_wherever_it_is(count):
    for row in {0, count // 2, count - 1}:
        frames = batch(*((k, int(k == row)) for k in range(count)))
        assert _last_row(frames, 1).tolist() == [row]
        assert _last_row(frames, 0).tolist() == ([] if count == 1 else [count - 2 if row == count - 1 else count - 1])
    assert _last_row(batch(*((k, 0) for k in range(count))), 1).dtype == np.intp
