"""Plays a run in real time, or faster: each frame is sent when it is due."""

from __future__ import annotations

import selectors
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from buswright.frames.table import Frames
from buswright.simulate.live.prepared import Chunk, PreparedRun

SLICE_S = 0.002
"""Frames are sent this often; each up to so much after its time, half of it on average."""

LATE_S = 0.05
"""From here on, a slice that comes late is counted: the machine is too slow for the speed asked for."""

DRAIN_S = 1.0
"""How long slow readers may take over the last frames."""


class Attended(Protocol):
    """What is looked after while a run plays."""

    def fileno(self) -> int:
        """Return a descriptor that becomes readable when `serve` has something to do; -1 if there is none."""

    def serve(self) -> bool:
        """Do it; return whether to go on attending."""


class Outlet(Attended, Protocol):
    """Where the frames of one bus go."""

    source: str
    """The outlet as a SOURCE that listens to it."""

    @property
    def waiting(self) -> bool:
        """Whether something is still to be handed over, by `serve`."""

    def put(self, frames: Frames, start: int, stop: int) -> None:
        """Send rows start..stop of a batch now; the slices of a batch come in order."""

    def close(self) -> None:
        """Take it away."""


@dataclass(frozen=True, slots=True)
class Played:
    """What was played.

    Attributes
    ----------
    seconds
        Of the car's time.
    elapsed_s
        Of our time.
    late
        Slices that came more than `LATE_S` after their time.
    latest_s
        The most that a frame came after its time.
    """

    frames: tuple[int, ...]
    seconds: float
    elapsed_s: float
    late: int
    latest_s: float


class Player:
    """Plays a run to outlets at the pace of its stamps.

    Parameters
    ----------
    outlets
        For each index of `Frames.bus` the outlets of that bus.
    speed
        2.0 plays twice as fast as it happened.
    attended
        What else is looked after meanwhile.
    """

    def __init__(
        self,
        run: PreparedRun,
        outlets: Sequence[Sequence[Outlet]],
        *,
        speed: float = 1.0,
        attended: Sequence[Attended] = (),
    ) -> None:
        self._run = run
        self._outlets = outlets
        self._speed = speed
        self._attended = attended
        self._frames = [0] * len(outlets)
        self._late = 0
        self._latest_s = 0.0
        self._ended = False
        self._pace: _Pace | None = None

    @property
    def played_s(self) -> float:
        """Seconds of the car's time that were played so far."""
        return self._pace.played_s() if self._pace is not None else 0.0

    def end(self) -> None:
        """Stop playing; what is attended may call it, and a signal handler: it only sets a flag."""
        self._ended = True

    def run(self) -> Played:
        """Play until the run ends, or until told to end; the run can't be played again."""
        with selectors.SelectSelector() as waiting:
            for one in (*self._all(), *self._attended):
                if one.fileno() >= 0:
                    waiting.register(one.fileno(), selectors.EVENT_READ, one)
            self._pace = _Pace(waiting, self._speed)
            try:
                return self._play(self._pace)
            finally:
                self._run.stop()

    def _play(self, pace: _Pace) -> Played:
        for chunk in self._run:
            pace.begin(chunk.start_ns)
            self._play_chunk(chunk, pace)
            if self._ended:
                break
        patience = time.monotonic() + DRAIN_S
        while not self._ended and time.monotonic() < patience and any(outlet.waiting for outlet in self._all()):
            pace.wait()
            for outlet in self._all():
                outlet.serve()
        return Played(tuple(self._frames), pace.played_s(), pace.elapsed_s(), self._late, self._latest_s)

    def _play_chunk(self, chunk: Chunk, pace: _Pace) -> None:
        times = [np.maximum.accumulate(frames.time_ns) for frames in chunk.frames]
        at = [0] * len(times)
        while not self._ended:
            now_ns = pace.now_ns()
            for bus, due in enumerate(times):
                stop = int(np.searchsorted(due, now_ns, side="right"))
                if stop > at[bus]:
                    late_s = pace.since_s(int(due[at[bus]]))
                    self._latest_s = max(self._latest_s, late_s)
                    self._late += late_s > LATE_S
                    for outlet in self._outlets[bus]:
                        outlet.put(chunk.frames[bus], at[bus], stop)
                    self._frames[bus] += stop - at[bus]
                    at[bus] = stop
            if now_ns >= chunk.end_ns:
                return
            pace.wait()

    def _all(self) -> Iterator[Outlet]:
        return (outlet for several in self._outlets for outlet in several)


class _Pace:
    """Our time and the car's."""

    def __init__(self, waiting: selectors.BaseSelector, speed: float) -> None:
        self._waiting = waiting
        self._speed = speed
        self._began: float | None = None
        self._origin_ns = 0
        self._tick = 0

    def begin(self, origin_ns: int) -> None:
        """Let the car's time begin, the first time this is called."""
        if self._began is None:
            self._began = time.monotonic()
            self._origin_ns = origin_ns

    def elapsed_s(self) -> float:
        """Return our time since the beginning."""
        return 0.0 if self._began is None else time.monotonic() - self._began

    def played_s(self) -> float:
        """Return the car's time since the beginning."""
        return self.elapsed_s() * self._speed

    def now_ns(self) -> int:
        """Return the car's time, as stamps have it."""
        return self._origin_ns + int(self.played_s() * 1e9)

    def since_s(self, stamp_ns: int) -> float:
        """Return our seconds since something was due."""
        return (self.now_ns() - stamp_ns) / 1e9 / self._speed

    def wait(self) -> None:
        """Wait for the next slice, on a fixed grid, or until something wants to be served."""
        elapsed = self.elapsed_s()
        self._tick = max(self._tick + 1, int(elapsed / SLICE_S))
        for key, _ in self._waiting.select(max(0.0, self._tick * SLICE_S - elapsed)):
            if not key.data.serve():
                self._waiting.unregister(key.fd)
