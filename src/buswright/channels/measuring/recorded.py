"""A capture's messages in memory, as a session needs them: raw columns, frame quality, and segments."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import Entries, FrameEntry
from buswright.channels.expectation import name_of
from buswright.channels.samples.series import Quality, UInt16s
from buswright.channels.spool import Parts, Spool
from buswright.frames.captures.order import BackwardSteps
from buswright.frames.table import Flag, Frames, Int64s, UInt8s
from buswright.messages.checksum import Step
from buswright.messages.decoding.columns import SignalTable, physical
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.plan import Numbers, SignalPlan
from buswright.messages.match import Group, split_source
from buswright.messages.model import Signal

SPOOLED_FRAMES = 1_000_000
"""Frames whose columns are kept in memory before they go to a file, where there is one."""


class Segments:
    """Finds where a capture's time goes backwards, the same for all its buses.

    A clock jump shows on every bus, each at its own next frame; these belong to one new segment. What comes
    late between buses (their receivers are read in turn) is none.
    """

    def __init__(self) -> None:
        self.count = 1
        self._steps = BackwardSteps()
        self._segment_of: dict[int, int] = {}

    def starts(self, frames: Frames) -> list[int]:
        """Rows of the batch where a new segment starts, ascending."""
        starts: list[int] = []
        first = self.count - 1

        def segment_at(row: int) -> int:
            return first + bisect_right(starts, row)

        steps = self._steps.of(frames)
        earlier = _row_before(frames.bus) if steps else np.zeros(0, np.intp)
        for row, bus, _ in steps:
            # A bus that has sent in the newest segment already goes back for a second time.
            sent_in = segment_at(int(earlier[row])) if earlier[row] >= 0 else self._segment_of.get(bus, 0)
            if sent_in == self.count - 1:
                self.count += 1
                starts.append(row)
        for bus in np.unique(frames.bus).tolist():
            self._segment_of[bus] = segment_at(int(np.flatnonzero(frames.bus == bus)[-1]))
        return starts


def _row_before(bus: UInt8s) -> npt.NDArray[np.intp]:
    """Return for each row the last row before it of the same bus, -1 where there is none; intp[n]."""
    order = np.argsort(bus, kind="stable")
    before = np.full(len(bus), -1, dtype=np.intp)
    same = bus[order[1:]] == bus[order[:-1]]
    before[order[1:][same]] = order[:-1][same]
    return before


@dataclass(slots=True)
class RecordedSignal:
    """One signal's raw values over the capture."""

    plan: SignalPlan
    raw_parts: Parts = field(default_factory=Parts)
    reason_parts: Parts = field(default_factory=Parts)

    @property
    def signal(self) -> Signal:
        """As the database describes it."""
        return self.plan.signal

    def raw(self) -> Numbers:
        """Raw values, [n]; 0 where the signal is absent."""
        raw = self.raw_parts.joined()
        assert raw is not None, "raw values are never left out"
        return raw

    def reasons(self) -> UInt8s | None:
        """Why there is no value, bits of `Reason`, uint8[n]; None if there is one everywhere."""
        return self.reason_parts.joined()

    def value(self) -> Numbers:
        """Physical values by the database's scaling, [n]; NaN where absent (integer columns: 0)."""
        reasons = self.reasons()
        return physical(self.plan, self.raw(), None if reasons is None else reasons == 0)


