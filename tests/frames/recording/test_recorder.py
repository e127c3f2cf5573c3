"""Recordings: equal to what was live, whole whatever happens, with their events beside them."""

import errno
import gzip
import itertools
import json
import math
import os
import random
import signal
import struct
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buswright.errors import CaptureError
from buswright.frames.captures import sidecar
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import ENDING, sidecar_of
from buswright.frames.formats.asc.writer import write_asc
from buswright.frames.live.capture import open_live
from buswright.frames.live.listen_only import Listening, Proof
from buswright.frames.recording import recorder as record_module
from buswright.frames.recording.recorder import Recorder, RecordingError, SyncedFile, format_of, part_path, space_for
from buswright.frames.recording.run import header_of, record
from buswright.frames.table import Event, Flag, concatenate, empty_frames
from tests.frames.frame_batches import batch_of, rows_of
from tests.frames.live_fakes import SAFE, START, FakeAdapter, FakeBus, message, until

SECOND = 1_000_000_000
BASE = 1_770_000_000 * SECOND
PROCESS = Path(__file__).with_name("recorder_process.py")


def counting(n, start=0):
    rows = [(BASE + k * 1_000_000, 0, 0x123, 0, 8, k.to_bytes(8, "big")) for k in range(start, start + n)]
    return batch_of(rows)


def counts_in(frames):
    return [int.from_bytes(frames.payload_of(k), "big") for k in range(len(frames))]


def read(path):
    capture = open_capture(path)
    return capture, concatenate(list(capture))


def written(path, batches, events=(), end=None, **options):
    recorder = Recorder(path, {"program": "buswright test"}, **options)
    for batch in batches:
        recorder.write(batch, events)
        events = ()
    recorder.close({"why": "a test", **(end or {})})
    return recorder


# Equal ---------------------------------------------------------------------------------------------------------------


def every_kind():
    """Two buses with every kind of frame, in messages as python-can gives them."""
    kinds = itertools.cycle(
        [
            {},
            {"is_extended_id": True, "identifier": 0x18FF1A42},
            {"is_remote_frame": True, "data": b"", "dlc": 4},
            {"is_error_frame": True, "identifier": 0x88, "data": bytes(range(8))},
            {"is_fd": True, "bitrate_switch": True, "data": bytes(range(48))},
            {"is_fd": True, "error_state_indicator": True, "data": b"\x01" * 9},
            {"is_rx": False},
            {"data": bytes(8), "dlc": 12},
        ]
    )
    return [message(at=START + k / 1000 + 1e-7 * k, **next(kinds)) for k in range(200)]


@pytest.mark.parametrize("name", ["run.log", "run.log.gz", "run.asc"])
def test_a_recording_gives_back_what_was_live(name, tmp_path):
    left, right = FakeBus(*every_kind()), FakeBus(*every_kind()[:77])
    capture = open_live(
        ["live:test/can0", "live:test/can1"],
        opener=FakeAdapter(can0=[left], can1=[right]),
        proving=lambda address: SAFE,
    )
    seen, poll = [], capture.poll

    def watched(*wait):
        batch = poll(*wait)
        seen.append(batch)
        return batch

    capture.poll = watched
    until(lambda: left._items.empty() and right._items.empty())
    recording = record(capture, Recorder(tmp_path / name, {"clock": capture.clock.source}), frames=277)
    live = concatenate([batch for batch in seen if len(batch)])
    back, frames = read(tmp_path / name)
    assert recording.frames == len(live) == 277
    expected = rows_of(live)
    found = rows_of(frames)
    if name.endswith(".asc"):  # which has no place for what an error frame tells
        expected = [row for row in expected if not row[3] & Flag.ERROR]
        found = [row for row in found if not row[3] & Flag.ERROR]
    assert found == expected
    assert (back.clock.origin, back.clock.source) == ("epoch", "kernel")
    assert not [problem for problem in back.problems if problem.reason != "time goes backwards"]


