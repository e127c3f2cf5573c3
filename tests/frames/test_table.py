"""The frame table: selection, slices and joins keep long payloads with their rows."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.formats.columns import Columns, Rows, interleave, join
from buswright.frames.table import (
    COLUMN_NAMES,
    FD_CODE_OF_LENGTH,
    FD_LENGTH_OF_CODE,
    FD_LENGTHS,
    NO_LONG_PAYLOAD,
    NO_LONG_ROWS,
    Flag,
    Frames,
    Problems,
    concatenate,
    empty_frames,
    long_ones,
)
from tests.frames.frame_batches import batch_of


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


def test_problems_of_a_part_are_numbered_behind_the_lines_before_it():
    part, whole = Problems(), Problems()
    part.add("odd", "a.log", 3, "x", count=4)
    part.add("whole file", "a.log", lost=False, count=2)
    whole.merge(part, 100)
    assert [(each.reason, each.line, each.count) for each in whole] == [("odd", 103, 4), ("whole file", 0, 2)]
    assert (whole.rejected, whole.noted, len(whole)) == (4, 2, 6)
    assert [str(each) for each in whole] == ["4 × odd, first at a.log:103: 'x'", "2 × whole file, first at a.log"]
    whole.merge(part)
    assert whole.counts == {"odd": 8, "whole file": 4}
    assert next(iter(whole)).line == 103
    together = Problems.of((part, whole))
    assert (next(iter(together)).line, together.counts) == (3, {"odd": 12, "whole file": 6})
    assert bool(together)
    assert not Problems.of(())


def test_a_problem_keeps_two_hundred_characters_of_its_line():
    problems = Problems()
    problems.add("odd", "a.log", 1, "x" * 201)
    assert next(iter(problems)).text == "x" * 200


COLUMNS_OF_TWO = {
    "time_ns": np.zeros(2, np.int64),
    "bus": np.zeros(2, np.uint8),
    "id": np.zeros(2, np.uint32),
    "flags": np.zeros(2, np.uint8),
    "dlc": np.zeros(2, np.uint8),
    "length": np.zeros(2, np.uint8),
    "payload": np.zeros((2, 8), np.uint8),
    "buses": ("a",),
}


@pytest.mark.parametrize(
    ("name", "column"),
    [
        ("time_ns", np.zeros(2)),
        ("bus", np.zeros(3, np.uint8)),
        ("dlc", np.zeros(2, np.int64)),
        ("payload", np.zeros((2, 8), np.int8)),
        ("payload", np.zeros((2, 64), np.uint8)),
        ("payload", np.zeros((3, 8), np.uint8)),
        ("long_payload", np.zeros((1, 64), np.uint8)),
        ("long_row", np.zeros(1, np.int32)),
    ],
)
def test_columns_of_another_type_or_length_are_refused(name, column):
    with pytest.raises(TypeError, match="Frames." + ("long_payload" if name == "long_row" else name)):
        Frames(**(COLUMNS_OF_TWO | {name: column.copy()}))


def test_no_column_can_be_written():
    frames = some_frames(40)
    for name in (*COLUMN_NAMES, "long_row", "long_payload"):
        assert not getattr(frames, name).flags.writeable, name
    for constant in (NO_LONG_ROWS, NO_LONG_PAYLOAD, FD_LENGTH_OF_CODE, FD_CODE_OF_LENGTH):
        assert not constant.flags.writeable
    assert (NO_LONG_ROWS.shape, NO_LONG_PAYLOAD.shape) == ((0,), (0, 64))


@pytest.mark.parametrize(("size", "sizes"), [(1, [1] * 10), (3, [2, 3, 2, 3]), (9, [5, 5]), (10, [10]), (11, [10])])
def test_pieces_are_much_alike(size, sizes):
    frames = some_frames(10)
    pieces = list(frames.pieces(size))
    assert [len(piece) for piece in pieces] == sizes
    assert np.concatenate([piece.time_ns for piece in pieces]).tolist() == list(range(10))
    assert (pieces[0] is frames) == (len(sizes) == 1)


def test_the_first_time_is_that_of_the_first_frame_that_has_one():
    untimed = int(Flag.UNTIMED)
    rows = [(0, 0, 1, untimed, 0, b""), (70, 0, 1, 0, 0, b""), (50, 0, 1, 0, 0, b"")]
    assert batch_of(rows).first_ns == 70
    assert batch_of(rows[:1]).first_ns is None
    assert empty_frames().first_ns is None
    assert batch_of(rows).has(Flag.UNTIMED | Flag.FD).tolist() == [True, False, False]


def test_what_a_batch_is_said_to_be():
    assert repr(empty_frames()) == "<Frames: 0 frames of no bus>"
    rows = [(1_500_000_000, 0, 1, 0, 0, b""), (4_000_000_000, 1, 1, 0, 0, b"")]
    assert repr(batch_of(rows, ("a", "b"))) == "<Frames: 2 frames of a, b, 2.500 s>"
    assert repr(batch_of(rows[:1])) == "<Frames: 1 frame of can0, 0.000 s>"


def test_payloads_are_wide_only_where_one_of_them_is_long():
    frames = batch_of([(0, 0, 1, 0, 2, b"\x01\x02"), (0, 0, 1, 8, 9, bytes(range(12))), (0, 0, 1, 0, 8, b"\xff" * 8)])
    assert frames.payloads(np.array([2, 0])).tolist() == [[255] * 8, [1, 2, 0, 0, 0, 0, 0, 0]]
    assert frames.payloads(np.array([1, 0])).shape == (2, 64)
    assert frames.payloads(np.array([0, 1]))[1].tolist() == [*range(12), *[0] * 52]
    assert frames.payloads(np.zeros(0, np.intp)).shape == (0, 8)
    assert frames.payload_of(1) == bytes(range(12))


def test_rows_that_have_long_payloads_are_found():
    here, at = long_ones(np.array([2, 5, 9], np.int32), np.array([9, 0, 5, 5, 10, 2]))
    assert (here.tolist(), at.tolist()) == ([0, 2, 3, 5], [2, 1, 1, 0])
    here, at = long_ones(NO_LONG_ROWS, np.array([0, 1]))
    assert (here.tolist(), at.tolist()) == ([], [])


def test_joined_batches_have_the_longest_list_of_buses():
    first = batch_of([(1, 0, 1, 0, 0, b""), (2, 0, 1, 8, 9, bytes(12))], ("a",))
    second = batch_of([(3, 1, 1, 8, 9, bytes(range(12)))], ("a", "b"))
    joined = concatenate([first, second])
    assert joined.buses == ("a", "b")
    assert (joined.long_row.tolist(), joined.long_row.dtype) == ([1, 2], np.int32)
    assert concatenate([second, first]).buses == ("a", "b")
    assert concatenate([first]) is first
    assert (len(concatenate([])), concatenate([]).buses) == (0, ())
    assert empty_frames(("x",)).buses == ("x",)


def test_smallest_code_that_holds_a_length():
    assert FD_CODE_OF_LENGTH[[0, 8, 9, 12, 13, 33, 48, 49, 64]].tolist() == [0, 8, 9, 9, 10, 14, 14, 15, 15]
    assert FD_LENGTH_OF_CODE.tolist() == [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]


def test_values_of_flags_are_those_of_the_stored_columns():
    """They lie in files of results: a change of one is a change of their format."""
    assert [int(flag) for flag in Flag] == [1, 2, 4, 8, 16, 32, 64, 128]


def test_joining_columns_moves_their_long_rows_and_leaves_a_single_one_as_it_is():
    rows = Rows()
    assert len(rows) == 0
    for place, payload in ((4, b"\x01"), (2, bytes(range(12))), (9, bytes(8))):
        rows.add(place, 1000 + place, 1, 0x100 + place, 0, 9, payload)
    assert len(rows) == 3
    columns, place = rows.part()
    assert (place.tolist(), place.dtype) == ([4, 2, 9], np.int64)
    assert columns.length.tolist() == [1, 12, 8]
    assert (columns.time_ns.tolist(), columns.id.tolist()) == ([1004, 1002, 1009], [0x104, 0x102, 0x109])
    assert columns.payload[1].tolist() == list(range(8))
    assert columns.long_row.tolist() == [1]
    assert columns.long_payload.tolist() == [[*range(12), *[0] * 52]]
    assert join([columns]) is columns
    both = join([columns, columns])
    assert (both.long_row.tolist(), both.long_row.dtype) == ([1, 4], np.int32)
    assert columns.take(np.array([1, 2])).long_row.tolist() == [0]
    assert columns.take(np.array([0, 2])).long_row.tolist() == []
    assert len(interleave([], 5)) == 0
    assert interleave([(columns, place), (Columns.of_size(0), place[:0])], 10) is columns
