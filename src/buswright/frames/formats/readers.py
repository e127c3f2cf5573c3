"""The processes that read parts of a capture (part_process.py): they start where they are needed, or well before.

This file needs nothing that takes long to load: a command has them start first, and loads what it needs meanwhile.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

LEAST_FOR_PARTS = 16 << 20
"""Bytes of a file from which on further processes are worth their start."""

Process = subprocess.Popen[bytes]

_ahead: list[Process] = []
"""Those that nobody has taken yet."""


@contextmanager
def started_ahead(path: Path, jobs: int) -> Iterator[None]:
    """Have the processes start that reading this file will want; those that are not taken end with the block."""
    size = path.stat().st_size if path.is_file() else 0
    try:
        _ahead.extend(_started() for _ in range(min(jobs - 1, size // LEAST_FOR_PARTS)))
        yield
    finally:
        while _ahead:
            end(_ahead.pop())


def reading_process() -> Process:
    """Return a process that waits for its task."""
    return _ahead.pop() if _ahead else _started()


def _started() -> Process:
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    command = [sys.executable, "-m", f"{__package__}.part_process"]
    return subprocess.Popen(  # noqa: S603  (this program's own module)
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment
    )


def end(process: Process) -> None:
    """End a process at once, whatever it does."""
    process.kill()
    for stream in (process.stdin, process.stdout):
        with suppress(OSError):  # what is still to be written to it
            stream.close()  # type: ignore[union-attr]
    process.wait()
