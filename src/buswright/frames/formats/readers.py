"""The processes that read parts of a capture (part_process.py): they start where they are needed, or well before.

This file needs nothing that takes long to load: a command has them start first, and they read while it loads what it
needs. So all that they are told is in their command line.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import astuple, dataclass
from pathlib import Path

CHUNK_BYTES = 1 << 20
"""Text is read in pieces of this size: small enough for the cache, large enough for NumPy."""
PART_CHUNKS = 12
"""Chunks of a part, 250,000 frames of candump: a batch, of which each process holds three at a time."""
PIPE_BYTES = 1 << 20
"""What a process has sent and nobody has taken: a sixteenth of it, as usual, and the two wait for each other often."""
LEAST_FOR_PARTS = 16 << 20
"""Bytes of a file from which on, and for each of which, one further process is worth its start."""

Process = subprocess.Popen[bytes]


@dataclass(frozen=True, slots=True)
class Task:
    """What a reading process has to do.

    Attributes
    ----------
    path, timezone
        As for `Reading`.
    size
        Bytes of the file, of which the parts are cut.
    number, of
        It reads each so-manieth part behind the first, from this one on, counted from 0.
    chunk_bytes, part_chunks
        Bytes read at a time, and how often for a part.
    """

    path: str
    timezone: str
    size: int
    number: int
    of: int
    chunk_bytes: int
    part_chunks: int

    @classmethod
    def from_words(cls, path: str, timezone: str, *numbers: str) -> Task:
        """Take the command line apart."""
        return cls(path, timezone, *map(int, numbers))

    @property
    def words(self) -> list[str]:
        """The command line that says it."""
        return [str(each) for each in astuple(self)]


def tasks(path: str, timezone: str, size: int, jobs: int) -> list[Task]:
    """Say what the processes have to do that read a file beside this one; none where it is too small for them."""
    of = min(jobs - 1, size // LEAST_FOR_PARTS)
    return [Task(path, timezone, size, number, of, CHUNK_BYTES, PART_CHUNKS) for number in range(of)]


_ahead: dict[Task, Process] = {}
"""Those that nobody has taken yet."""


@contextmanager
def started_ahead(path: Path, timezone: str, jobs: int) -> Iterator[None]:
    """Have the processes start that reading this file will want; those that are not taken end with the block."""
    size = path.stat().st_size if path.is_file() else 0
    try:
        for task in tasks(str(path), timezone, size, jobs):
            _ahead[task] = _started(task)
        yield
    finally:
        while _ahead:
            end(_ahead.popitem()[1])


def reading_process(task: Task) -> Process:
    """Return the process that does this."""
    return _ahead.pop(task, None) or _started(task)


def _started(task: Task) -> Process:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [sys.executable, "-m", f"{__package__}.part_process", *task.words]
    process = subprocess.Popen(  # noqa: S603  (this program's own module)
        command, bufsize=0, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
    )
    if sys.platform == "linux":
        import fcntl

        assert process.stdout is not None
        with suppress(OSError):  # where a user's pipes have their limit
            fcntl.fcntl(process.stdout, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    return process


def end(process: Process) -> None:
    """End a process at once, whatever it does."""
    process.kill()
    with suppress(OSError):
        process.stdout.close()  # type: ignore[union-attr]
    process.wait()
