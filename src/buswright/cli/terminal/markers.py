"""Markers set while recording: by single keys on a terminal, by lines of any other standard input."""

from __future__ import annotations

import codecs
import os
import select
import signal
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from types import FrameType, TracebackType

from buswright.cli.terminal.status_line import in_front
from buswright.cli.terminal.typed import READ_SIZE, typed_lines
from buswright.frames.table import Event

ESCAPE_S = 0.05
"""An Escape that nothing follows within this time is the key; else it begins what an arrow or function key sends."""
LOOK_S = 0.2
"""So often it is looked whether the terminal is this program's (again)."""


class Keys:
    """Keys into markers: the first one fixes the time, it and those after it are the words.

    Enter keeps them, Escape drops them, Backspace takes back. Enter or Space alone is a marker without words.

    Parameters
    ----------
    keep
        Told the time (ns) and the words of each marker.
    show
        Told the words so far whenever they change; None when there are none.
    sound
        Called at Ctrl-G, the bell's own key.
    """

    def __init__(
        self,
        keep: Callable[[int, str], None],
        show: Callable[[str | None], None],
        sound: Callable[[], None] = lambda: None,
    ) -> None:
        self._keep, self._show, self._sound = keep, show, sound
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._begun_ns = 0
        self._words = ""
        self._escape = ""

    @property
    def in_escape(self) -> bool:
        """Whether an Escape has come that may be more than the key."""
        return bool(self._escape)

    def press(self, read: bytes, now_ns: int) -> None:
        """Take what a terminal sent."""
        before = self._words
        for key in self._decoder.decode(read):
            self._follow(key, now_ns)
        self._show_if_new(before)

    def pause(self) -> None:
        """Nothing came for a moment: an Escape was the key itself."""
        before, self._escape = self._words, ""
        self._words = ""
        self._show_if_new(before)

    def finish(self) -> None:
        """Keep what is being typed: there will be no Enter any more."""
        if self._words:
            self._enter(self._begun_ns)
            self._show(None)

    def _follow(self, key: str, now_ns: int) -> None:
        if self._escape:
            self._in_escape(key, now_ns)
        elif key == "\x1b":
            self._escape = key
        elif key in "\r\n" or (key == " " and not self._words):
            self._enter(now_ns)
        elif key in "\x7f\b":
            self._words = self._words[:-1]
        elif key == "\x15":  # Ctrl-U, which empties a line in cooked mode
            self._words = ""
        elif key == "\a":
            self._sound()
        elif key.isprintable():
            if not self._words:
                self._begun_ns = now_ns
            self._words += key

    def _in_escape(self, key: str, now_ns: int) -> None:
        """Pass over a control sequence: ESC [ ... with a final byte from @ to ~, or ESC O and one (ECMA-48, 5.4)."""
        if self._escape == "\x1b" and key in "[O":
            self._escape = key
        elif self._escape == "\x1b":  # the key Escape, and another at once
            self._escape = self._words = ""
            self._follow(key, now_ns)
        elif self._escape == "O" or "@" <= key <= "~":
            self._escape = ""

    def _enter(self, now_ns: int) -> None:
        begun_ns, words = (self._begun_ns, self._words) if self._words else (now_ns, "")
        self._words = ""
        self._keep(begun_ns, words.strip())

    def _show_if_new(self, before: str) -> None:
        if self._words != before:
            self._show(self._words or None)