@pytest.mark.parametrize("name", ["run.log", "run.asc"])
def test_events_come_back_with_the_names_that_the_file_has(name, tmp_path):
    events = (
        Event(BASE + 5, "can0", "gap", {"start_ns": BASE, "seconds": 1.5}, "was not heard"),
        Event(BASE + 7, None, "marker", {"number": 1}, "wiggled plug C12 °"),
        Event(None, "can0", "drop", {"dropped": 3, "total": 3, "where": "queue"}, "dropped"),
    )
    written(tmp_path / name, [counting(10)], events)
    back, _ = read(tmp_path / name)
    found = [event for event in back.events if event.kind in ("gap", "marker", "drop")]
    assert [(e.time_ns, e.bus, e.kind, dict(e.values), e.text) for e in found] == [
        (e.time_ns, e.bus, e.kind, dict(e.values), e.text) for e in events
    ]
    assert back.metadata["recorder"] == "buswright test"
    assert back.metadata["ended"] == "a test"


def test_the_header_says_how_it_was_recorded(tmp_path):
    unproven = Proof(Listening.NOT_PROVEN, "who knows")
    adapter = FakeAdapter(can0=[FakeBus()])
    with open_live(["live:test/can0"], opener=adapter, proving=lambda a: unproven, bench=True) as capture:
        car = {"path": "car.toml", "hash": "ab" * 32}
        header = header_of(capture, program="buswright 9", car=car, accepted=True)
        recorder = Recorder(tmp_path / "run.log", header)
        record(capture, recorder, seconds=0.05)
    lines = [json.loads(line) for line in sidecar_of(tmp_path / "run.log").read_text().splitlines()]
    assert lines[0]["format"] == "buswright.events/1"
    assert lines[0]["car"] == car
    assert (lines[0]["bench"], lines[0]["may_acknowledge"]) == (True, True)
    assert lines[0]["interfaces"] == [
        {"bus": "can0", "source": "live:test/can0", "listening": "not proven", "why": "who knows"}
    ]
    assert lines[0]["clock"] == "kernel"
    assert lines[0]["started_ns"] > BASE
    assert lines[-1]["why"] == "--seconds 0.05"
    assert lines[-1]["drops"] == {"can0": {"queue": 0}}


def test_it_ends_at_a_number_of_frames_exactly(tmp_path):
    bus = FakeBus(*(message(k % 8) for k in range(500)))
    capture = open_live(["live:test/can0"], opener=FakeAdapter(can0=[bus]), proving=lambda a: SAFE)
    recording = record(capture, Recorder(tmp_path / "run.log", {}), frames=123)
    assert recording.frames == 123
    assert recording.why == "--frames 123"
    assert len(read(tmp_path / "run.log")[1]) == 123


# Parts ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "part"), [("run.log", "run-002.log"), ("a.b.asc.gz", "a.b-002.asc.gz"), ("r.LOG.GZ", "r-002.LOG.GZ")]
)
def test_parts_are_named_after_the_whole(name, part):
    assert part_path(Path("x") / name, 2) == Path("x") / part


@pytest.mark.parametrize("name", ["run.log", "run.log.gz", "run.asc"])
def test_a_rotated_recording_reads_as_one(name, tmp_path):
    clock = itertools.count().__next__  # every write is synced
    recorder = written(tmp_path / name, [counting(100, 100 * k) for k in range(20)], rotate_bytes=1, clock=clock)
    assert len(recorder.paths) > 10
    assert not (tmp_path / name).exists()
    capture, frames = read(tmp_path)
    assert counts_in(frames) == list(range(2000))
    assert len(capture.paths) == len(recorder.paths)
    assert not list(capture.problems)


def test_rotation_by_time_follows_the_clock(tmp_path):
    now = [0.0]
    recorder = Recorder(tmp_path / "run.log", {}, rotate_s=60, clock=lambda: now[0])
    for now[0] in (10.0, 59.0, 61.0, 100.0, 122.0):
        recorder.write(counting(1))
    recorder.close({"why": ""})
    assert len(recorder.paths) == 3


def test_a_sidecar_named_with_its_capture_is_not_taken_for_one(tmp_path):
    written(tmp_path / "run.log", [counting(5)])
    capture = open_capture(sorted(tmp_path.iterdir()))
    assert counts_in(concatenate(list(capture))) == list(range(5))
    with pytest.raises(CaptureError, match="no capture"):
        open_capture(sidecar_of(tmp_path / "run.log"))


