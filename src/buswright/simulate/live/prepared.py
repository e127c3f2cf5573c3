"""A run made a little ahead of being played, in a thread of its own, and exchanged for another on the way."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from buswright.frames.table import Frames, concatenate, empty_frames

CHUNK_NS = 250_000_000
"""A run is cut into pieces this long."""

CHUNKS_READY = 40
"""Chunks that are kept ready: enough to make the next half minute of the car, or another run up to here."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """A piece of a run.

    Attributes
    ----------
    start_ns, end_ns
        On the clock of the stamps; a frame stamped with the end is the next chunk's.
    frames
        Those of each bus.
    """

    start_ns: int
    end_ns: int
    frames: tuple[Frames, ...]


def chunks(batches: Iterable[Frames], buses: int, origin_ns: int, after_ns: int | None = None) -> Iterator[Chunk]:
    """Cut a run into chunks that lie end to end from `origin_ns` on.

    Parameters
    ----------
    batches
        In order of time.
    origin_ns
        Stamp that the first chunk begins with. Frames stamped earlier are in it.
    after_ns
        Leave out the chunks that start earlier.
    """
    uncut, start_ns = empty_frames(), origin_ns
    for batch in batches:
        if after_ns is not None and len(batch) and batch.time_ns.max() < after_ns - CHUNK_NS:
            continue
        whole = concatenate([uncut, batch]) if len(uncut) else batch
        if len(whole) == 0:
            continue
        times = np.maximum.accumulate(whole.time_ns)
        starts = np.arange(start_ns, max(int(times[-1]), start_ns) + 1, CHUNK_NS)
        cuts = [0, *np.searchsorted(times, starts[1:]).tolist()]
        for begin, first, last in zip(starts[:-1].tolist(), cuts[:-1], cuts[1:], strict=True):
            if after_ns is None or begin >= after_ns:
                yield _chunk(whole.slice(first, last), buses, begin)
        uncut, start_ns = whole.slice(cuts[-1], len(whole)), int(starts[-1])
    if len(uncut) and (after_ns is None or start_ns >= after_ns):
        yield _chunk(uncut, buses, start_ns)


def _chunk(frames: Frames, buses: int, start_ns: int) -> Chunk:
    return Chunk(start_ns, start_ns + CHUNK_NS, tuple(frames.take(frames.bus == bus) for bus in range(buses)))


class PreparedRun:
    """Chunks of a run that are made a little ahead, to be iterated once.

    `batches`: the run, in order of time; `origin_ns`: when it begins, on the clock of its stamps.
    """

    def __init__(self, batches: Iterable[Frames], buses: int, origin_ns: int) -> None:
        self._buses = buses
        self._origin_ns = origin_ns
        self._ready: deque[Chunk] = deque()
        self._given_ns = origin_ns
        self._making = chunks(batches, buses, origin_ns)
        self._wanted: tuple[Iterable[Frames], int] | None = None
        self._fault: BaseException | None = None
        self._complete = self._stopped = False
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._make, name="prepare the run", daemon=True)
        self._thread.start()

    def __iter__(self) -> Iterator[Chunk]:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._ready or self._stopped or (self._complete and not self._wanted))
                if not self._ready:
                    if self._fault is not None:
                        raise self._fault
                    return
                chunk = self._ready.popleft()
                self._given_ns = chunk.end_ns
                self._changed.notify_all()
            yield chunk

    def exchange(self, batches: Iterable[Frames], from_ns: int) -> None:
        """Go on with another run from a moment on, or from where it can be had; it is the same before."""
        with self._changed:
            self._wanted = batches, from_ns
            self._changed.notify_all()

    def stop(self) -> None:
        """Make no more, and wait for the thread to end."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()
        self._thread.join()

    def _make(self) -> None:
        try:
            while (order := self._next_order()) is not None:
                if order:
                    self._start_again(*order)
                else:
                    self._add(next(self._making, None))
        except BaseException as fault:  # noqa: BLE001  (raised again where the chunks are wanted)
            with self._changed:
                self._fault = fault
                self._complete, self._wanted = True, None
                self._changed.notify_all()

    def _next_order(self) -> tuple[Iterable[Frames], int] | tuple[()] | None:
        """Wait until there is something to make: another run, or, (), the next chunk of this one. None: no more."""
        with self._changed:
            self._changed.wait_for(
                lambda: self._stopped or self._wanted or (not self._complete and len(self._ready) < CHUNKS_READY)
            )
            return None if self._stopped else self._wanted or ()

    def _add(self, chunk: Chunk | None) -> None:
        with self._changed:
            if chunk is None:
                self._complete = True
            else:
                self._ready.append(chunk)
            self._changed.notify_all()

    def _meanwhile(self, batches: Iterable[Frames]) -> Iterator[Frames]:
        """Pass batches on; while they are not up to the moment yet, keep the run that is being played going."""
        old, coming = self._making, iter(batches)
        while True:
            while self._making is old and not self._complete and len(self._ready) < CHUNKS_READY:
                self._add(next(old, None))
            batch = next(coming, None)
            if batch is None:
                return
            yield batch

    def _start_again(self, batches: Iterable[Frames], from_ns: int) -> None:
        """Come up to a moment with another run, and put it in the place of what is ready from there on."""
        edge_ns = from_ns - CHUNK_NS + 1  # the chunk that the moment lies in is the other run's
        after_ns = min(edge_ns, self._made_ns())
        making = chunks(self._meanwhile(batches), self._buses, self._origin_ns, after_ns=after_ns)
        first = next(making, None)
        while first is not None and first.start_ns < min(edge_ns, self._made_ns()):
            first = next(making, None)
        self._making = making
        with self._changed:
            while first is not None and self._ready and self._ready[-1].start_ns >= first.start_ns:
                self._ready.pop()
            resume_ns = self._made_ns()
        while first is not None and first.start_ns < resume_ns:  # the player was faster
            first = next(making, None)
        with self._changed:
            self._complete = False
            if self._wanted is not None and self._wanted[0] is batches:
                self._wanted = None
        self._add(first)

    def _made_ns(self) -> int:
        """Return the end of what is ready, or was taken."""
        with self._changed:
            return self._ready[-1].end_ns if self._ready else self._given_ns
