"""A capture of one file: where it is read, what is beside it, and how far it has come."""

import gzip
from dataclasses import replace

import can
import pytest

from buswright.frames.captures import capture as one_file
from buswright.frames.captures.capture import OrderWatch
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import event_line, line_of, sidecar_of
from buswright.frames.formats import reading as shared
from buswright.frames.formats.reading import HEAD_BYTES, Reading, read_chunks
from buswright.frames.table import Clock, Event, Flag
from tests.frames.frame_batches import batch_of

T0 = 1_770_000_000
MARK = Event(T0 * 10**9, None, "marker", {}, "here")


def line(k):
    return f"({T0 + k}.000000) can0 123#{k % 256:02X}\n".encode()


def beside(path, first_ns, clock="kernel"):
    header = line_of({"format": "buswright.events/1", "clock": clock, "first_ns": first_ns, "ended_ns": 1, "why": "x"})
    sidecar_of(path).write_bytes(header + event_line(MARK))


@pytest.fixture
def small_batches(monkeypatch):
    monkeypatch.setattr(shared, "BATCH_FRAMES", 1)
    monkeypatch.setattr(read_chunks, "__defaults__", (len(line(0)),))


@pytest.mark.usefixtures("small_batches")
def test_events_beside_it_are_taken_with_the_first_frame_that_has_a_time(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(b" can0 123 [2] 11 22             \n" * 2 + line(0) + line(1))
    beside(path, T0 * 10**9)
    capture = open_capture(path)
    found = [(frames.first_ns is not None, len(capture.events)) for frames in capture]
    assert found[0] == (False, 0)
    assert found[-1] == (True, 1)
    assert (capture.events, bool(capture.problems)) == ((MARK,), False)
    assert capture.metadata["ended"] == "x"


@pytest.mark.parametrize(("text", "taken"), [(b"", True), (b" can0 123 [0]\n", False), (line(5), False)])
def test_events_of_another_recording_are_not_taken_and_those_of_none_are(text, taken, tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(text)
    beside(path, T0 * 10**9)
    capture = open_capture(path)
    list(capture)
    assert (len(capture.events) == 1) is taken
    reasons = list(capture.problems.counts)
    assert reasons == (["the file is empty"] if not text else [
        "these events belong to another recording and were left out: move or delete their file"
    ])  # fmt: skip


@pytest.mark.parametrize(
    ("clock", "said", "source"),
    [
        (Clock("epoch", "unknown", 1000, ""), "kernel", "kernel"),
        (Clock("capture", "unknown", 1000, ""), "kernel", "unknown"),
        (Clock("epoch", "host", 1000, ""), "", "host"),
    ],
)
def test_who_stamped_is_what_the_recorder_says_of_times_since_the_epoch(clock, said, source, tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(line(0))
    capture = open_capture(path)
    capture._reading.clock, capture._reading.stamped_by = clock, said
    assert capture.clock == replace(clock, source=source)


@pytest.mark.usefixtures("small_batches")
def test_it_says_how_far_it_is(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(b"".join(line(k) for k in range(40)))
    capture = open_capture(path)
    batches = iter(capture)
    next(batches)
    assert 0 < capture.position < capture.size
    list(batches)
    assert capture.position == capture.size == path.stat().st_size


@pytest.mark.usefixtures("in_this_process")
def test_what_is_no_text_is_read_whole(tmp_path):
    path = tmp_path / "run.blf"
    with can.BLFWriter(str(path)) as out:
        out.on_message_received(can.Message(timestamp=T0, arbitration_id=1, is_extended_id=False))
    capture = open_capture(path)
    assert capture.first_time_ns() == T0 * 10**9
    assert [len(batch) for batch in capture] == [1]
    assert (capture.position, capture.is_text) == (capture.size, False)


@pytest.mark.parametrize(("before", "found"), [(HEAD_BYTES - 100, True), (HEAD_BYTES + 10, False)])
def test_the_first_time_is_looked_for_at_the_beginning_alone(before, found, tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(b" can0 123 [0]\n" + b"\n" * before + line(7) + line(8))
    capture = open_capture(path)
    assert capture.first_time_ns() == ((T0 + 7) * 10**9 if found else None)


def test_the_time_of_the_first_frame_is_taken_as_its_zone_is(tmp_path):
    path = tmp_path / "run.log"
    path.write_bytes(b" (1970-01-02 01:00:00.000000)  can0  123   [0]\n")
    assert open_capture(path, timezone="+01:00").first_time_ns() == 86_400 * 10**9
    (frames,) = open_capture(path, timezone="+01:00")
    assert frames.time_ns.tolist() == [86_400 * 10**9]


@pytest.mark.parametrize(
    ("jobs", "packed", "tasks", "parts"),
    [(1, False, ["a task"], False), (2, False, ["a task"], True), (2, True, ["a task"], False), (2, False, [], False)],
)
def test_several_processes_read_plain_large_text(jobs, packed, tasks, parts, tmp_path, monkeypatch):
    path = tmp_path / "run.log"
    path.write_bytes(gzip.compress(line(0)) if packed else line(0))
    asked = []
    monkeypatch.setattr(one_file, "tasks", lambda *words: asked.append(words) or tasks)
    monkeypatch.setattr(one_file, "read_in_parts", lambda *_words: iter([batch_of([(5, 0, 1, 0, 0, b"")])]))
    (frames,) = open_capture(path, jobs=jobs, timezone="+01:00")
    assert frames.time_ns.tolist() == [5 if parts else T0 * 10**9]
    if asked:
        assert asked == [(str(path), "+01:00", path.stat().st_size, jobs)]


def test_frames_that_go_back_are_counted_through_all_batches():
    reading = Reading("run.log")
    watch = OrderWatch(reading)
    for times in ([1, 2], [3], [2, 4]):
        watch.watch(batch_of([(at * 10**6, 0, 1, 0, 0, b"") for at in times]))
    (problem,) = reading.problems
    assert (problem.reason, problem.text, problem.path) == (
        "time goes backwards",
        "frame 4 on can0: 0.001000 s back",
        "run.log",
    )
    assert reading.problems.noted == 1
    untimed = batch_of([(0, 0, 1, int(Flag.UNTIMED), 0, b"")])
    watch.watch(untimed)
    assert reading.problems.noted == 1
