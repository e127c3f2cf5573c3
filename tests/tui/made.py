"""Snapshots of the invented car at a frozen moment, and a worker that hands them out and notes what it is asked."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from buswright.channels.carfile.model import FrameName
from buswright.channels.following.model import ChannelNow, SilenceLimits, Trace
from buswright.channels.samples.series import describe_quality
from buswright.channels.session import Session
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.now.moment import Reception
from buswright.frames.table import Event, concatenate
from buswright.health.recent import BusNow, IdNow, Recent
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.snapshot import Snapshot, SourceNow

SECONDS = 14.0
FAULTS = (Fault("module-missing", "module:wheel_node", onset_s=6.0),)


@lru_cache(maxsize=4)
def snapshot_of(faulty=True, seconds=SECONDS):
    """A capture read to its end: paused, everything measured."""
    car = demo_car()
    capture = SimulatedCapture(seconds, faults=FAULTS if faulty else ())
    health, frames = measured(capture, car)
    session = Session([frames], car)
    now = health.capture.last_ns
    bus = next(iter(health.buses.values()))
    marker = Event(now - 3_000_000_000, None, "marker", {"number": 1}, "wiggled plug C12")
    return Snapshot(
        number=1,
        source=SourceNow(
            live=False,
            title="wrenfell_run.log",
            phase="ended",
            speed=1.0,
            first_ns=health.capture.first_ns,
            now_ns=now,
            end_ns=now,
            epoch=True,
            read=None,
            receptions=tuple(
                Reception(each.name, each.interfaces[0], True, "", "", None) for each in health.buses.values()
            ),
            events=(*capture.events, marker),
            load_start_ns=bus.slow_windows.start_ns,
            load=bus.slow_windows.load,
            problems={},
        ),
        health=health,
        recent=recent_of(health, frames),
        channels=tuple(channel_now(session, car, name) for name in car.channels),
        findings=diagnose(health, car=car),
        findings_whole=True,
        car=car,
        database=True,
        detail=None,
        plotted=(),
        wiggle=None,
        recording=None,
        recording_on=False,
        notices=(),
    )


def measured(capture, car=None):
    """The health of a whole capture, and its frames."""
    tracker, batches = HealthTracker(car=car), []
    for frames in capture:
        tracker.update(frames)
        batches.append(frames)
    health = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
    return health, concatenate(batches)


def recent_of(health, frames):
    now, ids = health.capture.last_ns, {}
    for name, figures in health.ids.items():
        bus = [at for at, each in enumerate(frames.buses) if each in health.buses[name.bus].interfaces]
        rows = np.flatnonzero((frames.id == name.id) & np.isin(frames.bus, bus))
        ids[name] = IdNow(
            name=name,
            frames=figures.frames,
            first_ns=figures.first_ns,
            last_ns=figures.last_ns,
            rate_hz=float(np.count_nonzero(frames.time_ns[rows] > now - 2_000_000_000) / 2),
            payload=frames.payload_of(int(rows[-1])),
            length=int(frames.length[rows[-1]]),
            fd=False,
        )
    buses = {
        name: BusNow(name, float(each.frames / each.seconds), each.bits / each.seconds, 0.0, each.last_ns)
        for name, each in health.buses.items()
    }
    return Recent(now, buses, ids)


def channel_now(session, car, name):
    channel, series = car.channels[name], session[name]
    count = len(series)
    usable = series.value[series.valid] if count else np.zeros(0)
    volts = None if series.volts is None or not count else float(series.volts[-1])
    quality = int(series.quality[-1]) if series.quality is not None and count else 0
    signal = channel.signal
    return ChannelNow(
        name=name,
        unit=series.unit,
        time_ns=int(series.time_ns[-1]) if count else None,
        value=float(series.value[-1]) if count else float("nan"),
        text="",
        raw=None if series.raw is None or not count else series.raw[-1].item(),
        volts=volts,
        electrical="V" if volts is not None else "",
        quality=quality,
        quality_words=describe_quality(quality),
        computed=True,
        usable=True,
        usable_share=1.0,
        minimum=float(usable.min()) if len(usable) else float("nan"),
        maximum=float(usable.max()) if len(usable) else float("nan"),
        samples=count,
        bad_samples=count - len(usable),
        rate_hz=1.0 / series.step_s() if count > 2 else None,
        expected_hz=channel.expected_hz,
        silent_ns=0 if count else None,
        period_ns=series.step_s() * 1e9 if count > 2 else 0.0,
        silence=SilenceLimits.of(car, None, signal.bus if signal else ""),
        level=None,
        side=None,
        limit=None,
        limit_text=f"warning below {channel.warning.low:g}" if channel.warning and channel.warning.low else "",
        bus=signal.bus if signal else "",
        message=signal.message if signal else "",
        module=(car.module_of(signal.bus, signal.message) or "") if signal else "",
        wiring=channel.wiring,
        formula=channel.formula.text if channel.formula else "",
        trace=trace_of(series),
    )


def trace_of(series):
    if not len(series):
        return Trace(0, *(np.zeros(0, dtype=np.float32),) * 2, np.zeros(0, dtype=np.bool_))
    second = series.time_ns // 1_000_000_000
    bins = np.arange(second[0], second[-1] + 1)
    parts = [series.value[(second == each) & series.valid] for each in bins]
    low = [part.min() if len(part) else np.nan for part in parts]
    high = [part.max() if len(part) else np.nan for part in parts]
    return Trace(int(bins[0]) * 1_000_000_000, np.float32(low), np.float32(high), np.zeros(len(bins), dtype=np.bool_))


class FakeWorker:
    """Hands out snapshots it was given; `asked` notes every call as (name, arguments…)."""

    def __init__(self, snapshot):
        self.snapshot = snapshot
        self.asked = []
        self.closed = False
        self._deliver = lambda: None

    def start(self, deliver):
        self._deliver = deliver
        deliver()

    def give(self, snapshot=None, **changes):
        """Hand out another snapshot, or this one changed."""
        base = snapshot or self.snapshot
        self.snapshot = replace(base, number=base.number + 1, **changes)
        self._deliver()

    def take(self):
        return self.snapshot

    def close(self):
        self.closed = True

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)

        def note(*words, **named):
            self.asked.append((name, *words, *named.values()))

        return note


def some_id(snapshot, text):
    """The identifier written so, e.g. chassis/1A0."""
    return next(name for name in snapshot.health.ids if str(name) == text)


__all__ = ["FakeWorker", "FrameName", "snapshot_of", "some_id"]
