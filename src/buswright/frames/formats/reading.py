"""What every reader shares: the state of one pass over a capture, chunks of whole lines, and batches of frames.

The way of a batch is the same for all text formats: `read_chunks` cuts the stream into chunks of whole lines, the
format's reader turns each chunk into columns (columns.py), and `batches` joins these and hands them out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, BinaryIO, Protocol

import numpy as np

from buswright.frames.formats.columns import Columns, join
from buswright.frames.formats.digits import Bools, Places
from buswright.frames.formats.readers import CHUNK_BYTES
from buswright.frames.table import MAX_BUSES, Clock, Event, Frames, Problems, UInt8s
from buswright.wording import first_line

PAD = 160
"""Newlines after the valid bytes of a chunk, so that wide loads near the end stay inside the buffer."""
LEAD = 16
"""Newlines before them, for loads that end at a field."""
HEAD_BYTES = 1 << 16
"""A format is recognised by so many bytes."""
BATCH_FRAMES = 250_000
"""Frames per batch: large enough to spread the cost of a batch, small enough to stay near the cache."""
MANY_LINES = 1_000
"""So many lines of a chunk to be read one by one are looked at together first: they may be blank, or junk."""
INK = bytes(set(range(256)) - set(b" \t\n\r\v\f"))
"""All characters but those of a blank line."""
LONGEST_LINE = 1 << 20
"""A "line" longer than this is junk: it is reported once and passed over."""


@dataclass(slots=True)
class Reading:
    """The state of one pass over one capture; a reader fills it while it yields batches.

    Attributes
    ----------
    path
        As shown to the user.
    problems, events
        Collected in the order of the capture.
    buses
        Interface names in order of appearance; a frame's bus index points into it.
    clock
        Set by the reader once it knows.
    timezone
        Zone assumed for dates written without one: "UTC", "local", an IANA name, or "+02:00".
    metadata
        What the header says, for `contents`: format version, comment, date as written.
    stamped_by
        What put the stamps on the frames, where the recording says it beside its file; else empty.
    bytes_read
        Bytes of the file on disk consumed so far, for progress.
    """

    path: str
    problems: Problems = field(default_factory=Problems)
    events: list[Event] = field(default_factory=list)
    buses: list[str] = field(default_factory=list)
    clock: Clock = field(default_factory=Clock)
    timezone: str = "UTC"
    metadata: dict[str, str] = field(default_factory=dict)
    stamped_by: str = ""
    bytes_read: int = 0
    _bus_index: dict[str, int] = field(default_factory=dict)

    def bus(self, name: str) -> int:
        """Return the index of an interface name, giving it one when it is new.

        A capture of one car has a handful of names; names beyond the 254th (a damaged file invents them)
        share one bus called "(more)", and that is noted as a problem. What can't be printed in a name (it may
        steer a terminal) is spelled out.
        """
        index = self._bus_index.get(name)
        if index is None:
            if not name.isprintable():
                return self.bus(name.encode("unicode_escape").decode("ascii"))
            if len(self.buses) >= MAX_BUSES - 1:
                self.problems.add(f"more than {MAX_BUSES - 1} interface names", self.path, 0, name, lost=False)
                name = "(more)"
                if name in self._bus_index:
                    return self._bus_index[name]
            index = self._bus_index[name] = len(self.buses)
            self.buses.append(name)
        return index

    def bus_written(self, written: bytes) -> int | None:
        """Return the index of a name as a file has it; None for bytes that no name has: damage becomes no bus."""
        try:
            name = written.decode("utf-8")
        except UnicodeDecodeError:
            return None
        return self.bus(name) if name.isprintable() else None


class Rejected(Exception):  # noqa: N818  (it is caught within the readers, never shown)
    """The line gives no frame; the text is the reason, fit for counting."""


@dataclass(slots=True)
class Chunk:
    """Whole lines of text as bytes.

    Attributes
    ----------
    data : uint8[size + PAD]
        The bytes; everything from `size` on is a newline. The last valid byte is a newline.
    size
        Valid bytes.
    first_line
        1-based number of the first line.
    unterminated
        The last line had no newline of its own: the file ends in mid-line.
    buffer : uint8[LEAD + size + PAD]
        What `data` is a view of: the same with newlines in front.
    """

    data: UInt8s
    size: int
    first_line: int
    unterminated: bool
    buffer: UInt8s


class Readable(Protocol):
    """What text is read from."""

    def read(self, size: int, /) -> bytes:
        """Return the next bytes, so many at most; none at the end."""


def read_chunks(
    stream: Readable, reading: Reading, size: int = CHUNK_BYTES, *, line: int = 1, at_start: bool = True
) -> Iterator[Chunk]:
    """Yield the stream as chunks of whole lines; a lone carriage return ends no line.

    A line longer than `LONGEST_LINE` is counted as a problem and passed over. A stream that breaks in the
    middle (a truncated gzip file) ends the capture with a problem; what came before it is kept.

    Parameters
    ----------
    line
        Number of the first line.
    at_start
        The stream begins where the file does, perhaps with a byte order mark.
    """
    tail = b""  # the beginning of a line whose end has not been read yet
    skipping = False
    while True:
        try:
            block = stream.read(size)
        except (EOFError, OSError, ValueError) as fault:
            reading.problems.add(f"file breaks off: {first_line(fault)}", reading.path, line)
            block = b""
        if at_start:
            block, at_start = block.removeprefix(b"\xef\xbb\xbf"), False
        ended = not block
        text = tail + block
        if ended:
            if text and not skipping:
                yield _chunk(text + b"\n", line, unterminated=True)
            return
        cut = text.rfind(b"\n") + 1
        tail = text[cut:]
        if skipping and cut:
            first = text.find(b"\n") + 1
            text, cut, skipping = text[first:], cut - first, False
            line += 1
        if cut:
            chunk = _chunk(text[:cut], line)
            yield chunk
            line += int(np.count_nonzero(chunk.data[:cut] == 10))
        if len(tail) > LONGEST_LINE or (skipping and tail):
            if not skipping:
                reading.problems.add("line too long", reading.path, line, tail[:200])
            skipping, tail = True, b""


def _chunk(text: bytes, line: int, *, unterminated: bool = False) -> Chunk:
    buffer = np.empty(LEAD + len(text) + PAD, dtype=np.uint8)
    buffer[:LEAD] = 10
    buffer[LEAD : LEAD + len(text)] = np.frombuffer(text, dtype=np.uint8)
    buffer[LEAD + len(text) :] = 10
    return Chunk(buffer[LEAD:], len(text), line, unterminated, buffer)


def behind_each(ends: Places) -> Places:
    """Return where what ends there begins: behind the end before it, the first one at 0."""
    start = np.empty_like(ends)
    start[:1] = 0
    start[1:] = ends[:-1] + 1
    return start


def lines_with(characters: bytes, data: UInt8s, start: Places) -> Bools:
    """Whether each line holds any of some characters; bool[lines].

    Parameters
    ----------
    data : uint8[size]
        Lines one behind the other.
    start : intp[lines]
        Where each begins.
    """
    wanted = np.zeros(256, dtype=np.bool_)
    wanted[list(characters)] = True
    found: Bools = np.logical_or.reduceat(wanted[data], start)
    return found


def worth_reading(places: Places, data: UInt8s, start: Places, hopeless: Callable[[], Bools]) -> tuple[Places, Places]:
    """Leave out blank lines, and lines that can't be read but the first, which tells what they all are.

    Parameters
    ----------
    places
        Lines that are to be read one by one.
    data, start
        As for `lines_with`.
    hopeless
        Tells which lines can't be read; bool[lines].

    Returns
    -------
    The places of the lines to read one by one, and those of the lines that are like the hopeless one.
    """
    if len(places) <= MANY_LINES:
        return places, places[:0]
    places = places[lines_with(INK, data, start)[places]]
    left_out = hopeless()[places]
    if len(places):
        left_out[left_out.argmax()] = False
    return places[~left_out], places[left_out]


def batches(chunks: Iterable[Columns], reading: Reading) -> Iterator[Frames]:
    """Join the columns of one chunk after the other into batches of about `BATCH_FRAMES` frames."""
    waiting: list[Columns] = []
    count = 0
    for columns in chunks:
        if len(columns):
            waiting.append(columns)
            count += len(columns)
        if count >= BATCH_FRAMES:
            yield join(waiting).freeze(reading.buses)
            waiting, count = [], 0
    if count:
        yield join(waiting).freeze(reading.buses)


def note_unterminated(reading: Reading, chunk: Chunk, lines: int, text: bytes) -> None:
    """Note that the last line of a file, number `lines` of its chunk, may have been cut off."""
    reason = "last line without a line end, may be cut off"
    reading.problems.add(reason, reading.path, chunk.first_line + lines - 1, text, lost=False)


class ChunkReader:
    """Reads the chunks of one text file in their order.

    Where the file is cut into parts that several processes read (`in_parts`), what the lines of a part mean must
    depend on nothing before it but `state`.
    """

    def __init__(self, reading: Reading) -> None:
        self.reading = reading

    def read(self, chunk: Chunk) -> Columns:
        """Return the frames of the next chunk; problems and events go to `reading`."""
        raise NotImplementedError

    def finish(self) -> None:
        """Say what is known at the end only."""

    def state(self) -> Any:
        """Return what later lines depend on, to be compared and given to `resume`; None: they depend on all before."""

    def resume(self, state: Any) -> None:
        """Go on as a reader did that was in this state."""

    def last_ns(self) -> int | None:
        """Time of the last frame that has one; None before it came, and where events have times of their own."""
        return None

    def adopt(self, last_ns: int | None, first_event: int) -> None:
        """Take over a part that another process has read, whose last frame was then.

        Parameters
        ----------
        first_event
            Its events are those of `reading` from this one on.
        """


MakeReader = Callable[[Reading], ChunkReader]


@dataclass(frozen=True, slots=True)
class Format:
    """A capture format: how to recognise it and how to read it.

    Attributes
    ----------
    name
        As the user sees it.
    sniff
        (first bytes after decompression, file name) -> whether the file looks like this format.
    reader
        Makes what reads it chunk by chunk; None where it is no text.
    of_path
        Yields the columns of what is no text; it opens `reading.path` by itself.
    """

    name: str
    sniff: Callable[[bytes, str], bool]
    reader: MakeReader | None = None
    of_path: Callable[[Reading], Iterator[Columns]] = lambda reading: iter(())  # noqa: ARG005

    def read(self, stream: BinaryIO, reading: Reading) -> Iterator[Frames]:
        """Yield a file as batches of frames, in its order; problems and events go to `reading`."""
        columns = _of_text(stream, reading, self.reader(reading)) if self.reader else self.of_path(reading)
        return batches(columns, reading)


def _of_text(stream: BinaryIO, reading: Reading, reader: ChunkReader) -> Iterator[Columns]:
    for chunk in read_chunks(stream, reading):
        yield reader.read(chunk)
    reader.finish()
