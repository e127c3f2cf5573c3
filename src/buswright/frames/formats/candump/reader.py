"""candump text: the compact form (`-L`, `-l`) and the terminal form, read as arrays.

A chunk of lines is searched once for the characters that delimit fields; positions of fields follow from
them by arithmetic, digits are parsed inside 64-bit words, and only lines that do not fit go one by one
through `candump_lines`. Formats after the output of can-utils' candump.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from buswright.frames.formats.candump import lines
from buswright.frames.formats.candump.compact import read_compact
from buswright.frames.formats.candump.fields import Layout
from buswright.frames.formats.candump.terminal import read_terminal
from buswright.frames.formats.reading import Chunk, Columns, Format, Reading, Rows, interleave, join, read_chunks
from buswright.frames.formats.text import Places
from buswright.frames.table import Clock, Event, Flag, Frames

BATCH_FRAMES = 250_000
"""Frames per batch: large enough to spread the cost of a batch, small enough to stay near the cache."""


def sniff(head: bytes, name: str) -> bool:  # noqa: ARG001  (content decides, not the name)
    """Whether any whole line near the beginning is a candump frame."""
    probe, stamps = Reading("probe"), lines.Stamps()
    rows = Rows()
    for line in head.removeprefix(b"\xef\xbb\xbf").split(b"\n")[:400]:
        lines.read_line(line.rstrip(b"\r"), 0, 0, probe, stamps, rows)
        if len(rows):
            return True
    return False


def read(stream: BinaryIO, reading: Reading) -> Iterator[Frames]:
    """Yield a candump file as batches of about `BATCH_FRAMES` frames; problems and events go to `reading`."""
    stamps = lines.Stamps()
    waiting: list[Columns] = []
    count = 0
    first = True
    for chunk in read_chunks(stream, reading):
        events = len(reading.events)
        columns = _read_chunk(chunk, reading, stamps)
        if len(columns):
            if first:
                _settle_stamps(columns, reading, stamps)
                first = False
            if stamps.delta:
                np.cumsum(columns.time_ns, out=columns.time_ns)
                columns.time_ns += stamps.last_ns
            stamps.last_ns = int(columns.time_ns[-1])
            waiting.append(columns)
            count += len(columns)
        _date_events(reading, events, stamps)
        if count >= BATCH_FRAMES:
            yield join(waiting).freeze(reading.buses)
            waiting, count = [], 0
    if count:
        yield join(waiting).freeze(reading.buses)
    if stamps.nanoseconds and reading.clock.resolution_ns == 1000:
        reading.clock = Clock(reading.clock.origin, "unknown", 1, reading.clock.timezone)


FORMAT = Format("candump", sniff, read)


def _settle_stamps(columns: Columns, reading: Reading, stamps: lines.Stamps) -> None:
    """Decide from the first chunk what its stamps mean.

    Stamps before the year 1973 count from the first frame. Of those, deltas betray themselves: they start at
    zero and do not grow; among stamps that count from zero more than one step in ten without growth does not
    happen, since frames follow one another.
    """
    timed = columns.time_ns[(columns.flags & np.uint8(Flag.UNTIMED)) == 0]
    if not len(timed):
        reading.clock = Clock("none", "unknown", 0, "")
        return
    origin = "capture" if abs(int(timed[0])) < 100_000_000 * 1_000_000_000 else "epoch"
    if origin == "capture" and timed[0] == 0 and len(timed) > 2:
        steps = np.diff(timed[1:])
        stamps.delta = bool(np.count_nonzero(steps <= 0) * 10 > len(steps))
    zone = reading.timezone if stamps.dated else ""
    reading.clock = Clock(origin, "unknown", 1 if stamps.nanoseconds else 1000, zone)
    if stamps.delta:
        reading.metadata["time stamps"] = "differences, summed over all interfaces"


def _date_events(reading: Reading, start: int, stamps: lines.Stamps) -> None:
    """Give events without a stamp the time of the last frame before the end of their chunk."""
    for k in range(start, len(reading.events)):
        event = reading.events[k]
        if event.time_ns is None and stamps.seen:
            reading.events[k] = Event(stamps.last_ns, event.bus, event.kind, event.values, event.text)


def _read_chunk(chunk: Chunk, reading: Reading, stamps: lines.Stamps, *, arrays: bool = True) -> Columns:
    """Read one chunk; with `arrays` off every line takes the exact path (the tests compare the two)."""
    layout = Layout.of(chunk)
    done = np.zeros(len(layout), dtype=np.bool_)
    parts: list[tuple[Columns, Places]] = []
    if arrays:
        parts += read_compact(layout, reading, stamps, done)
        if not done.all():
            parts += read_terminal(layout, reading, stamps, done)
    rows = Rows()
    for place in np.flatnonzero(~done).tolist():
        lines.read_line(layout.line(place), chunk.first_line + place, place, reading, stamps, rows)
    if chunk.unterminated and layout.line(-1).strip():
        last = chunk.first_line + len(layout) - 1
        reason = "last line without a line end, may be cut off"
        reading.problems.add(reason, reading.path, last, layout.line(-1), lost=False)
    if len(rows):
        parts.append((rows.columns(), np.array(rows.place, dtype=np.int64)))
    return interleave(parts, len(layout)) if parts else Columns.of_size(0)
