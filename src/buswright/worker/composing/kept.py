"""The latest minutes of a live bus, as frames: what its channels are judged by."""

from __future__ import annotations

from collections import deque

from buswright.diagnosis.case import SECOND, Window
from buswright.frames.table import Flag, Frames, concatenate

KEPT_S = 300
"""Most of what comes and goes is seen in minutes, and more would take too long to judge (a choice)."""
KEPT_FRAMES = 1_000_000
"""About 25 MB, and a minute of two buses that are full."""
_PIECE_FRAMES = 50_000
_PIECE_NS = 10 * SECOND


class KeptFrames:
    """Keeps the latest frames, in pieces, so that few are handed on and the oldest are easily let go of.

    Attributes
    ----------
    count
        Frames that were added, those that are gone too.
    """

    def __init__(self) -> None:
        self._pieces: deque[Frames] = deque()
        self._pending: list[Frames] = []
        self._pending_count = self._held = self.count = 0
        self._begun_ns: int | None = None
        self._newest_ns: int | None = None

    def add(self, frames: Frames) -> None:
        """Keep a batch."""
        if not len(frames):
            return
        self._pending.append(frames)
        self._pending_count += len(frames)
        self._held += len(frames)
        self.count += len(frames)
        timed = frames.time_ns[~frames.has(Flag.UNTIMED)]
        if len(timed):
            newest = int(timed.max()) if self._newest_ns is None else max(int(timed.max()), self._newest_ns)
            begun = int(timed.min()) if self._begun_ns is None else self._begun_ns
            self._newest_ns, self._begun_ns = newest, begun
            if newest - begun >= _PIECE_NS:
                self._close()
        if self._pending_count >= _PIECE_FRAMES:
            self._close()

    def _close(self) -> None:
        """Make a piece of what has come together, and let go of the oldest ones."""
        if self._pending:
            self._pieces.append(concatenate(self._pending))
        self._pending, self._pending_count, self._begun_ns = [], 0, None
        while len(self._pieces) > 1 and self._has_too_much():
            self._held -= len(self._pieces.popleft())

    def _has_too_much(self) -> bool:
        newest = self._newest_ns
        old = newest is not None and int(self._pieces[0].time_ns.max()) < newest - KEPT_S * SECOND
        return old or self._held > KEPT_FRAMES

    @property
    def span(self) -> Window | None:
        """From the first kept frame to the newest; None before there was one."""
        held = [*self._pieces, *self._pending[:1]]
        if not held or self._newest_ns is None:
            return None
        return Window(int(held[0].time_ns[0]), self._newest_ns)

    def pieces(self) -> tuple[Frames, ...]:
        """Return what is kept, oldest first."""
        return (*self._pieces, concatenate(self._pending)) if self._pending else tuple(self._pieces)