# Damage --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["run.log", "run.log.gz", "run.asc"])
def test_a_recording_torn_anywhere_opens_with_what_is_before(name, tmp_path):
    recorder = Recorder(tmp_path / name, {}, clock=itertools.count().__next__)  # every write is synced
    for k in range(10):
        recorder.write(counting(30, 30 * k))
    whole = (tmp_path / name).read_bytes()
    recorder.close({"why": ""})
    generator = random.Random(5)
    for cut in generator.sample(range(len(whole) // 3, len(whole)), 40):
        (tmp_path / "torn").write_bytes(whole[:cut])
        capture, frames = read(tmp_path / "torn")
        found = counts_in(frames)
        full = found[:-1] if capture.problems and found else found  # the last line may be cut off, and is said to be
        assert full == list(range(len(full)))
        assert len(found) >= 300 * cut // len(whole) - 31


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(junk=st.binary(max_size=300), cut=st.integers(0, 400))
def test_a_damaged_sidecar_costs_its_damaged_lines_alone(junk, cut, tmp_path):
    path = tmp_path / "run.log"
    written(path, [counting(5)], (Event(BASE, None, "marker", {}, "kept"),))
    whole = sidecar_of(path).read_bytes()
    sidecar_of(path).write_bytes(whole[:cut] + b"\n" + junk + b"\n" + whole)
    capture, frames = read(path)
    assert len(frames) == 5
    assert "kept" in [event.text for event in capture.events]


def test_a_recording_without_an_end_says_that_its_recorder_was_killed(tmp_path):
    path = tmp_path / "run.log"
    recorder = Recorder(path, {})
    recorder.write(counting(5))
    recorder._file.close()
    recorder._events.close()
    capture, frames = read(path)
    assert len(frames) == 5
    assert "killed" in capture.metadata["ended"]
    assert not capture.problems


@pytest.mark.parametrize("name", ["run.log", "run.log.gz", "run.asc"])
def test_events_of_another_recording_are_left_out(name, tmp_path):
    written(tmp_path / name, [counting(5)], (Event(BASE, None, "marker", {}, "of the first"),))
    left_over = sidecar_of(tmp_path / name).read_bytes()
    written(tmp_path / "other.log", [counting(5, 1)])
    for other in (tmp_path / "other.log", tmp_path / "renamed.log"):
        (tmp_path / "other.log").rename(other)
        sidecar_of(other).write_bytes(left_over)
        capture, frames = read(other)
        assert len(frames) == 5
        assert not capture.events
        assert not capture.metadata
        assert capture.clock.source == "unknown"
        (problem,) = capture.problems
        assert "belong to another recording" in problem.reason
    # a recording that was renamed with its events has them still
    (tmp_path / name).rename(tmp_path / f"b{name}")
    sidecar_of(tmp_path / name).rename(sidecar_of(tmp_path / f"b{name}"))
    capture, _ = read(tmp_path / f"b{name}")
    assert "of the first" in [event.text for event in capture.events]
    assert not capture.problems


def test_every_part_has_its_own_events(tmp_path):
    recorder = Recorder(tmp_path / "run.log", {}, rotate_bytes=1)
    for part in range(4):
        recorder.write(counting(20, 20 * part), (Event(BASE, None, "marker", {}, f"in part {part}"),))
        recorder.sync()
    recorder.close({"why": "done"})
    capture, _ = read(tmp_path)
    assert sorted(event.text for event in capture.events) == [f"in part {part}" for part in range(4)]
    assert not capture.problems


def test_events_of_a_recording_without_a_frame_are_kept(tmp_path):
    recorder = Recorder(tmp_path / "run.log", {})
    recorder.write(empty_frames(("can0",)), (Event(BASE, None, "marker", {}, "nothing came"),))
    recorder.close({"why": "done"})
    capture, _ = read(tmp_path / "run.log")
    assert [event.text for event in capture.events] == ["nothing came"]


HOSTILE = {
    "nested": b"[" * 100_000,
    "nested in an event": b'{"kind":"marker","values":' + b'{"a":' * 50_000,
    "not a number": b'{"kind":"marker","values":{"a":NaN}}',
    "infinite": b'{"kind":"marker","time_ns":1,"values":{"a":-Infinity}}',
    "a kind of two lines": b'{"kind":"x\\n   0.5 1  123       Rx   d 1 FF","text":"forged"}',
    "a kind that steers a terminal": b'{"kind":"\\u001b]0;title\\u0007"}',
    "a kind that is a list": b'{"kind":["marker"]}',
    "a long number": b'{"kind":"marker","time_ns":' + b"9" * 5000 + b"}",
    "a long line": b'{"kind":"marker","text":"' + b"x" * (3 << 20) + b'"}',
}


@pytest.mark.parametrize("junk", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_line_is_reported_and_does_nothing_else(junk, tmp_path):
    path = tmp_path / "run.log"
    written(path, [counting(5)], (Event(BASE, None, "marker", {}, "kept"),))
    first, rest = sidecar_of(path).read_bytes().split(b"\n", 1)
    sidecar_of(path).write_bytes(first + b"\n" + junk + b"\n" + rest)
    capture, frames = read(path)
    assert len(frames) == 5
    assert [event.text for event in capture.events] == ["kept"]
    assert len(capture.problems) == 1


def test_what_a_hostile_event_says_is_spelled_out_and_forges_no_frame(tmp_path):
    path = tmp_path / "run.log"
    line = "\n   0.5 1  123       Rx   d 1 FF\n"
    events = (
        Event(
            10**30, "can0\x1b[2J" + line, "marker", {"a": 10**30, "b\x07": "\u202e" + line}, "\x1b]0;title\x07" + line
        ),
        Event(BASE, "can0", "chip-status", {"state": "x" + line, "tx_errors": 1, "rx_errors": 1}, "status:" + line),
    )
    written(path, [counting(5)], events)
    capture, frames = read(path)
    first, second = capture.events
    assert (first.time_ns, list(first.values)) == (None, ["b\\x07"])
    for text in (first.bus, first.text, *first.values.values(), second.text):
        assert str(text).isprintable()
    with (tmp_path / "run.asc").open("wb") as stream:
        write_asc([frames], stream, events=capture.events)
    assert len(read(tmp_path / "run.asc")[1]) == 5


def test_more_events_than_are_kept_are_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(sidecar, "EVENTS_KEPT", 10)
    path = tmp_path / "run.log"
    written(path, [counting(5)], [Event(BASE, None, "marker", {}, str(k)) for k in range(15)])
    capture, _ = read(path)
    assert len(capture.events) == 10
    assert capture.problems.counts == {"more events than are kept": 5}


@pytest.mark.skipif(sys.platform == "win32", reason="pipes with a name are POSIX")
def test_a_sidecar_that_is_a_pipe_or_a_folder_is_not_waited_for(tmp_path):
    for make in (os.mkfifo, os.mkdir):
        path = tmp_path / f"{make.__name__}.log"
        path.write_bytes(b"(1700000000.000001) can0 123#11\n")
        make(sidecar_of(path))
        capture, frames = read(path)
        assert len(frames) == 1
        assert capture.problems.counts == {"events can't be read: not a file": 1}


# Faults --------------------------------------------------------------------------------------------------------------


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("name", ["run.log", "run.log.gz"])
def test_a_full_disk_ends_it_clearly(name, tmp_path):
    (tmp_path / name).symlink_to("/dev/full")
    bus = FakeBus(message(1))
    capture = open_live(["live:test/can0"], opener=FakeAdapter(can0=[bus]), proving=lambda a: SAFE)
    with pytest.raises(RecordingError, match="No space left") as caught:
        record(capture, Recorder(tmp_path / name, {}), seconds=30)
    assert "make room" in caught.value.hint
    assert bus.closed
    last = json.loads(sidecar_of(tmp_path / name).read_text().splitlines()[-1])
    assert "No space left" in last["why"]


def test_what_fits_on_a_full_disk_is_whole_lines(tmp_path):
    code = (
        "import resource, sys\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, 10_000))\n"
        "from pathlib import Path\n"
        "from tests.frames.recording.test_recorder import counting\n"
        "from buswright.frames.recording.recorder import Recorder, RecordingError\n"
        "recorder = Recorder(Path(sys.argv[1]), {})\n"
        "try:\n"
        "    for k in range(100): recorder.write(counting(7, 7 * k))\n"
        "except RecordingError as fault: recorder.abandon(fault.message); print(fault)\n"
    )
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-B", "-c", code, str(tmp_path / "run.log")], capture_output=True, text=True, cwd=root
    )
    assert "can't be written any further" in done.stdout, done.stderr
    capture, frames = read(tmp_path / "run.log")
    assert counts_in(frames) == list(range(len(frames)))
    assert len(frames) == 10_000 // (7 * 48) * 7 or len(frames) % 7 == 0
    assert not capture.problems
    assert "can't be written any further" in capture.metadata["ended"]


def test_a_folder_that_is_not_there_and_an_unknown_ending_are_said(tmp_path):
    with pytest.raises(RecordingError, match="can't be written"):
        SyncedFile(tmp_path / "no" / "run.log")
    with pytest.raises(RecordingError, match="unknown file ending"):
        format_of(Path("run.blf"))
    with pytest.raises(RecordingError, match="can't be written"):
        SyncedFile(tmp_path)


def test_the_room_on_the_disk_is_estimated_and_none_is_refused(tmp_path, monkeypatch):
    usage = type("Usage", (), {"free": 736_000_000})
    monkeypatch.setattr(record_module.shutil, "disk_usage", lambda folder: usage)
    assert space_for(tmp_path / "run.log", 2).seconds_full == pytest.approx(1000)
    usage.free = 1_000_000
    with pytest.raises(RecordingError, match="bytes are free"):
        space_for(tmp_path / "run.log", 1)


def test_a_slow_disk_is_noted(tmp_path, monkeypatch):
    now = [0.0]
    recorder = Recorder(tmp_path / "run.log", {}, clock=lambda: now[0])

    def slow(descriptor):
        now[0] += 3.0

    monkeypatch.setattr(record_module.os, "fsync", slow)
    now[0] = 10.0
    recorder.write(counting(3))
    recorder.close({"why": ""})
    capture, _ = read(tmp_path / "run.log")
    (note,) = capture.events
    assert (note.kind, note.values["seconds"]) == ("note", 6.0)


def test_frames_and_events_are_synced_at_least_every_second(tmp_path, monkeypatch):
    now, synced = [0.0], []
    monkeypatch.setattr(record_module.os, "fsync", lambda descriptor: synced.append(now[0]))
    recorder = Recorder(tmp_path / "run.log.gz", {}, clock=lambda: now[0])
    for step in range(300):
        now[0] = step * 0.03
        recorder.write(counting(1, step) if step % 50 == 0 else empty_frames(("can0",)))
    moments = sorted(set(synced))
    assert max(b - a for a, b in itertools.pairwise(moments)) <= 0.6
    assert all(synced.count(moment) == 2 for moment in moments)
    recorder.close({"why": ""})


# Its own file ------------------------------------------------------------------------------------------------------


def test_a_second_recorder_is_refused_and_takes_nothing(tmp_path):
    first = Recorder(tmp_path / "run.log", {})
    first.write(counting(10))
    with pytest.raises(RecordingError, match="another program is recording"):
        Recorder(tmp_path / "run.log", {})
    first.write(counting(10, 10))
    first.close({"why": "done"})
    assert counts_in(read(tmp_path / "run.log")[1]) == list(range(20))
    written(tmp_path / "run.log", [counting(3)])  # what nobody records to is overwritten as asked
    assert counts_in(read(tmp_path / "run.log")[1]) == [0, 1, 2]


def moved(path):
    path.rename(path.with_name(f"moved-{path.name}"))


def replaced(path):
    path.with_name("new").write_bytes(b"(1.000001) can0 124#11\n")
    path.with_name("new").replace(path)


def deleted(path):
    path.unlink()


def deleted_with_its_events(path):
    path.unlink()
    sidecar_of(path).unlink()


@pytest.mark.skipif(sys.platform == "win32", reason="an open file stays where it is there")
@pytest.mark.parametrize("name", ["run.log", "run.log.gz", "run.asc"])
@pytest.mark.parametrize("disturb", [moved, replaced, deleted, deleted_with_its_events])
def test_a_file_that_is_taken_away_costs_nothing(disturb, name, tmp_path):
    recorder = Recorder(tmp_path / name, {})
    marker = Event(BASE, None, "marker", {}, "before")
    recorder.write(counting(100), (marker,))
    recorder.sync()
    disturb(tmp_path / name)
    recorder.write(counting(50, 100))
    recorder.sync()
    recorder.write(counting(50, 150))
    recorder.close({"why": "done"})
    (note,) = recorder.notes
    assert f"{name} was {'moved' if disturb is moved else 'deleted'} while" in note
    goes_on = (
        f"{name} was {'moved' if disturb is moved else 'deleted'} while it was recorded to; the recording goes on in "
    )
    parts = [f"run-{number}{name.removeprefix('run')}" for number in ("002", "003")]
    rescued = f"{goes_on}{parts[1]}, and {parts[0]} has what came before"
    assert note == (goes_on + parts[0] if disturb is moved else rescued)
    assert recorder.frames == 200
    files = [path for path in tmp_path.iterdir() if ENDING not in path.name]
    captures = [read(path) for path in files if not (disturb is replaced and path.name == name)]
    together = sorted(k for _, frames in captures for k in counts_in(frames))
    assert together == list(range(200))
    assert {path.name for path in recorder.paths} <= {path.name for path in files}
    assert counts_in(read(recorder.paths[-1])[1]) == list(range(150, 200))
    said = [event.text for capture, _ in captures for event in capture.events]
    assert note in said
    assert (disturb is not moved) or sidecar_of(tmp_path / name).exists()  # it is left where it is
    if "deleted" in note:
        assert "before" in said
        assert not sidecar_of(tmp_path / name).exists()
    if disturb is replaced:
        assert (tmp_path / name).read_bytes() == b"(1.000001) can0 124#11\n"


def test_a_file_that_is_cut_short_by_others_gets_no_hole(tmp_path):
    path = tmp_path / "run.log"
    recorder = Recorder(path, {})
    recorder.write(counting(100))
    recorder.sync()
    path.write_bytes(b"")
    recorder.write(counting(50, 100))
    recorder.sync()
    recorder.write(counting(50, 150))
    recorder.close({"why": "done"})
    assert b"\0" not in path.read_bytes()
    said = "run.log was written to while it was recorded to; the recording goes on in run-002.log"
    assert recorder.notes == [said]
    assert json.loads(sidecar_of(path).read_text().splitlines()[-1])["frames"] == 150
    assert counts_in(read(path)[1]) + counts_in(read(recorder.paths[-1])[1]) == list(range(100, 200))


@pytest.mark.skipif(sys.platform == "win32", reason="an open file stays where it is there")
def test_a_rotated_recording_goes_on_in_the_next_free_part(tmp_path):
    recorder = Recorder(tmp_path / "run.log", {}, rotate_s=3600)
    (tmp_path / "run-002.log").write_bytes(b"of another day\n")
    recorder.write(counting(10))
    moved(tmp_path / "run-001.log")
    recorder.sync()
    recorder.write(counting(10, 10))
    recorder.close({"why": ""})
    assert [path.name for path in recorder.paths] == ["run-003.log"]
    assert (tmp_path / "run-002.log").read_bytes() == b"of another day\n"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_the_end_counts_what_is_stored(tmp_path):
    path = tmp_path / "run.log"
    path.symlink_to("/dev/full")
    recorder = Recorder(path, {})
    with pytest.raises(RecordingError, match="No space left"):
        recorder.write(counting(10))
    recorder.abandon("full")
    assert recorder.frames == 0
    assert json.loads(sidecar_of(path).read_text().splitlines()[-1])["frames"] == 0


# Killed --------------------------------------------------------------------------------------------------------------


def killed(folder, name, delay_s):
    """Record until killed after so long; return how many frames were synced, and the time of the newest there was."""
    folder.mkdir()
    progress = folder / "progress"
    progress.write_bytes(struct.pack("<qqq", -1, 0, 0))
    child = subprocess.Popen([sys.executable, str(PROCESS), str(folder / name), str(progress)], cwd=folder)
    try:
        until(lambda: struct.unpack("<qqq", progress.read_bytes())[0] >= 0, timeout_s=60.0)
        time.sleep(delay_s)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    _, microseconds, synced = struct.unpack("<qqq", progress.read_bytes())
    progress.unlink()
    return synced, microseconds * 1000


def check_killed(folder, name, delay_s, lost_s):
    synced, newest_ns = killed(folder, name, delay_s)
    if not any(path.stat().st_size for path in folder.iterdir() if ENDING not in path.name):
        assert synced == 0
        return 0
    capture, frames = read(folder)
    found = counts_in(frames)
    assert found == list(range(len(found))), (name, delay_s)
    assert len(found) >= synced, (name, delay_s)
    assert not frames.has(Flag.UNTIMED).any()
    assert newest_ns - int(frames.time_ns[-1]) <= lost_s * SECOND, (name, delay_s)
    assert {event.kind for event in capture.events} <= {"marker", "trigger", "note"}  # a slow disk is a note
    assert "marker" in {event.kind for event in capture.events}
    return synced


def kill_many(tmp_path, times, at_once, lost_s=math.inf):
    names = itertools.cycle(["run.log", "run.log.gz", "run.asc", "rotated.log"])
    generator = random.Random(11)
    runs = [(tmp_path / str(k), next(names), generator.uniform(0.05, 1.4)) for k in range(times)]
    with ThreadPoolExecutor(at_once) as pool:
        synced = list(pool.map(lambda run: check_killed(*run, lost_s), runs))
    assert sum(count > 0 for count in synced) > times / 4


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX")
def test_a_killed_recorder_leaves_files_that_open_and_lose_nothing_that_was_synced(tmp_path):
    """How often it syncs is tested by a clock of its own; how much that is in seconds, where nothing else runs."""
    kill_many(tmp_path, 10, 3)


@pytest.mark.acceptance
@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX")
def test_two_hundred_kills(tmp_path):
    kill_many(tmp_path, 200, 2, lost_s=1.0)


# Piece by piece ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("run.log", ("candump", False)),
        ("run.LOG", ("candump", False)),
        ("run.asc", ("ASC", False)),
        ("run.log.gz", ("candump", True)),
        ("run.asc.GZ", ("ASC", True)),
        ("run.gz", None),
        ("run", None),
        ("run.log.zip", None),
    ],
)
def test_the_ending_chooses_the_format(name, form):
    if form is None:
        with pytest.raises(RecordingError, match="unknown file ending"):
            format_of(Path(name))
    else:
        assert format_of(Path(name)) == form


