"""A capture read by several processes is the same, to the last bit, as one read by one."""

import io
import os
import random
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.cli.main import main
from buswright.frames.captures.opening import FORMATS, open_capture
from buswright.frames.formats import in_parts, part_process, readers
from buswright.frames.formats.columns import Columns
from buswright.frames.formats.reading import ChunkReader, Reading, read_chunks
from buswright.frames.table import COLUMN_NAMES, Event, Problems, concatenate

CAPTURES = sorted((Path(__file__).parents[3] / "captures").glob("wrenfell_*.[la]*[gc]"))
CAR = Path(__file__).parents[3] / "dbc_examples" / "wrenfell.toml"
ROAD_CAR = Path(__file__).parents[2] / "data" / "road_car.log"


LONG = pytest.mark.acceptance


class WorkerHere(in_parts._Worker):
    """Asks a reading process that does its work in this one, and counts its parts."""

    taken = 0
    asked = 0

    def next_part(self):
        WorkerHere.asked += 1
        return super().next_part()


def process_here(task):
    assert task == readers.Task.from_words(*task.words)
    stream = io.BytesIO()
    part_process.read_parts(task, stream)
    stream.seek(0)
    return SimpleNamespace(stdout=stream)


@pytest.fixture
def small_parts(monkeypatch):
    """Cut also small files."""
    cut_into(monkeypatch, chunk_bytes=3_000, part_chunks=3)
    monkeypatch.setattr(in_parts, "_Worker", WorkerHere)
    monkeypatch.setattr(in_parts, "reading_process", process_here)
    monkeypatch.setattr(in_parts, "end", lambda process: process.stdout.close())
    taken = in_parts._taken
    WorkerHere.taken = WorkerHere.asked = 0

    def counted(*words):
        found = taken(*words)
        WorkerHere.taken += found
        return found

    monkeypatch.setattr(in_parts, "_taken", counted)


def cut_into(monkeypatch, chunk_bytes, part_chunks):
    monkeypatch.setattr(readers, "LEAST_FOR_PARTS", 1)
    monkeypatch.setattr(readers, "CHUNK_BYTES", chunk_bytes)
    monkeypatch.setattr(readers, "PART_CHUNKS", part_chunks)
    monkeypatch.setattr(read_chunks, "__defaults__", (chunk_bytes,))


def read(path, jobs):
    capture = open_capture(path, jobs=jobs)
    return concatenate(list(capture)), capture


def assert_same(path, jobs=(2, 7)):
    frames, capture = read(path, 1)
    for number in jobs:
        others, other = read(path, number)
        for name in (*COLUMN_NAMES, "long_row", "long_payload"):
            assert np.array_equal(getattr(frames, name), getattr(others, name)), name
        assert others.buses == frames.buses
        for name in ("events", "clock", "metadata", "position"):
            assert getattr(other, name) == getattr(capture, name), name
        assert list(other.problems) == list(capture.problems)
        assert (other.problems.rejected, other.problems.noted) == (capture.problems.rejected, capture.problems.noted)


@pytest.mark.parametrize("path", [*CAPTURES, ROAD_CAR], ids=lambda path: path.name)
def test_every_shipped_capture(path, small_parts, tmp_path):
    copy = tmp_path / path.name  # the first lines are enough, and without their sidecar
    copy.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:6_000]))
    assert_same(copy)
    assert WorkerHere.taken > 10


@pytest.mark.parametrize("path", [CAPTURES[0], CAPTURES[2]], ids=lambda path: path.suffix)
@pytest.mark.parametrize("seed", range(4))
def test_damaged_captures(path, seed, small_parts, tmp_path):
    chance = random.Random(seed)
    lines = path.read_bytes().splitlines(keepends=True)[:2_500]
    for _ in range(60):
        at = chance.randrange(len(lines))
        wrong = [b"", b"\n", b"junk\n", lines[at][: chance.randrange(30)] + b"\n", b"\xff\xfe\x00\n", b"\xef\xbb\xbf"]
        wrong += [b"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 9)\n", b"x" * 7_000 + b"\n"]
        wrong += [b"(2.5) new7 123#11\n", b" can0 123 [1] 11\n", b"   9.5 7 123 Rx d 1 11\n", b"base dec\n"]
        lines.insert(at, chance.choice(wrong))
    damaged = tmp_path / path.name
    damaged.write_bytes(b"".join(lines)[: chance.randrange(90_000, 130_000)])
    assert_same(damaged)


def test_gaps_and_a_clock_that_jumps_back_at_the_cuts(small_parts, tmp_path):
    lines, second = [], 1_000.0
    for k in range(1_500):
        second += 30 if k % 83 == 0 else 0.001
        second -= 500 if k % 249 == 0 else 0
        lines.append(b"(%.6f) can%d 123#%04X\n" % (second + 1e8, k % 2, k))
    path = tmp_path / "gaps.log"
    path.write_bytes(b"".join(lines))
    assert_same(path)
    assert WorkerHere.taken > 4


