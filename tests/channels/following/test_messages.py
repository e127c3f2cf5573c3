"""Columns that grow at one end and shrink at the other, while views on them stay."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.following.messages import Buffer


def test_a_view_stays_while_the_column_goes_on():
    buffer = Buffer(np.int64)
    buffer.add(np.arange(10))
    view = buffer.since(3)
    for start in range(10, 1_000, 10):
        buffer.add(np.arange(start, start + 10))
    buffer.drop(500)
    buffer.add(np.arange(1_000, 3_000))
    assert view.tolist() == list(range(3, 10))
    assert buffer.since(0).tolist() == list(range(500, 3_000))
    assert len(buffer) == 2_500
    with pytest.raises(ValueError, match="read-only"):
        view[0] = 1


def test_exactly_what_fits_is_added_in_place():
    buffer = Buffer(np.uint8)
    buffer.add(np.arange(60, dtype=np.uint8))
    buffer.add(np.arange(4, dtype=np.uint8))
    assert buffer.since(58).tolist() == [58, 59, 0, 1, 2, 3]
    buffer.add(np.array([7], np.uint8))
    assert buffer.since(62).tolist() == [2, 3, 7]
    assert buffer.since(0).dtype == np.uint8


@pytest.mark.parametrize("zeros", [0, 5, 100])
def test_it_may_begin_with_zeros(zeros):
    buffer = Buffer(np.uint16, zeros)
    buffer.add(np.array([1, 2], np.uint16))
    assert buffer.since(0).tolist() == [0] * zeros + [1, 2]
    buffer.drop(zeros + 1)
    assert buffer.since(0).tolist() == [2]