@pytest.mark.parametrize(
    ("number", "name", "part"),
    [
        (1, "run.log", "run-001.log"),
        (12, "run.log.gz", "run-012.log.gz"),
        (1000, "a.b.asc", "a.b-1000.asc"),
        (1, "x.GZ", "x-001.GZ"),
    ],
)
def test_names_of_parts(number, name, part):
    assert part_path(Path("folder") / name, number) == Path("folder") / part


@pytest.mark.parametrize(
    ("free", "buses", "seconds"), [(16 << 20, 1, 45.59), (16 << 20, 0, 45.59), (16 << 20, 4, 11.4)]
)
def test_room_for_full_buses(free, buses, seconds, tmp_path, monkeypatch):
    """46 bytes a line and 8000 frames a second on each bus."""
    monkeypatch.setattr(record_module.shutil, "disk_usage", lambda folder: type("Usage", (), {"free": free}))
    space = space_for(tmp_path / "run.log", buses)
    assert (space.free, space.seconds_full) == (free, pytest.approx(seconds, abs=0.01))
    monkeypatch.setattr(record_module.shutil, "disk_usage", lambda folder: type("Usage", (), {"free": free - 1}))
    with pytest.raises(RecordingError, match="only 16,777,215 bytes are free"):
        space_for(tmp_path / "run.log", buses)


