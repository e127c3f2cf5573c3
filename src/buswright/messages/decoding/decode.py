"""Batches of frames in, signal columns out: no loop over frames, nothing dropped without being counted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Frames
from buswright.messages.decoding.columns import SignalTable, UInt8s
from buswright.messages.decoding.plan import MessagePlan, SignalPlan, UInt64s, plan_message
from buswright.messages.decoding.selection import SignalSelection
from buswright.messages.match import Databases, Group, Kind, Matcher, by_group
from buswright.messages.model import Message


@dataclass(slots=True)
class Counts:
    """What became of every frame: a decoder's running totals.

    Attributes
    ----------
    frames
        All frames given; the sum of `decoded`, `not_selected`, `errors`, `remotes`, `unmatched`, `unlisted` and
        `transport`.
    decoded, not_selected
        Frames of known messages, wanted or not.
    errors, remotes
        Frames that carry no signals.
    unmatched, transport
        By (bus, identifier as text): frames that no database knows, and parts of J1939 multi-packet transfers.
    unlisted
        Unmatched frames beyond the identifiers that are told apart.
    short, long
        By "bus/message": frames with fewer or more bytes than the message has. Short ones are decoded as far as
        they go; CAN FD padding up to the next possible length is not long.
    undefined_mux
        By "bus/message/multiplexer": frames in which it has a value that the database doesn't know.
    """

    frames: int = 0
    decoded: int = 0
    not_selected: int = 0
    errors: int = 0
    remotes: int = 0
    unlisted: int = 0
    unmatched: dict[tuple[str, str], int] = field(default_factory=dict)
    transport: dict[tuple[str, str], int] = field(default_factory=dict)
    short: dict[str, int] = field(default_factory=dict)
    long: dict[str, int] = field(default_factory=dict)
    undefined_mux: dict[str, int] = field(default_factory=dict)


class DecodedBatch:
    """The signal tables of one batch.

    `batch["bus/message"]` is a table, iterating gives all tables, and the length is their number.

    Attributes
    ----------
    frames
        The batch.
    """

    def __init__(self, frames: Frames, codes: npt.NDArray[np.int32]) -> None:
        self.frames = frames
        self._tables: dict[str, SignalTable] = {}
        self._present, self._ends, self._order = by_group(codes)
        self._lengths: UInt8s = frames.length.take(self._order)
        self._words: UInt64s = np.ascontiguousarray(frames.payload).view("<u8").ravel().take(self._order)

    def _slices(self) -> Iterator[tuple[int, slice]]:
        """Give the place of every group in the sorted frames, as (code, slice)."""
        start = 0
        for code, end in zip(self._present.tolist(), self._ends.tolist(), strict=True):
            yield code, slice(start, end)
            start = end

    def _add(self, place: slice, plan: MessagePlan, group: Group, wanted: dict[str, SignalPlan]) -> SignalTable:
        """Make the table of one group."""
        rows, length, words = self._order[place], self._lengths[place], self._words[place]
        table = SignalTable(self.frames, rows, length, words, plan, group, wanted)
        self._tables[table.name] = table
        return table

    def __getitem__(self, name: str) -> SignalTable:
        return self._tables[name]

    def __contains__(self, name: object) -> bool:
        return name in self._tables

    def __iter__(self) -> Iterator[SignalTable]:
        return iter(self._tables.values())

    def __len__(self) -> int:
        return len(self._tables)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the tables, `bus/message`."""
        return tuple(self._tables)


class Decoder:
    """Decodes batches of one capture (or a live bus), one after the other.

    Parameters
    ----------
    databases
        One for every bus, or by bus name; see `messages.match`.
    select
        Signals wanted; default all.
    bus_names
        Interface names to bus names.

    Attributes
    ----------
    matcher
        Finds the message of every frame.
    counts
        What became of the frames so far.

    Examples
    --------
    >>> decoder = Decoder(open_database("chassis.dbc"))  # doctest: +SKIP
    >>> for frames in open_capture("run3.log"):  # doctest: +SKIP
    ...     for table in decoder.decode(frames):
    ...         print(table.name, len(table), table["AIN1"].value)
    """

    def __init__(
        self,
        databases: Databases,
        *,
        select: SignalSelection | None = None,
        bus_names: Mapping[str, str] | None = None,
    ) -> None:
        self.matcher = Matcher(databases, bus_names=bus_names)
        self.select = select
        self.counts = Counts()
        self._plans: dict[Message, MessagePlan] = {}
        self._wanted: dict[int, dict[str, SignalPlan]] = {}
        self._used: set[int] = set()

    def decode(self, frames: Frames) -> DecodedBatch:
        """Decode one batch; columns are computed when asked for."""
        batch = DecodedBatch(frames, self.matcher.match(frames))
        self.counts.frames += len(frames)
        for code, place in batch._slices():
            group = self.matcher.groups[code]
            if group.message is None:
                self._count_lost(group, place.stop - place.start)
                continue
            plan = self.plan(group.message)
            wanted = self._wanted_of(code, group, plan)
            if self.select is not None and not wanted:
                self.counts.not_selected += place.stop - place.start
                continue
            table = batch._add(place, plan, group, wanted)
            self._count(table)
        return batch

    def plan(self, message: Message) -> MessagePlan:
        """Return the decode plan of a message."""
        plan = self._plans.get(message)
        if plan is None:
            plan = self._plans[message] = plan_message(message)
        return plan

    def unused_patterns(self) -> tuple[str, ...]:
        """List the selection patterns that have fitted no signal so far."""
        if self.select is None:
            return ()
        return tuple(self.select.text(at) for at in range(len(self.select.patterns)) if at not in self._used)

    def _wanted_of(self, code: int, group: Group, plan: MessagePlan) -> dict[str, SignalPlan]:
        """Wanted signals of a group by name."""
        wanted = self._wanted.get(code)
        if wanted is None:
            wanted = self._wanted[code] = {}
            for signal in plan.signals:
                fitting = self.select.fitting(group, signal.signal) if self.select else [0]
                self._used.update(fitting)
                if fitting:
                    wanted[signal.signal.name] = signal
        return wanted

    def _count_lost(self, group: Group, frames: int) -> None:
        """Count frames without a message."""
        counts, key = self.counts, (group.bus, group.name)
        if group.kind is Kind.ERROR:
            counts.errors += frames
        elif group.kind is Kind.REMOTE:
            counts.remotes += frames
        elif group.kind is Kind.UNLISTED:
            counts.unlisted += frames
        else:
            lost = counts.transport if group.kind is Kind.TRANSPORT else counts.unmatched
            lost[key] = lost.get(key, 0) + frames

    def _count(self, table: SignalTable) -> None:
        """Count what is odd about the frames of a message."""
        counts, message, name = self.counts, table.message, table.name
        counts.decoded += len(table)
        if table.shortest < message.length:
            short = int(np.count_nonzero(table.length < message.length))
            counts.short[name] = counts.short.get(name, 0) + short
        if int(table.length.max()) > table.plan.longest:
            long = int(np.count_nonzero(table.length > table.plan.longest))
            counts.long[name] = counts.long.get(name, 0) + long
        for multiplexer, count in table.undefined().items():
            key = f"{name}/{multiplexer}"
            counts.undefined_mux[key] = counts.undefined_mux.get(key, 0) + count
