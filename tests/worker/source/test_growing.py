"""A capture that another program still writes: followed line by whole line, and what happens to it is said."""

import gzip
import os

import pytest

from buswright.channels.carfile.model import FrameName
from buswright.frames.captures.opening import open_capture
from buswright.messages.model import Database, Message, Signal
from buswright.worker.composing.folds import Known
from buswright.worker.engine import Engine
from buswright.worker.snapshot import JudgedChannels
from buswright.worker.source import tape as tape_module

from ..replayed import Clock, S

START_S = 1_770_000_000


def lines(first, count, bus="can0", every_s=0.01):
    """So many candump lines, from frame number `first` on."""
    return "".join(f"({START_S + at * every_s:.6f}) {bus} 100#{at:04X}\n" for at in range(first, first + count))


class Watch:
    """The worker of a capture that grows, without a thread; every look is a second later."""

    def __init__(self, *paths, **known):
        self.clock = Clock()
        self.engine = Engine(open_capture(paths), Known(**known), clock=Clock(), pace=self.clock)
        self.snapshot = self.engine.settle()

    def look(self, times=1):
        for _ in range(times):
            self.clock.move(1)
            self.engine.advance()
            while self.engine._source.busy:
                self.engine.advance()
        self.clock.move(1)
        self.engine._compose(exact=True)
        self.snapshot = self.engine.latest()
        return self.snapshot

    @property
    def frames(self):
        return self.snapshot.health.capture.frames

    @property
    def told(self):
        return " ".join(each.text for each in self.snapshot.notices)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "run.log"
    path.write_text(lines(0, 300))
    return path


def added(path, text):
    with path.open("a") as stream:
        stream.write(text)


def test_what_is_added_is_shown_and_that_it_grows(log):
    watch = Watch(log)
    assert (watch.frames, watch.snapshot.source.grows) == (300, False)
    added(log, lines(300, 100))
    snapshot = watch.look()
    assert (watch.frames, snapshot.source.grows, snapshot.source.phase) == (400, True, "ended")
    assert snapshot.source.end_ns == snapshot.source.now_ns == (START_S * S + 3_990_000_000)
    assert snapshot.recent.ids[FrameName("can0", 0x100, False)].rate_hz == pytest.approx(100.0)
    assert not watch.look(3).source.grows, "nothing came for three seconds"
    assert watch.frames == 400


def test_half_a_line_is_waited_for_and_not_counted_as_bad(log):
    watch = Watch(log)
    whole = lines(300, 2)
    added(log, whole[:50])
    assert watch.look().health.capture.frames == 301
    assert not watch.snapshot.source.problems
    added(log, whole[50:])
    assert watch.look().health.capture.frames == 302
    assert not watch.snapshot.source.problems


def test_half_a_line_that_seemed_to_be_the_last_is_read_anew_when_it_goes_on(log):
    added(log, lines(300, 1)[:-3])
    os.utime(log, (0, 0))  # long ago
    watch = Watch(log)
    assert watch.frames == 301
    assert sum(watch.snapshot.source.problems.values()) == 1, "it may be cut off, and that is said"
    added(log, lines(300, 1)[-3:] + lines(301, 1))
    watch.look(2)
    assert watch.frames == 302
    assert not watch.snapshot.source.problems
    assert watch.snapshot.health.capture.first_ns == START_S * S


def test_who_looks_at_an_earlier_moment_stays_there_and_finds_the_rest_later(log):
    watch = Watch(log)
    watch.engine.seek(START_S * S + S)
    watch.engine.settle()
    added(log, lines(300, 100))
    snapshot = watch.look()
    assert (snapshot.source.phase, snapshot.source.now_ns) == ("paused", START_S * S + S)
    assert watch.frames == 101
    watch.engine.seek(snapshot.source.end_ns)
    assert watch.engine.settle().health.capture.frames == 400


def test_a_long_capture_is_followed_though_it_is_not_held(log, monkeypatch):
    monkeypatch.setattr(tape_module, "MEMORY_FRAMES", 250)
    watch = Watch(log)
    for step in range(3):
        added(log, lines(300 + 100 * step, 100))
        watch.look()
        assert watch.frames == 400 + 100 * step
        watch.engine.seek(START_S * S + S)
        assert watch.engine.settle().health.capture.frames == 101
        added(log, lines(10_000 + step, 1) if step == 9 else "")
        watch.engine.seek(watch.snapshot.source.end_ns)
        assert watch.engine.settle().health.capture.frames == 400 + 100 * step
    watch.engine.seek(START_S * S + S)
    watch.engine.settle()
    added(log, lines(600, 50))
    watch.look()
    watch.engine.seek(watch.snapshot.source.end_ns)
    assert watch.engine.settle().health.capture.frames == 650


