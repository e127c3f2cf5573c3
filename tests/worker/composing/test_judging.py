"""Channels of live buses, judged again and again: the same findings as of the recording, in bounded memory."""

import contextlib
import io
import itertools
import json

import can
import numpy as np
import pytest

from buswright.cli.main import main
from buswright.frames.live.capture import open_live
from buswright.frames.recording.run import header_of
from buswright.frames.table import Flag, concatenate
from buswright.health.track import HealthTracker
from buswright.report.plain import plain
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.composing.folds import Known
from buswright.worker.composing.judging import LiveJudge
from buswright.worker.engine import Engine
from buswright.worker.notices import MOST_FAULTS, Notices

from ...frames.live_fakes import SAFE, FakeAdapter, FakeBus, until
from ..replayed import Clock, S, car_of

FAULTS = (
    Fault("open-circuit", "channel:oil_pressure", onset_s=2.5),
    Fault("module-reset", "module:damper_node", onset_s=6.0),
)


class Driven:
    """An engine that listens to the simulated car on two buses that do what they are told."""

    def __init__(self, seconds, faults=()):
        self.buses = {"can0": FakeBus(), "can1": FakeBus()}
        adapter = FakeAdapter(**{name: [bus] for name, bus in self.buses.items()})
        addresses = ["live:fake/can0", "live:fake/can1"]
        self.capture = open_live(addresses, opener=adapter, proving=lambda address: SAFE)
        self.clock = Clock()
        header = header_of(self.capture, program="test", car=None, accepted=False)
        self.engine = Engine(self.capture, Known(demo_car()), header=header, clock=self.clock, pace=self.clock)
        self.frames = list(SimulatedCapture(seconds, faults=faults))

        self.given = 0

    def drive(self, until_s=1e6):
        """Have the car's frames received up to a second of the run, and taken in."""
        every = concatenate(self.frames)
        stop = int(np.searchsorted(every.time_ns, every.time_ns[0] + round(until_s * S)))
        for row in range(self.given, stop):
            self.buses[every.buses[every.bus[row]]].give(
                can.Message(
                    timestamp=int(every.time_ns[row]) / 1e9,
                    arbitration_id=int(every.id[row]),
                    data=every.payload_of(row),
                    is_extended_id=bool(every.flags[row] & Flag.EXTENDED),
                )
            )
        self.given = stop
        self.until(lambda: self.engine._folds.frames >= self.given)

    def until(self, condition):
        def advanced():
            self.clock.move(0.05)
            self.engine.advance()
            return condition()

        until(advanced)

    def end(self):
        """Close the buses; return the last snapshot."""
        self.capture.stop()
        return self.engine.settle()


def found(snapshot):
    return {(each.fault, each.subject) for each in snapshot.findings}


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    """Drive for ten seconds; give the snapshot from within, the last one, and what `diagnose` says of the recording."""
    folder = tmp_path_factory.mktemp("live")
    one = Driven(10.0, FAULTS)
    path = folder / "live.log"
    one.engine.record_from_the_start(path)
    one.drive(5.9)
    one.until(lambda: ("open-circuit", "channel:oil_pressure") in found(one.engine.latest()))
    within = one.engine.latest()
    one.drive()
    last = one.end()
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        main(["diagnose", str(path), "--car", str(car_of(folder)), "--json", "--fail-on", "never"])
    return within, last, json.loads(out.getvalue())


def test_channels_are_judged_while_they_come(driven):
    within, last, _ = driven
    assert within.judged.count == 91
    assert within.source.phase == "listening"
    assert within.judged.span.end_ns <= within.health.capture.last_ns < last.judged.span.end_ns
    assert ("open-circuit", "channel:oil_pressure") in found(within)


def test_what_is_found_live_is_what_diagnose_finds_in_the_recording(driven):
    _, last, recorded = driven
    assert {each["fault"] for each in recorded["findings"]} == {"open-circuit", "module-reset"}
    assert plain(last.findings) == recorded["findings"]


def test_a_restart_looks_up_the_supply(driven):
    restart = next(each for each in driven[1].findings if each.fault == "module-reset")
    assert any("node_supply" in each and " V in the 0.2 s before" in each for each in restart.evidence)
    assert "Look at node_supply" not in restart.next_check


def test_a_fault_in_a_detector_is_told_a_few_times_and_costs_no_other_finding(monkeypatch):
    def broken(session):
        raise RuntimeError("a detector is wrong")

    monkeypatch.setattr("buswright.worker.composing.judging.measure_channels", broken)
    clock, notices = Clock(), Notices()
    judge = LiveJudge(Known(demo_car()), notices, clock)
    tracker = HealthTracker(car=demo_car())
    for frames in SimulatedCapture(8.0, faults=FAULTS[1:]):
        for piece in frames.pieces(1_000):
            judge.update(piece)
            tracker.update(piece)
            clock.move(60.0)
            judge.look(tracker.result())
            judge.beside.finish()
    assert [each.level for each in notices.latest()] == ["trouble"] * MOST_FAULTS
    assert judge.judged is None
    assert [each.fault for each in judge.findings(tracker.result(), None)] == ["module-reset"]


def test_each_moment_is_judged_twice_however_long_that_takes(monkeypatch):
    """Of a computer that needs an hour for it, minutes of the run would never be looked at."""
    clock, notices = Clock(), Notices()
    judge = LiveJudge(Known(demo_car()), notices, clock)
    frames = concatenate(list(SimulatedCapture(40.0)))
    judge.update(frames)
    tracker = HealthTracker(car=demo_car())
    tracker.update(frames)
    health = tracker.result()
    took = itertools.count(0, 3600 * S)
    monkeypatch.setattr("buswright.worker.composing.judging.time.thread_time_ns", lambda: next(took))
    assert judge._due
    judge.finish(health)
    assert judge.judged.count == 91
    assert not judge._due
    clock.move(20.1)
    assert judge._due
