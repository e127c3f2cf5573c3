"""A process that reads some parts of a text capture: its command line says which (`readers.Task`); see in_parts.py."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from itertools import islice
from queue import SimpleQueue
from typing import Any, BinaryIO

from buswright.frames.formats.asc import reader as asc
from buswright.frames.formats.candump import reader as candump
from buswright.frames.formats.in_parts import HEAD, SIZE, Part, cuts_of, read_part
from buswright.frames.formats.readers import Task
from buswright.frames.formats.reading import HEAD_BYTES, MakeReader, Reading, read_chunks

TEXT_FORMATS = (candump.FORMAT, asc.FORMAT)
"""Those that are read in parts, in the order in which they are asked."""


def read_parts(task: Task, out: BinaryIO) -> None:
    """Read one part after the other; while one is sent the next is read."""
    room = threading.Semaphore(2)
    waiting: SimpleQueue[list[bytes | memoryview] | None] = SimpleQueue()

    def send() -> None:
        while (pieces := waiting.get()) is not None:
            try:
                for piece in pieces:
                    out.write(piece)
                out.flush()
            except OSError:
                os._exit(0)  # nobody listens any more
            room.release()

    sender = threading.Thread(target=send)
    sender.start()
    with open(task.path, "rb") as stream:  # noqa: PTH123
        cuts = cuts_of(stream, task)
        begun = _begun(task, stream)
        if begun is not None:
            for span in list(zip(cuts, [*cuts[1:], None], strict=True))[task.number :: task.of]:
                room.acquire()
                waiting.put(packed(_read(task, stream, span, *begun)))
    waiting.put(None)
    sender.join()


def _begun(task: Task, stream: BinaryIO) -> tuple[MakeReader, Any, list[str]] | None:
    """Read so much of the first part that it is settled what later lines mean; None where it isn't within it.

    Returns
    -------
    What makes the reader, its state, and the buses that it has met.
    """
    stream.seek(0)
    head = stream.read(HEAD_BYTES).removeprefix(b"\xef\xbb\xbf")
    make = next((form.reader for form in TEXT_FORMATS if form.sniff(head, task.path)), None)
    if make is None:
        return None
    stream.seek(0)
    reader = make(Reading(task.path, timezone=task.timezone))
    for chunk in islice(read_chunks(stream, reader.reading, task.chunk_bytes), task.part_chunks):
        reader.read(chunk)
        state = reader.state()
        if state is not None:
            return make, state, reader.reading.buses
    return None


def _read(
    task: Task, stream: BinaryIO, span: tuple[int, int | None], make: MakeReader, state: Any, buses: list[str]
) -> Part:
    """Read what lies between two bytes of the file."""
    reading = Reading(task.path, timezone=task.timezone)
    for name in buses:
        reading.bus(name)
    reader = make(reading)
    reader.resume(state)
    columns, lines = read_part(stream, reading, reader, span, task.chunk_bytes)
    found = (columns, lines, reading.problems, reading.events, reading.buses, reading.metadata)
    return Part(*found, state=reader.state(), last_ns=reader.last_ns())


def packed(part: Part) -> list[bytes | memoryview]:
    """Return what is sent of a part: its columns as they lie in memory."""
    buffers: list[pickle.PickleBuffer] = []
    description = pickle.dumps(part, protocol=5, buffer_callback=buffers.append)
    views = [each.raw() for each in buffers]
    sizes = [SIZE.pack(view.nbytes) for view in views]
    return [HEAD.pack(len(description), len(views)), description, *sizes, *views]


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the other process's, which ends this one
    read_parts(Task.from_words(*sys.argv[1:]), sys.stdout.buffer)
