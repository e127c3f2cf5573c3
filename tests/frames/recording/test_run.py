"""A recording under way, over a capture and a recorder that a test fills."""

from types import SimpleNamespace

import pytest

from buswright.frames.live.address import parse_live
from buswright.frames.live.capture import Drops
from buswright.frames.live.listen_only import Listening, Proof
from buswright.frames.recording import run as run_module
from buswright.frames.recording.recorder import RecordingError
from buswright.frames.recording.run import Recording, RecordingRun, drops_document, header_of, record
from buswright.frames.table import Event, Problems, empty_frames
from tests.frames.frame_batches import batch_of

GAP, NOTE, MARK = (Event(5, "can0", kind) for kind in ("gap", "note", "marker"))


def counting(n, start=0):
    return batch_of([(k, 0, k, 0, 0, b"") for k in range(start, start + n)])


class FakeCapture:
    """Gives batches, with the events that come with each; it is stopped behind the last."""

    def __init__(self, *batches):
        self.left, self.events, self.stopped, self.closed = list(batches), (), False, 0
        self.drops = {"can0": Drops(2, {"socket": None})}
        self.connected = {"can0": True, "can1": False}
        self.problems = Problems()
        self.problems.add("garbled", "live")

    def poll(self):
        frames, *events = self.left.pop(0) if self.left else (empty_frames(),)
        self.events += tuple(events)
        self.stopped = self.stopped or not self.left
        return frames

    def close(self):
        self.closed += 1
        self.stopped = True


class FakeRecorder:
    """Keeps what it is given; fails where it is told to."""

    def __init__(self, fails_at=None):
        self.paths, self.notes, self.losses, self.size = ["run.log"], ["moved"], {"direction": 1}, 123
        self.frames, self.ids, self.events, self.end, self.abandoned, self.fails_at = 0, [], [], None, None, fails_at

    def write(self, frames, events=()):
        if self.fails_at is not None and self.frames >= self.fails_at:
            raise RecordingError("the disk is full")
        self.frames += len(frames)
        self.ids += frames.id.tolist()
        self.events += events

    def close(self, end):
        self.end = dict(end)

    def abandon(self, why):
        self.abandoned = why


@pytest.fixture
def clock(monkeypatch):
    """Each look at the clock takes a quarter of a second."""
    made = SimpleNamespace(now=100.0, step=0.25)

    def monotonic():
        made.now += made.step
        return made.now

    monkeypatch.setattr(run_module, "time", SimpleNamespace(monotonic=monotonic))
    return made


@pytest.mark.usefixtures("clock")
def test_all_that_came_is_written_and_the_end_says_why():
    capture, recorder = FakeCapture((counting(3), GAP), (counting(2, 3),), (counting(1, 5), NOTE, GAP)), FakeRecorder()
    marks = [(MARK,), (), (MARK, MARK), ()]
    found = record(capture, recorder, markers=lambda: marks.pop(0))
    assert recorder.ids == list(range(6))
    assert recorder.events == [GAP, MARK, NOTE, GAP, MARK, MARK]
    assert recorder.end == {"why": "stopped", "drops": {"can0": {"queue": 2, "socket": None}}}
    assert capture.closed == 1
    assert (found.frames, found.gaps, found.markers, found.why, found.size) == (6, 2, 3, "stopped", 123)
    assert (found.paths, found.notes, found.losses, found.problems) == (
        ("run.log",),
        ("moved",),
        {"direction": 1},
        {"garbled": 1},
    )
    assert (found.drops, found.connected) == (capture.drops, capture.connected)
    assert found.troubles == 2 + 1 + 2 + 1


@pytest.mark.usefixtures("clock")
@pytest.mark.parametrize(
    ("limit", "why"), [(1, "--frames 1"), (4, "--frames 4"), (5, "--frames 5"), (6, "--frames 6"), (7, "stopped")]
)
def test_a_number_of_frames_is_kept_to_the_frame(limit, why):
    capture = FakeCapture((counting(3),), (counting(2, 3),), (counting(1, 5),))
    recorder = FakeRecorder()
    found = record(capture, recorder, frames=limit)
    assert recorder.ids == list(range(min(limit, 6)))
    assert found.why == why
    assert capture.closed == 1


