"""Ending live work cleanly: Ctrl-C, a polite kill, and a terminal that was closed."""

from __future__ import annotations

import os
import signal
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType

WHY = {"SIGINT": "Ctrl-C", "SIGTERM": "terminated", "SIGHUP": "the terminal was closed"}
"""Signals that end live work, and how that is said. Not every system has the last."""


class Stop:
    """Why the work was asked to end; empty while it wasn't."""

    def __init__(self) -> None:
        self.why = ""


@contextmanager
def stopping(stop: Callable[[], None]) -> Iterator[Stop]:
    """Have the first signal call `stop`, which must only set a flag; a second Ctrl-C interrupts at once.

    When the terminal is gone, what would be printed on it goes nowhere rather than failing.
    """
    state = Stop()

    def handle(number: int, frame: FrameType | None) -> None:  # noqa: ARG001
        name = signal.Signals(number).name
        if state.why and name == "SIGINT":
            raise KeyboardInterrupt
        state.why = state.why or WHY[name]
        if name == "SIGHUP":
            _print_nowhere()
        stop()

    before = {}
    for name in WHY:
        number = getattr(signal, name, None)
        if number is not None:
            with suppress(ValueError):  # not the main thread: then nobody sends us signals
                before[number] = signal.signal(number, handle)
    try:
        yield state
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _print_nowhere() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):
            if stat.S_ISCHR(os.fstat(stream.fileno()).st_mode):  # isatty() denies a terminal that is gone
                os.dup2(nowhere, stream.fileno())
    os.close(nowhere)
