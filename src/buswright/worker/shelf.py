"""Where a worker lays its newest result: who waits is woken once for it, and takes it when it has time."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

Shown = TypeVar("Shown")


class Shelf(Generic[Shown]):
    """Holds one result, the newest. Any thread may lay and take."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._newest: Shown | None = None
        self._taken = True
        self._deliver: Callable[[], None] = lambda: None

    @property
    def newest(self) -> Shown | None:
        """The newest result; None before the first."""
        return self._newest

    def wake(self, deliver: Callable[[], None]) -> None:
        """Call this from now on when a result lies ready, from the worker's thread; at once if one does."""
        with self._lock:
            self._deliver, self._taken = deliver, self._newest is None
        if not self._taken:
            deliver()

    def take(self) -> Shown | None:
        """Return the newest result and allow the next call."""
        with self._lock:
            self._taken = True
            return self._newest

    def lay(self, shown: Shown) -> None:
        """Lay the newest result; whoever hasn't taken the last one yet is not called again."""
        with self._lock:
            self._newest = shown
            call, self._taken = self._taken, False
        if call:
            self._deliver()
