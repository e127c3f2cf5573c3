"""Batches of frames in, signal columns out: no loop over frames, nothing dropped without being counted."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import IntFlag
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from buswright.errors import DatabaseError
from buswright.frames.table import FD_LENGTHS, Frames
from buswright.messages.match import Databases, Group, Kind, Matcher
from buswright.messages.model import Message, Signal
from buswright.messages.plan import (
    MAX_PAYLOAD,
    Condition,
    MessagePlan,
    Numbers,
    SignalPlan,
    UInt64s,
    Words,
    plan_message,
)
from buswright.messages.selection import SignalSelection

Rows = npt.NDArray[np.intp]
Int64s = npt.NDArray[np.int64]
UInt8s = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]


class Reason(IntFlag):
    """Why a signal has no value in a frame."""

    SHORT_FRAME = 1
    """It isn't wholly inside the payload, or its multiplexer isn't."""
    MUX_ABSENT = 2
    """The multiplexer selects other signals."""
    UNDECODABLE = 4
    """No frame can give it: longer than 64 bits, a float of an odd size, or never selected."""


class Samples(NamedTuple):
    """A signal's valid samples only.

    Attributes
    ----------
    rows : intp[k]
        Rows of the batch.
    time_ns : int64[k]
    raw, value : [k]
    """

    rows: Rows
    time_ns: Int64s
    raw: Numbers
    value: Numbers


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


class SignalColumn:
    """One signal of one message in one batch; computed when asked for, then kept.

    Attributes
    ----------
    name, unit, signal
        From the database.
    plan
        How it is decoded.
    table
        The table it belongs to: `rows` and `time_ns` are there.
    """

    __slots__ = ("__dict__", "plan", "signal", "table")

    def __init__(self, table: SignalTable, plan: SignalPlan) -> None:
        self.table = table
        self.plan = plan
        self.signal: Signal = plan.signal

    @property
    def name(self) -> str:
        """Name of the signal."""
        return self.signal.name

    @property
    def unit(self) -> str:
        """Unit of `value`."""
        return self.signal.unit

    @property
    def labels(self) -> Mapping[int, str]:
        """Value table: raw value to text; empty if the signal has none."""
        return self.signal.choices

    @cached_property
    def reasons(self) -> UInt8s | None:
        """Bits of `Reason` for every row, uint8[n]; None if the signal is valid in all."""
        return self.table._reasons(self.plan)

    @cached_property
    def valid(self) -> Bools | None:
        """Mask of the rows where the signal has a value, bool[n]; None if it has one in all."""
        return None if self.reasons is None else self.reasons == 0

    @cached_property
    def raw(self) -> Numbers:
        """Raw values, [n] of the smallest type that holds them; 0 where not valid."""
        if self.plan.extraction is None:
            return np.zeros(len(self.table), dtype=self.plan.raw_dtype)
        raw = self.plan.extraction.apply(self.table.words)
        if self.valid is not None:
            raw[~self.valid] = 0
        return raw

    @cached_property
    def value(self) -> Numbers:
        """Physical values, [n]; NaN (integer columns: 0) where not valid.

        float64; int64 or uint64 where integer scaling can exceed what float64 holds exactly.
        """
        return physical(self.plan, self.raw, self.valid)

    def compact(self) -> Samples:
        """Only the rows where the signal has a value; cheap also for one of many multiplexed signals."""
        table, valid = self.table, self.valid
        if valid is None:
            return Samples(table.rows, table.time_ns, self.raw, self.value)
        there = np.flatnonzero(valid)
        if "raw" in self.__dict__ or self.plan.extraction is None:
            raw = self.raw[there]
        else:
            raw = self.plan.extraction.apply(Words(table.words.plain[there]))
        return Samples(table.rows[there], table.time_ns[there], raw, self.plan.conversion.apply(raw))


def physical(plan: SignalPlan, raw: Numbers, valid: Bools | None) -> Numbers:
    """Scale raw values; NaN (integer columns: 0) where not valid."""
    value = plan.conversion.apply(raw)
    if valid is not None:
        value[~valid] = np.nan if value.dtype.kind == "f" else 0
    return value


class SignalTable:
    """One message (J1939: of one source address) in one batch: its wanted signals as columns.

    `table[name]` is a column, iterating gives all columns, and the length is the number of frames.

    Attributes
    ----------
    group
        Bus, message and source address.
    plan
        How the message is decoded.
    rows : intp[n]
        Where it occurs in the batch, ascending.
    length : uint8[n]
        Payload bytes of these frames.
    """

    def __init__(self, batch: DecodedBatch, plan: MessagePlan, group: Group, place: slice, wanted: Rows) -> None:
        self.group = group
        self.plan = plan
        self.rows: Rows = batch._order[place]
        self.length: UInt8s = batch._lengths[place]
        self._batch = batch
        self._place = place
        self._wanted = {plan.signals[index].signal.name: int(index) for index in wanted}
        self._columns: dict[str, SignalColumn] = {}
        self._present: dict[tuple[Condition, ...], Bools] = {}
        self._multiplexer_raw: dict[int, Numbers] = {}
        self.shortest = int(self.length.min())

    @property
    def bus(self) -> str:
        """Name of the bus."""
        return self.group.bus

    @property
    def message(self) -> Message:
        """The message as the database describes it."""
        return self.plan.message

    @property
    def name(self) -> str:
        """`bus/message`; J1939: `bus/message@SA`."""
        return f"{self.group.bus}/{self.group.name}"

    @cached_property
    def time_ns(self) -> Int64s:
        """Time stamps; int64[n]."""
        return self._batch.frames.time_ns[self.rows]

    @cached_property
    def words(self) -> Words:
        """Payloads of these frames."""
        first = self._batch._words[self._place]
        if self.plan.words == 1:
            return Words(first.reshape(-1, 1))
        wide = np.zeros((len(first), self.plan.words), dtype="<u8")
        wide[:, 0] = first
        long_row, long_payload = self._batch.frames.long_row, self._batch.frames.long_payload
        if len(long_row):
            at = np.minimum(np.searchsorted(long_row, self.rows), len(long_row) - 1)
            here = np.flatnonzero(long_row[at] == self.rows)
            wide[here] = long_payload.view("<u8")[at[here], : self.plan.words]
        return Words(wide)

    def __getitem__(self, name: str) -> SignalColumn:
        column = self._columns.get(name)
        if column is None:
            if name not in self._wanted:
                raise unknown_signal(name, self._wanted)
            column = self._columns[name] = SignalColumn(self, self.plan.signals[self._wanted[name]])
        return column

    def __contains__(self, name: object) -> bool:
        return name in self._wanted

    def __iter__(self) -> Iterator[SignalColumn]:
        return (self[name] for name in self._wanted)

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the wanted signals."""
        return tuple(self._wanted)

    def _reasons(self, plan: SignalPlan) -> UInt8s | None:
        if plan.extraction is None or plan.never:
            beyond = plan.signal.end_bit > 8 * MAX_PAYLOAD and not plan.never
            reason = Reason.SHORT_FRAME if beyond else Reason.UNDECODABLE
            return np.full(len(self.rows), reason, dtype=np.uint8)
        needed = self._bits_needed(plan)
        short = None if self.shortest * 8 >= needed else self.length < -(-needed // 8)
        present = self._selected(plan.conditions) if plan.conditions else None
        if present is not None and present.all():
            present = None
        if short is None and present is None:
            return None
        reasons = np.zeros(len(self.rows), dtype=np.uint8)
        if present is not None:
            reasons[~present] = Reason.MUX_ABSENT
        if short is not None:
            reasons[short] = Reason.SHORT_FRAME
        return reasons

    def _bits_needed(self, plan: SignalPlan) -> int:
        """Payload bits for a signal and the multiplexers that select it."""
        return max([plan.end_bit, *(self.plan.signals[c.multiplexer].end_bit for c in plan.conditions)])

    def _selected(self, conditions: tuple[Condition, ...]) -> Bools:
        """Mask of the rows where every multiplexer of a chain selects; bool[n]."""
        present = self._present.get(conditions)
        if present is None:
            last = conditions[-1]
            present = within(self._raw_of_multiplexer(last.multiplexer), last.ranges)
            if len(conditions) > 1:
                present = present & self._selected(conditions[:-1])
            self._present[conditions] = present
        return present

    def _raw_of_multiplexer(self, index: int) -> Numbers:
        raw = self._multiplexer_raw.get(index)
        if raw is None:
            extraction = self.plan.signals[index].extraction
            raw = np.zeros(len(self.rows), dtype=np.uint8) if extraction is None else extraction.apply(self.words)
            self._multiplexer_raw[index] = raw
        return raw

    def undefined(self) -> dict[str, int]:
        """Count, by multiplexer, the frames in which it has a value that the database doesn't know."""
        found = {}
        for multiplexer in self.plan.multiplexers:
            plan = self.plan.signals[multiplexer.index]
            if plan.extraction is None:
                continue
            unknown = ~within(self._raw_of_multiplexer(multiplexer.index), multiplexer.known)
            reasons = self._reasons(plan) if unknown.any() else None
            if reasons is not None:
                unknown &= reasons == 0
            count = int(np.count_nonzero(unknown))
            if count:
                found[plan.signal.name] = count
        return found


def within(raw: Numbers, ranges: tuple[tuple[int, int], ...]) -> Bools:
    """Mask of the values that lie in one of these inclusive ranges; bool[n]."""
    if len(ranges) > 4 and raw.dtype.itemsize == 1:
        table = np.zeros(256, dtype=np.bool_)
        for low, high in ranges:
            for value in range(max(low, -128), min(high, 255) + 1):
                if np.iinfo(raw.dtype).min <= value <= np.iinfo(raw.dtype).max:
                    table[value % 256] = True
        return table[raw.view(np.uint8)]
    inside = np.zeros(len(raw), dtype=np.bool_)
    for low, high in ranges:
        inside |= raw == low if low == high else (raw >= low) & (raw <= high)
    return inside


class DecodedBatch:
    """The signal tables of one batch.

    `batch["bus/message"]` is a table, iterating gives all tables, and the length is their number.

    Attributes
    ----------
    frames
        The batch.
    codes : int32[n]
        The group of every frame: an index into the decoder's `matcher.groups`.
    """

    def __init__(self, frames: Frames, codes: npt.NDArray[np.int32]) -> None:
        self.frames = frames
        self.codes = codes
        self._tables: dict[str, SignalTable] = {}
        counts = np.bincount(codes)
        self._present = np.flatnonzero(counts)
        # A key of one byte sorts in one pass; the groups of one batch nearly always fit.
        narrow = np.uint8 if len(self._present) <= 256 else np.uint16 if len(self._present) <= 65_536 else np.int32
        rank = np.zeros(len(counts), dtype=narrow)
        rank[self._present] = np.arange(len(self._present))
        self._order: Rows = np.argsort(rank.take(codes), kind="stable")
        self._ends = np.cumsum(counts[self._present])
        self._lengths: UInt8s = frames.length.take(self._order)
        self._words: UInt64s = np.ascontiguousarray(frames.payload).view("<u8").ravel().take(self._order)

    def _slices(self) -> Iterator[tuple[int, slice]]:
        """Give the place of every group in the sorted frames, as (code, slice)."""
        start = 0
        for code, end in zip(self._present.tolist(), self._ends.tolist(), strict=True):
            yield code, slice(start, end)
            start = end

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
        self._wanted: dict[int, Rows] = {}
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
            if self.select is not None and not len(wanted):
                self.counts.not_selected += place.stop - place.start
                continue
            table = SignalTable(batch, plan, group, place, wanted)
            batch._tables[table.name] = table
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

    def _wanted_of(self, code: int, group: Group, plan: MessagePlan) -> Rows:
        """Places of the wanted signals of a group."""
        wanted = self._wanted.get(code)
        if wanted is None:
            if self.select is None:
                wanted = np.arange(len(plan.signals))
            else:
                fitting = [self.select.fitting(group, signal.signal) for signal in plan.signals]
                self._used.update(*fitting)
                wanted = np.flatnonzero([bool(places) for places in fitting])
            self._wanted[code] = wanted
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
        most = next((length for length in FD_LENGTHS if length >= message.length), MAX_PAYLOAD)
        if int(table.length.max()) > most:
            long = int(np.count_nonzero(table.length > most))
            counts.long[name] = counts.long.get(name, 0) + long
        for multiplexer, count in table.undefined().items():
            key = f"{name}/{multiplexer}"
            counts.undefined_mux[key] = counts.undefined_mux.get(key, 0) + count


def unknown_signal(name: str, known: Iterable[str]) -> DatabaseError:
    """Make the error for a signal name that isn't there, with the closest that is."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.4)
    return DatabaseError(f"no signal {name!r}", hint=f"did you mean {close[0]!r}?" if close else "")
