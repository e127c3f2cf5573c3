"""Screens in other processes: what they are given, and what they may ask for."""

import threading
import time
from multiprocessing import AuthenticationError
from multiprocessing.connection import Client, Listener

import pytest

from buswright.channels.carfile.model import FrameName
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.across import CONTROLS, LOOKS, READ_ONLY, RemoteEngine, packed, serve_viewer
from buswright.worker.composing.folds import Known
from buswright.worker.engine import Engine

SECRET = b"of this test"
RPM, TACHO = FrameName("engine", 0xA0, False), FrameName("chassis", 0x110, False)


def until(condition, seconds=20.0):
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "it never came"
        time.sleep(0.01)


def refused(door):
    with pytest.raises(AuthenticationError):
        door.accept()


def closely_of(viewer):
    latest = viewer.latest()
    return None if latest is None or latest.detail is None else latest.detail.name


class Served:
    """A worker with its thread, and viewers of it in this process."""

    def __init__(self, *, control=False):
        self.engine = Engine(SimulatedCapture(0.5), Known(demo_car()))
        self.control = control
        self.door = Listener(authkey=SECRET)
        self.refused, self.ended = [], []
        self.engine.start()
        until(lambda: self.engine.latest() is not None)

    def viewer(self):
        got = threading.Thread(target=self._let_in, daemon=True)
        got.start()
        viewer = RemoteEngine(
            self.door.address, SECRET, control=self.control, ended=lambda: self.ended.append(1),
            refused=self.refused.append,
        )  # fmt: skip
        viewer.start(viewer.take)
        return viewer

    def _let_in(self):
        serve_viewer(self.engine, self.door.accept(), control=self.control)

    def __enter__(self):
        return self

    def __exit__(self, *fault):
        self.engine.close()
        self.door.close()


def test_a_viewer_sees_what_the_screens_of_the_worker_see():
    with Served() as served:
        viewer = served.viewer()
        until(lambda: viewer.latest() is not None)
        here, there = served.engine.latest(), viewer.latest()
        assert there.health.buses.keys() == here.health.buses.keys()
        assert [each.name for each in there.channels] == [each.name for each in here.channels]
        assert packed(there.verdicts) == packed(here.verdicts)
        assert there.findings == here.findings


def test_each_viewer_has_an_identifier_of_its_own_in_view():
    with Served() as served:
        one, two = served.viewer(), served.viewer()
        one.look_at(RPM)
        two.look_at(TACHO)
        until(lambda: one.latest() is not None and one.latest().detail is not None and one.latest().detail.name == RPM)
        until(
            lambda: two.latest() is not None and two.latest().detail is not None and two.latest().detail.name == TACHO
        )
        assert served.engine.latest().detail is None


def test_a_viewer_that_only_looks_changes_nothing(monkeypatch):
    asked = []
    for name in CONTROLS:
        monkeypatch.setattr(Engine, name, lambda self, *given, name=name, **more: asked.append(name))
    with Served() as served:
        viewer = served.viewer()
        for name in CONTROLS:
            getattr(viewer, name)()
        assert served.refused == [READ_ONLY] * len(CONTROLS)
        for name in CONTROLS:  # a viewer's process that asks all the same
            viewer._send(name)
        viewer.look_at(RPM)
        until(lambda: viewer.latest() is not None and viewer.latest().detail is not None)
        assert asked == []


def test_with_control_a_viewer_works_the_replay():
    with Served(control=True) as served:
        viewer = served.viewer()
        first = served.engine.latest().source.first_ns
        viewer.seek(first + 200_000_000)
        until(lambda: viewer.latest() is not None and viewer.latest().source.now_ns == first + 200_000_000)


def test_what_no_screen_asks_for_cannot_be_asked():
    with Served() as served, pytest.raises(AttributeError):
        _ = served.viewer().settle
    assert all(callable(getattr(Engine, name)) for name in LOOKS | CONTROLS)


def test_nobody_gets_in_without_the_secret():
    with Served() as served:
        threading.Thread(target=lambda: refused(served.door), daemon=True).start()
        with pytest.raises(AuthenticationError):
            Client(served.door.address, authkey=b"guessed")


def test_a_viewer_that_goes_costs_no_more_and_one_left_behind_is_told():
    with Served() as served:
        viewer, other = served.viewer(), served.viewer()
        until(lambda: len(served.engine._viewers) == 3)
        viewer.close()
        until(lambda: len(served.engine._viewers) == 2)
        other._connection.send_bytes(b"nonsense that is no message")
        until(lambda: len(served.engine._viewers) == 1)
        until(lambda: served.ended)