def test_a_folder_whose_room_can_not_be_told_is_refused(tmp_path):
    with pytest.raises(RecordingError, match="No such file"):
        space_for(tmp_path / "no" / "run.log", 1)


def test_pieces_are_handed_over_when_asked(tmp_path):
    file = SyncedFile(tmp_path / "run.log")
    assert file.write(b"abc") == 3
    assert file.write(b"") == 0
    assert (file.size, file.path.read_bytes()) == (0, b"")
    file.flush()
    assert (file.size, file.path.read_bytes()) == (3, b"abc")
    file.write(b"de")
    file.sync()
    file.sync()
    assert (file.size, file.path.read_bytes(), file.changed) == (5, b"abcde", "")
    file.write(b"lost")
    file.close()
    assert file.path.read_bytes() == b"abcde"


def test_a_packed_file_waits_for_its_sync_and_each_one_is_complete_in_itself(tmp_path):
    file = SyncedFile(tmp_path / "run.log.gz", packed=True)
    file.write(b"abc")
    file.flush()
    assert file.path.read_bytes() == b""
    file.sync()
    first = file.path.read_bytes()
    assert (gzip.decompress(first), len(first)) == (b"abc", file.size)
    file.write(b"de")
    file.sync()
    assert gzip.decompress(file.path.read_bytes()[len(first) :]) == b"de"
    assert record_module.packed(b"abc") == first  # the time is not in it
    file.close()


