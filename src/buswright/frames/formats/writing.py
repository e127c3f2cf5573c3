"""What the writers of candump and ASC text share, and what is said when the format cannot hold something.

A writer takes batches as they come and writes whole lines at once, so a file is complete up to its last line
at any time; a recorder may use it as well as a converter. What the target format has no place for is counted
by reason in the writer's `losses`; a converter shows them. The writers themselves
stand beside the readers: candump/writer.py, asc/writer.py.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np

from buswright.frames.formats.spelling import blocks
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTH_OF_CODE, Event, Flag, Frames, Int64s, empty_frames

EventSource = Sequence[Event] | Callable[[], Sequence[Event]]
"""Events, or where to ask for those known so far."""

NANOSECOND_DIGITS = 9
MICROSECOND_DIGITS = 6


class Writer:
    """What the writers share: the stream, the losses, and that lines grow finer but never coarser.

    Parameters
    ----------
    stream
        Open for writing bytes; it stays open, it is the caller's.
    digits
        Digits of the fraction of a second: 6, 9, or None for 6 until the first batch with a stamp that needs
        9, and 9 from there on.

    Attributes
    ----------
    losses
        What the format could not hold, counted by reason.
    """

    def __init__(self, stream: BinaryIO, *, digits: int | None = None) -> None:
        self._stream = stream
        self._fixed_digits = digits
        self._digits = digits or MICROSECOND_DIGITS
        self.losses: Counter[str] = Counter()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            self.close()

    def write(self, frames: Frames, events: Sequence[Event] = ()) -> None:
        """Write a batch, with events (ascending times) placed among its frames."""
        raise NotImplementedError

    def close(self) -> None:
        """Write what ends the file, and flush."""
        self._stream.flush()

    def _write_lines(self, frames: Frames, events: Sequence[Event], lines: Callable[[slice], bytes]) -> None:
        """Write a batch block by block, `lines` giving the text of its rows, and each event where it belongs."""
        rising = np.maximum.accumulate(frames.time_ns) if events and len(frames) else frames.time_ns
        at = 0
        for event in (*events, None):
            due = len(frames)
            if event is not None:
                due = 0 if event.time_ns is None else int(np.searchsorted(rising, event.time_ns, side="right"))
            for part in blocks(at, due):
                self._stream.write(lines(part))
            at = max(at, due)
            if event is not None:
                self._write_event(event)

    def _write_event(self, event: Event) -> None:
        raise NotImplementedError

    def _lose_flags(self, frames: Frames) -> None:
        """Count the flags that no text format has for such frames."""
        fd, error, remote = frames.has(Flag.FD), frames.has(Flag.ERROR), frames.has(Flag.REMOTE)
        self._lose("remote mark of CAN FD frames", np.count_nonzero(fd & remote & ~error))
        self._lose("CAN FD mark of error frames", np.count_nonzero(fd & error))

    def _lose(self, reason: str, count: int | np.integer = 1) -> None:
        if count:
            self.losses[reason] += int(count)

    def _settle_digits(self, time_ns: Int64s) -> int:
        if self._fixed_digits is None:
            if self._digits == MICROSECOND_DIGITS and (time_ns % 1000 != 0).any():
                self._digits = NANOSECOND_DIGITS
        elif self._fixed_digits == MICROSECOND_DIGITS:
            self._lose("nanoseconds of time stamps", np.count_nonzero(time_ns % 1000))
        return self._digits


def write_all(batches: Iterable[Frames], writer: Writer, events: EventSource = ()) -> None:
    """Feed batches to a writer, and every event once, with the batch that it falls into.

    Parameters
    ----------
    batches
        In the order of the file.
    writer
        Not closed here.
    events
        Or a function that returns those known so far, since a capture finds its events while it is read:
        ``write_all(capture, writer, lambda: capture.events)``. An event without a time goes before the batch
        during which it appeared; what is left after the last batch goes to the end.
    """
    waiting: list[Event] = []
    seen: set[int] = set()
    known: Sequence[Event] = ()  # keeps the events alive, so that no two of them have the same id
    for frames in batches:
        known = events() if callable(events) else events
        waiting += [event for event in known if id(event) not in seen]
        seen.update(map(id, known))
        end = int(frames.time_ns.max()) if len(frames) else 0
        now = [event for event in waiting if event.time_ns is None or event.time_ns <= end]
        waiting = [event for event in waiting if event.time_ns is not None and event.time_ns > end]
        writer.write(frames, in_order(now))
    known = events() if callable(events) else events
    waiting += [event for event in known if id(event) not in seen]
    if waiting:
        writer.write(empty_frames(), in_order(waiting))


def in_order(events: Sequence[Event]) -> list[Event]:
    """Sort events by time, those without one first."""
    return sorted(events, key=lambda event: -(1 << 63) if event.time_ns is None else event.time_ns)


def rebased(frames: Frames, offset_ns: int) -> Frames:
    """Return the batch with `offset_ns` added to every time; frames without a time keep none.

    The way from capture-relative time to the epoch, given the start: ``rebased(frames, start_ns)``; and back
    to a capture that begins at zero: ``rebased(frames, -first_ns)``.
    """
    timed = ~frames.has(Flag.UNTIMED)
    return replace(frames, time_ns=np.where(timed, frames.time_ns + np.int64(offset_ns), frames.time_ns))


def rebased_events(events: Iterable[Event], offset_ns: int) -> list[Event]:
    """Return the events with `offset_ns` added to every time that is there."""
    return [event if event.time_ns is None else replace(event, time_ns=event.time_ns + offset_ns) for event in events]


def settled(frames: Frames, losses: Counter[str]) -> Frames:
    """Return the batch with length codes and payload lengths that agree, as text formats need them.

    A classic frame whose code contradicts its payload gets the code of its payload; a CAN FD payload of a
    length that CAN FD does not have is padded with zeros. Both are counted, and rare: readers settle most of it.
    Error frames get the eight bytes that the Linux error frame has.
    """
    fd = frames.has(Flag.FD)
    error = frames.has(Flag.ERROR)
    bare = frames.has(Flag.REMOTE) & ~fd & ~error
    classic = ~fd & ~bare & ~error
    dlc, length = frames.dlc & np.uint8(15), frames.length
    contradicts = classic & (dlc != length) & ~((dlc > 8) & (length == 8))
    wrong = fd & ~error & (FD_LENGTH_OF_CODE[dlc] != length)
    for reason, rows in (
        ("length codes that contradict the payload", contradicts),
        ("payloads padded to a CAN FD length", wrong),
    ):
        if rows.any():
            losses[reason] += int(np.count_nonzero(rows))
    dlc = np.where(contradicts, np.minimum(length, 8), dlc)
    dlc = np.where(wrong, np.maximum(dlc, FD_CODE_OF_LENGTH[length]), dlc)
    length = np.where(wrong, FD_LENGTH_OF_CODE[dlc], length)
    length = np.where(error, 8, np.where(bare, 0, length))
    return replace(frames, dlc=dlc.astype(np.uint8), length=length.astype(np.uint8))
