"""Programs that fill the terminal: run until the user or a signal ends them, their faults in a file."""

from __future__ import annotations

import io
import logging
import os
import shutil
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from buswright.wording import visible
from buswright.writing import own_folder

if TYPE_CHECKING:
    from buswright.tui.resilient import Resilient

FULL, BACK = "\x1b[?1049h\x1b[2J\x1b[H", "\x1b[?1049l"
"""Have a terminal show a second, empty screen; and what it showed before."""
GRACE_S = 5.0
"""A signal ends the program after this long even if the screen does not answer."""


class Closed(Protocol):
    """The worker behind a screen."""

    def end_because(self, why: str) -> None:
        """Say what it is ended by."""

    def close(self) -> None:
        """Finish what it records, and end; may be called again."""


def at_terminal() -> bool:
    """Whether all three streams are a terminal; Python has None for a closed one."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


@contextmanager
def opening(title: str) -> Iterator[None]:
    """Fill the terminal with what is being opened: the app takes half a second to load, on a small computer several.

    The app follows at once, on the same second screen. What ends this block is printed on the first one.
    """
    width = shutil.get_terminal_size().columns - 1
    lines = ("Buswright", "", f"Opening {visible(title)} ...", "ctrl+c quits")
    _to_terminal(FULL + "".join(f"\x1b[{row};1H{line[:width]}" for row, line in enumerate(lines, 1)))
    try:
        yield
    except BaseException:
        _to_terminal(BACK)
        raise


@contextmanager
def said_aside(said: io.StringIO) -> Iterator[None]:
    """Keep what is printed as an error while a screen fills the terminal, where it would be lost."""
    before, sys.stderr = sys.stderr, said
    try:
        yield
    finally:
        if sys.stderr is said:  # else the screen has ended meanwhile, and put back what it found
            sys.stderr = before


def _to_terminal(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()


def run_app(app: Resilient, worker: Closed) -> None:
    """Run an app until the user ends it; a signal ends it as the user would, the worker closed in the end."""
    from buswright.cli.terminal.stopping import stopping

    asked, ended = threading.Event(), threading.Event()
    with stopping(asked.set) as stop:

        def leave() -> None:
            asked.wait()
            if not stop.why:
                return
            worker.end_because(stop.why)
            app.post_message(app.Leave())
            if not ended.wait(GRACE_S):  # it hangs on a terminal that is gone: the recording is what matters
                worker.close()
                os._exit(0)

        # A handler can't end the app itself: the loop may be asleep, and only another thread wakes it.
        threading.Thread(target=leave, name="buswright-end", daemon=True).start()
        try:
            app.run()
        finally:
            worker.close()
            ended.set()
            asked.set()


@contextmanager
def logged() -> Iterator[None]:
    """Have faults of the program written to a file: on the screen they would be in the way."""
    log, place = logging.getLogger("buswright"), own_folder("state")
    handler: logging.Handler = logging.NullHandler() if place is None else _LogFile(place / "watch.log")
    handler.setFormatter(_OneEntry("%(asctime)s %(levelname)s %(message)s"))
    before, log.propagate = log.propagate, False
    log.addHandler(handler)
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.propagate = before
        handler.close()


class _OneEntry(logging.Formatter):
    """Writes an entry so that text from files neither steers the terminal that shows it nor forges another entry."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the entry, all its lines but the first indented."""
        return visible(super().format(record), keep="\n").replace("\n", "\n  ")


class _LogFile(logging.FileHandler):
    """A file that is only made when there is something to write, and never in the way."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, encoding="utf-8", delay=True)

    def emit(self, record: logging.LogRecord) -> None:
        with suppress(OSError):  # nowhere to write it: lost, as below
            Path(self.baseFilename).parent.mkdir(parents=True, exist_ok=True)
            super().emit(record)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802  (logging's name)
        """Lose it: a full disk must not disturb the screen."""
