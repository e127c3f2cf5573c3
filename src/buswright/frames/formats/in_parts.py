"""A text capture read by several processes: cut at line ends into parts, put together again in their order.

The first part is read here: it settles what the lines behind it mean (`ChunkReader.state`). Reading processes
(part_process.py) get that and their parts, every so-manieth each, and send columns, problems and events. A part is
taken if the state that it was read with is the one that the parts before it ended in; from the first that isn't, or
that a process has not brought, the rest is read here. So what is read is the same, to the last bit and line number.

Parts begin where chunks do when one process reads them, which keeps what depends on chunks the same.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from typing import IO, Any, BinaryIO

import numpy as np

from buswright.frames.formats.columns import Columns, join
from buswright.frames.formats.readers import end, reading_process
from buswright.frames.formats.reading import CHUNK_BYTES, MakeReader, Reading, batches, read_chunks
from buswright.frames.table import MAX_BUSES, Event, Frames, Problems

PART_CHUNKS = 12
"""Chunks of a part, 250,000 frames of candump: a batch, of which each process holds three at a time."""
EVENTS_AT_MOST = 50_000
"""More events than these in all, and the rest is read by one process: readers keep no more than a number of them."""
HEAD = struct.Struct("<II")
"""Before each part: the bytes of what describes it, and the number of buffers; then the bytes of each buffer."""
SIZE = struct.Struct("<Q")


@dataclass(frozen=True, slots=True)
class Task:
    """What a reading process has to do.

    Attributes
    ----------
    make
        Makes the reader.
    path, timezone, buses
        Of the reading, at the end of the first part.
    state
        Of the reader then.
    parts
        Where each begins and ends in the file; an end of None is that of the file.
    chunk_bytes
        Read at a time.
    """

    make: MakeReader
    path: str
    timezone: str
    buses: tuple[str, ...]
    state: Any
    parts: tuple[tuple[int, int | None], ...]
    chunk_bytes: int


@dataclass(frozen=True, slots=True)
class Part:
    """What a reading process found in its part; lines are numbered from 1."""

    columns: Columns | None
    lines: int
    problems: Problems
    events: list[Event]
    buses: list[str]
    metadata: dict[str, str]
    state: Any
    last_ns: int | None


def read_in_parts(stream: BinaryIO, size: int, reading: Reading, make: MakeReader, jobs: int) -> Iterator[Frames]:
    """Yield a plain text file as batches of frames; problems and events go to `reading`.

    Parameters
    ----------
    stream
        The file, at its beginning; afterwards it stands where what was yielded ends.
    size
        Its bytes.
    make
        Makes its reader.
    jobs
        Processes at work, this one included.
    """
    cuts = _cuts(stream, size, CHUNK_BYTES)
    reader, line = make(reading), 1
    with ExitStack() as ending:
        workers = [_Worker(ending) for _ in range(min(jobs - 1, len(cuts)))]  # they start while the first part is read
        for at, part in enumerate(zip([0, *cuts], [*cuts, None], strict=True)):
            found = workers[(at - 1) % len(workers)].next_part() if at and workers else None
            if found is not None and _taken(found, reading, reader, line):
                line += found.lines
                stream.seek(size if part[1] is None else part[1])
                if found.columns is not None and len(found.columns):
                    yield found.columns.freeze(reading.buses)
                continue
            if at:  # what is left, by one process
                ending.close()
                yield from _the_rest(_Blocks(stream, part[0], None), reading, reader, line)
                break
            columns, lines = read_part(stream, reading, reader, part, CHUNK_BYTES)
            line += lines
            state = reader.state()
            if state is None:
                ending.close()
                workers = []
            for number, worker in enumerate(workers):
                its = tuple(zip(cuts, [*cuts[1:], None], strict=True))[number :: len(workers)]
                task = (make, reading.path, reading.timezone, tuple(reading.buses), state, its, CHUNK_BYTES)
                worker.send(Task(*task))
            if columns is not None and len(columns):
                yield columns.freeze(reading.buses)
    reader.finish()


def read_part(
    stream: BinaryIO, reading: Reading, reader: Any, part: tuple[int, int | None], chunk_bytes: int
) -> tuple[Columns | None, int]:
    """Read a part; return its frames, None for none, and how many lines it has."""
    found, lines = [], 0
    for chunk in read_chunks(_Blocks(stream, *part), reading, chunk_bytes, at_start=part[0] == 0):
        found.append(reader.read(chunk))
        lines += int(np.count_nonzero(chunk.data[: chunk.size] == 10))
    found = [each for each in found if len(each)]
    return (join(found) if found else None), lines


class _Blocks:
    """A part of a file in blocks that begin where they do for one who reads it from its beginning."""

    def __init__(self, stream: BinaryIO, start: int, stop: int | None) -> None:
        self._stream, self._at, self._stop = stream, start, stop
        stream.seek(start)

    def read(self, size: int) -> bytes:
        wanted = size - self._at % size
        block = self._stream.read(wanted if self._stop is None else min(wanted, self._stop - self._at))
        self._at += len(block)
        return block


def _cuts(stream: BinaryIO, size: int, chunk_bytes: int) -> list[int]:
    """Return where parts begin behind the first: behind the last line end before so many chunks, if there is one."""
    cuts = []
    for block in range(PART_CHUNKS * chunk_bytes, size, PART_CHUNKS * chunk_bytes):
        stream.seek(block - chunk_bytes)
        end = stream.read(chunk_bytes).rfind(b"\n") + 1
        if end:
            cuts.append(block - chunk_bytes + end)
    return cuts


def _taken(part: Part, reading: Reading, reader: Any, line: int) -> bool:
    """Take a part over, unless it was read with another state than the parts before it ended in, or leaves one."""
    if part.state is None or part.state != reader.state() or len(part.buses) >= MAX_BUSES - 1:
        return False
    if len(reading.events) + len(part.events) > EVENTS_AT_MOST:
        return False
    index = np.array([reading.bus(name) for name in part.buses] or [0], np.uint8)
    if part.columns is not None and not np.array_equal(index, np.arange(len(index))):
        part.columns.bus = index[part.columns.bus]
    reading.problems.merge(part.problems, line - 1)
    reading.metadata.update(part.metadata)
    first_event = len(reading.events)
    reading.events += part.events
    reader.adopt(part.last_ns, first_event)
    return True


def _the_rest(stream: _Blocks, reading: Reading, reader: Any, line: int) -> Iterator[Frames]:
    chunks = read_chunks(stream, reading, CHUNK_BYTES, line=line, at_start=False)
    yield from batches((reader.read(chunk) for chunk in chunks), reading)


class _Worker:
    """A reading process; it is ended with the block that began it."""

    def __init__(self, ending: ExitStack) -> None:
        self._process = reading_process()
        ending.callback(end, self._process)

    def send(self, task: Task) -> None:
        """Give it its task; a process that is no more brings nothing, and that is seen there."""
        stream = self._process.stdin
        assert stream is not None
        with suppress(OSError):
            stream.write(pickle.dumps(task))
            stream.close()

    def next_part(self) -> Part | None:
        """Wait for its next part; None when it brings no more."""
        assert self._process.stdout is not None
        return received(self._process.stdout)


def received(stream: IO[bytes]) -> Part | None:
    """Read a part that a process has sent; None where it ended before it."""
    try:
        described, count = HEAD.unpack(_exactly(stream, HEAD.size))
        description = _exactly(stream, described)
        sizes = [SIZE.unpack(_exactly(stream, SIZE.size))[0] for _ in range(count)]
        buffers = [_exactly(stream, size) for size in sizes]
    except EOFError:
        return None
    part: Part = pickle.loads(description, buffers=buffers)  # noqa: S301  (of this program's own process)
    return part


def _exactly(stream: IO[bytes], size: int) -> bytearray:
    """Read so many bytes; EOFError where they end before."""
    found = bytearray(size)
    view, at = memoryview(found), 0
    while at < size:
        count = stream.readinto(view[at:])  # type: ignore[attr-defined]
        if not count:
            raise EOFError
        at += count
    return found
