"""The survey of the identifier that is looked at: the same as the command's, in a later snapshot."""

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.frames.latest import LatestFrames
from buswright.health.described import Described
from buswright.health.track import HealthTracker
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.survey.gather import SurveyFold
from buswright.survey.survey import survey
from buswright.worker.composing.folds import Known
from buswright.worker.composing.surveying import SURVEY_S, LiveSurvey
from buswright.worker.engine import Engine
from buswright.worker.notices import Notices

from ...health.traffic import comb

SECONDS = 3.0
PLAIN, KNOWN = FrameName("can1", 0x1A0, False), FrameName("chassis", 0x1A0, False)


def surveyed(engine, name):
    engine.look_at(name)
    engine.settle()
    return engine.settle().detail.survey


@pytest.fixture(scope="module")
def capture():
    return SimulatedCapture(SECONDS)


def test_the_screen_shows_what_the_command_finds(capture):
    shown = surveyed(Engine(capture), PLAIN)
    fold, tracker = SurveyFold({}), HealthTracker()
    for frames in capture:
        fold.update(frames)
        tracker.update(frames)
    found = survey(fold.result(), tracker.result(), Described(None, {}, {}), None)
    theirs = next(each for each in found.ids if each.name == PLAIN)
    assert shown.layout.fields == theirs.layout.fields
    assert (shown.frames, shown.period_ns, shown.sending) == (theirs.frames, theirs.period_ns, theirs.sending)
    assert {"counter", "checksum"} <= {each.kind for each in shown.layout.fields}


def test_what_the_database_explains_is_left_aside(capture):
    found = surveyed(Engine(capture, Known(demo_car())), KNOWN)
    assert found.message is not None
    assert found.layout.fields == ()


def test_it_is_made_anew_when_frames_came_and_it_is_time_and_only_for_what_is_asked():
    now = [0]
    live = LiveSurvey(Described(None, {}, {}), {}, Notices(), lambda: now[0])
    name, held, tracker = FrameName("can0", 0x100, False), LatestFrames(), HealthTracker()
    payload = np.zeros((400, 8), dtype=np.uint8)
    payload[:, 1] = np.arange(400)
    frames = comb(0x100, 10, 4.0, payload=payload)

    def asked(part):
        held.add(part)
        tracker.update(part)
        found = live.of(name, held, ("can0",), tracker.result())
        live.beside.finish()
        return found

    assert asked(frames.slice(0, 100)) is None
    assert asked(frames.slice(100, 200)).frames == 100
    assert asked(frames.slice(200, 300)).frames == 100  # not yet time
    now[0] = round(SURVEY_S * 1e9)
    asked(frames.slice(300, 400))
    assert live.of(name, held, ("can0",), tracker.result()).frames == 400
    now[0] *= 2
    assert live.of(name, held, ("can0",), tracker.result()).frames == 400
    assert live.beside.changes == 2  # nothing came since
    assert live.of(FrameName("can0", 0x101, False), held, ("can0",), tracker.result()) is None
    live.beside.finish()
    assert live.beside.changes == 2


def test_a_fault_in_it_is_told_and_costs_nothing_else(capture, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("buswright.worker.composing.surveying.survey_one", broken)
    engine = Engine(capture)
    assert surveyed(engine, PLAIN) is None
    snapshot = engine.settle()
    assert len(snapshot.detail.time_ns)
    assert "can't be surveyed" in snapshot.notices[-1].text
