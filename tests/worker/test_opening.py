"""Asking a worker that is still being made."""

import threading

import pytest

from buswright.errors import UserError
from buswright.worker.opening import OpeningEngine


class Recorded:
    """Notes what it is asked."""

    def __init__(self):
        self.asked, self.closed = [], False

    def start(self, deliver):
        self.asked.append("start")
        deliver()

    def take(self):
        return "a snapshot"

    def seek(self, time_ns, **more):
        self.asked.append((time_ns, more))

    def close(self):
        self.closed = True


def made(opens=None):
    """The engine, one that stands for it, and what lets it be made."""
    engine, may = Recorded(), threading.Event()

    def wait():
        assert may.wait(10)
        return engine if opens is None else opens()

    return engine, OpeningEngine(wait), may


def test_what_is_asked_meanwhile_is_asked_in_order_as_soon_as_it_is_there():
    engine, opening, may = made()
    told = threading.Event()
    opening.start(told.set)
    opening.seek(1)
    opening.seek(2, viewer=None)
    assert opening.take() is None
    assert not engine.asked
    may.set()
    assert told.wait(10)
    opening.seek(3)
    assert engine.asked == [(1, {}), (2, {"viewer": None}), "start", (3, {})]
    assert opening.take() == "a snapshot"
    opening.close()
    assert engine.closed


def test_one_that_is_closed_before_it_is_there_is_closed_then_and_never_started():
    engine, opening, may = made()
    opening.start()
    threading.Timer(0.05, may.set).start()
    opening.close()
    assert engine.closed
    assert not engine.asked


def test_why_it_could_not_be_made_is_kept_for_who_asks():
    def fails():
        raise UserError("no such file")

    _, opening, may = made(fails)
    told = threading.Event()
    opening.failed = told.set
    opening.start()
    may.set()
    assert told.wait(10)
    with pytest.raises(UserError, match="no such file"):
        raise opening.fault
    opening.close()
