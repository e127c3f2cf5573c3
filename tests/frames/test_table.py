"""The frame table: selection, slices and joins keep long payloads with their rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.formats.columns import Columns, Rows, interleave, join
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Flag, Frames, Problems, concatenate, empty_frames


def some_frames(n: int, seed: int = 0) -> Frames:
    rng = np.random.default_rng(seed)
    rows = Rows()
    for k in range(n):
        length = int(rng.choice([0, 3, 8, 12, 64]))
        rows.add(k, k, k % 3, k, int(Flag.FD), length, rng.bytes(length))
    return rows.part()[0].freeze(["a", "b", "c"])


def payloads(frames: Frames) -> list[bytes]:
    return [frames.payload_of(k) for k in range(len(frames))]


@given(st.integers(0, 40), st.data())
def test_take_slice_and_join_agree_with_lists(n, data):
    frames = some_frames(n)
    every = payloads(frames)
    rows = np.array(data.draw(st.lists(st.integers(0, max(n - 1, 0)), max_size=60 if n else 0)), dtype=np.intp)
    assert payloads(frames.take(rows)) == [every[k] for k in rows]
    mask = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)), dtype=np.bool_)
    assert payloads(frames.take(mask)) == [p for p, keep in zip(every, mask, strict=True) if keep]
    a, b = sorted((data.draw(st.integers(0, n)), data.draw(st.integers(0, n))))
    assert payloads(frames.slice(a, b)) == every[a:b]
    assert payloads(concatenate([frames.slice(0, a), frames.slice(a, b), frames.slice(b, n)])) == every
    pieces = list(frames.pieces(7))
    assert payloads(concatenate(pieces)) == every
    assert max(map(len, pieces)) <= min(7, min(map(len, pieces)) + 1)
    assert [bytes(w[: len(p)]) for w, p in zip(frames.whole_payload(), every, strict=True)] == every


@given(st.integers(1, 30), st.data())
def test_interleaving_restores_the_order_of_lines(n, data):
    frames = some_frames(n, seed=1)
    owner = np.array(data.draw(st.lists(st.integers(0, 2), min_size=n, max_size=n)))
    columns = Columns(
        *(getattr(frames, name).copy() for name in ("time_ns", "bus", "id", "flags", "dlc", "length", "payload"))
    )
    columns.long_row, columns.long_payload = frames.long_row, frames.long_payload
    parts = [(columns.take(np.flatnonzero(owner == k)), np.flatnonzero(owner == k)) for k in range(3)]
    assert payloads(interleave(parts, n).freeze(["a", "b", "c"])) == payloads(frames)
    assert payloads(join([part for part, _ in parts]).freeze(["a", "b", "c"])) == [
        payloads(frames)[k] for k in np.argsort(owner, kind="stable")
    ]


def test_columns_are_read_only_and_typed():
    frames = some_frames(3)
    with pytest.raises(ValueError, match="read-only"):
        frames.time_ns[0] = 1
    with pytest.raises(TypeError, match=r"Frames\.id"):
        Frames(frames.time_ns, frames.bus, frames.time_ns, frames.flags, frames.dlc, frames.length, frames.payload, ())
    assert len(empty_frames()) == 0


def test_length_codes():
    """ISO 11898-1: codes 9..15 stand for 12, 16, 20, 24, 32, 48, 64 bytes (from memory; python-can agrees)."""
    from can.util import dlc2len, len2dlc

    assert [dlc2len(code) for code in range(16)] == list(FD_LENGTHS)
    assert [len2dlc(n) for n in range(65)] == FD_CODE_OF_LENGTH.tolist()


def test_problems_keep_the_first_of_each_and_count_all():
    problems = Problems()
    assert not problems
    problems.add("odd", "a.log", 3, b"x\xff")
    problems.add("odd", "a.log", 5, b"y")
    problems.add("back", "a.log", lost=False)
    other = Problems()
    other.add("odd", "b.log", 1)
    other.add("back", "b.log", lost=False)
    problems.merge(other)
    assert problems.counts == {"odd": 3, "back": 2}
    assert (problems.rejected, problems.noted, len(problems)) == (3, 2, 5)
    assert str(next(iter(problems))) == "3 × odd, first at a.log:3: 'x\\\\xff'"
