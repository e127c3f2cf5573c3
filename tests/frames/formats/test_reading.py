"""What every reader shares: names of buses, chunks of whole lines, batches."""

import numpy as np
import pytest

from buswright.frames.captures import sidecar
from buswright.frames.formats import in_parts, readers
from buswright.frames.formats import reading as shared
from buswright.frames.formats.asc import events
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.reading import (
    INK,
    LEAD,
    PAD,
    Chunk,
    ChunkReader,
    Format,
    Reading,
    batches,
    behind_each,
    lines_with,
    note_unterminated,
    read_chunks,
    worth_reading,
)


class Stream:
    """Gives pieces one by one; an exception is raised."""

    def __init__(self, *pieces):
        self.pieces = list(pieces)
        self.sizes = []

    def read(self, size):
        self.sizes.append(size)
        piece = self.pieces.pop(0) if self.pieces else b""
        if isinstance(piece, Exception):
            raise piece
        return piece


def chunks_of(*pieces, **options):
    """Chunks as (text, number of the first line, whether the last line has no end), and the problems."""
    reading = Reading("run.log")
    found = [
        (chunk.data[: chunk.size].tobytes(), chunk.first_line, chunk.unterminated)
        for chunk in read_chunks(Stream(*pieces), reading, **options)
    ]
    return found, [(each.reason, each.line, each.text, each.count) for each in reading.problems]


# Buses --------------------------------------------------------------------------------------------------------------


def test_names_have_the_order_in_which_they_come():
    reading = Reading("run.log")
    assert [reading.bus(name) for name in ("b", "a", "b", "c")] == [0, 1, 0, 2]
    assert reading.buses == ["b", "a", "c"]


def test_a_name_that_steers_a_terminal_is_spelled_out():
    reading = Reading("run.log")
    assert [reading.bus("a\x1b[1m"), reading.bus("a\\x1b[1m")] == [0, 0]
    assert reading.buses == ["a\\x1b[1m"]


def test_names_beyond_the_254th_share_one_bus():
    reading = Reading("run.log")
    assert [reading.bus(f"n{k}") for k in range(254)] == list(range(254))
    assert not reading.problems
    assert [reading.bus("more"), reading.bus("and more"), reading.bus("n7")] == [254, 254, 7]
    assert len(reading.buses) == 255
    assert [(each.reason, each.text, each.count) for each in reading.problems] == [
        ("more than 254 interface names", "more", 2)
    ]
    assert (reading.problems.rejected, reading.problems.noted) == (0, 2)
    assert reading.bus("(more)") == 254
    assert reading.problems.noted == 2


@pytest.mark.parametrize(("written", "index"), [(b"can0", 0), ("ü".encode(), 0), (b"\xff", None), (b"a\x07", None)])
def test_bytes_that_are_no_name_make_no_bus(written, index):
    reading = Reading("run.log")
    assert reading.bus_written(written) == index
    assert len(reading.buses) == (index is not None)


# Chunks -------------------------------------------------------------------------------------------------------------


def test_chunks_end_with_a_line():
    found, problems = chunks_of(b"a\nb", b"b\nc\n", b"\n", b"dd\n")
    assert found == [(b"a\n", 1, False), (b"bb\nc\n", 2, False), (b"\n", 4, False), (b"dd\n", 5, False)]
    assert problems == []


def test_a_last_line_without_an_end_gets_one():
    assert chunks_of(b"a\nb") == ([(b"a\n", 1, False), (b"b\n", 2, True)], [])
    assert chunks_of(b"a") == ([(b"a\n", 1, True)], [])
    assert chunks_of(b"") == ([], [])


def test_numbers_go_on_from_the_first_line():
    found, _ = chunks_of(b"a\nb\n", b"c\n", line=40)
    assert [number for _, number, _ in found] == [40, 42]


@pytest.mark.parametrize(
    ("at_start", "texts"), [(True, [b"a\n", b"\xef\xbb\xbfb\n"]), (False, [b"\xef\xbb\xbfa\n", b"\xef\xbb\xbfb\n"])]
)
def test_a_byte_order_mark_is_taken_off_the_first_block_of_a_file(at_start, texts):
    found, _ = chunks_of(b"\xef\xbb\xbfa\n", b"\xef\xbb\xbfb\n", at_start=at_start)
    assert [text for text, *_ in found] == texts


