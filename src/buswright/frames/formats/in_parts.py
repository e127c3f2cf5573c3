"""A text capture read by several processes: cut at line ends into parts, put together again in their order.

The first part is read here: it settles what the lines behind it mean (`ChunkReader.state`). Reading processes
(part_process.py) look at the beginning of the file for the same, read their parts, every so-manieth each, and send
columns, problems and events. A part is taken if the state that it was read with is the one that the parts before it
ended in; from the first that isn't, or that a process has not brought, the rest is read here. So what is read is the
same, to the last bit and line number.

Parts begin where chunks do when one process reads them, which keeps what depends on chunks the same.
"""

from __future__ import annotations

import pickle
import struct
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import IO, Any, BinaryIO

import numpy as np

from buswright.frames.formats.columns import Columns, join
from buswright.frames.formats.readers import Task, end, reading_process
from buswright.frames.formats.reading import MakeReader, Reading, batches, read_chunks
from buswright.frames.table import MAX_BUSES, Event, Frames, Problems

EVENTS_AT_MOST = 50_000
"""More events than these in all, and the rest is read by one process: readers keep no more than a number of them."""
HEAD = struct.Struct("<II")
"""Before each part: the bytes of what describes it, and the number of buffers; then the bytes of each buffer."""
SIZE = struct.Struct("<Q")
_LINE_BYTES = 1 << 12
"""Most lines are shorter: where one ends is looked for in so many bytes first."""


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


def read_in_parts(stream: BinaryIO, reading: Reading, make: MakeReader, tasks: Sequence[Task]) -> Iterator[Frames]:
    """Yield a plain text file as batches of frames; problems and events go to `reading`.

    Parameters
    ----------
    stream
        The file, at its beginning; afterwards it stands where what was yielded ends.
    make
        Makes its reader.
    tasks
        Of the processes that read beside this one.
    """
    size, chunk_bytes = tasks[0].size, tasks[0].chunk_bytes
    cuts = cuts_of(stream, tasks[0])
    reader, line = make(reading), 1
    with ExitStack() as ending:
        workers = [_Worker(task, ending) for task in tasks]
        for at, part in enumerate(zip([0, *cuts], [*cuts, None], strict=True)):
            found = workers[(at - 1) % len(workers)].next_part() if at else None
            if found is not None and _taken(found, reading, reader, line):
                line += found.lines
                stream.seek(size if part[1] is None else part[1])
                if found.columns is not None and len(found.columns):
                    yield found.columns.freeze(reading.buses)
                continue
            if at:  # what is left, by one process
                ending.close()
                rest = read_chunks(_Blocks(stream, part[0], None), reading, chunk_bytes, line=line, at_start=False)
                yield from batches((reader.read(chunk) for chunk in rest), reading)
                break
            columns, lines = read_part(stream, reading, reader, part, chunk_bytes)
            line += lines
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


def cuts_of(stream: BinaryIO, task: Task) -> list[int]:
    """Return where parts begin behind the first: behind the last line end before so many chunks, if there is one."""
    cuts, part_bytes = [], task.part_chunks * task.chunk_bytes
    for border in range(part_bytes, task.size, part_bytes):
        for back in (min(_LINE_BYTES, task.chunk_bytes), task.chunk_bytes):
            stream.seek(border - back)
            line_end = stream.read(back).rfind(b"\n") + 1
            if line_end:
                cuts.append(border - back + line_end)
                break
    return cuts


def _taken(part: Part, reading: Reading, reader: Any, line: int) -> bool:
    """Take a part over, unless it was read with another state than the parts before it ended in, or leaves one."""
    if part.state is None or part.state != reader.state() or len({*part.buses, *reading.buses}) >= MAX_BUSES - 1:
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


class _Worker:
    """A reading process; it is ended with the block that began it."""

    def __init__(self, task: Task, ending: ExitStack) -> None:
        self._process = reading_process(task)
        ending.callback(end, self._process)

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


def _exactly(stream: IO[bytes], size: int) -> memoryview:
    """Read so many bytes; EOFError where they end before."""
    found = np.empty(size, np.uint8).data  # as it comes: what is overwritten need not be zero
    at = 0
    while at < size:
        count = stream.readinto(found[at:])  # type: ignore[attr-defined]
        if not count:
            raise EOFError
        at += count
    return found