class KeyTerminal:
    """A terminal that gives single keys and doesn't echo them; as it was whenever this program isn't in front.

    Ctrl-C still interrupts. Suspending (SIGTSTP) and quitting (SIGQUIT) put it back first, going on takes it again.

    Parameters
    ----------
    descriptor
        Of the terminal.

    Raises
    ------
    ImportError, OSError
        This system's terminals don't work like that, or this one is none.
    """

    def __init__(self, descriptor: int) -> None:
        import termios

        self._descriptor = descriptor
        self._before = termios.tcgetattr(descriptor)
        self._single = termios.tcgetattr(descriptor)
        self._single[3] &= ~(termios.ICANON | termios.ECHO)
        self._single[6][termios.VMIN], self._single[6][termios.VTIME] = 1, 0
        self._handlers: dict[int, object] = {}
        for name, handler in (("SIGTSTP", self._leave), ("SIGQUIT", self._leave), ("SIGCONT", self._take_again)):
            number = getattr(signal, name)
            with suppress(ValueError):  # not the main thread: signals are somebody else's
                self._handlers[number] = signal.signal(number, handler)
        self.take()

    def take(self) -> None:
        """Have single keys, if the terminal is this program's."""
        self._set(self._single)

    def give_back(self) -> None:
        """Have it as it was."""
        self._set(self._before)

    def close(self) -> None:
        """Have it as it was, for good."""
        self.give_back()
        for number, handler in self._handlers.items():
            signal.signal(number, handler)  # type: ignore[arg-type]

    def _set(self, mode: list[int | list[bytes | int]]) -> None:
        import termios

        if in_front(self._descriptor):  # who sets it from behind is stopped for that
            with suppress(termios.error):  # it was closed
                termios.tcsetattr(self._descriptor, termios.TCSANOW, mode)  # NOW: one stopped by Ctrl-S never drains

    def _leave(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self.give_back()
        signal.signal(number, signal.SIG_DFL)
        signal.raise_signal(number)  # here it is suspended, or ends
        signal.signal(number, self._leave)
        self.take()

    def _take_again(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        self.take()


class Markers:
    """What was typed on standard input as events; one that isn't there, or isn't this program's, gives none.

    Parameters
    ----------
    ended
        Whether this is the end: then a marker whose words are still being typed is given, too.
    show
        Told the words being typed on a terminal; None: nothing can be shown, so lines are read there, too.
    sound
        Called at Ctrl-G.
    """

    def __init__(
        self,
        ended: Callable[[], bool] = lambda: False,
        show: Callable[[str | None], None] | None = None,
        sound: Callable[[], None] = lambda: None,
    ) -> None:
        self._found: deque[Event] = deque()
        self._count = 0
        self._ended = ended
        self._closed = threading.Event()
        self._lock = threading.Lock()
        self._terminal = _key_terminal() if show is not None else None
        self._keys = Keys(self._mark, show, sound) if show is not None and self._terminal is not None else None
        if _may_read():
            read = self._read_keys if self._keys else self._read_lines
            threading.Thread(target=read, name="markers", daemon=True).start()

    @property
    def by_keys(self) -> bool:
        """Whether single keys are read."""
        return self._keys is not None

    def __enter__(self) -> Markers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closed.set()
        if self._terminal is not None:
            self._terminal.close()

    def __call__(self) -> tuple[Event, ...]:
        """Return the markers set since the last call."""
        if self._keys is not None and self._ended():
            with self._lock:
                self._keys.finish()
        found = []
        while self._found:
            found.append(self._found.popleft())
        return tuple(found)

    def _read_keys(self) -> None:
        keys = self._keys
        assert keys is not None
        while not self._closed.is_set():
            if not in_front(0):  # who reads from behind is stopped for that
                self._closed.wait(LOOK_S)
                continue
            try:
                ready, _, _ = select.select([0], [], [], ESCAPE_S if keys.in_escape else LOOK_S)
                read = os.read(0, READ_SIZE) if ready and in_front(0) else None
            except OSError:
                return
            with self._lock:
                if read:
                    keys.press(read, _now_ns())
                elif read is not None:
                    return
                elif keys.in_escape:
                    keys.pause()

    def _read_lines(self) -> None:
        for line in typed_lines():
            self._mark(_now_ns(), line)

    def _mark(self, time_ns: int, text: str) -> None:
        self._count += 1
        self._found.append(Event(time_ns, None, "marker", {"number": self._count}, text or f"marker {self._count}"))


def _now_ns() -> int:
    return time.time_ns() // 1000 * 1000


def _key_terminal() -> KeyTerminal | None:
    """Return the terminal of standard input in single keys; None where that can't be."""
    try:
        return KeyTerminal(0) if sys.stdin.isatty() and in_front(0) else None
    except (ImportError, OSError, ValueError, AttributeError):  # termios.error is no OSError; isatty has ruled it out
        return None


def _may_read() -> bool:
    try:
        return not sys.stdin.isatty() or in_front(0)
    except (AttributeError, OSError, ValueError):
        return sys.stdin is not None and not sys.stdin.closed
