"""The channels judged beside the work: of a whole capture once, of live buses again and again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from tempfile import gettempdir
from typing import TypeVar

import numpy as np

from buswright.channels.following.follow import Follower
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.channels.spool import Spool
from buswright.diagnosis.case import SECOND, Sighting, Window
from buswright.diagnosis.detect import BUS_DETECTORS, CHANNEL_DETECTORS, case_of, sightings
from buswright.diagnosis.mute import mute
from buswright.diagnosis.now.lasting import Lasting, lasting
from buswright.diagnosis.scope import Scope
from buswright.diagnosis.sensors.conditions import with_conditions_of
from buswright.diagnosis.trust import judged_of
from buswright.findings import Finding
from buswright.frames.table import Frames, Int64s
from buswright.health.channels.evidence import Channels, measure_channels
from buswright.health.model.health import BusHealth
from buswright.worker.composing.folds import Known
from buswright.worker.composing.kept import KeptFrames, Supplies
from buswright.worker.notices import MOST_FAULTS, Beside, Notices
from buswright.worker.snapshot import JudgedChannels

JUDGED_S, JUDGED_SHARE = 10.0, 10
"""Channels of a live bus are judged every ten seconds at most, with a tenth of a core's time at most."""
SEEN_TWICE = 2
"""But so often that each moment is judged so many times while its frames are kept, however busy the computer is."""
LEAST_S = 5
"""So much must have come before they are judged first."""
_NO_TIMES: Int64s = np.zeros(0, dtype=np.int64)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Judged:
    """What a judgement of the kept minutes left: the channels without their samples, and what was found.

    What was found of buses is measured again all the time, but for the conditions under which it came. `counts`: how
    many channels there are, and how many were judged.
    """

    channels: Channels
    found: tuple[Lasting, ...]
    span: Window
    of_buses: tuple[Sighting, ...]
    counts: tuple[int, int]


def channels_of(frames: Iterable[Frames], known: Known) -> Channels:
    """Measure the channels of a capture, which is read for it."""
    with Spool(Path(gettempdir())) as spool:
        return measure_channels(_session(frames, known, spool))


def _session(frames: Iterable[Frames], known: Known, spool: Spool) -> Session:
    return Session(frames, known.car, databases=known.databases, bus_names=known.bus_names, spool=spool)


class LiveJudge:
    """Judges the kept minutes of live buses in a thread of its own, which rests as long as it works.

    Parameters
    ----------
    known
        Car file, databases, a good run.
    notices
        Told where it fails.
    clock
        Nanoseconds that only rise.
    """

    def __init__(self, known: Known, notices: Notices, clock: Callable[[], int]) -> None:
        self._known = known
        self._kept = KeptFrames()
        self._clock = clock
        self._next_ns: int | None = None
        self.beside = Beside("the channels can't be judged", notices)
        self._judged: _Judged | None = None
        self._supplies = Supplies()
        self._hurry = threading.Event()
        self._tried = 0

    def update(self, frames: Frames) -> None:
        """Keep a batch."""
        if self._known.any_message:
            self._kept.add(frames)

    @property
    def judged(self) -> JudgedChannels | None:
        """How many channels were judged, and over which time; None before that."""
        one = self._judged
        return None if one is None else JudgedChannels(*one.counts, one.span)

    def kept(self) -> tuple[Frames, ...]:
        """Return the minutes that are kept."""
        return self._kept.pieces()

    def findings(self, health: BusHealth, follower: Follower | None, scope: Scope | None = None) -> tuple[Finding, ...]:
        """Say what is wrong: of the buses now, of the channels as they were judged last.

        Parameters
        ----------
        health
            From the first frame to now.
        follower
            Whose supply voltages show whether a module that restarts has lost its feed; None: it failed.
        scope
            The module that is looked at; None: the whole car is.
        """
        known, one = self._known, self._judged
        channels = None
        if one is not None:
            supplies = self._supplies.so_far(one.channels, follower)
            channels = replace(one.channels, by_name={**one.channels, **supplies})
        case = case_of(health, car=known.car, baseline=known.baseline, channels=channels)
        found = sightings(case if scope is None else scope.of_case(case), BUS_DETECTORS)
        if one is not None:
            found = (*with_conditions_of(found, one.of_buses), *(each.sighting for each in one.found))
        return mute(found) if scope is None else scope.of_findings(mute(found), health)

    def look(self, health: BusHealth) -> None:
        """Begin a judgement where it is time for one."""
        span = self._kept.span
        early = span is None or span.end_ns - span.start_ns < LEAST_S * SECOND
        if not early and not self.beside.busy and self._tried != self._kept.count and self._due:
            self.beside.begin(self._task(health))

    @property
    def _due(self) -> bool:
        return self.beside.faults < MOST_FAULTS and (self._next_ns is None or self._clock() >= self._next_ns)

    def finish(self, health: BusHealth) -> None:
        """Judge what has come to its end; waits for it."""
        self._hurry.set()
        self.beside.finish()
        if self._kept.count and self._tried != self._kept.count:
            self.beside.do(self._task(health))

    def _task(self, health: BusHealth) -> Callable[[], None]:
        """Return what judges the frames that are kept now."""
        span = self._kept.span
        assert span is not None
        self._tried = self._kept.count
        return partial(self._judge, health, self._kept.pieces(), span)

    def _judge(self, health: BusHealth, frames: tuple[Frames, ...], span: Window) -> None:
        known, begun_ns, before_ns = self._known, self._clock(), time.thread_time_ns()
        try:
            with Spool(Path(gettempdir())) as spool:
                session = _session(self._gently(frames), known, spool)
                for name in self._gently(session.names):
                    session.measured(name)
                channels = measure_channels(session)
                case = case_of(health, car=known.car, baseline=known.baseline, channels=channels)
                found = sightings(case, self._gently(CHANNEL_DETECTORS))
                before = self._judged.found if self._judged is not None else ()
                of_buses = sightings(case, BUS_DETECTORS)
                counts = judged_of(case, mute((*of_buses, *found)))
                lasts = lasting(case, before, found, span)
                self._judged = _Judged(_without_samples(channels), lasts, span, of_buses, counts)
        finally:
            # Its own time, not that of the clock: others take theirs meanwhile, and it rests.
            took_ns = JUDGED_SHARE * (time.thread_time_ns() - before_ns)
            most_ns = (span.end_ns - span.start_ns) // SEEN_TWICE
            self._next_ns = begun_ns + max(round(JUDGED_S * SECOND), min(took_ns, most_ns))

    def _gently(self, things: Iterable[T]) -> Iterator[T]:
        """Rest after each as long as it took: frames must be taken from the buses, and keys answered."""
        for each in things:
            begun = time.thread_time()
            yield each
            if not self._hurry.is_set():
                time.sleep(time.thread_time() - begun)


def _without_samples(channels: Channels) -> Channels:
    """Return what the channels are, without what they showed, so that it takes no memory."""
    nothing = {name: Series(name, each.series.unit, _NO_TIMES, np.zeros(0)) for name, each in channels.items()}
    bare = {name: each.with_series(nothing[name]) for name, each in channels.items()}
    return Channels(bare, channels.absent, car=channels.car)
