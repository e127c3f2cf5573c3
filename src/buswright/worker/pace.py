"""How often something costly may run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager


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
