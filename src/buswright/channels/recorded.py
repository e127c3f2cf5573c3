"""A capture's messages in memory, as a session needs them: raw columns, frame quality, and segments."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameEntry, FrameName
from buswright.channels.samples.series import Quality
from buswright.frames.order import BackwardSteps
from buswright.frames.table import Flag, Frames, Int64s, UInt8s
from buswright.messages.checksum import Step
from buswright.messages.columns import SignalColumn, SignalTable, physical
from buswright.messages.decode import Decoder
from buswright.messages.match import Group
from buswright.messages.model import Signal
from buswright.messages.plan import Numbers, SignalPlan

UInt16s = npt.NDArray[np.uint16]


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
        starts = []
        for row, bus, _ in self._steps.of(frames):
            if self._segment_of.get(bus, 0) == self.count - 1:
                self.count += 1
                starts.append(row)
            self._segment_of[bus] = self.count - 1
        for bus in np.unique(frames.bus).tolist():
            last = int(np.flatnonzero(frames.bus == bus)[-1])
            if starts and last >= starts[-1]:
                self._segment_of[bus] = self.count - 1
            self._segment_of.setdefault(bus, self.count - 1)
        return starts


@dataclass(slots=True)
class RecordedSignal:
    """One signal's raw values over the capture, joined when asked for."""

    plan: SignalPlan
    raw_parts: list[Numbers] = field(default_factory=list)
    reason_parts: list[UInt8s | None] = field(default_factory=list)
    _lengths: list[int] = field(default_factory=list)

    @property
    def signal(self) -> Signal:
        """As the database describes it."""
        return self.plan.signal

    def raw(self) -> Numbers:
        """Raw values, [n]; 0 where the signal is absent."""
        if len(self.raw_parts) > 1:
            self.raw_parts = [np.concatenate(self.raw_parts)]
        return self.raw_parts[0]

    def reasons(self) -> UInt8s | None:
        """Why there is no value, bits of `Reason`, uint8[n]; None if there is one everywhere."""
        if all(part is None for part in self.reason_parts):
            return None
        if len(self.reason_parts) > 1:
            raw = np.split(self.raw(), np.cumsum(self._lengths)[:-1])
            whole = [
                np.zeros(len(r), np.uint8) if part is None else part
                for r, part in zip(raw, self.reason_parts, strict=True)
            ]
            self.reason_parts = [np.concatenate(whole)]
            self._lengths = [len(self.raw())]
        return self.reason_parts[0]

    def add(self, column: SignalColumn) -> None:
        """Append a batch's column."""
        self.raw_parts.append(column.raw)
        self.reason_parts.append(column.reasons)
        self._lengths.append(len(column.raw))

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
    """

    group: Group
    signals: dict[str, RecordedSignal] = field(default_factory=dict)
    entry: FrameEntry | None = None
    _times: list[Int64s] = field(default_factory=list)
    _quality: list[UInt16s | None] = field(default_factory=list)
    _rows: int = 0
    _segments: list[int] = field(default_factory=lambda: [0])
    _last_counter: int | None = None
    _part_lengths: list[int] = field(default_factory=list)

    def time_ns(self) -> Int64s:
        """Time stamps, int64[n]; the same array each time."""
        if len(self._times) > 1:
            self._times = [np.concatenate(self._times)]
        return self._times[0]

    def frame_quality(self) -> UInt16s | None:
        """Return what is wrong with whole frames (counter, checksum), uint16[n]; None if nothing is."""
        if all(part is None for part in self._quality):
            return None
        if len(self._quality) > 1:
            lengths = self._part_lengths
            whole = [
                np.zeros(n, np.uint16) if part is None else part for n, part in zip(lengths, self._quality, strict=True)
            ]
            self._quality = [np.concatenate(whole)]
            self._part_lengths = [sum(lengths)]
        return self._quality[0]

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
        self._times.append(table.time_ns)
        self._quality.append(self._judge(table) if self.entry else None)
        self._part_lengths.append(len(table))
        self._rows += len(table)
        for column in table:
            recorded = self.signals.get(column.name)
            if recorded is None:
                recorded = self.signals[column.name] = RecordedSignal(column.plan)
            recorded.add(column)

    def _judge(self, table: SignalTable) -> UInt16s | None:
        """Verify counter and checksum of the frames that are long enough to carry them."""
        assert self.entry is not None
        payload = np.ascontiguousarray(table.words.plain).view(np.uint8)
        quality = np.zeros(len(table), dtype=np.uint16)
        checksum, counter = self.entry.checksum, self.entry.counter
        if checksum is not None:
            # Each payload length apart: a checksum over "all bytes" covers those that were sent.
            for length in np.unique(table.length).tolist():
                if checksum.shortest <= length <= payload.shape[1]:
                    rows = np.flatnonzero(table.length == length)
                    right = checksum.verify(payload[rows, :length], table.message.id)
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
        What a car file says of frames: counters and checksums.

    Attributes
    ----------
    messages
        By `bus/message`.
    untimed
        Some frames have no time stamp: no rate may be computed from them.
    """

    def __init__(self, decoder: Decoder, entries: Mapping[FrameName, FrameEntry]) -> None:
        self.decoder = decoder
        self.messages: dict[str, RecordedMessage] = {}
        self.untimed = False
        self._entries = entries
        self._segments = Segments()

    @property
    def segment_count(self) -> int:
        """Segments of the capture; one more than the times that its clock went backwards."""
        return self._segments.count

    def add(self, frames: Frames) -> None:
        """Decode a batch and keep its columns."""
        before = self._segments.count
        self.untimed = self.untimed or bool(frames.has(Flag.UNTIMED).any())
        starts = self._segments.starts(frames)
        for table in self.decoder.decode(frames):
            message = self.messages.get(table.name)
            if message is None:
                source = table.message
                # J1939: the entry of a frame is that of the identifier as the database has it.
                entry = self._entries.get(FrameName(table.bus, source.id, source.extended))
                message = self.messages[table.name] = RecordedMessage(table.group, entry=entry)
            message.add(table, before, starts)