@pytest.mark.parametrize(("number", "ends"), [(errno.EINVAL, False), (errno.ENOTSUP, False), (errno.EIO, True)])
def test_what_can_not_be_synced_is_no_fault(number, ends, tmp_path, monkeypatch):
    def fail(_descriptor):
        raise OSError(number, os.strerror(number))

    file = SyncedFile(tmp_path / "run.log")
    monkeypatch.setattr(record_module.os, "fsync", fail)
    if ends:
        with pytest.raises(RecordingError, match="can't be written any further"):
            file.sync()
    else:
        file.sync()
    file.close()


def test_a_write_that_fails_half_way_leaves_what_was_whole(tmp_path):
    file = SyncedFile(tmp_path / "run.log")
    file.write(b"whole\n")
    file.flush()
    raw = file._raw

    class Failing:
        def write(self, data):
            raw.write(data[:3])
            raise OSError(errno.ENOSPC, "No space left on device")

        truncate, fileno, close = raw.truncate, raw.fileno, raw.close

    file._raw = Failing()
    file.write(b"half a line\n")
    with pytest.raises(RecordingError) as caught:
        file.flush()
    assert caught.value.message == f"{file.path}: can't be written any further: No space left on device"
    assert caught.value.hint == "the disk is full: make room"
    assert file.path.read_bytes() == b"whole\n"
    file.close()


