"""Runs with faults beside the clean run of the same seed."""

from dataclasses import dataclass
from functools import cache

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.samples.series import Series
from buswright.channels.session import Session
from buswright.frames.table import Event, Flag, Frames, concatenate
from buswright.frames.wire.bits import wire_bits
from buswright.simulate.car import networks as car
from buswright.simulate.faults.catalogue import Fault, GroundTruth
from buswright.simulate.run import START_EPOCH_NS, simulate_run
from buswright.simulate.source import demo_car
from buswright.simulate.wire.bus import RESOLUTION_NS

SECONDS = 34.0
"""Longer than a block, so that every fault crosses from one to the next."""

MESSAGES = {message.id: message for message in car.messages()}


@dataclass(frozen=True)
class Seen:
    frames: Frames
    truths: tuple[GroundTruth, ...]
    events: tuple[Event, ...]

    @property
    def truth(self) -> GroundTruth:
        (truth,) = self.truths
        return truth

    def of(self, identifier: int) -> Frames:
        """Data frames of one identifier."""
        return self.frames.take((self.frames.id == identifier) & ~self.frames.has(Flag.ERROR))

    def bus(self, number: int) -> Frames:
        return self.frames.take(self.frames.bus == number)

    def errors(self) -> Frames:
        return self.frames.take(self.frames.has(Flag.ERROR))


def seen(*faults: Fault, seconds: float = SECONDS, **options) -> Seen:
    run = simulate_run(seconds, faults=faults, **options)
    frames = concatenate(list(run))
    return Seen(frames, run.ground_truth, tuple(run.events))


@cache
def clean() -> Seen:
    return seen()


def at(frames: Frames) -> np.ndarray:
    """Seconds from key-on."""
    return (frames.time_ns - START_EPOCH_NS) / 1e9


def seconds_of(time_ns: int) -> float:
    return (time_ns - START_EPOCH_NS) / 1e9


def same(one: Frames, other: Frames, *, times: bool = True) -> bool:
    """Whether two batches hold the same frames, with `times` at the same moments."""
    names = ("bus", "id", "flags", "dlc", "length", "payload") + (("time_ns",) if times else ())
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def others_as_before(run: Seen, *touched: int, most_s: float = 0.002) -> bool:
    """Whether every identifier but these comes with the same payloads, and hardly at another time."""
    before = clean()
    for identifier in set(MESSAGES) - set(touched):
        old, new = before.of(identifier), run.of(identifier)
        if not same(old, new, times=False) or np.abs(at(old) - at(new)).max() > most_s:
            return False
    return True


def possible(run: Seen, *, buses: tuple[int, ...] = (0, 1)) -> bool:
    """Whether no two frames were on a wire at once, and time never went back."""
    for number in buses:
        bus = car.buses()[number]
        frames = run.bus(number)
        spacing = np.diff(frames.time_ns) - wire_bits(frames).time_ns(bus.bitrate)[1:]
        if len(spacing) and spacing.min() <= -RESOLUTION_NS:
            return False
    return True


def load(run: Seen, number: int, start_s: float, stop_s: float) -> float:
    """Mean load of a bus in a stretch."""
    frames = run.bus(number)
    frames = frames.take((at(frames) >= start_s) & (at(frames) < stop_s))
    return float(wire_bits(frames).time_ns(car.buses()[number].bitrate).sum() / 1e9 / (stop_s - start_s))


@cache
def wrenfell() -> CarFile:
    return demo_car()


Measured = dict[str, Series]


def measured(run: Seen, car: CarFile | None = None) -> Measured:
    """Every channel that is not computed, decoded with the shipped databases and calibrated with the car file."""
    car = car or wrenfell()
    session = Session([run.frames], car)
    return {name: session[name] for name, channel in car.channels.items() if not channel.formula}


@cache
def clean_measured() -> Measured:
    return measured(clean())


def changed(run: Measured, before: Measured) -> set[str]:
    """Channels whose raw values are not those of the other run."""
    different = set()
    for name, series in run.items():
        old, new = before[name].raw, series.raw
        assert old is not None
        assert new is not None
        common = min(len(old), len(new))
        cut_off = max(len(old), len(new)) - common  # the end of the run may fall before or after a frame
        if cut_off > 1 or not np.array_equal(old[:common], new[:common]):
            different.add(name)
    return different


@dataclass(frozen=True)
class Compared:
    """One channel of a faulty run beside the clean one, sample by sample."""

    s: np.ndarray
    volts: np.ndarray
    value: np.ndarray
    old_volts: np.ndarray
    old_value: np.ndarray
    raw: np.ndarray

    def take(self, rows: np.ndarray) -> "Compared":
        return Compared(*(getattr(self, name)[rows] for name in Compared.__dataclass_fields__))

    def between(self, start_s: float, end_s: float) -> "Compared":
        return self.take((self.s >= start_s) & (self.s < end_s))


def compared(name: str, run: Measured, before: Measured | None = None) -> Compared:
    """A channel and what it was; volts are NaN where the database's scaling is final."""
    new, old = run[name], (before or clean_measured())[name]
    n = min(len(new.value), len(old.value))
    none = np.full(n, np.nan)
    volts, old_volts = (none if one.volts is None else one.volts[:n] for one in (new, old))
    assert new.raw is not None
    s = (new.time_ns[:n] - START_EPOCH_NS) / 1e9
    return Compared(s, volts, new.value[:n], old_volts, old.value[:n], new.raw[:n])