def test_a_length_is_that_of_running(clock):
    """Each look at the clock takes a second: begun at 101, looked at 102 (and twice more for the tick), then at 105."""
    clock.step = 1.0
    capture, recorder = FakeCapture(*[(counting(1, k),) for k in range(100)]), FakeRecorder()
    found = record(capture, recorder, seconds=4.0)
    assert found.why == "--seconds 4"
    assert recorder.ids == [0, 1, 2]  # with what came by the end
    assert found.seconds == 5.0


@pytest.mark.usefixtures("clock")
@pytest.mark.parametrize(("said", "why"), [("Ctrl-C", "Ctrl-C"), ("", "--frames 1")])
def test_what_stopped_it_from_outside_is_said_first(said, why):
    assert record(FakeCapture(*[(counting(1),)] * 5), FakeRecorder(), frames=1, why=lambda: said).why == why


@pytest.mark.usefixtures("clock")
def test_it_is_told_how_far_it_is_once_a_second():
    told = []
    record(FakeCapture(*[(counting(1),)] * 20), FakeRecorder(), tick=told.append)
    assert [recording.frames for recording in told] == [1, 4, 7, 10, 13, 16, 19]
    assert {recording.why for recording in told} == {""}


@pytest.mark.usefixtures("clock")
def test_a_disk_that_fails_ends_it_and_closes_the_capture():
    capture, recorder = FakeCapture(*[(counting(2),)] * 9), FakeRecorder(fails_at=4)
    with pytest.raises(RecordingError, match="the disk is full"):
        record(capture, recorder)
    assert (capture.closed, recorder.abandoned, recorder.end) == (1, "the disk is full", None)


def test_events_that_came_before_are_none_of_it():
    capture, recorder = FakeCapture(), FakeRecorder()
    capture.events = (GAP, NOTE)
    run = RecordingRun(capture, recorder, known=2)
    run.write(counting(1))
    capture.events += (GAP,)
    run.write(counting(1))
    run.write(counting(1), (MARK,))
    assert recorder.events == [GAP, MARK]
    assert (run.so_far().gaps, run.so_far().markers, run.frames) == (1, 1, 3)
    assert run.abandon("full").why == "full"
    assert run.so_far("done").why == "done"


@pytest.mark.parametrize(
    ("changes", "troubles"),
    [
        ({}, 0),
        ({"drops": {"a": Drops(2, {"socket": 3, "interface": None}), "b": Drops(1, {})}}, 6),
        ({"connected": {"a": False, "b": True, "c": False}}, 2),
        ({"gaps": 4}, 4),
        ({"notes": ("moved",)}, 1),
        ({"markers": 9, "problems": {"odd": 3}, "losses": {"x": 1}}, 0),
    ],
)
def test_troubles_are_what_is_lost(changes, troubles):
    values = {
        "paths": (),
        "frames": 1,
        "seconds": 1.0,
        "size": 1,
        "drops": {},
        "connected": {"a": True},
        "gaps": 0,
        "markers": 0,
        "problems": {},
        "notes": (),
        "losses": {},
        "why": "",
    }
    assert Recording(**(values | changes)).troubles == troubles


def test_the_header_says_who_listened_to_what_and_how():
    address = parse_live("live:socketcan/can0")
    capture = SimpleNamespace(
        addresses=(address,),
        proofs={"can0": Proof(Listening.PROVEN, "shown")},
        clock=SimpleNamespace(source="kernel"),
        bench=False,
    )
    assert header_of(capture, program="buswright 1", car={"path": "car.toml"}, accepted=True) == {
        "program": "buswright 1",
        "car": {"path": "car.toml"},
        "clock": "kernel",
        "bench": False,
        "may_acknowledge": True,
        "interfaces": [{"bus": "can0", "source": "live:socketcan/can0", "listening": "proven", "why": "shown"}],
    }
    assert drops_document({"a": Drops(1, {"socket": 2})}) == {"a": {"queue": 1, "socket": 2}}