@pytest.mark.parametrize("command", ["decode", "diagnose", "remember", pytest.param("health", marks=LONG)])
def test_commands_find_the_same_with_more_jobs(command, small_parts, tmp_path, capsys):
    """A capture of the flaky car with junk, and silences of two seconds where it is cut."""
    lines, size, shift = [], 0, 0.0
    for number, line in enumerate(CAPTURES[1].read_bytes().splitlines()[:1_600]):
        stamp, _, rest = line[1:].partition(b")")
        if size // 9_000 != (size + len(line)) // 9_000:
            shift += 2
        lines.append(b"junk" if number % 97 == 96 else b"(%.6f)%s" % (float(stamp) + shift, rest))
        size += len(line) + 1
    path = tmp_path / "flaky.log"
    path.write_bytes(b"\n".join(lines) + b"\n")
    found = []
    for jobs in (1, 2, 7):
        out = tmp_path / ("out.toml" if command == "remember" else "out.csv")
        words = ["--out", str(out), "--force"] if command in ("remember", "decode") else ["--fail-on", "never"]
        main([command, str(path), "--car", str(CAR), "--json", "--jobs", str(jobs), *words])
        found.append((capsys.readouterr(), out.read_bytes() if out.exists() else b""))
    assert found[0] == found[1] == found[2]
    assert WorkerHere.taken > 6


@pytest.mark.parametrize(
    "late",
    [
        b"(1700000000.123456789) can0 123#11\n",
        b"(2030-01-01 00:00:00.000000) can0 123#11\n",
        b" can0 123 [1] 11\n",
    ],
)
def test_what_changes_the_meaning_of_later_lines_ends_the_cutting(late, small_parts, tmp_path):
    lines = [b"(%d.%06d) can0 123#11\n" % (1_700_000_000 + k, k) for k in range(1_500)]
    path = tmp_path / "late.log"
    path.write_bytes(b"".join([*lines[:700], late, *lines[700:]]))
    assert_same(path)
    assert 0 < WorkerHere.taken < WorkerHere.asked
    path.write_bytes(b"".join([*lines[:150], late, *lines[150:]]))  # what was read here knows of it, and no other
    WorkerHere.taken = 0
    assert_same(path)
    assert not WorkerHere.taken


def test_what_begins_with_junk_is_cut_all_the_same(small_parts, tmp_path):
    path = tmp_path / "junk.log"
    path.write_bytes(b"no frame at all\n" * 300 + b"(1700000000.000000) can0 123#11\n" * 700)
    assert_same(path)
    assert WorkerHere.taken > 2


def test_stamps_that_count_from_the_frame_before_are_read_by_one(small_parts, tmp_path):
    path = tmp_path / "delta.log"
    path.write_bytes(b"(0.000000) can0 123#11\n" + b"(0.01) can0 123#11\n(0.000002) can0 12#\n" * 700)
    assert_same(path)
    assert not WorkerHere.taken


def test_formats_are_recognised_as_for_one_process():
    assert tuple(form for form in FORMATS if form.reader is not None) == part_process.TEXT_FORMATS


def test_a_process_that_brings_nothing_costs_nothing(small_parts, tmp_path, monkeypatch):
    monkeypatch.setattr(WorkerHere, "next_part", lambda self: None)
    test_gaps = tmp_path / "a.log"
    test_gaps.write_bytes(b"(1700000000.000000) can0 123#11\nno frame\n" * 700)
    assert_same(test_gaps)


def test_real_processes_and_line_numbers(monkeypatch, tmp_path):
    cut_into(monkeypatch, chunk_bytes=4_000, part_chunks=2)
    path = tmp_path / "a.log"
    path.write_bytes(
        b"(1700000000.000000) can0 123#11\n" * 2_000 + b"no frame\n" + b"(1700000001.000000) can1 001#\n" * 99
    )
    assert_same(path, (3,))
    (problem,) = read(path, 3)[1].problems
    assert problem.line == 2_001
    started, popen = [], subprocess.Popen
    monkeypatch.setattr(
        subprocess, "Popen", lambda *words, **more: started.append(popen(*words, **more)) or started[-1]
    )
    batches = iter(open_capture(path, jobs=2))
    next(batches)
    batches.close()  # and the process with it
    assert started
    with readers.started_ahead(path, "UTC", 3):
        assert_same(path, (3,))  # takes the two
        assert len(started) == 3
        assert_same(path, (2,))
        assert len(started) == 4
    with readers.started_ahead(path, "UTC", 2):
        assert len(started) == 5
    assert all(process.returncode is not None for process in started)


# Cuts and messages ---------------------------------------------------------------------------------------------------