@pytest.mark.parametrize("fault", [EOFError("torn\nand more"), OSError("torn"), ValueError("torn")])
def test_a_stream_that_breaks_keeps_what_came_before(fault):
    found, problems = chunks_of(b"a\nb\nc", fault, b"never\n")
    assert found == [(b"a\nb\n", 1, False), (b"c\n", 3, True)]
    assert problems == [("file breaks off: torn", 3, "", 1)]


@pytest.mark.parametrize("length", [10, 11])
def test_a_line_longer_than_any_is_passed_over_once(length, monkeypatch):
    monkeypatch.setattr(shared, "LONGEST_LINE", 10)
    found, problems = chunks_of(b"a\n" + b"x" * length, b"yy\nb\n", b"c\n")
    if length == 10:
        assert found == [(b"a\n", 1, False), (b"x" * 10 + b"yy\nb\n", 2, False), (b"c\n", 4, False)]
        assert problems == []
    else:
        assert found == [(b"a\n", 1, False), (b"b\n", 3, False), (b"c\n", 4, False)]
        assert problems == [("line too long", 2, "x" * 11, 1)]


def test_a_line_that_never_ends_is_one_problem_and_costs_no_memory(monkeypatch):
    monkeypatch.setattr(shared, "LONGEST_LINE", 10)
    found, problems = chunks_of(*[b"x" * 8] * 50, b"x\nnext\n", b"z" * 300, b"z", b"")
    assert found == [(b"next\n", 2, False)]
    assert problems == [("line too long", 1, "x" * 16, 2)]
    found, problems = chunks_of(b"x" * 300, b"y\n", b"next")
    assert (found, problems) == ([(b"next\n", 2, True)], [("line too long", 1, "x" * 200, 1)])


def test_a_chunk_is_padded_with_newlines_on_both_sides():
    (chunk,) = read_chunks(Stream(b"ab\n"), Reading("run.log"), 7)
    assert chunk.buffer[:LEAD].tolist() == [10] * LEAD
    assert chunk.data[:3].tobytes() == b"ab\n"
    assert chunk.data[3:].tolist() == [10] * PAD
    assert np.shares_memory(chunk.data, chunk.buffer)
    stream = Stream(b"a\n")
    list(read_chunks(stream, Reading("run.log"), 7))
    assert stream.sizes == [7, 7]


# Lines --------------------------------------------------------------------------------------------------------------


def test_lines_begin_behind_the_end_before_them():
    assert behind_each(np.array([3, 4, 9])).tolist() == [0, 4, 5]
    assert behind_each(np.array([0])).tolist() == [0]
    assert behind_each(np.zeros(0, np.int64)).tolist() == []


def bytes_and_starts(*lines):
    data = np.frombuffer(b"".join(lines), np.uint8)
    return data, np.cumsum([0, *map(len, lines[:-1])])


def test_lines_that_hold_a_character():
    data, start = bytes_and_starts(b"ab\n", b"\n", b" \t\r\n", b"#b\n", b"a")
    assert lines_with(b"#a", data, start).tolist() == [True, False, False, True, True]
    assert lines_with(INK, data, start).tolist() == [True, False, False, True, True]
    assert set(range(256)) - set(INK) == set(b" \t\n\r\v\f")


@pytest.mark.parametrize(
    ("many", "read", "like_it"),
    [
        (5, [0, 1, 2, 3, 4], []),  # few: each is looked at
        (4, [0, 2, 3], [4]),  # blank ones are left out, and the hopeless ones but the first
    ],
)
def test_junk_is_read_once(many, read, like_it, monkeypatch):
    monkeypatch.setattr(shared, "MANY_LINES", many)
    data, start = bytes_and_starts(b"good\n", b" \n", b"junk\n", b"good\n", b"junk\n", b"junk\n")
    hopeless = np.array([False, False, True, False, True, True])
    found, others = worth_reading(np.array([0, 1, 2, 3, 4]), data, start, lambda: hopeless)
    assert (found.tolist(), others.tolist()) == (read, like_it)


