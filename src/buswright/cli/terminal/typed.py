"""What is typed on standard input, line by line, read from its bare descriptor.

A thread that waits inside sys.stdin would hold its lock when the program ends, and sys.stdin waits for a whole line.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

READ_SIZE = 4096


class Lines:
    """Cuts what is read into lines, and keeps the beginning of one that has not ended."""

    def __init__(self) -> None:
        self._rest = b""

    def of(self, read: bytes) -> list[str]:
        """Return the lines that end with this, without blanks around them."""
        *lines, self._rest = (self._rest + read).split(b"\n")
        return [line.decode("utf-8", "replace").strip() for line in lines]


def typed_lines() -> Iterator[str]:
    """Yield each line of standard input as it ends, until nothing more can come."""
    lines = Lines()
    while True:
        try:
            read = os.read(0, READ_SIZE)
        except OSError:
            return
        if not read:
            return
        yield from lines.of(read)
