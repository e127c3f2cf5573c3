"""A session: a capture decoded with a car file (or databases alone), its channels by name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from graphlib import CycleError, TopologicalSorter

import numpy as np

from buswright.channels.carfile.model import CarFile, Channel
from buswright.channels.carfile.needs import databases_of, interface_names, signals_needed
from buswright.channels.expectation import NOTHING, Expectation, Expectations
from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.parse import Formula
from buswright.channels.limits import Exceedance, exceedances
from buswright.channels.measuring.measured import Measured, measure_channel
from buswright.channels.measuring.recorded import Recorded, RecordedMessage, RecordedSignal
from buswright.channels.samples.resample import Resampled, resample_each
from buswright.channels.samples.series import Int64s, Series
from buswright.channels.spool import Spool
from buswright.errors import UserError
from buswright.frames.captures.capture import Capture
from buswright.frames.table import Frames
from buswright.messages.decoding.decode import Counts, Decoder
from buswright.messages.decoding.selection import SignalSelection
from buswright.messages.match import Databases
from buswright.wording import did_you_mean

PAUSE_S = 10
"""A silence of all messages longer than this has no grid points."""


class Session(Mapping[str, Series]):
    """Channels of a capture by name, computed when asked for, then kept.

    The capture is read once, when the first channel is asked for; raw values are kept, a few bytes a sample.

    Parameters
    ----------
    frames
        Batches, e.g. a capture.
    car
        The car file, or None.
    databases
        By bus name, for what the car file has none for; see `messages.match`.
    bus_names
        Interface to bus name, over the car file's.
    only
        Without a car file, the signals wanted; with one, names of the channels wanted.
    spool
        Where raw values and channels are kept; None: in memory. With it a capture of any length can be worked on in
        the memory that its longest channel needs.
    """

    def __init__(
        self,
        frames: Iterable[Frames],
        car: CarFile | None,
        *,
        databases: Databases | None = None,
        bus_names: Mapping[str, str] | None = None,
        only: Sequence[str] | None = None,
        spool: Spool | None = None,
    ) -> None:
        self.frames = frames
        self.car = car
        self._databases = databases_of(car, databases or {})
        self.bus_names = {**interface_names(car), **(bus_names or {})}
        self._only = only
        self._spool = spool
        self._expectations = Expectations(car)
        self._recorded: Recorded | None = None
        self._made: dict[str, Measured] = {}

    @property
    def capture(self) -> Capture | None:
        """The capture, where the session was opened on one."""
        return self.frames if isinstance(self.frames, Capture) else None

    @property
    def counts(self) -> Counts:
        """What became of every frame."""
        return self.recorded.decoder.counts

    @property
    def recorded(self) -> Recorded:
        """The capture's messages; reading it is what takes time."""
        if self._recorded is None:
            recorded = self.new_recorded()
            for frames in self.frames:
                recorded.add(frames)
            recorded.move(whole=True)
            self._recorded = recorded
        return self._recorded

    @property
    def is_read(self) -> bool:
        """Whether the capture was read."""
        return self._recorded is not None

    def new_recorded(self) -> Recorded:
        """Return an empty record with this session's databases, names and selection."""
        select = None
        if self.car is not None:
            select = SignalSelection.parse(signals_needed(self.car, self._only))
        elif self._only is not None:
            select = SignalSelection.parse(self._only)
        decoder = Decoder(self._databases, select=select, bus_names=self.bus_names)
        return Recorded(decoder, self.car.entries if self.car else None, self._spool)

    def part(self, frames: Iterable[Frames]) -> Session:
        """Return a session of the same car, or the same databases, over other frames."""
        part = Session(frames, self.car, databases=self._databases, bus_names=self.bus_names, only=self._only)
        part._expectations = self._expectations
        return part

    # Channels by name ---------------------------------------------------------------------------------------------

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the channels: the car file's, in its order; without one the signals that occur."""
        if self.car is not None:
            return tuple(self.car.channels) if self._only is None else tuple(self._only)
        return tuple(
            f"{name}/{signal}" for name, message in self.recorded.messages.items() for signal in message.signals
        )

    def __iter__(self) -> Iterator[str]:
        return iter(self.names)

    def __len__(self) -> int:
        return len(self.names)

    def __contains__(self, name: object) -> bool:
        return name in (self.car.channels if self.car is not None else self.names)

    def __getitem__(self, name: str) -> Series:
        return self.measured(name).series

    def measured(self, name: str) -> Measured:
        """Return a channel's series with the rows of its message that it has samples in.

        Raises
        ------
        KeyError
            There is no channel of that name; the text names the closest.
        """
        if name not in self._made:
            for each in self._in_order(name):
                if each not in self._made:
                    made = self._make(each)
                    made = replace(made, series=replace(made.series, first_ns=self.first_ns))
                    if self._spool is not None:
                        made = replace(made, series=self._spool.keep_series(made.series))
                    self._made[each] = made
        return self._made[name]

    def _in_order(self, name: str) -> Iterable[str]:
        """Name the channels that one is made of, each after those it is made of itself, and it last.

        Found without recursion: a long chain of formulas mustn't end at the depth that calls may have.
        """
        if self.car is None:
            return (name,)
        needed: dict[str, list[str]] = {}
        waiting = [name]
        while waiting:
            each = waiting.pop()
            if each not in needed and each not in self._made and each in self.car.channels:
                needed[each] = self.car.sources_of(each)
                waiting += needed[each]
        try:
            return [*TopologicalSorter(needed).static_order()] or [name]
        except CycleError as fault:  # the car file check refuses circles; references may still close one
            circle = " -> ".join(reversed(fault.args[1]))
            hint = "break the circle in the car file"
            raise UserError(f"channels depend on each other: {circle}", hint=hint) from None

    def home(self, name: str) -> str | None:
        """Return the `bus/message` that a channel comes from; None for computed ones and those that never occur."""
        found = self._find(name)
        return None if found is None else f"{found[0].group.bus}/{found[0].group.name}"

    def _make(self, name: str) -> Measured:
        channel = Channel(name) if self.car is None else self.car.channels.get(name)
        if channel is not None and channel.formula is not None:
            inputs = {each: self[each] for each in channel.formula.inputs}
            return Measured(self._evaluate(channel, channel.formula, inputs), None)
        found = None if channel is None else self._find(name)
        if channel is None or (found is None and self.car is None):
            raise KeyError(_unknown(name, self.names if self.car is None else tuple(self.car.channels)))
        if found is None:
            return Measured(Series(name, channel.unit, np.zeros(0, dtype=np.int64), np.zeros(0)), None)
        sensor = self.car.sensors.get(channel.sensor) if self.car is not None and channel.sensor else None
        expected = self.expected(name)
        return measure_channel(
            channel,
            sensor,
            *found,
            segments=self.recorded.segment_count,
            period_s=None if expected.due_ns is None else expected.due_ns / 1e9,
            on_change=bool(expected.change_driven.value),
            lookup=self.__getitem__,
        )

    def _evaluate(self, channel: Channel, formula: Formula, inputs: Mapping[str, Series]) -> Series:
        return evaluate(formula, inputs, name=channel.name, unit=channel.unit, rate_hz=channel.expected_hz)

    def _find(self, name: str) -> tuple[RecordedMessage, RecordedSignal] | None:
        if self.car is None:
            message_name, _, signal_name = name.rpartition("/")
        else:
            channel = self.car.channels[name]
            if channel.signal is None:
                return None
            message_name, signal_name = f"{channel.signal.bus}/{channel.signal.message}", channel.signal.signal
        message = self.recorded.of_signal(message_name)
        signal = message.signals.get(signal_name) if message is not None else None
        return None if message is None or signal is None else (message, signal)

    def sources_of(self, name: str) -> tuple[str, ...]:
        """Return the J1939 messages of several source addresses that a channel fits: it is of the first alone."""
        signal = self.car.channels[name].signal if self.car is not None and name in self.car.channels else None
        several = [] if signal is None else self.recorded.of_any_source(f"{signal.bus}/{signal.message}")
        found = sorted(several, key=lambda each: each.arrival) if len(several) > 1 else []
        return tuple(each.group.name for each in found)

    def expected(self, name: str) -> Expectation:
        """Return how a channel's samples should come, as car file and database say; nothing before they came."""
        known = self._expectations.of_channel
        if name not in known:
            found = self._find(name)
            if found is None:
                return NOTHING
            message, signal = found
            rate = self.car.channels[name].expected_hz if self.car is not None else None
            known[name] = self._expectations.of_signal(message.group, signal.signal, rate)
        return known[name]

    # Over all channels --------------------------------------------------------------------------------------------

    def exceedances(self, name: str | None = None) -> tuple[Exceedance, ...]:
        """Find where channels were beyond their cautions and warnings, by time.

        Parameters
        ----------
        name
            One channel; None: all.
        """
        if self.car is None:
            return ()
        found: list[Exceedance] = []
        for channel in self.car.channels.values() if name is None else (self.car.channels[name],):
            for level, limits in channel.limits:
                if not len(self[channel.name]):
                    continue
                gate = None
                if limits.when is not None:
                    gate = evaluate(limits.when, {each: self[each] for each in limits.when.inputs})
                found += exceedances(self[channel.name], limits, level, gate=gate)
        return tuple(sorted(found, key=lambda each: each.start_ns))

    def span_ns(self) -> tuple[int, int] | None:
        """First and last time of any message; None if there is none."""
        times = [message.time_ns() for message in self.recorded.messages.values()]
        times = [each for each in times if len(each)]
        if not times:
            return None
        return min(int(each.min()) for each in times), max(int(each.max()) for each in times)

    def grid_ns(self, rate_hz: float) -> Int64s:
        """Return times of a common grid over the whole capture; int64[k].

        Points are counted from the capture's first frame, whatever was selected, so that tables of one capture can be
        joined; where every message is silent for more than `PAUSE_S` (the night between two runs) there are none.

        `rate_hz`: above 0.

        Raises
        ------
        UserError
            The rate is impossible, or frames have no time stamps, so that there is no common time base.
        """
        if not rate_hz > 0:
            raise UserError(f"a rate of {rate_hz:g} Hz is impossible", hint="give a positive number, e.g. 100")
        if self.recorded.untimed:
            raise UserError(
                "the capture has frames without time stamps, so there is no common time base",
                hint="record with stamps (candump -L), or decode at native rates, without --rate",
            )
        span = self.span_ns()
        if span is None:
            return np.zeros(0, dtype=np.int64)
        parts = [_points(self.first_ns, start, stop, rate_hz) for start, stop in self._awake(*span)]
        return np.unique(np.concatenate(parts))

    @property
    def first_ns(self) -> int:
        """Time of the capture's first frame, from which seconds count; 0 if there is none."""
        return self.recorded.first_ns or 0

    def _awake(self, first_ns: int, last_ns: int) -> list[tuple[int, int]]:
        """Stretches of time without a long silence of all messages."""
        second = 1_000_000_000
        seconds = np.unique(
            np.concatenate([np.unique(message.time_ns() // second) for message in self.recorded.messages.values()])
        )
        breaks = np.flatnonzero(np.diff(seconds) > PAUSE_S)
        starts = seconds[np.concatenate(([0], breaks + 1))] * second
        stops = (seconds[np.concatenate((breaks, [len(seconds) - 1]))] + 1) * second
        return [(max(int(start), first_ns), min(int(stop), last_ns)) for start, stop in zip(starts, stops, strict=True)]

    def resampled(self, rate_hz: float, names: Iterable[str] | None = None) -> tuple[Int64s, dict[str, Resampled]]:
        """Bring channels to one time grid: low-passed before their rate is lowered, no value across gaps.

        Parameters
        ----------
        names
            Default: all channels.

        Returns
        -------
        time int64[k], and value and quality by name.
        """
        points = self.grid_ns(rate_hz)
        columns: dict[str, Resampled] = {}
        wanted = list(self.names if names is None else names)
        for name, (value, quality) in zip(wanted, resample_each(map(self.__getitem__, wanted), points), strict=True):
            if self._spool is not None:
                value, quality = self._spool.keep(value), None if quality is None else self._spool.keep(quality)
            columns[name] = Resampled(value, quality)
        return points, columns


def _points(first_ns: int, start_ns: int, stop_ns: int, rate_hz: float) -> Int64s:
    """Points of the grid that is counted from `first_ns`, start and stop included; int64[k]."""
    step = 1e9 / rate_hz
    low, high = np.ceil((start_ns - first_ns) / step - 1e-6), np.floor((stop_ns - first_ns) / step + 1e-6)
    since: Int64s = np.rint(np.arange(low, high + 1) * step).astype(np.int64)
    return since + first_ns


def _unknown(name: str, known: Sequence[str]) -> str:
    near = did_you_mean(name, known, cutoff=0.4, shown=repr)
    return f"no channel {name!r}" + (f"; {near}" if near else "")
