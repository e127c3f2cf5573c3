"""The worker: what it records, what it survives, what it lays ready and when."""

import errno
import threading
from dataclasses import replace
from itertools import pairwise

import can
import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.frames.captures.opening import open_capture
from buswright.frames.live import capture as live_capture
from buswright.frames.live import lane as live_lane
from buswright.frames.live.capture import open_live
from buswright.frames.recording import recorder as record
from buswright.frames.recording.run import header_of
from buswright.health.track import HealthTracker
from buswright.messages.database import load_database
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.composing import folds as folds_module
from buswright.worker.composing.folds import Known
from buswright.worker.composing.stretch import thinned
from buswright.worker.engine import Engine
from buswright.worker.notices import MOST_FAULTS

from ..frames.live_fakes import SAFE, START, FakeAdapter, FakeBus, gone, message, unplugged, until
from ..test_live_equals_recorded import same
from .replayed import Clock, S

NAME = FrameName("can0", 0x123, False)


@pytest.fixture(autouse=True)
def hurry(monkeypatch):
    monkeypatch.setattr(live_lane, "BACK_OFF_S", (0.001,))
    monkeypatch.setattr(live_lane, "RECEIVE_TIMEOUT_S", 0.01)
    monkeypatch.setattr(live_capture, "LOOK_S", 0.0)


def replayed(*, car=True, **options):
    clock = Clock()
    return Engine(SimulatedCapture(5.0), Known(demo_car() if car else None), clock=clock, pace=clock, **options), clock


class Live:
    """An engine on a bus that does what it is told."""

    def __init__(self, *buses, header=None, clocks=None, **known):
        self.bus = FakeBus()
        self.adapter = FakeAdapter(can0=list(buses) or [self.bus])
        self.capture = open_live(["live:fake/can0"], opener=self.adapter, proving=lambda address: SAFE)
        self.engine = Engine(self.capture, Known(**known), header=header, **(clocks or {}))

    def give(self, *messages):
        """Have messages received, and taken in."""
        wanted = self.engine._folds.frames + len(messages)
        self.bus.give(*messages)
        self.until(lambda: self.engine._folds.frames >= wanted)

    def until(self, condition):
        def advanced():
            self.engine.advance()
            return condition()

        until(advanced)

    def end(self):
        """Let go of the bus as the adapter would; return the last snapshot."""
        self.capture.stop()
        return self.engine.settle()


