"""Plotted channels as a plot is given them: of the invented car, and made up sample by sample."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from buswright.channels.following.model import Plotted
from buswright.channels.samples.series import Quality, Series
from buswright.channels.session import Session
from buswright.frames.table import concatenate
from buswright.simulate.source import SimulatedCapture, demo_car

from .made import FAULTS, SECONDS, FakeWorker, snapshot_of

NAMES = ("damper_fl", "damper_fr", "oil_pressure", "engine_speed", "gear", "wheel_speed_fl")
T0 = 1_700_000_000_000_000_000


@lru_cache(maxsize=1)
def _session():
    car = demo_car()
    return Session([concatenate(list(SimulatedCapture(SECONDS, faults=FAULTS)))], car), car


def limits_of(channel):
    found = []
    for level in ("caution", "warning"):
        limits = getattr(channel, level)
        for side in ("low", "high"):
            value = getattr(limits, side) if limits else None
            if value is not None:
                found.append((level, side, value))
    return tuple(found)


def plotted_of(*names):
    """The channels' samples in the capture that `snapshot_of` reads."""
    session, car = _session()
    return tuple(Plotted(session[name], limits_of(car.channels[name])) for name in names)


def plotted_snapshot(*names, **changes):
    return replace(snapshot_of(), plotted=plotted_of(*names), **changes)


def series_of(value, *, period_s=0.01, name="made", unit="mm", bad=(), **columns):
    """A series at a fixed period; rows in `bad` stand at an electrical end."""
    value = np.asarray(value, dtype=np.float64)
    time_ns = T0 + np.arange(len(value), dtype=np.int64) * round(period_s * 1e9)
    quality = None
    if len(bad):
        quality = np.zeros(len(value), dtype=np.uint16)
        quality[list(bad)] = Quality.ELECTRICAL_RAIL
    columns = {"time_ns": time_ns, "quality": quality, **columns}
    return Series(name, unit, columns.pop("time_ns"), value, period_s=period_s, **columns)


class PlottingWorker(FakeWorker):
    """Answers a wish for a plot, as the true one does: with the next snapshot."""

    def plot(self, names, **whole):
        self.asked.append(("plot", tuple(names), *whole.values()))
        self.give(plotted=plotted_of(*names))


def many(channels=6, samples=60_000, name="channel_{}"):
    """Long channels: sines with noise and a few bad samples."""
    rng = np.random.default_rng(5)
    made = []
    for number in range(channels):
        value = np.sin(np.arange(samples) / (300 + 100 * number)) * 30 + rng.normal(0, 1, samples)
        made.append(
            Plotted(
                series_of(
                    value,
                    period_s=0.001,
                    name=name.format(number),
                    bad=range(samples // 2, samples // 2 + 50),
                    raw=np.arange(samples, dtype=np.int32),
                    volts=value / 100 + 2.5,
                ),
                (("warning", "low", -28.0), ("caution", "high", 25.0)),
            )
        )
    return tuple(made)
