"""Messages while they come in: raw columns of the latest stretch, and windows on their end that cost no copy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import Entries, FrameEntry
from buswright.channels.measuring.recorded import Recorded, RecordedMessage, RecordedSignal
from buswright.channels.samples.series import Int64s, UInt16s
from buswright.channels.spool import Parts
from buswright.frames.table import Frames
from buswright.messages.decoding.columns import SignalColumn, SignalTable
from buswright.messages.decoding.decode import Decoder
from buswright.messages.decoding.plan import SignalPlan
from buswright.messages.match import Group

Column = npt.NDArray[Any]


class Buffer:
    """A column that grows at its end and shrinks at its beginning; views on it stay as they were.

    `dtype`: of its values; `zeros`: so many zeros stand in it to begin with.
    """

    __slots__ = ("_column", "_start", "_stop")

    def __init__(self, dtype: npt.DTypeLike, zeros: int = 0) -> None:
        self._column: Column = np.zeros(max(64, zeros), dtype=dtype)
        self._start = 0
        self._stop = zeros

    def __len__(self) -> int:
        return self._stop - self._start

    def add(self, values: Column) -> None:
        """Append values."""
        stop = self._stop + len(values)
        if stop > len(self._column):
            kept = self._column[self._start : self._stop]
            # Always into a new array: what was given out must not change.
            self._column = np.empty(max(64, 2 * (len(kept) + len(values))), dtype=self._column.dtype)
            self._column[: len(kept)] = kept
            self._start, self._stop, stop = 0, len(kept), len(kept) + len(values)
        self._column[self._stop : stop] = values
        self._stop = stop

    def drop(self, count: int) -> None:
        """Let go of the first values."""
        self._start += count

    def since(self, row: int) -> Column:
        """View the values from a row on, read-only."""
        view = self._column[self._start + row : self._stop]
        view.flags.writeable = False
        return view


class RecentSignal:
    """One signal's raw values over the recent stretch."""

    __slots__ = ("plan", "raw", "reasons")

    def __init__(self, column: SignalColumn, rows: int) -> None:
        self.plan: SignalPlan = column.plan
        self.raw = Buffer(column.raw.dtype, rows)
        self.reasons: Buffer | None = None

    def add(self, column: SignalColumn, rows_before: int) -> None:
        """Append a batch's column."""
        self.raw.add(column.raw)
        if column.reasons is not None and self.reasons is None:
            self.reasons = Buffer(np.uint8, rows_before)
        if self.reasons is not None:
            self.reasons.add(np.zeros(len(column.raw), np.uint8) if column.reasons is None else column.reasons)

    def drop(self, count: int) -> None:
        """Let go of the first rows; reasons that no row has any more cost nothing."""
        self.raw.drop(count)
        if self.reasons is not None:
            self.reasons.drop(count)
            if not self.reasons.since(0).any():
                self.reasons = None

    def since(self, row: int) -> RecordedSignal:
        """Rows from `row` on, as a session takes them."""
        raw = self.raw.since(row)
        reasons = None if self.reasons is None else self.reasons.since(row)
        if reasons is not None and not reasons.any():
            reasons = None
        return RecordedSignal(self.plan, Parts([raw], [len(raw)]), Parts([reasons], [len(raw)]))