def task(size, chunk_bytes=8, part_chunks=2, number=0, of=1, path="run.log"):
    return readers.Task(path, "UTC", size, number, of, chunk_bytes, part_chunks)


@pytest.mark.parametrize(
    ("text", "cuts"),
    [
        (b"aaa\n" * 8, [16]),  # the end of the file is no cut
        (b"aaa\n" * 9, [16, 32]),
        (b"a" * 13 + b"\n" + b"b" * 20, [14]),
        (b"a" * 8 + b"\n" + b"b" * 30, [9]),  # the line end just within the chunk before
        (b"a" * 7 + b"\n" + b"b" * 30, []),  # and just beyond it: no cut there
        (b"a" * 15 + b"\n" + b"b" * 15 + b"\n" + b"c", [16, 32]),
        (b"aaa\n", []),
    ],
)
def test_parts_begin_behind_the_last_line_end_before_so_many_chunks(text, cuts):
    assert in_parts.cuts_of(io.BytesIO(text), task(len(text))) == cuts


def test_a_line_end_far_before_the_cut_is_found_too(monkeypatch):
    monkeypatch.setattr(in_parts, "_LINE_BYTES", 4)
    text = b"a" * 9 + b"\n" + b"b" * 40
    assert in_parts.cuts_of(io.BytesIO(text), task(len(text))) == [10]


@pytest.mark.parametrize(
    ("size", "jobs", "count"), [(0, 9, 0), (99, 9, 0), (100, 9, 1), (250, 9, 2), (250, 2, 1), (250, 1, 0), (900, 4, 3)]
)
def test_a_process_more_for_each_sixteen_megabytes(size, jobs, count, monkeypatch):
    monkeypatch.setattr(readers, "LEAST_FOR_PARTS", 100)
    found = readers.tasks("run.log", "UTC", size, jobs)
    assert [(each.number, each.of) for each in found] == [(k, count) for k in range(count)]
    assert all((each.path, each.timezone, each.size) == ("run.log", "UTC", size) for each in found)


def test_blocks_end_where_they_do_for_one_who_reads_from_the_beginning():
    blocks = in_parts._Blocks(io.BytesIO(bytes(range(100))), 13, 30)
    assert [bytes(blocks.read(10)) for _ in range(4)] == [
        bytes(range(13, 20)),
        bytes(range(20, 30)),
        b"",
        b"",
    ]
    rest = in_parts._Blocks(io.BytesIO(bytes(range(25))), 20, None)
    assert [len(rest.read(10)) for _ in range(2)] == [5, 0]


def some_part(**changes):
    values = {
        "columns": None,
        "lines": 3,
        "problems": Problems(),
        "events": [],
        "buses": ["a"],
        "metadata": {},
        "state": 1,
        "last_ns": None,
    }
    return in_parts.Part(**(values | changes))


class KnownState(ChunkReader):
    """A reader whose state is 1; notes what it takes over."""

    adopted = None

    def state(self):
        return 1

    def adopt(self, last_ns, first_event):
        self.adopted = (last_ns, first_event)


@pytest.mark.parametrize(
    ("changes", "taken"),
    [
        ({}, True),
        ({"state": None}, False),
        ({"state": 2}, False),
        ({"buses": [f"b{k}" for k in range(253)]}, False),  # with one more there are 254
        ({"buses": [f"b{k}" for k in range(252)]}, True),
        ({"events": [Event(1, None, "note")] * 8}, True),
        ({"events": [Event(1, None, "note")] * 9}, False),
    ],
)
def test_what_of_a_part_is_taken(changes, taken, monkeypatch):
    monkeypatch.setattr(in_parts, "EVENTS_AT_MOST", 10)
    reading = Reading("run.log", events=[Event(0, None, "note")] * 2)
    reading.bus("z")
    assert in_parts._taken(some_part(**changes), reading, KnownState(reading), 1) is taken
    if not taken:
        assert (len(reading.events), reading.buses) == (2, ["z"])


def test_a_part_that_is_taken_gets_the_numbers_that_follow():
    reading = Reading("run.log", events=[Event(0, None, "note")])
    reading.bus("b")
    problems = Problems()
    problems.add("odd", "run.log", 5)
    columns = Columns.of_size(3)
    columns.bus[:] = [0, 1, 0]
    part = some_part(
        columns=columns,
        problems=problems,
        buses=["a", "b"],
        events=[Event(7, "a", "note")],
        metadata={"k": "v"},
        last_ns=9,
    )
    reader = KnownState(reading)
    assert in_parts._taken(part, reading, reader, 101)
    assert reading.buses == ["b", "a"]
    assert columns.bus.tolist() == [1, 0, 1]
    assert next(iter(reading.problems)).line == 105
    assert (reading.metadata, len(reading.events), reader.adopted) == ({"k": "v"}, 2, (9, 1))


