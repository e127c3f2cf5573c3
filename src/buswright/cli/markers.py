"""Markers: a line typed while recording, kept with the moment it was entered."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections import deque

from buswright.frames.table import Event


class Markers:
    """Lines of standard input as events; an empty line is a marker without words.

    Standard input that isn't there, or belongs to a program in front of this one, gives none.
    """

    def __init__(self) -> None:
        self._found: deque[Event] = deque()
        self._count = 0
        if _may_read():
            threading.Thread(target=self._read, name="markers", daemon=True).start()

    def __call__(self) -> tuple[Event, ...]:
        """Return the markers set since the last call."""
        found = []
        while self._found:
            found.append(self._found.popleft())
        return tuple(found)

    def _read(self) -> None:
        # The bare descriptor: a thread that waits inside sys.stdin would hold its lock when the program ends.
        rest = b""
        while True:
            try:
                read = os.read(0, 4096)
            except OSError:
                return
            if not read:
                return
            *lines, rest = (rest + read).split(b"\n")
            for line in lines:
                self._mark(line.decode("utf-8", "replace").strip())

    def _mark(self, text: str) -> None:
        self._count += 1
        now = time.time_ns() // 1000 * 1000
        self._found.append(Event(now, None, "marker", {"number": self._count}, text or f"marker {self._count}"))


def _may_read() -> bool:
    try:
        return not sys.stdin.isatty() or os.tcgetpgrp(0) == os.getpgrp()
    except (AttributeError, OSError, ValueError):
        return sys.stdin is not None and not sys.stdin.closed