def test_of_blank_lines_alone_nothing_is_left(monkeypatch):
    monkeypatch.setattr(shared, "MANY_LINES", 1)
    data, start = bytes_and_starts(b"\n", b" \n")
    found, others = worth_reading(np.array([0, 1]), data, start, lambda: np.array([True, True]))
    assert (found.tolist(), others.tolist()) == ([], [])
    data, start = bytes_and_starts(b"a\n", b"b\n")
    found, others = worth_reading(np.array([0, 1]), data, start, lambda: np.array([False, False]))
    assert (found.tolist(), others.tolist()) == ([0, 1], [])


# Batches ------------------------------------------------------------------------------------------------------------


def columns_of(n):
    columns = Columns.of_size(n)
    for name in ("time_ns", "bus", "id", "flags", "dlc", "length", "payload"):
        getattr(columns, name)[...] = 0
    return columns


def test_batches_are_full_before_they_are_handed_out(monkeypatch):
    monkeypatch.setattr(shared, "BATCH_FRAMES", 10)
    reading = Reading("run.log", buses=["a"])
    sizes = [len(batch) for batch in batches(map(columns_of, [4, 0, 5, 1, 25, 3, 0, 2]), reading)]
    assert sizes == [10, 25, 5]
    assert [batch.buses for batch in batches([columns_of(1)], reading)] == [("a",)]
    assert list(batches(map(columns_of, [0, 0]), reading)) == []
    assert [len(batch) for batch in batches([columns_of(10)], reading)] == [10]


def test_a_batch_is_handed_out_before_more_is_read(monkeypatch):
    monkeypatch.setattr(shared, "BATCH_FRAMES", 2)
    read = []

    def chunks():
        for n in (2, 2):
            read.append(n)
            yield columns_of(n)

    next(batches(chunks(), Reading("run.log")))
    assert read == [2]


def test_an_unterminated_line_is_noted_by_its_number():
    reading = Reading("run.log")
    note_unterminated(reading, Chunk(np.zeros(0, np.uint8), 0, 40, True, np.zeros(0, np.uint8)), 3, b"half")
    (problem,) = reading.problems
    assert (problem.reason, problem.line, problem.text) == (
        "last line without a line end, may be cut off",
        42,
        "half",
    )
    assert (reading.problems.rejected, reading.problems.noted) == (0, 1)


def test_a_text_is_read_chunk_by_chunk_and_finished_once():
    done = []

    class Reader(ChunkReader):
        def read(self, chunk):
            done.append(chunk.first_line)
            return columns_of(chunk.size)

        def finish(self):
            done.append("finished")

    text = Format("text", lambda _head, _name: True, Reader)
    assert [len(batch) for batch in text.read(Stream(b"a\n", b"b\n"), Reading("run.log"))] == [4]
    assert done == [1, 2, "finished"]
    other = Format("other", lambda _head, _name: True, of_path=lambda reading: iter([columns_of(len(reading.path))]))
    assert [len(batch) for batch in other.read(Stream(), Reading("run.blf"))] == [7]
    assert list(Format("none", lambda _head, _name: True).read(Stream(), Reading("x"))) == []


def test_what_a_reader_depends_on_is_all_before_unless_it_says_otherwise():
    reader = ChunkReader(Reading("run.log"))
    assert (reader.state(), reader.last_ns()) == (None, None)
    with pytest.raises(NotImplementedError):
        reader.read(None)


def test_sizes_fit_each_other():
    """Chunks of one to four MiB were measured fastest; a pipe of Linux holds 64 KiB as it comes (pipe(7))."""
    line = 46  # bytes of a candump line of eight
    assert 1 << 20 <= readers.CHUNK_BYTES <= 4 << 20
    assert readers.PART_CHUNKS * readers.CHUNK_BYTES // line == pytest.approx(shared.BATCH_FRAMES, rel=0.15)
    assert readers.PIPE_BYTES == 16 * (64 << 10)
    assert readers.LEAST_FOR_PARTS > readers.PART_CHUNKS * readers.CHUNK_BYTES  # a part for each process
    assert 400 * 160 <= shared.HEAD_BYTES <= readers.CHUNK_BYTES  # the lines that are looked at to know a format
    assert 1_000 < shared.LONGEST_LINE <= readers.CHUNK_BYTES
    assert min(events.EVENTS_KEPT, sidecar.EVENTS_KEPT) > in_parts.EVENTS_AT_MOST
    assert PAD >= 2 * 64 + 16  # the digits of the longest payload, and a word behind and before
    assert LEAD == 16
