"""candump text: the compact form (`-L`, `-l`) and the terminal form, read as arrays.

A batch's way: `CandumpReader` takes chunks of whole lines; `_read_chunk` gives a chunk to `read_compact` (compact.py),
what that leaves to `read_terminal` (terminal.py), and what is left then line by line to `read_line` (lines.py), which
also says what is wrong with a line. Formats after the output of can-utils' candump.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from buswright.frames.formats.candump.compact import Layout, read_compact
from buswright.frames.formats.candump.lines import NO_FRAME, Stamps, read_line
from buswright.frames.formats.candump.terminal import read_terminal
from buswright.frames.formats.columns import Columns, Rows, interleave
from buswright.frames.formats.reading import (
    Chunk,
    ChunkReader,
    Format,
    Reading,
    lines_with,
    note_unterminated,
    worth_reading,
)
from buswright.frames.table import Clock, Event, Flag, Int64s

_AT_ONE_MOMENT = 20
"""So many frames of one stamp are a millisecond of a full bus at 1 Mbit/s."""
_FASTEST_NS = 4_000
"""No capture has a frame so often: that were a dozen full buses at 1 Mbit/s."""
_SIGNS, _TAB = b"#[{D", 9
"""A frame has # or its length in brackets, and the line that tells of dropped ones begins DROPCOUNT."""


def sniff(head: bytes, name: str) -> bool:  # noqa: ARG001  (content decides, not the name)
    """Whether any whole line near the beginning is a candump frame."""
    probe, stamps = Reading("probe"), Stamps()
    rows = Rows()
    for line in head.split(b"\n")[:400]:
        read_line(line.rstrip(b"\r"), 0, 0, probe, stamps, rows)
        if len(rows):
            return True
    return False


class CandumpReader(ChunkReader):
    """Reads the chunks of a candump file; see `ChunkReader`."""

    def __init__(self, reading: Reading) -> None:
        super().__init__(reading)
        self._stamps = Stamps()
        self._untimed = False

    def read(self, chunk: Chunk) -> Columns:
        """Read one chunk, and give its frames and events their times."""
        reading, stamps = self.reading, self._stamps
        events = len(reading.events)
        columns = _read_chunk(chunk, reading, stamps)
        if len(columns):
            if not stamps.settled:
                _settle_stamps(columns, reading, stamps)
            if stamps.delta:
                np.cumsum(columns.time_ns, out=columns.time_ns)
                columns.time_ns += stamps.last_ns
            stamps.last_ns = int(columns.time_ns[-1])
            self._untimed = self._untimed or bool((columns.flags & np.uint8(Flag.UNTIMED)).any())
        if len(reading.events) > events:
            _date_events(reading, events, stamps)
        return columns

    def finish(self) -> None:
        """Set the resolution: one stamp may be finer than those of the beginning."""
        if self._stamps.nanoseconds and self.reading.clock.resolution_ns == 1000:
            self.reading.clock = replace(self.reading.clock, source="unknown", resolution_ns=1)

    def state(self) -> tuple[bool, bool] | None:
        """Return whether stamps were dates and finer than microseconds; None where times hang on the frame before."""
        stamps = self._stamps
        alone = stamps.settled and not stamps.delta and not self._untimed
        return (stamps.dated, stamps.nanoseconds) if alone else None

    def resume(self, state: tuple[bool, bool]) -> None:
        """Go on after the first chunks."""
        self._stamps = Stamps(settled=True, dated=state[0], nanoseconds=state[1])

    def last_ns(self) -> int | None:
        """Time of the last frame, where there are stamps."""
        return self._stamps.last_ns if self._stamps.seen else None

    def adopt(self, last_ns: int | None, first_event: int) -> None:
        """Take over a part: its events before its first stamp have the time of the last frame before it."""
        _date_events(self.reading, first_event, self._stamps)
        if last_ns is not None:
            self._stamps.last_ns, self._stamps.seen = last_ns, True


FORMAT = Format("candump", sniff, CandumpReader)


def _read_chunk(chunk: Chunk, reading: Reading, stamps: Stamps, *, arrays: bool = True) -> Columns:
    """Read one chunk, times as written; with `arrays` off every line takes the exact path (the tests compare both)."""
    layout = Layout.of(chunk)
    done = np.zeros(len(layout), dtype=np.bool_)
    parts = read_compact(layout, reading, stamps, done) if arrays else []
    places = np.flatnonzero(~done & (layout.end > layout.start))
    like_it = places[:0]
    if arrays:
        data, start = layout.data[: chunk.size], layout.start
        places, like_it = worth_reading(
            places, data, start, lambda: ~lines_with(_SIGNS, data, start) & (data[start] != _TAB)
        )
    if arrays and len(places):
        done[:] = True
        done[places] = False
        parts += read_terminal(layout, reading, stamps, done)
        places = np.flatnonzero(~done)
    rows = Rows()
    for place in places.tolist():
        read_line(layout.line(place), chunk.first_line + place, place, reading, stamps, rows)
    if len(like_it):
        reading.problems.add(NO_FRAME, reading.path, count=len(like_it))
    if chunk.unterminated and layout.line(-1).strip():
        note_unterminated(reading, chunk, len(layout), layout.line(-1))
    if len(rows):
        parts.append(rows.part())
    return interleave(parts, len(layout))


def _settle_stamps(columns: Columns, reading: Reading, stamps: Stamps) -> None:
    """Decide from the first chunk what its stamps mean.

    Stamps before the year 1973 count from the first frame. Of those, differences begin with zero.
    """
    stamps.settled = True
    timed = columns.time_ns[(columns.flags & np.uint8(Flag.UNTIMED)) == 0]
    if not len(timed):
        reading.clock = Clock("none", "unknown", 0, "")
        return
    origin = "capture" if abs(int(timed[0])) < 100_000_000 * 1_000_000_000 else "epoch"
    stamps.delta = origin == "capture" and timed[0] == 0 and _are_differences(timed[1:])
    zone = reading.timezone if stamps.dated else ""
    reading.clock = Clock(origin, "unknown", 1 if stamps.nanoseconds else 1000, zone)
    if stamps.delta:
        reading.metadata["time stamps"] = "differences, summed over all interfaces"


def _are_differences(stamps: Int64s) -> bool:
    """Whether stamps count from the frame before: they fall as much as they rise.

    Stamps that count from the start rise: by little or nothing where they are coarse, and with small falls where the
    frames of several interfaces were mixed. More stamps than there can be frames from the first to the last are
    differences, too.
    """
    if len(stamps) < 2 or not stamps.any():
        return False
    steps = np.diff(stamps)
    if not steps.any():
        return len(stamps) >= _AT_ONE_MOMENT
    if len(stamps) * _FASTEST_NS > int(np.ptp(stamps) + np.gcd.reduce(stamps)):
        return True
    up, down = steps[steps > 0], -steps[steps < 0]
    return 10 * len(down) > len(up) + len(down) and 2 * int(down.sum()) > int(up.sum())


def _date_events(reading: Reading, start: int, stamps: Stamps) -> None:
    """Give events without a stamp the time of the last frame before the end of their chunk."""
    for k in range(start, len(reading.events)):
        event = reading.events[k]
        if event.time_ns is None and stamps.seen:
            reading.events[k] = Event(stamps.last_ns, event.bus, event.kind, event.values, event.text)