class RecentMessage(RecordedMessage):
    """One message over the recent stretch. Rows count from the first that ever came.

    Attributes
    ----------
    first, rows
        Row of the first kept frame, and one after the last.
    segment_first
        The first row of the latest segment.
    """

    __slots__ = ("_recent", "_recent_quality", "_recent_times", "_starts", "first", "rows", "segment_first")

    def __init__(self, group: Group, entry: FrameEntry | None, arrival: int) -> None:
        super().__init__(group, entry=entry, arrival=arrival)
        self._recent: dict[str, RecentSignal] = {}
        self._recent_times = Buffer(np.int64)
        self._recent_quality: Buffer | None = None
        self._starts: list[tuple[int, int]] = []
        self.first = self.rows = self.segment_first = 0

    def add(self, table: SignalTable, segments_before: int, segment_starts: Iterable[int]) -> None:
        """Append a batch's table."""
        kept = self.rows - self.first
        for number, row in enumerate(segment_starts):
            self._starts.append((segments_before + number, self.rows + int(np.searchsorted(table.rows, row))))
        self._recent_times.add(table.time_ns)
        quality = self._judge(table) if self.entry else None
        if quality is not None and self._recent_quality is None:
            self._recent_quality = Buffer(np.uint16, kept)
        if self._recent_quality is not None:
            self._recent_quality.add(np.zeros(len(table), np.uint16) if quality is None else quality)
        for column in table:
            signal = self._recent.get(column.name)
            if signal is None:
                signal = self._recent[column.name] = RecentSignal(column, kept)
            signal.add(column, kept)
        self.rows += len(table)

    def begin_segments(self, numbers: Iterable[int]) -> None:
        """Note segments of the capture that began in a batch without this message."""
        self._starts += [(number, self.rows) for number in numbers]

    def settle(self) -> None:
        """Forget where segments before the latest one began."""
        if self._starts:
            self.segment_first = self._starts[-1][1]
            self._starts = []

    def drop(self, row: int) -> None:
        """Let go of the rows before one."""
        count = row - self.first
        if count <= 0:
            return
        self.first = row
        self._recent_times.drop(count)
        if self._recent_quality is not None:
            self._recent_quality.drop(count)
        for signal in self._recent.values():
            signal.drop(count)

    def times(self, row: int) -> Int64s:
        """Time stamps from a row on, int64[rows - row]."""
        return self._recent_times.since(row - self.first)

    def window(self, row: int, first_segment: int, segments: int) -> RecordedMessage:
        """Rows from `row` on, as a session takes them; nothing is copied.

        `first_segment`, `segments`: number of the segment in which the window begins, and how many there are in all.
        """
        starts = [0] * (segments - first_segment)
        for number, begin in self._starts:
            starts[number - first_segment :] = [begin - row] * (segments - number)
        at = row - self.first
        quality: UInt16s | None = None if self._recent_quality is None else self._recent_quality.since(at)
        if quality is not None and not quality.any():
            quality = None
        return RecordedMessage(
            self.group,
            {name: signal.since(at) for name, signal in self._recent.items()},
            self.entry,
            self.arrival,
            _times=Parts([self.times(row)], [self.rows - row]),
            _quality=Parts([quality], [self.rows - row]),
            _rows=self.rows - row,
            _segments=starts,
        )


class RecentMessages(Recorded):
    """What a decoder finds in the frames while they come in.

    Attributes
    ----------
    by_name
        By `bus/message`, in the order of their first frames.
    segment
        Number of the segment in which the last settled batch ended.
    """

    def __init__(self, decoder: Decoder, entries: Entries | None) -> None:
        super().__init__(decoder, entries)
        self.by_name: dict[str, RecentMessage] = {}
        self.segment = 0
        self._began = 0

    def add(self, frames: Frames) -> None:
        """Decode a batch and keep its columns."""
        first, seen = self._segments.count, set()
        for table, before, starts in self._decoded(frames):
            message = self.by_name.get(table.name)
            if message is None:
                message = self.by_name[table.name] = RecentMessage(table.group, **self._first(table))
                message.begin_segments(range(self.segment + 1, before))
            message.add(table, before, starts)
            seen.add(table.name)
        self._count += len(frames)
        for name, message in self.by_name.items():
            if name not in seen:
                message.begin_segments(range(first, self._segments.count))

    def window(self, rows: Mapping[str, int]) -> Recorded:
        """Return each message from the given row on, as a session takes it."""
        part = Recorded(self.decoder, None)
        count = self._segments.count
        part.untimed = self.untimed
        part.messages = {name: self.by_name[name].window(row, self.segment, count) for name, row in rows.items()}
        part._segments.count = count - self.segment
        return part

    def settle(self) -> bool:
        """Count from the latest segment on; tell whether a new one began since the last time."""
        for message in self.by_name.values():
            message.settle()
        new = self._segments.count - 1 > self.segment
        self.segment = self._segments.count - 1
        return new