def test_what_is_sent_comes_whole_or_not_at_all():
    columns = Columns.of_size(4)
    columns.time_ns[:] = [1, 2, 3, 4]
    sent = b"".join(bytes(piece) for piece in part_process.packed(some_part(columns=columns)))
    found = in_parts.received(io.BytesIO(sent + sent))
    assert found.columns.time_ns.tolist() == [1, 2, 3, 4]
    assert (found.lines, found.buses, found.state) == (3, ["a"], 1)
    for size in (0, 1, in_parts.HEAD.size, len(sent) // 2, len(sent) - 1):
        assert in_parts.received(io.BytesIO(sent[:size])) is None


def test_a_command_line_says_a_task():
    given = task(7, 8, 9, 1, 2, path="a b")
    assert given.words == ["a b", "UTC", "7", "1", "2", "8", "9"]
    assert readers.Task.from_words(*given.words) == given


def test_a_process_that_can_not_settle_what_lines_mean_sends_nothing(tmp_path):
    path = tmp_path / "run.log"
    for text in (b"\x00\x01" * 40, b" can0 123 [1] 11\n" * 20, b""):
        path.write_bytes(text)
        out = io.BytesIO()
        part_process.read_parts(task(len(text), path=str(path)), out)
        assert out.getvalue() == b""


@pytest.mark.parametrize("of", [1, 2, 3])
def test_each_process_reads_every_so_manieth_part(of, tmp_path):
    lines = [b"(%d.000000) can%d 123#11\n" % (1_700_000_000 + k, k % 2) for k in range(40)]
    path = tmp_path / "run.log"
    path.write_bytes(b"".join(lines))
    size = path.stat().st_size
    found = {}
    for number in range(of):
        out = io.BytesIO()
        part_process.read_parts(task(size, 100, 1, number, of, str(path)), out)
        out.seek(0)
        at = number
        while (part := in_parts.received(out)) is not None:
            found[at] = (part.columns.time_ns // 10**9 - 1_700_000_000).tolist()
            assert part.lines == len(found[at])
            assert part.last_ns == int(part.columns.time_ns[-1])
            at += of
    seconds = [second for at in sorted(found) for second in found[at]]
    assert seconds == list(range(seconds[0], 40))  # the first part is read by whoever asked
    assert 0 < seconds[0] < 5


class FakeProcess:
    """What `subprocess.Popen` gives, with a pipe that is the test's."""

    def __init__(self, command, **options):
        self.command, self.options, self.calls = command, options, []
        reading, self.writing = os.pipe()
        self.stdout = os.fdopen(reading, "rb", 0)

    def kill(self):
        self.calls.append("kill")

    def wait(self):
        self.calls.append("wait")
        os.close(self.writing)


def test_a_process_is_told_its_task_and_ended_whatever_it_does(monkeypatch):
    monkeypatch.setattr(subprocess, "Popen", FakeProcess)
    process = readers.reading_process(task(7))
    assert process.command == [sys.executable, "-m", "buswright.frames.formats.part_process", *task(7).words]
    assert process.options["env"]["PYTHONPATH"].split(os.pathsep) == [place for place in sys.path if place]
    assert process.options["env"].keys() >= os.environ.keys()
    assert {name: process.options[name] for name in ("bufsize", "stdin", "stdout", "stderr")} == {
        "bufsize": 0,
        "stdin": subprocess.DEVNULL,
        "stdout": subprocess.PIPE,
        "stderr": subprocess.DEVNULL,
    }
    readers.end(process)
    assert (process.calls, process.stdout.closed) == (["kill", "wait"], True)


@pytest.mark.parametrize("fails", [False, True])
def test_processes_that_were_started_ahead_are_taken_once_or_ended(fails, monkeypatch, tmp_path):
    started = []
    monkeypatch.setattr(
        subprocess, "Popen", lambda *words, **more: started.append(FakeProcess(*words, **more)) or started[-1]
    )
    monkeypatch.setattr(readers, "LEAST_FOR_PARTS", 10)
    path = tmp_path / "run.log"
    path.write_bytes(bytes(25))
    ended = pytest.raises(KeyError) if fails else nullcontext()
    with ended, readers.started_ahead(path, "UTC", 4):
        first, second = readers.tasks(str(path), "UTC", 25, 4)
        assert len(started) == 2
        assert readers.reading_process(second) is started[1]
        assert readers.reading_process(second) is started[2]
        if fails:
            raise KeyError
    assert [process.calls for process in started] == [["kill", "wait"], [], []]
    assert readers.reading_process(first) is started[3]
    with readers.started_ahead(tmp_path / "none", "UTC", 4), readers.started_ahead(tmp_path, "UTC", 4):
        assert len(started) == 4
    for process in started[1:]:
        readers.end(process)
