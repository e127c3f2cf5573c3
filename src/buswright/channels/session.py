"""A session: a capture decoded with a car file (or databases alone), its channels by name."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from graphlib import CycleError, TopologicalSorter
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from buswright.channels.carfile.model import CarFile, Channel
from buswright.channels.carfile.needs import databases_of, interface_names, signals_needed
from buswright.channels.expectation import NOTHING, Expectation, Expectations
from buswright.channels.exported import Wide, event_frame, long_frame, long_table, wide_frame, wide_table
from buswright.channels.formula.evaluate import evaluate
from buswright.channels.formula.parse import Formula
from buswright.channels.limits import Exceedance, exceedances
from buswright.channels.measured import Measured, measure_channel
from buswright.channels.recorded import Recorded, RecordedMessage, RecordedSignal
from buswright.channels.samples.indexed import Index
from buswright.channels.samples.resample import Resampled, resample_each
from buswright.channels.samples.series import Int64s, Series
from buswright.channels.spool import Spool
from buswright.channels.units import shown
from buswright.errors import UserError
from buswright.frames.capture import Capture
from buswright.frames.opening import open_capture
from buswright.frames.table import Frames
from buswright.messages.database import load_database
from buswright.messages.decode import Counts, Decoder
from buswright.messages.match import Databases
from buswright.messages.selection import SignalSelection
from buswright.wording import plural

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

PathLike = str | os.PathLike[str]

MARKS = frozenset({"marker", "note"})
"""Kinds of events that a person left in a capture."""

SHOWN_CHANNELS = 200
"""Channels that a notebook shows of a session."""

PAUSE_S = 10
"""A silence of all messages longer than this has no grid points."""


def open_session(
    source: PathLike | Sequence[PathLike] | Capture | Iterable[Frames],
    car: PathLike | CarFile | None = None,
    *,
    dbc: PathLike | Sequence[PathLike] | None = None,
    bus: Mapping[str, str] | None = None,
    timezone: str = "UTC",
    untrusted: bool = False,
) -> Session:
    """Open a capture (or several, joined by time) as channels.

    Parameters
    ----------
    source
        A file, several, a folder, an open capture, or batches of frames.
    car
        The car file: its channels are what the session has.
    dbc
        Without a car file: databases for every bus; channels are then signals, `bus/message/signal`.
    bus
        Interface to bus name, over what the car file says.
    timezone
        See `open_capture`.
    untrusted
        The car file comes from a stranger: nothing outside its folder is read.

    Raises
    ------
    UserError
        Neither car file nor database was given, or one of the files is at fault.

    Examples
    --------
    >>> s = open_session("run3.log", "car.toml")  # doctest: +SKIP
    >>> s["oil_temp"].value  # doctest: +SKIP
    >>> s.to_pandas(rate=100)  # doctest: +SKIP
    """
    if isinstance(source, str | os.PathLike) or (
        isinstance(source, Sequence) and all(isinstance(item, str | os.PathLike) for item in source)
    ):
        several = [source] if isinstance(source, str | os.PathLike) else list(source)
        batches: Iterable[Frames] = open_capture([Path(item) for item in several], timezone=timezone)
    else:
        batches = source  # type: ignore[assignment]
    if car is not None and not isinstance(car, CarFile):
        from buswright.channels.carfile.load import load_car_file  # reads every key: what decodes by databases waits

        car = load_car_file(car, untrusted=untrusted)
    if car is None and dbc is None:
        raise UserError(
            "a session needs a car file or a database", hint="open_session(capture, 'car.toml') or dbc='x.dbc'"
        )
    databases: Databases = {}
    if dbc is not None:
        files = [dbc] if isinstance(dbc, str | os.PathLike) else dbc
        databases = {"*": [load_database(path) for path in files]}
    return Session(batches, car, databases=databases, bus_names=bus)


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

    def matching(self, pattern: str) -> tuple[str, ...]:
        """Names that fit a pattern with the wildcards * ? [..]."""
        return tuple(name for name in self.names if fnmatchcase(name, pattern))

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
        period_s, segments = self._period_s(name), self.recorded.segment_count
        return measure_channel(
            channel,
            sensor,
            *found,
            segments=segments,
            period_s=period_s,
            on_change=bool(self.expected(name).change_driven.value),
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

    def _period_s(self, name: str) -> float | None:
        due = self.expected(name).due_ns
        return None if due is None else due / 1e9

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
            for level, limits in (("caution", channel.caution), ("warning", channel.warning)):
                if limits is None or not len(self[channel.name]):
                    continue
                gate = None
                if limits.when is not None:
                    gate = evaluate(limits.when, {each: self[each] for each in limits.when.inputs})
                found += exceedances(self[channel.name], limits, level, gate=gate)  # type: ignore[arg-type]
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

        Parameters
        ----------
        rate_hz
            Above 0.

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
        rate_hz
            Of the grid; see `grid_ns`.
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
                kept = self._spool.keep(value), None if quality is None else self._spool.keep(quality)
                columns[name] = Resampled(*kept)
            else:
                columns[name] = Resampled(value, quality)
        return points, columns

    # For other libraries --------------------------------------------------------------------------------------------

    def to_pandas(
        self,
        names: str | Iterable[str] | None = None,
        *,
        rate: float | None = None,
        index: Index = "time",
        valid_only: bool = False,
    ) -> pd.DataFrame:
        """Return channels as a data frame; `attrs["units"]` has their units by name.

        Parameters
        ----------
        names
            A name or a pattern with the wildcards * ? [..], or several; None: all channels.
        rate
            Common rate in Hz: a column a channel, NaN where it can't be used. None: one row a sample at native
            rates, by time, with the columns channel, raw, volts, value, unit, quality and valid; raw is a float64,
            exact to 2**53, and NaN where the frame was too short.
        index
            "time": moments in UTC (a capture without a date begins in 1970). "seconds": from the capture's first
            frame.
        valid_only
            Leave out samples that can't be used; with a rate, rows in which any of the channels can't.

        Raises
        ------
        UserError
            pandas isn't installed, a pattern fits no channel, or the rate is impossible.
        KeyError
            There is no channel of that name.
        """
        wanted = self.chosen(names)
        if rate is None:
            return long_frame([self[name] for name in wanted], self.first_ns, index=index, valid_only=valid_only)
        return wide_frame(self._wide(wanted, rate), self.first_ns, index=index, valid_only=valid_only)

    def to_arrow(
        self, names: str | Iterable[str] | None = None, *, rate: float | None = None, valid_only: bool = False
    ) -> pa.Table:
        """Return channels as an Arrow table, which polars and DuckDB read without a copy.

        The columns are those of `to_pandas`, with `time_ns` and `time` before them, and `seconds` with a rate. Values
        that can't be used are null with a rate. Units stand in the metadata, as in the Parquet files of `decode`.

        Parameters
        ----------
        names, rate, valid_only
            As for `to_pandas`.
        """
        wanted = self.chosen(names)
        if rate is None:
            return long_table([self[name] for name in wanted], valid_only=valid_only)
        return wide_table(self._wide(wanted, rate), self.first_ns, valid_only=valid_only)

    def _wide(self, names: Sequence[str], rate_hz: float) -> Wide:
        points, columns = self.resampled(rate_hz, names)
        unit_of = {name: shown(self[name].unit) for name in names}
        return Wide(points, {name: columns[name].value for name in names}, unit_of)

    def chosen(self, names: str | Iterable[str] | None) -> list[str]:
        """Return the channels that names or patterns mean; None means all.

        Raises
        ------
        KeyError
            A name without a wildcard is no channel; the text names the closest.
        UserError
            A pattern fits no channel.
        """
        if names is None:
            return list(self.names)
        found: dict[str, None] = {}
        for word in [names] if isinstance(names, str) else names:
            fitting = (word,) if word in self or not set("*?[") & set(word) else self.matching(word)
            if not fitting:
                raise UserError(f"{word}: fits no channel", hint="list(session) has the names; * stands for any text")
            found |= dict.fromkeys(fitting)
        return list(found)

    def markers(self, *, index: Index = "time") -> pd.DataFrame:
        """Return the markers and notes of the capture as a data frame: kind, bus, number and text, by time.

        Parameters
        ----------
        index
            As for `to_pandas`.
        """
        first_ns = self.first_ns  # reads the capture, and with it its events
        events = self.capture.events if self.capture is not None else ()
        return event_frame([each for each in events if each.kind in MARKS], first_ns, index=index)

    def __repr__(self) -> str:
        where = f" of {', '.join(path.name for path in self.capture.paths)}" if self.capture is not None else ""
        if self.car is not None:
            return f"<Session{where}: {plural(len(self.names), 'channel')} of {self.car.path.name}>"
        known = plural(len(self.names), "signal") if self._recorded is not None else "signals, not read yet"
        return f"<Session{where}: {known}>"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the channels, as far as they are known without reading the capture."""
        shown_names = () if self.car is None and self._recorded is None else self.names[:SHOWN_CHANNELS]
        rows = []
        for name in shown_names:
            channel = self.car.channels[name] if self.car is not None else None
            made_of = "" if channel is None else channel.signal or channel.formula or ""
            unit = shown(channel.unit if channel is not None else self[name].unit)
            rows.append("".join(f"<td>{escape(str(cell))}</td>" for cell in (name, unit, made_of)))
        more = len(self.names) - len(rows) if rows else 0
        table = "".join(f"<tr>{row}</tr>" for row in rows)
        head = "<tr><th>channel</th><th>unit</th><th>made of</th></tr>" if rows else ""
        last = f"<p>and {more} more</p>" if more else ""
        return f"<p>{escape(repr(self))}</p><table>{head}{table}</table>{last}"

    def _ipython_key_completions_(self) -> list[str]:
        """Names to complete session["..."] with; none before a capture without a car file was read."""
        return [] if self.car is None and self._recorded is None else list(self.names)


def _points(first_ns: int, start_ns: int, stop_ns: int, rate_hz: float) -> Int64s:
    """Points of the grid that is counted from `first_ns`, start and stop included; int64[k]."""
    step = 1e9 / rate_hz
    low, high = np.ceil((start_ns - first_ns) / step - 1e-6), np.floor((stop_ns - first_ns) / step + 1e-6)
    since: Int64s = np.rint(np.arange(low, high + 1) * step).astype(np.int64)
    return since + first_ns


def _unknown(name: str, known: Sequence[str]) -> str:
    import difflib

    close = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    return f"no channel {name!r}" + (f"; did you mean {close[0]!r}?" if close else "")
