"""Frames come when they are due: by a clock that stands still while something is computed, however busy the machine."""

import selectors
import socket
import threading
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.frames.table import Flag
from buswright.simulate.live import pacing
from buswright.simulate.live.pacing import LATE_S, SLICE_S, Player
from buswright.simulate.live.prepared import PreparedRun
from tests.simulate.live.test_datagrams import frames_of

SECOND = 1_000_000_000


class Clock:
    """Seconds that pass where somebody waits, and nowhere else."""

    def __init__(self):
        self.now = 1000.0
        self.waits = 0

    def monotonic(self):
        return self.now

    def sleep(self, seconds):
        self.now += seconds


@pytest.fixture
def clock(monkeypatch):
    made = Clock()

    class Waiting(selectors.SelectSelector):
        def select(self, timeout=None):
            ready = super().select(0)
            made.waits += 1
            if not ready:
                made.sleep(timeout)
            return ready

    monkeypatch.setattr(pacing, "time", made)
    monkeypatch.setattr(pacing, "selectors", SimpleNamespace(SelectSelector=Waiting, EVENT_READ=selectors.EVENT_READ))
    return made


class Noting:
    """An outlet that notes when each frame came; `slow_s` is what it takes over each slice."""

    source = ""
    waiting = False

    def __init__(self, clock, slow_s=0.0, then=lambda: None):
        self.stamps, self.came = [], []
        self._clock, self._slow_s, self._then = clock, slow_s, then

    def fileno(self):
        return -1

    def serve(self):
        return False

    def put(self, frames, start, stop):
        self._clock.sleep(self._slow_s)
        self.stamps += frames.time_ns[start:stop].tolist()
        self.came += [self._clock.monotonic()] * (stop - start)
        self._then()

    def close(self):
        pass

    def late_s(self, speed):
        """Delay of each frame against the quickest one, in our seconds."""
        delay = np.array(self.came) - np.array(self.stamps) / 1e9 / speed
        return delay - delay.min()


def steady(seconds, hertz):
    return [
        frames_of([(n * SECOND // hertz, n % 0x800, Flag(0), 1, b"x") for n in range(start, start + hertz)])
        for start in range(0, round(seconds * hertz), hertz)
    ]


def player(batches, outlet, **options):
    return Player(PreparedRun(batches, 1, 0), [[outlet]], **options)


@pytest.mark.parametrize("speed", [1.0, 5.0])
def test_frames_come_when_they_are_due(clock, speed):
    outlet = Noting(clock)
    played = player(steady(1 * speed, 200), outlet, speed=speed).run()
    assert outlet.stamps == [frame for batch in steady(1 * speed, 200) for frame in batch.time_ns.tolist()]
    assert played.frames == (len(outlet.stamps),)
    assert played.elapsed_s == pytest.approx(1.0, abs=SLICE_S)
    assert played.seconds == pytest.approx(played.elapsed_s * speed)
    assert outlet.late_s(speed).max() <= 1.01 * SLICE_S
    assert (played.late, played.latest_s) == (0, pytest.approx(0.0, abs=1.01 * SLICE_S))


def test_it_sleeps_from_one_slice_to_the_next(clock):
    player(steady(2.0, 1000), Noting(clock)).run()
    assert clock.waits <= 2.0 / SLICE_S + 10


def test_what_is_too_slow_says_so(clock):
    outlet = Noting(clock, slow_s=0.2)
    played = player(steady(1.0, 50), outlet).run()
    assert len(outlet.stamps) == 50
    assert played.late > 0
    assert LATE_S < played.latest_s < 2 * 0.2
    assert player(steady(1.0, 50), Noting(clock, slow_s=0.4 * LATE_S)).run().late == 0
    assert player(steady(1.0, 50), Noting(clock, slow_s=1.2 * LATE_S)).run().late > 0


class Bell:
    """Something attended: what is done when it rings."""

    def __init__(self, action, *, stay=True):
        self._here, self._there = socket.socketpair()
        self._action, self._stay = action, stay

    def fileno(self):
        return self._here.fileno()

    def ring(self):
        self._there.send(b"!")

    def serve(self):
        self._here.recv(10)
        self._action()
        return self._stay

    def close(self):
        self._here.close()
        self._there.close()


def test_it_ends_when_told_to(clock):
    bells = []
    outlet = Noting(clock, then=lambda: len(outlet.stamps) == 20 and bells[0].ring())
    going = player(steady(60, 50), outlet, attended=bells)
    bells.append(bell := Bell(going.end))
    played = going.run()
    bell.close()
    assert played.elapsed_s == pytest.approx(19 / 50, abs=0.05)
    assert played.frames == (len(outlet.stamps),) == (20,)
    assert "the run ahead" not in {thread.name for thread in threading.enumerate()}


def test_what_wants_no_more_attention_gets_none(clock):
    rung = []
    bell = Bell(lambda: rung.append(1), stay=False)
    bell.ring()
    bell.ring()
    player(steady(1, 50), Noting(clock, then=bell.ring), attended=[bell]).run()
    bell.close()
    assert rung == [1]


def test_a_fault_while_playing_leaves_no_thread(clock):
    outlet = Noting(clock)
    outlet.put = lambda frames, start, stop: 1 / 0
    with pytest.raises(ZeroDivisionError):
        player(steady(5, 50), outlet).run()
    assert "the run ahead" not in {thread.name for thread in threading.enumerate()}
