"""One message's frames as columns: raw values, physical values, and where there are none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from enum import IntFlag
from functools import cached_property

import numpy as np
import numpy.typing as npt

from buswright.errors import DatabaseError
from buswright.frames.table import Frames, long_ones
from buswright.messages.decoding.plan import MAX_PAYLOAD, Condition, MessagePlan, Numbers, SignalPlan, UInt64s, Words
from buswright.messages.match import Group
from buswright.messages.model import Message, Signal
from buswright.wording import did_you_mean

Rows = npt.NDArray[np.intp]
Int64s = npt.NDArray[np.int64]
UInt32s = npt.NDArray[np.uint32]
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


class _Computed:
    """What was computed of a signal.

    The table keeps this and not the column, which refers to the table: a circle would keep every batch in memory
    until the collector looks for circles, and it counts objects, not bytes.
    """

    __slots__ = ("raw", "reasons", "valid", "value")

    # Hand-made caches: functools.cached_property takes a lock, and there are hundreds of columns a batch.

    def __init__(self, reasons: UInt8s | None) -> None:
        self.reasons = reasons
        self.valid: Bools | None = None
        self.raw: Numbers | None = None
        self.value: Numbers | None = None


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

    __slots__ = ("_computed", "plan", "signal", "table")

    def __init__(self, table: SignalTable, plan: SignalPlan, computed: _Computed) -> None:
        self.table = table
        self.plan = plan
        self.signal: Signal = plan.signal
        self._computed = computed

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

    @property
    def reasons(self) -> UInt8s | None:
        """Bits of `Reason` for every row, uint8[n]; None if the signal is valid in all."""
        return self._computed.reasons

    @property
    def valid(self) -> Bools | None:
        """Mask of the rows where the signal has a value, bool[n]; None if it has one in all."""
        computed = self._computed
        if computed.valid is None and computed.reasons is not None:
            computed.valid = computed.reasons == 0
        return computed.valid

    @property
    def raw(self) -> Numbers:
        """Raw values, [n] of the smallest type that holds them; 0 where not valid."""
        raw = self._computed.raw
        if raw is None:
            extraction = self.plan.extraction
            if extraction is None:
                raw = np.zeros(len(self.table), dtype=self.plan.raw_dtype)
            else:
                raw = extraction.apply(self.table.words)
                if self.valid is not None:
                    raw[~self.valid] = 0
            self._computed.raw = raw
        return raw

    @property
    def value(self) -> Numbers:
        """Physical values, [n]; NaN (integer columns: 0) where not valid.

        float64; int64 or uint64 where integer scaling can exceed what float64 holds exactly.
        """
        value = self._computed.value
        if value is None:
            value = self._computed.value = physical(self.plan, self.raw, self.valid)
        return value


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

    def __init__(
        self,
        frames: Frames,
        rows: Rows,
        length: UInt8s,
        first_words: UInt64s,
        plan: MessagePlan,
        group: Group,
        wanted: Mapping[str, SignalPlan],
    ) -> None:
        self.group = group
        self.plan = plan
        self.rows = rows
        self.length = length
        self._frames = frames
        self._first_words = first_words
        self._wanted = wanted
        self._computed: dict[str, _Computed] = {}
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
        return self._frames.time_ns.take(self.rows)

    @property
    def ids(self) -> UInt32s:
        """Identifiers of these frames: one, but in J1939 of every priority and destination; uint32[n]."""
        return self._frames.id.take(self.rows)

    @cached_property
    def words(self) -> Words:
        """Payloads of these frames."""
        first = self._first_words
        if self.plan.words == 1:
            return Words(first.reshape(-1, 1))
        wide = np.zeros((len(first), self.plan.words), dtype="<u8")
        wide[:, 0] = first
        here, at = long_ones(self._frames.long_row, self.rows)
        wide[here] = self._frames.long_payload.view("<u8")[at, : self.plan.words]
        return Words(wide)

    def __getitem__(self, name: str) -> SignalColumn:
        plan = self._wanted.get(name)
        if plan is None:
            raise unknown_signal(name, self._wanted)
        computed = self._computed.get(name)
        if computed is None:
            computed = self._computed[name] = _Computed(self.reasons_of(plan))
        return SignalColumn(self, plan, computed)

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

    def reasons_of(self, plan: SignalPlan) -> UInt8s | None:
        """Bits of `Reason` for every row of a signal; None if it is valid in all."""
        if plan.extraction is None or plan.never:
            beyond = plan.signal.end_bit > 8 * MAX_PAYLOAD and not plan.never
            reason = Reason.SHORT_FRAME if beyond else Reason.UNDECODABLE
            return np.full(len(self.rows), reason, dtype=np.uint8)
        needed = plan.needed_bits
        if not plan.conditions and self.shortest * 8 >= needed:
            return None
        short = None if self.shortest * 8 >= needed else self.length < needed / 8
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
            reasons = self.reasons_of(plan) if unknown.any() else None
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


def unknown_signal(name: str, known: Iterable[str]) -> DatabaseError:
    """Make the error for a signal name that isn't there, with the closest that is."""
    return DatabaseError(f"no signal {name!r}", hint=did_you_mean(name, known, cutoff=0.4, shown=repr))