def test_several_files_grow_at_once(log, tmp_path):
    other = tmp_path / "other.log"
    other.write_text(lines(0, 300, "can1"))
    watch = Watch(log, other)
    assert watch.frames == 600
    added(log, lines(300, 100))
    watch.look()
    added(other, lines(300, 50, "can1"))
    watch.look()
    buses = watch.snapshot.health.buses
    assert {name: figures.frames for name, figures in buses.items()} == {"can0": 400, "can1": 350}
    added(log, lines(400, 10))
    added(other, lines(350, 60, "can1"))
    watch.look()
    assert watch.frames == 820
    assert not [each for each in watch.snapshot.findings if each.fault == "clock-jump"]


ASC = """date Sat Apr 4 10:00:00.000 am 2026
base hex  timestamps absolute
no internal events logged
   0.010000 1  100             Rx   d 2 00 01
   0.020000 1  100             Rx   d 2 00 02
"""


@pytest.mark.parametrize("text", [lines(0, 2), ASC])
def test_a_file_that_is_empty_at_first_is_followed_whatever_is_written_to_it(tmp_path, text):
    path = tmp_path / "run.txt"
    path.write_text("")
    watch = Watch(path)
    assert watch.snapshot.source.problems == {"the file is empty": 1}
    added(path, text[:9])
    assert watch.look().health.capture.frames == 0
    added(path, text[9:])
    assert watch.look().health.capture.frames == 2
    assert not watch.snapshot.source.problems


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda path: path.write_text(lines(0, 10)), "was cut or written anew"),
        (lambda path: path.write_text(lines(500, 400)), "was cut or written anew"),
        (lambda path: path.replace(path.with_name("run.log.1")) and path.write_text(lines(0, 400)), "is another file"),
        (lambda path: path.unlink(), "was moved or deleted"),
    ],
)
def test_a_file_that_is_no_longer_the_same_is_said_once_and_what_was_read_stays(log, change, says):
    watch = Watch(log)
    change(log)
    watch.look(2)
    assert says in watch.told
    assert watch.told.count("run.log") == 1
    assert (watch.frames, watch.snapshot.source.phase) == (300, "ended")


def test_a_compressed_file_that_grows_can_not_be_followed_and_that_is_said(tmp_path):
    path = tmp_path / "run.log.gz"
    path.write_bytes(gzip.compress(lines(0, 300).encode()))
    watch = Watch(path)
    path.write_bytes(path.read_bytes() + gzip.compress(lines(300, 300).encode()))
    watch.look(2)
    assert "only text can be followed" in watch.told
    assert watch.frames == 300


def test_markers_that_a_recorder_writes_beside_it_come_in_too(log):
    watch = Watch(log)
    sidecar = log.with_name("run.log.events.jsonl")
    first = START_S * S
    sidecar.write_text(
        f'{{"format":"buswright.events/1","first_ns":{first}}}\n'
        f'{{"time_ns":{first + S},"bus":null,"kind":"marker","values":{{}},"text":"wiggled C12"}}\n'
    )
    added(log, lines(300, 1))
    assert [each.text for each in watch.look().source.events if each.kind == "marker"] == ["wiggled C12"]


def test_findings_and_load_are_of_what_came_too(log):
    watch = Watch(log)
    added(log, "".join(lines(at, 50) for at in (300, 900)))  # nothing for six seconds
    watch.look(2)
    assert watch.snapshot.source.load_start_ns[-1] == (START_S + 9) * S
    gaps = watch.snapshot.health.ids[FrameName("can0", 0x100, False)].gaps
    assert gaps.missing > 500


def test_channels_are_judged_again_with_what_came(log):
    database = Database(("x.dbc",), (Message("M", 0x100, False, 2, (Signal("S", 0, 8),), cycle_time_ms=10),))
    watch = Watch(log, databases={"*": database})
    assert watch.snapshot.judged == JudgedChannels(1, 0, None)
    added(log, lines(300, 100))
    assert watch.look().judged.span == (START_S * S, START_S * S + 2_990_000_000), "it is not time yet"
    watch.look(12)
    watch.engine.settle()
    assert watch.look().judged == JudgedChannels(1, 0, None)
    assert watch.engine._composer._channels["can0/M/S"].series.time_ns[-1] == START_S * S + 3_990_000_000
