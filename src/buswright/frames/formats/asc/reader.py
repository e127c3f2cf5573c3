"""ASC text, read as arrays.

A batch's way: `AscReader` takes chunks of whole lines; `_read_chunk` gives a chunk to `read_classic` and `read_fd`
(arrays.py, fields.py), and what these leave line by line to `LineReader` (lines.py), which also says what is wrong
with a line. What stamps and dates mean is settled in clock.py. The format is the one that python-can's ASCReader and
ASCWriter document; decimal files take the exact path altogether.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np

from buswright.frames.formats.asc.arrays import LineColumns, no_lines, read_classic, read_fd
from buswright.frames.formats.asc.fields import Layout
from buswright.frames.formats.asc.lines import BLANKS, LineReader
from buswright.frames.formats.columns import Columns, Rows, interleave
from buswright.frames.formats.digits import Places
from buswright.frames.formats.reading import (
    Chunk,
    ChunkReader,
    Format,
    Reading,
    note_unterminated,
    worth_reading,
)

_HEADER = re.compile(rb"^\s*(?:base\s+(?:hex|dec)\b|begin\s+triggerblock\b)", re.IGNORECASE)
_TYPICAL = re.compile(
    rb"^\s*\d+[.,]\d+\s+(?:\d+\s+[0-9A-Fa-f]+x?\s+(?:Rx|Tx)(?:Rq)?\s+[dr]\b|CANFD\s+\d+\s+(?:Rx|Tx)\b"
    rb"|\d+\s+ErrorFrame\b|\d+\s+Statistic:|CAN\s+\d+\s+Status:)",
    re.IGNORECASE,
)

_HEADER_INITIALS = (b"b", b"B", b"d", b"D")
"""Of the lines that change what follows: base, begin and date."""
_MAY_BEGIN = np.isin(np.arange(256), list(BLANKS + b"-0123456789/;dDbBiInNeE"))
"""Whether a line that is not junk may begin with a character: a blank, a stamp, a comment, a word of the header."""


def sniff(head: bytes, name: str) -> bool:  # noqa: ARG001  (content decides, not the name)
    """Whether a header line of an ASC file stands near the beginning, or, where that was cut off, frame lines."""
    lines = [line for line in head.split(b"\n")[:400] if line.strip()]
    if any(_HEADER.match(line) for line in lines[:20]):
        return True
    return 2 * sum(_TYPICAL.match(line) is not None for line in lines) > len(lines)


class AscReader(ChunkReader):
    """Reads the chunks of an ASC file; see `ChunkReader`.

    With `arrays` off every line takes the exact path (the tests compare the two).
    """

    def __init__(self, reading: Reading, *, arrays: bool = True) -> None:
        super().__init__(reading)
        self._lines = LineReader(reading)
        self._arrays = arrays

    def read(self, chunk: Chunk) -> Columns:
        """Read one chunk."""
        return _read_chunk(chunk, self._lines, arrays=self._arrays)

    def finish(self) -> None:
        """Write down the events that were counted."""
        self._lines.log.finish()

    def state(self) -> Any:
        """Return clock, base and names; None while stamps count from those before, or lines are being counted."""
        return self._lines.state()

    def resume(self, state: Any) -> None:
        """Go on behind the header."""
        self._lines.resume(state)


FORMAT = Format("ASC", sniff, AscReader)


def _read_chunk(chunk: Chunk, reader: LineReader, *, arrays: bool) -> Columns:
    layout = Layout.of(chunk)
    rows = Rows()
    begin = 0 if reader.clock.started else _read_header(chunk, layout, reader, rows)
    if arrays and reader.base == 16 and begin < len(layout):
        found = read_classic(layout)
        read_fd(layout, found)
        found.good[:begin] = False
    else:
        found = no_lines(len(layout))
    _read_one_by_one(chunk, layout, begin, found, reader, rows)
    if chunk.unterminated and (found.good[-1:].any() or rows.place[-1:] == [len(layout) - 1]):
        note_unterminated(reader.reading, chunk, len(layout), layout.line(-1))
    lines = np.flatnonzero(found.good)
    columns = found.rows if len(lines) == len(layout) else found.rows.take(lines)
    return interleave([(columns, lines), rows.part()], len(layout)) if len(rows) else columns


def _worth_reading(layout: Layout, places: Places) -> tuple[Places, Places]:
    data = layout.data[: layout.end[-1] + 1]
    return worth_reading(places, data, layout.start, lambda: ~_MAY_BEGIN[data[layout.start]])


def _read_header(chunk: Chunk, layout: Layout, reader: LineReader, rows: Rows) -> int:
    """Read what stands before the first time stamp, and the line that has it; return where the rest begins."""
    places, like_it = _worth_reading(layout, np.flatnonzero(layout.end > layout.start))
    begin = len(layout)
    for place in places.tolist():
        reader.read_line(layout.line(place), chunk.first_line + place, place, rows)
        if reader.clock.started:
            begin = place + 1
            break
    reader.count_junk(int(np.count_nonzero(like_it < begin)))
    return begin


def _read_one_by_one(
    chunk: Chunk, layout: Layout, begin: int, found: LineColumns, reader: LineReader, rows: Rows
) -> None:
    """Read lines that hold no frame yet one by one; settle times and buses as if all had been read in order."""
    in_order = _InOrder(found, reader, begin)
    filled = layout.end > layout.start
    wanted = np.flatnonzero((filled & ~found.good)[begin:]) + begin
    worth, like_it = _worth_reading(layout, wanted)
    places, at = worth.tolist(), 0
    while at < len(places):
        place = places[at]
        at += 1
        line = layout.line(place)
        in_order.before(place, may_be_header=line.lstrip(BLANKS)[:1] in _HEADER_INITIALS)
        base = reader.base
        reader.read_line(line, chunk.first_line + place, place, rows)
        if reader.base != base and found.good[place:].any():  # what follows was read in the wrong base
            found.good[place:] = False
            reader.count_junk(int(np.count_nonzero(like_it < place)))
            in_order = _InOrder(found, reader, in_order.settled)
            worth, like_it = _worth_reading(layout, np.flatnonzero(filled[place + 1 :]) + place + 1)
            places, at = worth.tolist(), 0
    reader.count_junk(len(like_it))
    in_order.before(len(layout), may_be_header=True)
    if found.good.any():
        reader.clock.saw_digits(int(found.digits.max(where=found.good, initial=0)))
    found.rows.bus = in_order.bus_of_channel()[found.channel]


class _InOrder:
    """Lets frames that were read as arrays take effect in the order of the file, between lines read one by one.

    Parameters
    ----------
    settled
        Lines before this one have had their effect.
    """

    def __init__(self, found: LineColumns, reader: LineReader, settled: int) -> None:
        self.settled = settled
        self._found, self._reader = found, reader
        good, channel = found.good, found.channel
        present = np.zeros(256, dtype=np.bool_)
        present[channel if good.all() else channel[good]] = True
        self._channels = np.flatnonzero(present).tolist()
        known = reader.reading.buses
        new = [c for c in self._channels if reader.name(c) not in known]
        self._new = sorted((int(((channel == c) & good).argmax()), c) for c in new)

    def before(self, place: int, *, may_be_header: bool) -> None:
        """Settle the frames before a line, as far as that line or they depend on it."""
        while self._new and self._new[0][0] < place:
            self._reader.bus(self._new.pop(0)[1])
        clock = self._reader.clock
        if place == self.settled or (clock.in_step and not may_be_header):
            return
        here = slice(self.settled, place)
        self.settled = place
        stamps = self._found.rows.time_ns[here]
        good = self._found.good[here]
        if clock.in_step:
            clock.times(stamps)  # rows without a frame hold anything, before and after
        elif good.any():
            times = stamps[good]
            clock.times(times)
            stamps[good] = times

    def bus_of_channel(self) -> np.ndarray:
        """Bus index of each channel number; uint8[256]."""
        table = np.zeros(256, dtype=np.uint8)
        for channel in self._channels:
            table[channel] = self._reader.bus(channel)
        return table