@pytest.mark.parametrize(
    ("number", "hint"),
    [
        (errno.ENOSPC, "the disk is full: make room"),
        (errno.EDQUOT, "your share of the disk is used up: make room"),
        (errno.EACCES, "you may not write there: choose another --out"),
        (errno.EROFS, "that disk can only be read: choose another --out"),
        (errno.ENOENT, "its folder does not exist"),
        (errno.EIO, "check the disk, or choose another --out"),
        (None, "check the disk, or choose another --out"),
    ],
)
def test_a_fault_of_the_disk_leads_on(number, hint):
    fault = OSError(number, "as the system says it") if number else OSError("as the system says it")
    said = record_module._fault(Path("run.log"), fault, "can't be written")
    assert (said.message, said.hint) == ("run.log: can't be written: as the system says it", hint)


def test_a_part_is_full_at_its_size_and_at_its_age(tmp_path):
    now = [0.0]
    recorder = Recorder(tmp_path / "run.log", {}, rotate_s=10.0, clock=lambda: now[0])
    for moment in (0.0, 9.9, 10.0, 19.9, 20.0):
        now[0] = moment
        recorder.write(counting(1))
    recorder.close({"why": ""})
    assert [len(read(path)[1]) for path in recorder.paths] == [2, 2, 1]
    recorder = Recorder(tmp_path / "b.log", {}, rotate_bytes=92)
    for k in range(5):
        recorder.write(counting(1, k))  # 46 bytes each
    recorder.close({"why": ""})
    assert [len(read(path)[1]) for path in recorder.paths] == [2, 2, 1]
    assert (recorder.frames, recorder.size) == (5, 46)


def test_a_disk_that_takes_just_a_second_is_not_slow(tmp_path, monkeypatch):
    now = [0.0]
    recorder = Recorder(tmp_path / "run.log", {}, clock=lambda: now[0])
    monkeypatch.setattr(record_module.os, "fsync", lambda _descriptor: now.__setitem__(0, now[0] + 0.5))
    now[0] = 10.0
    recorder.write(counting(3))
    recorder.close({"why": ""})
    assert read(tmp_path / "run.log")[0].events == ()
