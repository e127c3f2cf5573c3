"""A capture that is played: at any moment everything is measured from the first frame to there."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.cli.main import main
from buswright.frames import table
from buswright.frames.captures.opening import open_capture
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.table import Flag, Problems, concatenate
from buswright.health.baseline.file import load
from buswright.report.plain import plain
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture
from buswright.tui.screens.identifiers.rows import rows_of
from buswright.worker.composing.folds import Known
from buswright.worker.engine import Engine
from buswright.worker.source import replay as replay_module
from buswright.worker.source import tape as tape_module
from buswright.worker.source.replay import Replay, Rewound

from ...health.traffic import MS, START, comb
from ...test_live_equals_recorded import same
from ..replayed import Clock, S, as_json, car_of, health_command, written

FAULTS = (Fault("module-missing", "module:wheel_node", onset_s=4.0),)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    return written(folder, faults=FAULTS), car_of(folder)


@pytest.fixture(params=["in memory", "from the disk"])
def place(request, monkeypatch):
    """Replay from memory; or as a long capture is: read again, with many places to return to."""
    monkeypatch.setattr(replay_module, "PIECE", 1500)
    if request.param == "from the disk":
        monkeypatch.setattr(tape_module, "MEMORY_FRAMES", 1000)
    monkeypatch.setattr(replay_module, "CHECKPOINT_EVERY", 1500)
    monkeypatch.setattr(replay_module, "CHECKPOINTS", 6)
    monkeypatch.setattr(replay_module, "LEAD_NS", S)


def engine_of(run, clock=None, *, car=True, baseline=None, **options):
    path, file = run
    clock = clock or Clock()
    known = Known(load_car_file(file) if car else None, baseline=baseline)
    return Engine(open_capture(path), known, clock=clock, pace=clock, **options)


def to_of(snapshot):
    """Spell the moment shown for --to."""
    after = snapshot.source.now_ns - snapshot.source.first_ns
    return f"{after // S}.{after % S:09d}"


# As buswright health says -------------------------------------------------------------------------------------------


def test_at_the_end_it_is_what_health_says(run, place):
    path, car = run
    snapshot = engine_of(run).settle()
    wanted = health_command(path, "--car", car)
    assert as_json(snapshot) == wanted
    assert snapshot.source.phase == "ended"
    assert snapshot.findings_whole
    assert [str(each.fault) for each in snapshot.findings] == [each["fault"] for each in wanted["findings"]]
    assert snapshot.source.now_ns == snapshot.source.end_ns == wanted["capture"]["last_ns"]


def test_a_good_run_is_expected_as_health_expects_it(run, tmp_path):
    path, good = run[0], tmp_path / "good.json"
    more = written(tmp_path)
    assert main(["remember", str(more), "--out", str(good)]) == 0
    less = tmp_path / "less.log"
    less.write_text("".join(line for line in path.read_text().splitlines(True) if " 1A0#" not in line))
    snapshot = engine_of((less, None), car=False, baseline=load(good)).settle()
    wanted = health_command(less, "--baseline", good)["findings"]
    assert [(each.fault, each.subject) for each in snapshot.findings] == [(e["fault"], e["subject"]) for e in wanted]
    assert ("id-missing", "id:can1/1A0") in [(each.fault, each.subject) for each in snapshot.findings]
    assert "can1/1A0" in [str(each.key) for each in snapshot.verdicts.unseen]


def test_after_any_seeking_it_is_what_health_says_up_to_there(run, place):
    path, car = run
    engine = engine_of(run)
    first = engine.settle().source.first_ns
    whole = engine.latest()
    for seconds in (2.0, 5.5, 3.25):
        engine.seek(first + round(seconds * S))
        snapshot = engine.settle()
        assert snapshot.source.phase == "paused"
        assert snapshot.source.now_ns == first + round(seconds * S)
        assert as_json(snapshot) == health_command(path, "--car", car, "--to", to_of(snapshot)), seconds
    engine.seek(first + 100 * S)
    again = engine.settle()
    same(again.health, whole.health)
    same(again.recent, whole.recent)
    same(again.channels, whole.channels)
    assert again.source.phase == "ended"


def test_channels_and_the_moment_after_going_back_equal_those_of_going_there_at_once(run, place):
    engine, other = engine_of(run), engine_of(run)
    first = engine.settle().source.first_ns
    other.settle()
    for seconds in (5.5, 3.0, 5.0):
        engine.seek(first + round(seconds * S))
        engine.settle()
    other.seek(first + 5 * S)
    one, two = engine.settle(), other.settle()
    same(one.recent, two.recent)
    same(one.channels, two.channels)


def test_steps_are_exact_to_the_frame(run, place):
    engine = engine_of(run, car=False)
    first = engine.settle().source.first_ns
    engine.seek(first + 5 * S)
    start = engine.settle().health.capture.frames
    for step in (1, 1, -1, -3, 250, -2000, 5):
        engine.step(frames=step)
        start += step
        snapshot = engine.settle()
        assert snapshot.health.capture.frames == start
        assert snapshot.source.now_ns == snapshot.health.capture.last_ns
        assert snapshot.source.phase == "paused"
    engine.step(frames=-1)
    engine.step(frames=-1)  # asked before the first one was done
    assert engine.settle().health.capture.frames == start - 2


def test_steps_of_seconds_move_the_moment(run):
    engine = engine_of(run, car=False)
    first = engine.settle().source.first_ns
    engine.seek(first + 5 * S)
    engine.settle()
    engine.step(seconds=-1.5)
    assert engine.settle().source.now_ns == first + 3_500_000_000
    engine.step(seconds=0.25)
    assert engine.settle().source.now_ns == first + 3_750_000_000
    engine.step(seconds=-100)
    assert engine.settle().health.capture.frames >= 1
    assert engine.latest().source.now_ns == first


def test_steps_end_at_the_ends(run):
    engine = engine_of(run, car=False)
    whole = engine.settle().health.capture.frames
    engine.step(frames=5)
    assert engine.settle().health.capture.frames == whole
    engine.step(frames=-10 * whole)
    assert engine.settle().health.capture.frames == 1


# Playing ------------------------------------------------------------------------------------------------------------


def test_playing_keeps_to_the_clock(run, place):
    path, _ = run
    clock = Clock()
    engine = engine_of(run, clock, car=False)
    first = engine.settle().source.first_ns
    engine.seek(first + 2 * S)
    engine.settle()
    engine.set_speed(2.0)
    engine.play()
    for _ in range(60):
        engine.advance(clock.wait)
    moment = engine.latest().source
    assert moment.phase == "playing"
    assert moment.speed == 2.0
    engine.pause()
    snapshot = engine.settle()
    assert snapshot.source.phase == "paused"
    played = (snapshot.source.now_ns - first) / S - 2.0
    assert played == pytest.approx(60 * 0.02 * 2.0, abs=0.1)
    assert as_json(snapshot) == health_command(path, "--to", to_of(snapshot))


def test_played_to_the_end_it_ends_and_begins_again(run):
    clock = Clock()
    engine = engine_of(run, clock, car=False)
    whole = engine.settle()
    engine.seek(whole.source.end_ns - S)
    engine.settle()
    engine.play()
    for _ in range(80):
        engine.advance(clock.wait)
    assert engine.settle().source.phase == "ended"
    same(engine.latest().health, whole.health)
    engine.play()
    engine.advance(clock.wait)
    engine.advance(clock.wait)
    clock.move(0.3)
    engine.advance()
    assert engine.latest().source.phase == "playing"
    assert engine.latest().source.now_ns < whole.source.first_ns + S


def test_it_can_be_told_to_play_or_to_go_somewhere_at_first(run):
    clock = Clock()
    begin = open_capture(run[0]).first_time_ns() + 3 * S
    engine = engine_of(run, clock, car=False, begin_ns=begin, speed=0.5)
    assert engine.settle().source.phase == "playing"
    for _ in range(50):
        engine.advance(clock.wait)
    engine.pause()
    assert engine.settle().source.now_ns == pytest.approx(begin + 0.5 * S, abs=0.1 * S)
    assert engine_of(run, begin_ns=begin).settle().source.now_ns == begin


def test_what_cannot_keep_up_goes_on_from_where_it_is(run, monkeypatch):
    monkeypatch.setattr(replay_module, "PIECE", 10)
    clock = Clock()
    source = Replay(open_capture(run[0]), clock=clock, speed=100.0)
    while source.phase != "playing":
        source.poll(clock.wait)
    moments = []
    for _ in range(50):
        clock.move(0.5)
        source.poll(clock.wait)
        moments.append(source.moment_ns)
    assert moments == sorted(moments)
    assert moments[-1] < source.first_ns + S  # it shows what was read, not what should have been


# While it is read ---------------------------------------------------------------------------------------------------


def test_reading_says_how_far_it_is_and_what_was_asked_meanwhile_is_done_then(run, monkeypatch):
    monkeypatch.setattr(replay_module, "PIECE", 100)
    clock = Clock()
    engine = engine_of(run, clock)
    shares = []
    for _ in range(10):
        clock.move(1.0)
        engine.advance()
        source = engine.latest().source
        assert source.phase == "reading"
        assert source.speed == float("inf")
        assert not engine.latest().findings_whole
        shares.append(source.read)
    assert all(0 <= share <= 1 for share in shares)
    assert shares == sorted(shares)
    engine.seek(source.first_ns + S)
    assert engine.settle().source.now_ns == source.first_ns + S


def test_the_time_line_and_the_findings_of_the_whole_stay(run):
    engine = engine_of(run, car=False)
    whole = engine.settle()
    engine.seek(whole.source.first_ns + S)
    early = engine.settle()
    assert early.findings == whole.findings
    assert early.findings_whole
    assert early.health.capture.frames < whole.health.capture.frames
    assert early.judged_health is whole.health
    engine.look_only_at(None)  # they are made anew
    assert engine.settle().findings == whole.findings
    assert np.array_equal(early.source.load_start_ns, whole.source.load_start_ns)
    assert np.array_equal(early.source.load, whole.source.load)
    highest = max(float(np.nanmax(bus.slow_windows.load)) for bus in whole.health.buses.values())
    assert float(np.nanmax(whole.source.load)) == highest


def test_events_are_shown_up_to_the_moment(tmp_path):
    path = written(tmp_path, 4.0)
    first = open_capture(path).first_time_ns()
    lines = [f'{{"format":"buswright.events/1"}}\n{{"first_ns":{first}}}']
    lines += [
        f'{{"time_ns":{first + at * S},"bus":null,"kind":"marker","values":{{}},"text":"at {at}"}}' for at in (1, 3)
    ]
    path.with_name("run.log.events.jsonl").write_text("\n".join(lines) + "\n")
    engine = Engine(open_capture(path), clock=Clock(), pace=Clock())
    assert [each.text for each in engine.settle().source.events] == ["at 1", "at 3"]
    engine.seek(first + 2 * S)
    assert [each.text for each in engine.settle().source.events] == ["at 1"]


# Odd captures -------------------------------------------------------------------------------------------------------


class Batches:
    """A capture of given batches."""

    is_text = False

    def __init__(self, *batches):
        self.batches = batches
        self.paths = (Path("batches"),)
        self.events, self.problems, self.size, self.position = (), Problems(), 0, 0
        self.clock = table.Clock("epoch", "unknown", 1000, "")
        self.passes = 0
        self.fault = None

    def __iter__(self):
        self.passes += 1
        yield from self.batches
        if self.fault is not None:
            raise self.fault


def test_a_capture_of_nothing_ends_at_once():
    engine = Engine(Batches(), clock=Clock(), pace=Clock())
    snapshot = engine.settle()
    assert snapshot.source.phase == "ended"
    assert snapshot.source.now_ns is None
    for ask in (engine.play, lambda: engine.seek(5), lambda: engine.step(frames=1), lambda: engine.step(seconds=1.0)):
        ask()
        assert engine.settle().source.phase == "ended"


def test_frames_without_time_can_be_stepped_through():
    frames = comb(0x100, 10, 1.0)
    untimed = dataclasses.replace(
        frames, time_ns=np.zeros_like(frames.time_ns), flags=frames.flags | np.uint8(Flag.UNTIMED)
    )
    engine = Engine(Batches(untimed), clock=Clock(), pace=Clock())
    assert engine.settle().source.first_ns is None
    engine.step(frames=-40)
    assert engine.settle().health.capture.frames == 60


def test_time_that_goes_back_is_played_with_what_came_before():
    frames = concatenate([comb(0x100, 10, 2.0, start=START + 10 * S), comb(0x100, 10, 1.0)])
    engine = Engine(Batches(frames), clock=Clock(), pace=Clock())
    whole = engine.settle()
    assert whole.source.end_ns == START + 12 * S - 10 * MS
    engine.seek(START + 11 * S)
    assert engine.settle().health.capture.frames == 101
    engine.seek(whole.source.end_ns)
    assert engine.settle().health.capture.frames == 300


def test_a_clock_that_was_set_back_makes_nobody_missing():
    before = comb(0x100, 10, 20.0, start=START + 3600 * S)
    engine = Engine(Batches(before, comb(0x100, 10, 20.0)), clock=Clock(), pace=Clock())
    whole = engine.settle()
    name = FrameName("can0", 0x100, False)
    assert whole.source.now_ns == whole.recent.now_ns == START + 20 * S - 10 * MS
    assert whole.recent.ids[name].age_s(whole.recent.now_ns) == 0.0
    assert whole.recent.ids[name].rate_hz == pytest.approx(100.0)
    assert [row.state.word for row in rows_of(whole)] == ["ok"]
    engine.step(frames=-2000)
    assert engine.settle().source.now_ns == START + 3620 * S - 10 * MS
    engine.step(frames=40)
    assert engine.settle().source.now_ns == START + 39 * 10 * MS


def test_two_buses_with_two_clocks_do_not_make_the_moment_jump():
    ahead, behind = comb(0x100, 10, 5.0, start=START + 3600 * S), comb(0x200, 10, 5.0)
    mixed = concatenate([ahead, behind]).take(np.arange(1000).reshape(2, 500).T.ravel())
    engine = Engine(Batches(mixed), clock=Clock(), pace=Clock())
    assert engine.settle().source.now_ns == START + 3605 * S - 10 * MS


def test_a_short_capture_is_read_from_the_disk_once(run):
    capture = Batches(comb(0x100, 10, 5.0))
    source = Replay(capture, clock=Clock())
    while source.busy:
        source.poll(lambda seconds: None)
    source.seek(START + S)
    got = source.poll(lambda seconds: None)
    assert isinstance(got, Rewound)
    while source.busy:
        source.poll(lambda seconds: None)
    assert capture.passes == 1


def test_a_long_capture_is_not_held_but_read_again(monkeypatch):
    monkeypatch.setattr(tape_module, "MEMORY_FRAMES", 400)
    capture = Batches(comb(0x100, 10, 3.0), comb(0x100, 10, 3.0, start=START + 3 * S))
    source = Replay(capture, clock=Clock())
    while source.busy:
        source.poll(lambda seconds: None)
    source.seek(START + S)
    while source.busy:
        source.poll(lambda seconds: None)
    assert capture.passes == 2


def test_of_too_many_places_to_return_to_every_second_is_given_up(monkeypatch):
    monkeypatch.setattr(replay_module, "PIECE", 100)
    monkeypatch.setattr(replay_module, "CHECKPOINT_EVERY", 100)
    monkeypatch.setattr(replay_module, "CHECKPOINTS", 4)
    source, kept = Replay(Batches(comb(0x100, 10, 20.0)), clock=Clock()), []
    while source.busy:
        source.poll(lambda seconds: None)
        if source.wants_checkpoint:
            kept.append(len(kept))
            source.add_checkpoint(kept[-1])
    counts = [place.count for place in source._places]
    assert 2 <= len(counts) <= 4
    assert len(kept) < 20, "later ones lie further apart"
    assert counts == list(range(counts[0], counts[-1] + 1, counts[0])), "and evenly"


def test_a_capture_that_cannot_be_read_on_says_so_and_stands():
    capture = Batches(comb(0x100, 10, 1.0))
    capture.fault = OSError(5, "Input/output error")
    engine = Engine(capture, clock=Clock(), pace=Clock())
    snapshot = engine.settle()
    assert snapshot.source.phase == "failed"
    assert snapshot.health.capture.frames == 100
    assert "Input/output error" in snapshot.notices[-1].text


@pytest.mark.parametrize("ask", ["seek", "step", "play"])
def test_a_capture_that_is_gone_is_told_and_what_is_shown_stays(monkeypatch, ask):
    monkeypatch.setattr(tape_module, "MEMORY_FRAMES", 50)
    capture = Batches(comb(0x100, 10, 1.0))
    engine = Engine(capture, clock=Clock(), pace=Clock())
    before = engine.settle()
    capture.batches, capture.fault = (), FileNotFoundError(2, "No such file or directory", "run.log")
    {"seek": lambda: engine.seek(START), "step": lambda: engine.step(frames=-5), "play": engine.play}[ask]()
    after = engine.settle()
    assert (after.source.phase, after.source.now_ns) == ("ended", before.source.now_ns)
    assert after.health.capture.frames == 100
    assert after.notices[-1].text == "that can't be done: run.log: No such file or directory"


def test_a_capture_that_was_cut_meanwhile_says_so_and_does_not_read_for_ever(monkeypatch):
    monkeypatch.setattr(tape_module, "MEMORY_FRAMES", 50)
    monkeypatch.setattr(replay_module, "CHECKPOINT_EVERY", 5000)
    monkeypatch.setattr(replay_module, "PIECE", 1000)
    capture = Batches(comb(0x100, 10, 200.0))
    engine = Engine(capture, clock=Clock(), pace=Clock())
    end = engine.settle().source.end_ns
    capture.batches = (comb(0x100, 10, 10.0),)
    for moment in (end - S, end - 100 * S):  # by way of a kept place, and from the first frame
        engine.seek(moment)
        snapshot = engine.settle()
        assert snapshot.source.phase == "failed"
        assert "has fewer frames than before" in snapshot.notices[-1].text
    capture.batches = ()
    engine.seek(START)
    assert "has fewer frames than before" in engine.settle().notices[-1].text


def test_a_capture_that_became_shorter_while_it_was_read_is_told():
    capture = Batches(comb(0x100, 10, 1.0))
    capture.size, capture.position = 5000, 3800
    notices = Engine(capture, clock=Clock(), pace=Clock()).settle().notices
    assert [each.text for each in notices] == [
        "the capture became 1,200 bytes shorter while it was read: was it cut or replaced?"
    ]
    capture.position = 6000  # one that is still being written
    assert not Engine(capture, clock=Clock(), pace=Clock()).settle().notices


@pytest.mark.parametrize("back_s", [30, 170])
def test_after_going_back_the_frames_of_a_minute_have_been_given_again(monkeypatch, back_s):
    """What is shown close up is held as frames: going back has to bring those of the minute before, and no place
    that is kept may be nearer."""
    monkeypatch.setattr(replay_module, "PIECE", 100)
    monkeypatch.setattr(replay_module, "CHECKPOINT_EVERY", 100)
    monkeypatch.setattr(replay_module, "CHECKPOINTS", 40)
    source = Replay(Batches(comb(0x100, 100, 300.0)), clock=Clock())
    while source.busy:
        source.poll(lambda seconds: None)
        if source.wants_checkpoint:
            source.add_checkpoint(source.moment_ns)
    goal = source.end_ns - back_s * S
    source.seek(goal)
    rewound = source.poll(lambda seconds: None)
    assert rewound.checkpoint is not None, "by way of a place, not from the first frame"
    given = []
    while source.busy:
        frames = source.poll(lambda seconds: None)
        given += [] if frames is None else frames.time_ns.tolist()
    assert given == list(range(given[0], goal + 1, 100 * MS))
    assert rewound.checkpoint == given[0] - 100 * MS
    assert 60 * S <= goal - given[0] < 75 * S


# Channels of the whole capture ----------------------------------------------------------------------------------------


def test_channels_are_judged_as_diagnose_judges_them_also_at_the_end_of_a_replay(tmp_path, capsys):
    path = written(tmp_path, seconds=14.0, faults=(Fault("open-circuit", "channel:oil_pressure", onset_s=8.0),))
    car, clock = car_of(tmp_path), Clock()
    engine = engine_of((path, car), clock)
    snapshot = engine.settle()
    main(["diagnose", str(path), "--car", str(car), "--json", "--fail-on", "never"])
    document = json.loads(capsys.readouterr().out)
    wanted = document["findings"]
    assert snapshot.judged.count == 91
    assert snapshot.judged.judged == 91 - document["channels"]["counts"]["not_judged"] < 91
    assert ("open-circuit", "channel:oil_pressure") in {(each["fault"], each["subject"]) for each in wanted}
    assert plain(snapshot.findings) == wanted
    engine.set_speed(100.0)
    engine.play()
    while engine.latest().source.phase != "playing":
        engine.advance(clock.wait)
    while engine.latest().source.phase == "playing":
        engine.advance(clock.wait)
    assert engine.latest().source.phase == "ended"
    assert plain(engine.settle().findings) == wanted


def test_without_a_database_no_channel_is_judged(run):
    assert engine_of(run, car=False).settle().judged is None


def test_a_fault_in_a_detector_of_channels_costs_no_numbers(run, monkeypatch):
    def broken(session):
        raise RuntimeError("a detector is wrong")

    monkeypatch.setattr("buswright.worker.composing.judging.measure_channels", broken)
    snapshot = engine_of(run).settle()
    assert snapshot.findings_whole
    assert snapshot.judged is None
    assert any("channels can't be judged" in notice.text for notice in snapshot.notices)


def test_a_marker_is_written_beside_the_capture_which_stays_as_it_is(tmp_path):
    path = written(tmp_path, 3.0)
    before = path.read_bytes()
    for number, text in enumerate(("bang", "")):
        engine = Engine(open_capture(path))
        first = engine.settle().source.first_ns
        engine.mark(text, first + (2 - number) * S)
        snapshot = engine.settle()
        assert [each.text for each in snapshot.source.events if each.kind == "marker"][-1] == "bang"
        assert "run.log.events.jsonl" in snapshot.notices[-1].text
    capture = open_capture(path)
    for _ in capture:
        pass
    marked = sorted((each.time_ns - first, each.text) for each in capture.events if each.kind == "marker")
    assert marked == [(S, "marker 2"), (2 * S, "bang")]
    assert not capture.problems
    assert "ended" not in capture.metadata, "nobody recorded it, so nobody was killed"
    assert path.read_bytes() == before


def test_a_marker_goes_to_the_file_that_holds_its_moment_and_to_none_of_another_recording(tmp_path):
    one, two = tmp_path / "1.log", tmp_path / "2.log"
    one.write_text("(100.0) can0 123#01\n(101.0) can0 123#02\n")
    two.write_text("(110.0) can0 123#01\n(111.0) can0 123#02\n")
    sidecar_of(one).write_text('{"first_ns": 5}\n')
    engine = Engine(open_capture([one, two]))
    engine.settle()
    engine.mark("late", 111 * S)
    engine.mark("early", 100 * S)
    said = engine.settle().notices
    assert "late" in sidecar_of(two).read_text()
    assert sidecar_of(one).read_text() == '{"first_ns": 5}\n'
    assert "belongs to another recording" in said[-1].text


def test_the_demo_has_no_file_to_mark(tmp_path):
    engine = Engine(SimulatedCapture(1.0))
    first = engine.settle().source.first_ns
    engine.mark("bang", first)
    assert "no capture file" in engine.settle().notices[-1].text
