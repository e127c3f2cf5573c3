"""Where a worker lays its newest result, and how often it may make one."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Generic, TypeVar

Shown = TypeVar("Shown")


class Shelf(Generic[Shown]):
    """Holds one result, the newest: who waits is woken once for it, and takes it when it has time.

    Any thread may lay and take.
    """

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


class Pace:
    """Lets something run at most every so many seconds, and for no more than a part of the time.

    Parameters
    ----------
    least_s
        Seconds from one beginning to the next, at least.
    share
        It may take one part in so many of the time.
    clock
        Nanoseconds that only rise.
    """

    def __init__(self, least_s: float, share: int, clock: Callable[[], int]) -> None:
        self._least_ns = round(least_s * 1e9)
        self._share = share
        self._clock = clock
        self._next_ns: int | None = None

    @property
    def due(self) -> bool:
        """Whether it may run now."""
        return self._next_ns is None or self._clock() >= self._next_ns

    @contextmanager
    def run(self) -> Iterator[None]:
        """Time what runs inside."""
        begun = self._clock()
        try:
            yield
        finally:
            self._next_ns = begun + max(self._least_ns, self._share * (self._clock() - begun))