def counted(n, first=0):
    return [message(0x100 + at % 7, bytes([at % 256, at // 256, 5])) for at in range(first, first + n)]


# Snapshots ----------------------------------------------------------------------------------------------------------


def test_frames_of_another_car_or_bus_are_told_of():
    exchanged = {"can0": "chassis", "can1": "engine"}
    snapshot = Engine(SimulatedCapture(5.0), Known(demo_car(), bus_names=exchanged)).settle()
    assert "chassis carries bus engine" in snapshot.misfit.text
    first = snapshot.verdicts.wrong_now[0]
    assert (first.what, first.subject) == ("does not fit", "capture")
    assert first.check == "Start again with --bus engine=can0 --bus chassis=can1"
    assert Engine(SimulatedCapture(5.0), Known(demo_car())).settle().misfit is None


def test_frames_of_another_car_are_told_of_on_a_live_bus_once_enough_have_come():
    live = Live(car=demo_car(), bus_names={"can0": "engine"})
    live.give(message(0x7A0), message(0x7A1, at=START + 0.5))
    live.engine._compose(exact=True)
    assert live.engine.latest().misfit is None
    live.give(message(0x7A2, at=START + 3.0))
    assert live.end().misfit.text == "no database knows any identifier of the capture: 7A0, 7A1, 7A2"


def test_a_new_snapshot_replaces_one_that_was_not_taken():
    engine, _ = replayed()
    calls = []
    engine._own.shelf.wake(lambda: calls.append(engine.latest().number))
    engine.settle()
    engine.look_at(FrameName("engine", 0xA0, False))
    engine.settle()
    assert len(calls) == 1  # the first was not taken: nobody is woken again
    assert engine.take().number == engine.latest().number > calls[0]
    engine.look_at(None)
    engine.settle()
    assert len(calls) == 2


def test_numbers_rise_by_one():
    engine, clock = replayed()
    numbers = []
    for _ in range(12):
        clock.move(0.3)
        engine.advance()
        numbers.append(engine.latest().number)
    assert sorted(set(numbers)) == list(range(1, numbers[-1] + 1))


def test_there_are_at_most_four_a_second_however_much_comes(monkeypatch):
    monkeypatch.setattr("buswright.worker.source.replay.PIECE", 50)
    engine, clock = replayed()
    engine.advance()
    first = engine.latest().number
    for _ in range(100):
        clock.move(0.01)
        engine.advance()
    assert engine.latest().source.phase == "reading"
    assert 3 <= engine.latest().number - first <= 4


def test_what_is_asked_of_a_live_bus_is_answered_before_the_next_snapshot_is_due():
    clock = Clock()
    live = Live(clocks={"pace": clock})
    live.give(*counted(70))
    before = live.engine.latest()
    clock.move(0.06)  # a quarter second is far
    live.engine.look_at(FrameName("can0", 0x100, False))
    live.engine.advance()
    assert before.detail is None
    assert live.engine.latest().detail.name == FrameName("can0", 0x100, False)
    live.end()


def test_what_is_asked_while_a_capture_plays_is_answered_at_once_but_never_takes_all_the_time():
    engine, clock = replayed()
    engine.settle()
    engine.play()
    for _ in range(40):
        engine.advance(clock.wait)
    number, begun = engine.latest().number, clock.now
    clock.move(0.06)
    engine.look_at(FrameName("engine", 0xA0, False))
    engine.advance()
    assert engine.latest().detail is not None
    for _ in range(100):  # a key that is held down
        engine.look_at(FrameName("engine", 0xA0, False))
        clock.move(0.01)
        engine.advance()
    assert engine.latest().number - number <= (clock.now - begun) / S / 0.05 + 1


def test_nothing_is_laid_ready_while_a_capture_stands():
    engine, clock = replayed()
    number = engine.settle().number
    for _ in range(20):
        clock.move(1.0)
        engine.advance()
    assert engine.latest().number == number


def test_health_may_be_old_while_it_moves_and_never_when_it_stands(monkeypatch):
    """A health that takes two seconds is computed in a fifth of the time at most."""
    engine, clock = replayed()
    engine.settle()
    begin = engine.latest().source.first_ns
    computed = []
    result = HealthTracker.result

    def slow(tracker, **options):
        clock.move(2.0)
        computed.append(clock.now)
        return result(tracker, **options)

    monkeypatch.setattr(HealthTracker, "result", slow)
    engine.seek(begin + S)
    engine.settle()
    computed.clear()
    engine.set_speed(0.05)
    engine.play()
    start = clock.now
    for _ in range(1200):
        engine.advance(clock.wait)
    assert 0 < len(computed) <= (clock.now - start) / S / 10 + 1
    engine.pause()
    snapshot = engine.settle()
    assert (
        snapshot.recent.ids[FrameName("engine", 0xA0, False)].frames
        == snapshot.health.ids[FrameName("engine", 0xA0, False)].frames
    )


def test_the_thread_works_and_ends():
    engine, _ = replayed()
    ready = threading.Event()
    engine.start(ready.set)
    assert ready.wait(20)
    until(lambda: engine.take().source.phase == "ended", 20)
    engine.close()
    engine.close()
    assert not any(each.name == "buswright-worker" and each.is_alive() for each in threading.enumerate())


# What is looked at closely ------------------------------------------------------------------------------------------


def test_the_detail_of_an_identifier():
    engine, _ = replayed()
    name = FrameName("engine", 0xA0, False)
    engine.look_at(name)
    snapshot = engine.settle()
    detail = snapshot.detail
    figures = snapshot.health.ids[name]
    assert detail.name == name
    assert detail.message.name == figures.message
    assert len(detail.time_ns) == min(2000, figures.frames)
    assert detail.time_ns[-1] == figures.last_ns
    assert detail.payload[-1, : detail.length[-1]].tobytes() == snapshot.recent.ids[name].payload
    rows = detail.payload[detail.time_ns >= detail.time_ns[-1] - 5 * S]
    assert detail.bit_frames == len(rows)
    bits = [int.from_bytes(row.tobytes(), "little") for row in rows]  # the reference goes frame by frame
    flips = [sum((a ^ b) >> bit & 1 for a, b in pairwise(bits)) for bit in range(64)]
    assert detail.bit_changes[:64].tolist() == flips
    assert [each.name for each in detail.signals] == [each.name for each in detail.message.signals]
    assert all(each.value and not each.why_not for each in detail.signals)
    engine.look_at(FrameName("engine", 0x7FF, False))
    never = engine.settle().detail
    assert (never.message, len(never.time_ns), never.signals, never.bit_frames) == (None, 0, (), 0)


def test_signals_that_are_not_there_say_why(tmp_path):
    path = tmp_path / "one.dbc"
    path.write_text(
        'VERSION ""\nBS_:\nBU_: A\n'
        'BO_ 291 ONE: 2 A\n SG_ Mode M : 0|8@1+ (1,0) [0|255] "" A\n'
        ' SG_ First m0 : 8|4@1+ (0.5,0) [0|7] "bar" A\n SG_ Second m1 : 8|4@1+ (1,0) [0|15] "" A\n'
        'VAL_ 291 First 2 "open" ;\n'
    )
    live = Live(databases={"*": [load_database(path)]})
    live.engine.look_at(NAME)
    live.give(message(data=b"\x00\x02"))
    signals = {each.name: each for each in live.end().detail.signals}
    assert (signals["First"].raw, signals["First"].value, signals["First"].unit) == (2, "1 (open)", "bar")
    assert "multiplexer" in signals["Second"].why_not
    live = Live(databases={"*": [load_database(path)]})
    live.engine.look_at(NAME)
    live.give(message(data=b"\x00"))
    assert "short" in {each.name: each for each in live.end().detail.signals}["First"].why_not


def test_channels_are_plotted_and_reset():
    engine, _ = replayed()
    engine.plot(["oil_pressure", "damper_fl"])
    snapshot = engine.settle()
    assert [each.series.name for each in snapshot.plotted] == ["oil_pressure", "damper_fl"]
    assert {each.name for each in snapshot.channels} == set(snapshot.car.channels)
    engine.reset_extremes()
    assert all(each.samples == 0 for each in engine.settle().channels)


def test_a_plot_of_the_whole_capture_is_that_of_a_session_up_to_the_moment_shown():
    engine, _ = replayed()
    engine.plot(["oil_pressure", "brake_bias"], whole=100)
    whole = engine.settle()
    session = Session(SimulatedCapture(5.0), demo_car())
    for each in whole.plotted:
        same_one = session[each.series.name]
        rows = np.searchsorted(same_one.time_ns, each.series.time_ns)
        assert 50 < len(each.series) < 0.6 * len(same_one), "thinned, which the recent samples are not"
        assert np.array_equal(each.series.value, same_one.value[rows], equal_nan=True)
        assert np.nanmax(each.series.value) == np.nanmax(same_one.value)
    engine.seek(whole.source.first_ns + 2 * S)
    then = engine.settle().plotted[0].series.time_ns
    assert whole.source.first_ns + S < then[-1] <= whole.source.first_ns + 2 * S


def test_a_long_plot_is_thinned_and_loses_no_spike():
    value = np.zeros(100_003)
    value[50_001], value[70_000], value[-1], value[10] = 9.0, -5.0, 3.0, np.nan
    series = Series("wave", "V", np.arange(100_003) * 1_000_000, value)
    thin = thinned(series, 1_000)
    assert len(thin) <= 1_300
    assert (thin.value.max(), thin.value.min(), thin.value[-1]) == (9.0, -5.0, 3.0)
    assert np.all(np.diff(thin.time_ns) > 0)
    assert thinned(series, 200_000) is series


def test_without_car_and_database_there_are_ids_and_no_channels():
    engine, _ = replayed(car=False)
    snapshot = engine.settle()
    assert snapshot.health.ids
    assert snapshot.channels == ()
    assert not snapshot.database
    assert snapshot.car is None


# What fails stays where it is ---------------------------------------------------------------------------------------


class BrokenError(Exception):
    """What no part of the program raises."""


def broken(*arguments, **options):
    raise BrokenError("broken on purpose")


@pytest.mark.parametrize(
    ("part", "method"),
    [
        ("HealthTracker", "update"),
        ("HealthTracker", "bits_of"),
        ("HealthTracker", "result"),
        ("RecentTracker", "update"),
        ("RecentTracker", "result"),
        ("Follower", "update"),
        ("Follower", "result"),
        ("LatestFrames", "add"),
        ("LatestFrames", "of"),
        ("Follower", "plotted"),
    ],
)
def test_a_fault_in_one_part_costs_neither_the_recording_nor_the_others(tmp_path, monkeypatch, caplog, part, method):
    live = Live(car=demo_car())
    live.engine.look_at(NAME)
    live.engine.plot(["oil_pressure"])
    live.engine.start_recording(tmp_path / "run.log")
    live.give(*counted(20))
    monkeypatch.setattr(getattr(folds_module, part), method, broken)
    for first in range(20, 60, 10):
        live.give(*counted(10, first))
        live.engine.look_at(NAME)  # has a snapshot made at once
        live.engine._compose(exact=True)
    snapshot = live.end()
    assert sum(map(len, open_capture(tmp_path / "run.log"))) == 60
    told = [each for each in snapshot.notices if each.level == "trouble"]
    assert 1 <= len(told) <= MOST_FAULTS
    assert all("broken on purpose" in each.text for each in told)
    assert any(record.exc_info for record in caplog.records)
    if part != "HealthTracker":
        assert snapshot.health.capture.frames == 60
    if part != "RecentTracker":
        assert sum(one.frames for one in snapshot.recent.ids.values()) == 60
    assert snapshot.recording.frames == 60


def test_a_part_that_failed_once_begins_anew():
    live = Live()
    live.give(*counted(5))
    update = HealthTracker.update
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(HealthTracker, "update", broken)
        live.give(*counted(1))
    assert HealthTracker.update is update
    live.give(*counted(7))
    snapshot = live.end()
    assert snapshot.health.capture.frames == 7
    assert "was restarted" in snapshot.notices[-1].text


def test_a_fault_in_the_findings_costs_only_them(monkeypatch):
    monkeypatch.setattr("buswright.worker.composing.judging.sightings", broken)
    live = Live()
    live.give(*counted(5))
    snapshot = live.end()
    assert snapshot.health.capture.frames == 5
    assert "findings" in snapshot.notices[-1].text


def test_a_command_that_fails_is_told():
    live = Live()
    live.engine.start_recording(None)
    live.give(*counted(1))
    assert live.end().notices[-1].level == "trouble"


# Live ---------------------------------------------------------------------------------------------------------------


def test_what_is_shown_live_is_what_its_recording_gives(tmp_path):
    """Over python-can's virtual bus, in this process."""
    sender = can.Bus(interface="virtual", channel="watched")
    capture = open_live(["live:virtual/watched"])
    engine = Engine(capture, header=header_of(capture, program="test", car=None, accepted=False))
    path = tmp_path / "run.log"
    engine.start_recording(path)
    engine.advance()
    for at in range(300):
        sender.send(message(0x100 + at % 5, bytes([at % 256, 1, 2])))
        if at % 50 == 0:
            engine.advance()
    until(lambda: engine.advance() or engine._folds.frames == 300)
    capture.stop()
    live = engine.settle()
    sender.shutdown()
    recorded = Engine(open_capture(path), clock=Clock(), pace=Clock())
    whole = recorded.settle()
    assert live.health.capture.frames == 300
    for bus in ("watched",):
        assert live.health.buses[bus].bits == whole.health.buses[bus].bits
    same(dict(live.health.ids), dict(whole.health.ids))
    same(live.health.gap_groups, whole.health.gap_groups)
    ends = {name: (one.frames, one.last_ns, one.payload) for name, one in live.recent.ids.items()}
    assert ends == {name: (one.frames, one.last_ns, one.payload) for name, one in whole.recent.ids.items()}


def test_a_recording_begins_and_ends_when_asked_with_its_markers(tmp_path):
    live = Live(header={"program": "test"})
    live.give(*counted(10))
    live.engine.mark("before it", 1_770_000_000 * S)
    live.engine.start_recording(tmp_path / "run.log")
    live.give(*counted(20))
    live.engine.mark("wiggled plug C12", 1_770_000_001 * S)
    live.engine.mark("", 1_770_000_002 * S)
    live.give(*counted(5))
    live.until(lambda: live.engine.latest().recording_on)
    assert live.engine.latest().recording.markers == 2
    live.engine.stop_recording()
    live.give(*counted(5))
    snapshot = live.end()
    assert not snapshot.recording_on
    assert (snapshot.recording.frames, snapshot.recording.why) == (25, "stopped")
    assert [each.text for each in snapshot.source.events if each.kind == "marker"] == [
        "before it",
        "wiggled plug C12",
        "marker 3",
    ]
    back = open_capture(tmp_path / "run.log")
    assert sum(map(len, back)) == 25
    assert [each.text for each in back.events if each.kind == "marker"] == ["wiggled plug C12", "marker 3"]


def test_closing_ends_the_recording_with_what_has_come_and_says_why(tmp_path):
    live = Live()
    live.engine.start_recording(tmp_path / "run.log")
    live.give(*counted(10))
    live.bus.give(*counted(7))
    until(live.bus._items.empty)
    live.engine.end_because("the terminal was closed")
    live.engine.close()
    back = open_capture(tmp_path / "run.log")
    assert sum(map(len, back)) == 17
    assert "the terminal was closed" in (tmp_path / "run.log.events.jsonl").read_text()


@pytest.mark.parametrize("name", ["there.log", "run.txt", "no/folder/run.log"])
def test_what_hinders_a_recording_is_a_notice(tmp_path, name):
    (tmp_path / "there.log").write_text("kept")
    live = Live()
    live.engine.start_recording(tmp_path / name)
    live.give(*counted(3))
    snapshot = live.end()
    assert snapshot.recording is None
    assert snapshot.notices[-1].level == "trouble"
    assert (tmp_path / "there.log").read_text() == "kept"


def test_a_full_disk_ends_the_recording_and_the_buses_are_watched_on(tmp_path, monkeypatch):
    live = Live()
    live.engine.start_recording(tmp_path / "run.log")
    live.give(*counted(10))

    def full(file):
        raise record._fault(file.path, OSError(errno.ENOSPC, "No space left on device"), "can't be written any further")

    monkeypatch.setattr(record.SyncedFile, "_write_out", full)
    live.give(*counted(10))
    snapshot = live.end()
    assert not snapshot.recording_on
    assert "No space left" in snapshot.recording.why
    assert snapshot.health.capture.frames == 20
    assert any("recording had to end" in each.text and "make room" in each.text for each in snapshot.notices)


def test_any_fault_of_the_recorder_ends_only_the_recording(tmp_path, monkeypatch):
    live = Live()
    live.engine.start_recording(tmp_path / "run.log")
    live.give(*counted(10))
    monkeypatch.setattr(record.Recorder, "write", broken)
    live.give(*counted(10))
    snapshot = live.end()
    assert "broken on purpose" in snapshot.recording.why
    assert snapshot.health.capture.frames == 20


def test_a_bus_that_is_lost_and_back_is_shown(tmp_path):
    lost, back = FakeBus(message(data=b"\x01")), FakeBus(message(data=b"\x02"))
    lost.give(unplugged())
    live = Live(lost, gone(), back)
    live.until(lambda: live.engine._folds.frames == 2)
    snapshot = live.end()
    assert [each.kind for each in snapshot.source.events].count("gap") == 1
    reception = snapshot.source.receptions[0]
    assert (reception.bus, reception.listening, reception.connected) == ("can0", "not needed", False)
    assert snapshot.source.phase == "ended"


def test_a_lost_bus_is_not_connected():
    lost = FakeBus(message(data=b"\x01"), unplugged())
    live = Live(lost, gone())
    live.until(lambda: live.engine._folds.frames == 1 and not live.capture.connected["can0"])
    live.engine._compose(exact=True)
    assert live.engine.latest().source.receptions[0].connected is False
    assert live.engine.latest().source.phase == "listening"
    live.end()


def test_ages_go_on_while_nothing_comes():
    wall, pace = Clock(1_770_000_000 * S), Clock()
    live = Live(clocks={"clock": wall, "pace": pace})
    live.give(message())
    live.until(lambda: NAME in live.engine.latest().recent.ids or pace.move(0.3))
    before = live.engine.latest()
    wall.move(5.0)
    pace.move(0.5)
    live.engine.advance()
    assert live.engine.latest().number == before.number
    pace.move(0.6)
    live.engine.advance()
    after = live.engine.latest()
    assert after.number == before.number + 1
    assert after.recent.ids[NAME].age_s(after.source.now_ns) > before.recent.ids[NAME].age_s(before.source.now_ns) + 4
    live.end()


def test_nothing_grows_old_while_it_is_measured(monkeypatch):
    clock = Clock(1_700_000_000 * S)
    live = Live(clocks={"clock": clock, "pace": clock})
    live.give(*counted(20))
    measure = live.engine._composer.measure

    def slow(*, exact):
        measure(exact=exact)
        clock.move(0.7)

    monkeypatch.setattr(live.engine._composer, "measure", slow)
    clock.move(2.0)
    before = clock()
    live.engine.advance()
    assert clock() > before
    assert live.engine.latest().source.now_ns == live.engine.latest().recent.now_ns == before
    live.end()


def test_a_capture_has_nothing_to_record(tmp_path):
    engine, _ = replayed()
    engine.settle()
    engine.start_recording(tmp_path / "run.log")
    assert "only live buses can be recorded" in engine.settle().notices[-1].text
    engine.mark("x", 0)  # the simulated capture has no file beside which a marker could stand
    assert "no marker: this is no capture file" in engine.settle().notices[-1].text
    assert list(tmp_path.iterdir()) == []


# Wiggle test --------------------------------------------------------------------------------------------------------


def test_a_wiggle_test_runs_over_a_replay_and_its_result_stays_when_it_goes_back():
    engine, _ = replayed()
    first = engine.settle().source.first_ns
    engine.seek(first + S)
    engine.settle()
    engine.start_wiggle(["damper_fl"])
    engine.step(seconds=1.0)
    quiet = engine.settle().wiggle
    assert quiet.running
    assert quiet.quiet_s == pytest.approx(1.0, abs=0.05)
    engine.move_to("plug C12")
    engine.step(seconds=2.0)
    moved = engine.settle().wiggle
    assert moved.place == "plug C12"
    assert moved.places[0].seconds == pytest.approx(2.0, abs=0.05)
    engine.step(seconds=-2.0)
    snapshot = engine.settle()
    assert snapshot.wiggle == replace(moved, running=False, advice=snapshot.wiggle.advice)
    assert snapshot.notices[-1].text.endswith("ended because the capture went back; f saves its result")
    told = len(snapshot.notices)
    engine.step(seconds=1.0)
    engine.step(seconds=-0.5)
    again = engine.settle()
    assert again.wiggle == snapshot.wiggle
    assert len(again.notices) == told
    engine.start_wiggle(["damper_fl"])  # nothing is measured before it goes back
    engine.step(seconds=-0.5)
    empty = engine.settle()
    assert empty.wiggle is None
    assert empty.notices[-1].text.endswith("ended because the capture went back")


def test_a_wiggle_test_of_no_channel_is_a_notice():
    engine, _ = replayed()
    engine.settle()
    engine.start_wiggle(["no_such_channel"])
    snapshot = engine.settle()
    assert snapshot.wiggle is None
    assert "no_such_channel" in snapshot.notices[-1].text


def test_the_room_on_a_bus_is_worked_out_beside_the_work():
    engine, _ = replayed()
    engine.settle()
    engine.work_out_room("chassis", "2 frames of 8 bytes every 10 ms")
    room = engine.settle().room
    assert (room.bus, room.why_not) == ("chassis", "")
    assert len(room.found.new) == 2
    assert room.found.now.streams


def test_one_module_is_looked_at_from_the_start_or_later_and_the_whole_car_again():
    engine, _ = replayed(module="damper_node")
    shown = engine.settle()
    assert {each.module for each in shown.verdicts.senders} == {"damper_node"}
    assert {each.name for each in shown.inputs} == {each.name for each in shown.verdicts.inputs} != set()
    assert "damper_fl_speed" in {each.name for each in shown.channels}
    assert "engine_speed" not in {each.name for each in shown.channels}
    engine.look_only_at("wheel_node")
    assert {each.module for each in engine.settle().verdicts.senders} == {"wheel_node"}
    engine.look_only_at(None)
    whole = engine.settle()
    assert {"damper_node", "wheel_node"} < {each.module for each in whole.verdicts.senders} <= {None, *whole.modules}
    assert whole.inputs == ()
