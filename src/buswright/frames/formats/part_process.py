"""A process that reads some parts of a text capture: it is told which on standard input; see in_parts.py."""

from __future__ import annotations

import os
import pickle
import signal
import sys
import threading
from queue import SimpleQueue
from typing import BinaryIO

from buswright.frames.formats.in_parts import HEAD, SIZE, Part, Task, read_part
from buswright.frames.formats.reading import Reading


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
        for part in task.parts:
            room.acquire()
            reading = Reading(task.path, timezone=task.timezone, buses=[])
            for name in task.buses:
                reading.bus(name)
            reader = task.make(reading)
            reader.resume(task.state)
            columns, lines = read_part(stream, reading, reader, part, task.chunk_bytes)
            found = (columns, lines, reading.problems, reading.events, reading.buses, reading.metadata)
            waiting.put(packed(Part(*found, state=reader.state(), last_ns=reader.last_ns())))
    waiting.put(None)
    sender.join()


def packed(part: Part) -> list[bytes | memoryview]:
    """Return what is sent of a part: its columns as they lie in memory."""
    buffers: list[pickle.PickleBuffer] = []
    description = pickle.dumps(part, protocol=5, buffer_callback=buffers.append)
    views = [each.raw() for each in buffers]
    sizes = [SIZE.pack(view.nbytes) for view in views]
    return [HEAD.pack(len(description), len(views)), description, *sizes, *views]


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the other process's, which ends this one
    if told := sys.stdin.buffer.read():
        read_parts(pickle.loads(told), sys.stdout.buffer)  # noqa: S301  (of this program's own process)
