"""Frames come when they are due."""

import socket
import threading
import time

import numpy as np
import pytest

from buswright.frames.table import Flag
from buswright.simulate.live.pacing import LATE_S, SLICE_S, Player
from buswright.simulate.live.prepared import Ahead

from .test_datagrams import frames_of

SECOND = 1_000_000_000


class Noting:
    """An outlet that notes when each frame came."""

    source = ""
    waiting = False

    def __init__(self, slow_s=0.0):
        self.stamps, self.came = [], []
        self._slow_s = slow_s

    def fileno(self):
        return -1

    def serve(self):
        return False

    def put(self, frames, start, stop):
        time.sleep(self._slow_s)
        self.stamps += frames.time_ns[start:stop].tolist()
        self.came += [time.monotonic()] * (stop - start)

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
    return Player(Ahead(batches, 1, 0), [[outlet]], **options)


@pytest.mark.parametrize("speed", [1.0, 5.0])
def test_frames_come_when_they_are_due(speed):
    outlet = Noting()
    played = player(steady(1 * speed, 200), outlet, speed=speed).run()
    assert outlet.stamps == [frame for batch in steady(1 * speed, 200) for frame in batch.time_ns.tolist()]
    assert played.frames == (len(outlet.stamps),)
    assert played.elapsed_s == pytest.approx(1.0, abs=0.3)
    assert played.seconds == pytest.approx(played.elapsed_s * speed, rel=0.01)
    # "A few milliseconds on average", with room for a machine that does other things too.
    assert np.median(outlet.late_s(speed)) < 3 * SLICE_S


def test_what_is_too_slow_says_so():
    outlet = Noting(slow_s=0.2)
    played = player(steady(1.0, 50), outlet).run()
    assert len(outlet.stamps) == 50
    assert played.late > 0
    assert played.latest_s > LATE_S
    swift = player(steady(1.0, 50), Noting()).run()
    assert swift.latest_s < played.latest_s


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


def test_it_ends_when_told_to():
    bells = []
    going = player(steady(60, 50), outlet := Noting(), attended=bells)
    bells.append(bell := Bell(going.end))
    threading.Timer(0.4, bell.ring).start()
    played = going.run()
    bell.close()
    assert 0.2 < played.elapsed_s < 2.0
    assert played.frames == (len(outlet.stamps),)
    assert "the run ahead" not in {thread.name for thread in threading.enumerate()}


def test_what_wants_no_more_attention_gets_none():
    rung = []
    bell = Bell(lambda: rung.append(1), stay=False)
    bell.ring()
    bell.ring()
    threading.Timer(0.2, bell.ring).start()
    player(steady(1, 50), Noting(), attended=[bell]).run()
    bell.close()
    assert rung == [1]


def test_a_fault_while_playing_leaves_no_thread():
    outlet = Noting()
    outlet.put = lambda frames, start, stop: 1 / 0
    with pytest.raises(ZeroDivisionError):
        player(steady(5, 50), outlet).run()
    assert "the run ahead" not in {thread.name for thread in threading.enumerate()}
