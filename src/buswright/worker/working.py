"""Work in a thread of its own: it does what it is asked, in order, and lays what it makes on a shelf."""

from __future__ import annotations

import queue
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Generic, TypeVar

from buswright.worker.notices import Notices
from buswright.worker.shelf import Shelf

SNAPSHOT_S = 0.25
SNAPSHOT_SHARE = 5
ANSWER_S = 0.01

Command = Callable[[], None]
Shown = TypeVar("Shown")


class Working(ABC, Generic[Shown]):
    """Works; screens ask, and are given what it makes.

    Every method may be called from any thread and returns at once, but `advance` and `close`.

    Parameters
    ----------
    name
        Of the thread.
    why
        What a recording ended by, if nobody says.
    """

    def __init__(self, name: str, why: str) -> None:
        self._name, self._why = name, why
        self._notices = Notices()
        self._shelf: Shelf[Shown] = Shelf()
        self._commands: queue.SimpleQueue[Command] = queue.SimpleQueue()
        self._next: Command | None = None
        self._urgent = True
        """Whether something was asked that hasn't been shown."""
        self._thread: threading.Thread | None = None
        self._ending = threading.Event()

    def start(self, deliver: Command = lambda: None) -> None:
        """Begin to work; `deliver` is called from the worker's thread when something new lies ready."""
        self._shelf.wake(deliver)
        self._thread = threading.Thread(target=self._work, name=self._name, daemon=True)
        self._thread.start()

    def take(self) -> Shown | None:
        """Return the newest and allow the next delivery."""
        return self._shelf.take()

    def end_because(self, why: str) -> None:
        """Say what a recording that is ended by `close` ended by."""
        self._why = why

    def close(self) -> None:
        """End: finish the recording, close buses and files. May be called again."""
        self._ending.set()
        self._commands.put(lambda: None)
        thread, self._thread = self._thread, None
        if thread is not None and thread is not threading.current_thread():
            thread.join()

    def _work(self) -> None:
        while not self._ending.is_set():
            self.advance(self._wait)

    @abstractmethod
    def advance(self, wait: Callable[[float], None] = ...) -> None:
        """Do what was asked, take what has come, lay something ready if it is time."""

    def _wait(self, seconds: float) -> None:
        """Wait for that long, or for the next command; hardly at all while one that was obeyed hasn't been shown."""
        if self._urgent:
            seconds = min(seconds, ANSWER_S)
        if self._next is None:
            try:
                self._next = self._commands.get(timeout=seconds)
            except queue.Empty:
                self._next = None

    def _ask(self, command: Command) -> None:
        self._commands.put(command)

    def _obey(self) -> None:
        """Do what was asked since the last time, in order."""
        while True:
            command, self._next = self._next, None
            if command is None:
                try:
                    command = self._commands.get_nowait()
                except queue.Empty:
                    return
            self._urgent = True
            try:
                command()
            except Exception as fault:  # noqa: BLE001  (told; the work goes on)
                self._notices.trouble("that can't be done", fault)
