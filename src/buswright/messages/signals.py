"""A whole capture's signals in memory, by name: the notebook's door to raw signals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fnmatch import fnmatchcase
from functools import cached_property

import numpy as np

from buswright.frames.table import Frames
from buswright.messages.columns import Bools, Int64s, SignalTable, UInt8s, physical, unknown_signal
from buswright.messages.decode import Counts, Decoder
from buswright.messages.match import Databases, Group
from buswright.messages.model import Message, Signal
from buswright.messages.plan import Numbers, SignalPlan
from buswright.messages.selection import SignalSelection

BATCH_ROWS = 1 << 19
"""Rows decoded at a time: their columns still fit the processor's cache."""


class _Times:
    """The time stamps of one message, shared by its signals."""

    def __init__(self, group: Group) -> None:
        self.group = group
        self.parts: list[Int64s] = []

    @cached_property
    def joined(self) -> Int64s:
        return _join(self.parts)


class StoredSignal:
    """One signal over a whole capture; columns are joined and scaled when asked for, then kept.

    Attributes
    ----------
    name
        `bus/message/signal`.
    signal, message, bus
        From the database; `bus` by name.
    """

    def __init__(self, name: str, plan: SignalPlan, times: _Times) -> None:
        assert times.group.message is not None
        self.name = name
        self.signal: Signal = plan.signal
        self.message: Message = times.group.message
        self.bus = times.group.bus
        self._plan = plan
        self._times = times
        self._raw: list[Numbers] = []
        self._reasons: list[UInt8s | None] = []

    def __len__(self) -> int:
        return sum(len(part) for part in self._raw)

    @property
    def unit(self) -> str:
        """Unit of `value`."""
        return self.signal.unit

    @property
    def labels(self) -> Mapping[int, str]:
        """Value table: raw value to text; empty if the signal has none."""
        return self.signal.choices

    @property
    def time_ns(self) -> Int64s:
        """Time stamps; int64[n], the same array for all signals of a message."""
        return self._times.joined

    @cached_property
    def raw(self) -> Numbers:
        """Raw values, [n] of the smallest type that holds them; 0 where not valid."""
        return _join(self._raw)

    @cached_property
    def reasons(self) -> UInt8s | None:
        """Bits of `Reason` for every sample, uint8[n]; None if all are valid."""
        if all(part is None for part in self._reasons):
            return None
        return np.concatenate(
            [
                np.zeros(len(raw), dtype=np.uint8) if part is None else part
                for raw, part in zip(self._raw, self._reasons, strict=True)
            ]
        )

    @cached_property
    def valid(self) -> Bools | None:
        """Mask of the samples that have a value, bool[n]; None if all have one."""
        return None if self.reasons is None else self.reasons == 0

    @cached_property
    def value(self) -> Numbers:
        """Physical values, [n]; NaN (integer columns: 0) where not valid."""
        return physical(self._plan, self.raw, self.valid)

    def _add(self, raw: Numbers, reasons: UInt8s | None) -> None:
        self._raw.append(raw)
        self._reasons.append(reasons)


def _join(parts: list[Numbers]) -> Numbers:
    """Concatenate once, and let go of the parts."""
    if len(parts) != 1:
        lengths = [len(part) for part in parts]
        joined = np.concatenate(parts)
        # The pieces become views, so that their lengths stay known and their memory doesn't.
        parts[:] = np.split(joined, np.cumsum(lengths)[:-1])
        return joined
    return parts[0]


class SignalStore(Mapping[str, StoredSignal]):
    """Signals by `bus/message/signal`, in the order they first appear.

    Attributes
    ----------
    counts
        What became of every frame.
    unused_patterns
        Selection patterns that fitted no signal.
    """

    def __init__(self, signals: dict[str, StoredSignal], counts: Counts, unused_patterns: tuple[str, ...]) -> None:
        self._signals = signals
        self.counts = counts
        self.unused_patterns = unused_patterns

    def __getitem__(self, name: str) -> StoredSignal:
        try:
            return self._signals[name]
        except KeyError:
            raise KeyError(str(unknown_signal(name, self._signals))) from None

    def __iter__(self) -> Iterator[str]:
        return iter(self._signals)

    def __len__(self) -> int:
        return len(self._signals)

    def matching(self, pattern: str) -> tuple[StoredSignal, ...]:
        """Return the signals whose name fits a pattern with the wildcards * ? [..]."""
        return tuple(signal for name, signal in self._signals.items() if fnmatchcase(name, pattern))


def read_signals(
    capture: Iterable[Frames],
    databases: Databases,
    *,
    select: SignalSelection | Iterable[str] | None = None,
    bus_names: Mapping[str, str] | None = None,
) -> SignalStore:
    """Decode a whole capture into memory.

    Parameters
    ----------
    capture
        Batches of frames, e.g. what `open_capture` returns.
    databases, bus_names
        As for `Decoder`.
    select
        Patterns `bus/message/signal` of the signals wanted; default all.

    Examples
    --------
    >>> store = read_signals(open_capture("run3.log"), open_database("chassis.dbc"))  # doctest: +SKIP
    >>> store["can1/DAMPERS_A/AIN1"].value  # doctest: +SKIP
    """
    if select is not None and not isinstance(select, SignalSelection):
        select = SignalSelection.parse([select] if isinstance(select, str) else select)
    decoder = Decoder(databases, select=select, bus_names=bus_names)
    times: dict[str, _Times] = {}
    signals: dict[str, StoredSignal] = {}
    for frames in capture:
        for start in range(0, len(frames), BATCH_ROWS):
            part = frames if len(frames) <= BATCH_ROWS else frames.slice(start, min(len(frames), start + BATCH_ROWS))
            for table in decoder.decode(part):
                _collect(table, times, signals)
    return SignalStore(signals, decoder.counts, decoder.unused_patterns())


def _collect(table: SignalTable, times: dict[str, _Times], signals: dict[str, StoredSignal]) -> None:
    """Keep the raw columns of a table; the payloads behind it are let go."""
    shared = times.get(table.name)
    if shared is None:
        shared = times[table.name] = _Times(table.group)
    shared.parts.append(table.time_ns)
    for column in table:
        name = f"{table.name}/{column.name}"
        stored = signals.get(name)
        if stored is None:
            stored = signals[name] = StoredSignal(name, column.plan, shared)
        stored._add(column.raw, column.reasons)
