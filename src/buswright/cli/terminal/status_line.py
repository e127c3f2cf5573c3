"""The one line that says how a recording goes, with what is being typed in front of it."""

from __future__ import annotations

import os
import shutil
import sys
import threading
from contextlib import suppress

from buswright.wording import visible

PROMPT = "marker: "
_TYPED_LEAST = 20
"""Columns that words being typed keep, however narrow the terminal."""


class StatusLine:
    """Redraws the last line of a terminal from a thread of its own, always with the newest text only.

    A terminal that takes nothing (stopped with Ctrl-S, or at the end of a connection that hangs) then holds up this
    thread, and not the recording.

    Parameters
    ----------
    descriptor
        Of the terminal; None for none: nothing is shown.
    """

    def __init__(self, descriptor: int | None) -> None:
        self._descriptor = descriptor
        self._status = ""
        self._typed: str | None = None
        self._sound = True
        self._ring = False
        self._changed = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="status line", daemon=True)
        if descriptor is not None:
            self._thread.start()

    @property
    def shown(self) -> bool:
        """Whether there is a terminal."""
        return self._descriptor is not None

    def status(self, text: str) -> None:
        """Show how it goes."""
        self._status = text
        self._changed.set()

    def typed(self, words: str | None) -> None:
        """Show the words of a marker that is being typed; None when there is none."""
        self._typed = words
        self._changed.set()

    def ring(self) -> None:
        """Ring, if the sound is on."""
        self._ring = self._sound
        self._changed.set()

    def turn_sound(self) -> None:
        """Turn the sound off; or on again, which rings."""
        self._sound = not self._sound
        self.ring()

    def close(self) -> None:
        """Leave the line as it is, and go to the next."""
        if self._thread.is_alive():
            self._ended = True
            self._changed.set()
            self._thread.join(1.0)

    def _run(self) -> None:
        while not self._ended:
            self._changed.wait()
            self._changed.clear()
            bell, self._ring = "\a" if self._ring else "", False
            self._put(f"{bell}\r{one_line(self._status, self._typed, _columns())}\x1b[K")
        if self._status:
            self._put("\n")

    def _put(self, text: str) -> None:
        # The bare descriptor: a thread that waits inside sys.stderr would hold its lock when the program ends.
        if self._descriptor is not None and in_front(self._descriptor):
            left = text.encode("utf-8", "replace")
            with suppress(OSError):  # the terminal was closed
                while left:
                    left = left[os.write(self._descriptor, left) :]


def status_line() -> StatusLine:
    """Return the status line of standard error: none if that is no terminal."""
    return StatusLine(sys.stderr.fileno() if sys.stderr.isatty() else None)


def one_line(status: str, typed: str | None, columns: int) -> str:
    """Fit the status into a line, behind the words being typed; of long words the end is shown."""
    status = visible(status)
    if typed is None:
        return status[:columns]
    typed = visible(typed)
    room = max(_TYPED_LEAST, columns - len(PROMPT) - 1)
    front = f"{PROMPT}{typed if len(typed) <= room else '…' + typed[1 - room :]}_"
    behind = columns - len(front) - 3
    return f"{front}   {status[:behind]}" if behind > 0 else front


def in_front(descriptor: int) -> bool:
    """Whether a terminal is this program's, and not that of another one in front of it."""
    try:
        return os.tcgetpgrp(descriptor) == os.getpgrp()
    except (AttributeError, OSError):  # no such thing here, or not the terminal that governs this program
        return True


def _columns() -> int:
    return shutil.get_terminal_size().columns - 1  # a full last column would move some terminals to the next line
