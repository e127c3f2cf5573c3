"""A capture read by several processes is the same, to the last bit, as one read by one."""

import io
import random
import subprocess
from pathlib import Path

import numpy as np
import pytest

from buswright.cli.main import main
from buswright.frames.captures.opening import FORMATS, open_capture
from buswright.frames.formats import in_parts, part_process, readers
from buswright.frames.formats.reading import read_chunks
from buswright.frames.table import COLUMN_NAMES, concatenate

CAPTURES = sorted((Path(__file__).parents[3] / "captures").glob("wrenfell_*.[la]*[gc]"))
CAR = Path(__file__).parents[3] / "dbc_examples" / "wrenfell.toml"
ROAD_CAR = Path(__file__).parents[2] / "data" / "road_car.log"


LONG = pytest.mark.acceptance


class WorkerHere:
    """Does the work of a reading process in this one, and counts its parts."""

    taken = 0
    asked = 0

    def __init__(self, task, ending):
        assert task == readers.Task.from_words(*task.words)
        self._stream = io.BytesIO()
        part_process.read_parts(task, self._stream)
        self._stream.seek(0)

    def next_part(self):
        WorkerHere.asked += 1
        return in_parts.received(self._stream)


@pytest.fixture
def small_parts(monkeypatch):
    """Cut also small files."""
    cut_into(monkeypatch, chunk_bytes=3_000, part_chunks=3)
    monkeypatch.setattr(in_parts, "_Worker", WorkerHere)
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