@dataclass(slots=True)
class RecordedMessage:
    """One message (J1939: of one source address) over the capture.

    Attributes
    ----------
    group
        Bus, message and source.
    signals
        By name.
    entry
        What the car file says of it.
    arrival
        Number of its first frame, of all of the capture.
    """

    group: Group
    signals: dict[str, RecordedSignal] = field(default_factory=dict)
    entry: FrameEntry | None = None
    arrival: int = 0
    _times: Parts = field(default_factory=Parts)
    _quality: Parts = field(default_factory=Parts)
    _rows: int = 0
    _segments: list[int] = field(default_factory=lambda: [0])
    _last_counter: int | None = None

    def time_ns(self) -> Int64s:
        """Time stamps, int64[n]; the same array each time."""
        times = self._times.joined()
        assert times is not None, "a message that is recorded has come"
        return times

    def frame_quality(self) -> UInt16s | None:
        """Return what is wrong with whole frames (counter, checksum), uint16[n]; None if nothing is."""
        return self._quality.joined()

    def columns(self) -> Iterator[Parts]:
        """Give all columns, of the message and of its signals."""
        yield from (self._times, self._quality)
        for signal in self.signals.values():
            yield from (signal.raw_parts, signal.reason_parts)

    def segments(self, count: int) -> Int64s:
        """Rows where the capture's segments start, int64[count]; a segment without a frame repeats the next start."""
        return np.array(self._segments + [self._rows] * (count - len(self._segments)), dtype=np.int64)

    def add(self, table: SignalTable, segments_before: int, segment_starts: Iterable[int]) -> None:
        """Append a batch's table.

        Parameters
        ----------
        segments_before
            Segments of the capture up to this batch; those that had none of this message end here.
        segment_starts
            Rows of the batch where further ones start.
        """
        self._segments += [self._rows] * (segments_before - len(self._segments))
        self._segments += [self._rows + int(np.searchsorted(table.rows, row)) for row in segment_starts]
        self._times.add(table.time_ns, len(table))
        self._quality.add(self._judge(table) if self.entry else None, len(table))
        self._rows += len(table)
        for column in table:
            recorded = self.signals.get(column.name)
            if recorded is None:
                recorded = self.signals[column.name] = RecordedSignal(column.plan)
            recorded.raw_parts.add(column.raw, len(table))
            recorded.reason_parts.add(column.reasons, len(table))

    def _judge(self, table: SignalTable) -> UInt16s | None:
        """Verify counter and checksum of the frames that are long enough to carry them."""
        assert self.entry is not None
        payload: UInt8s = np.ascontiguousarray(table.words.plain).view(np.uint8)
        quality = np.zeros(len(table), dtype=np.uint16)
        checksum, counter = self.entry.checksum, self.entry.counter
        if checksum is not None:
            # Each payload length apart: a checksum over "all bytes" covers those that were sent. Each identifier apart:
            # the checksum of J1939's torque requests counts its bytes, source and destination among them.
            sorts = table.ids.astype(np.int64) << 8 | table.length.astype(np.int64)
            for sort in np.unique(sorts).tolist():
                identifier, length = sort >> 8, sort & 0xFF
                if checksum.shortest <= length <= payload.shape[1]:
                    rows = np.flatnonzero(sorts == sort)
                    right = checksum.verify(payload[rows, :length], identifier)
                    quality[rows[~right]] |= np.uint16(Quality.BAD_CHECKSUM)
        if counter is not None and payload.shape[1] >= counter.shortest:
            there = np.flatnonzero(table.length >= counter.shortest)
            values = counter.extract(payload[there])
            if len(values):
                before = [] if self._last_counter is None else [self._last_counter]
                kinds = counter.classify(np.concatenate((np.array(before, dtype=np.int64), values)))[len(before) :]
                quality[there[kinds == Step.REPEAT]] |= np.uint16(Quality.STALE_COUNTER)
                self._last_counter = int(values[-1])
        return quality if quality.any() else None


class Recorded:
    """What a decoder found in a capture, by `bus/message`.

    Parameters
    ----------
    decoder
        Knows databases, bus names and which signals are wanted.
    entries
        What a car file says of frames: counters and checksums. None: there is none.
    spool
        Where columns are kept; None: in memory.

    Attributes
    ----------
    messages
        By `bus/message`.
    untimed
        Some frames have no time stamp: no rate may be computed from them.
    first_ns
        Time of the first frame that has one, of whatever message; None before it came.
    """

    def __init__(self, decoder: Decoder, entries: Entries | None, spool: Spool | None = None) -> None:
        self.decoder = decoder
        self._spool = spool
        self._waiting = self._count = 0
        self.messages: dict[str, RecordedMessage] = {}
        self.untimed = False
        self.first_ns: int | None = None
        self._entries = entries
        self._segments = Segments()

    @property
    def segment_count(self) -> int:
        """Segments of the capture; one more than the times that its clock went backwards."""
        return self._segments.count

    def add(self, frames: Frames) -> None:
        """Decode a batch and keep its columns."""
        for table, before, starts in self._decoded(frames):
            message = self.messages.get(table.name)
            if message is None:
                message = self.messages[table.name] = RecordedMessage(table.group, **self._first(table))
            message.add(table, before, starts)
        self._count += len(frames)
        self._waiting += len(frames)
        if self._waiting >= SPOOLED_FRAMES:
            self.move()

    def move(self, *, whole: bool = False) -> None:
        """Put what came since the last time into files, if there are any; with `whole` each column as one."""
        self._waiting = 0
        if self._spool is not None:
            for message in self.messages.values():
                for column in message.columns():
                    column.move(self._spool, whole=whole)

    def _decoded(self, frames: Frames) -> Iterator[tuple[SignalTable, int, list[int]]]:
        """Give the tables of a batch, with the segments of the capture up to it, and the rows where others start."""
        before = self._segments.count
        untimed = frames.has(Flag.UNTIMED)
        self.untimed = self.untimed or bool(untimed.any())
        if self.first_ns is None and not untimed.all():
            self.first_ns = int(frames.time_ns[int(np.argmin(untimed))])
        starts = self._segments.starts(frames)
        for table in self.decoder.decode(frames):
            yield table, before, starts

    def _first(self, table: SignalTable) -> dict[str, Any]:
        """Return what is known of a message when it first comes."""
        entry = None if self._entries is None else self._entries.of(name_of(table.group), table.message)
        return {"entry": entry, "arrival": self._count + int(table.rows[0])}

    def of_signal(self, bus_and_message: str) -> RecordedMessage | None:
        """Return a message; J1939: without a source address that of which a frame came first."""
        found = self.messages.get(bus_and_message)
        return min(self.of_any_source(bus_and_message), key=lambda each: each.arrival, default=found)

    def of_any_source(self, bus_and_message: str) -> list[RecordedMessage]:
        """Return what came of a J1939 message that is named without a source address, one for each address."""
        if bus_and_message in self.messages:
            return []
        return [
            each for name, each in self.messages.items() if split_source(name) == (bus_and_message, each.group.source)
        ]
