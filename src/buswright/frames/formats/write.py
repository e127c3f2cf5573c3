"""Writing frames as candump or ASC text, and what is said when the format cannot hold something.

A writer takes batches as they come and writes whole lines at once, so a file is complete up to its last line
at any time; a recorder may use it as well as a converter. What the target format has no place for is counted
by reason in the writer's `losses`; a converter shows them. The writer for ASC files is in write_asc.py.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cache
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np

from buswright.frames.formats.line_text import (
    Cells,
    LineBlock,
    blocks,
    hex_words,
    short_hex_words,
    spell,
    split_seconds,
)
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


def write_candump(batches: Iterable[Frames], stream: BinaryIO, *, events: EventSource = ()) -> Counter[str]:
    """Write batches in candump's compact form; return what it could not hold, counted by reason.

    For `events` see `write_all`.
    """
    with CandumpWriter(stream) as writer:
        write_all(batches, writer, events)
    return writer.losses


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
    length that CAN FD hasn't got is padded with zeros. Both are counted, and rare: readers settle most of it.
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


class CandumpWriter(Writer):
    """Writes `(stamp) name ID#payload` lines, the compact form of candump (`-L`).

    Classic frames with a raw length code end in `_9` to `_F`; remote frames are `#R` or `#R8`, CAN FD frames
    `##` with a flag digit (1: bit-rate switch, 2: sender error passive); error frames have identifier bit 29
    and always eight bytes. Stamps are what `time_ns` says, whatever its origin; frames without a time have
    none. Reports of dropped frames become candump's own DROPCOUNT lines; no other event has a place.

    Parameters
    ----------
    stream, digits
        See `Writer`.
    direction
        Whether lines end in ` R` or ` T` (received, transmitted). None: from the first batch on that has a
        transmitted frame; a line without either is a received frame.
    """

    def __init__(self, stream: BinaryIO, *, digits: int | None = None, direction: bool | None = None) -> None:
        super().__init__(stream, digits=digits)
        self._direction = bool(direction)
        self._may_turn = direction is None
        self._spelled: dict[str, str] = {}

    def write(self, frames: Frames, events: Sequence[Event] = ()) -> None:
        """Write a batch, with DROPCOUNT lines where events say that frames were dropped."""
        self._count_losses(frames)
        if (frames.time_ns < 0).any():
            frames = replace(frames, time_ns=np.maximum(frames.time_ns, 0))
        digits = self._settle_digits(frames.time_ns)
        frames = settled(frames, self.losses)
        names = [self._name(name) for name in frames.buses] or [""]
        prefixes = spell([f") {name} ".encode() for name in names] + [f"{name} ".encode() for name in names])
        endings = _endings(self._direction)
        for start, stop, event in pieces(frames, events):
            for part in blocks(start, stop):
                self._stream.write(_candump_text(frames.slice(part.start, part.stop), prefixes, endings, digits))
            if event is not None:
                self._write_event(event)

    def _count_losses(self, frames: Frames) -> None:
        transmitted = np.count_nonzero(frames.has(Flag.TRANSMITTED))
        if transmitted:
            self._direction |= self._may_turn
            self._lose("direction of transmitted frames", 0 if self._direction else transmitted)
        self._lose("frames without a time, written without a stamp", np.count_nonzero(frames.has(Flag.UNTIMED)))
        self._lose("times before zero, written as 0", np.count_nonzero(frames.time_ns < 0))
        fd, error, remote = frames.has(Flag.FD), frames.has(Flag.ERROR), frames.has(Flag.REMOTE)
        self._lose("remote mark of CAN FD frames", np.count_nonzero(fd & remote & ~error))
        self._lose("CAN FD mark of error frames", np.count_nonzero(fd & error))

    def _name(self, name: str) -> str:
        """Spell an interface name without the characters that end a field."""
        if name not in self._spelled:
            plain = "".join("_" if c.isspace() or c == "#" or not c.isprintable() else c for c in name) or "bus"
            self._spelled[name] = plain
            self._lose("interface names spelled differently", plain != name)
        return self._spelled[name]

    def _write_event(self, event: Event) -> None:
        dropped, total = event.values.get("dropped"), event.values.get("total")
        if event.kind == "drop" and event.bus and isinstance(dropped, int) and isinstance(total, int):
            name = self._name(event.bus).replace("'", "_")
            line = f"DROPCOUNT: dropped {dropped} CAN frames on '{name}' socket (total drops {total})\n"
            self._stream.write(line.encode())
        else:
            self._lose(f"{event.kind} events")


def _candump_text(frames: Frames, prefixes: Cells, endings: Cells, digits: int) -> bytes:
    """Return the lines of at most a block of settled frames.

    Parameters
    ----------
    prefixes : uint32[2 * buses, k]
        What stands between stamp and identifier, by bus; then the same for frames without a stamp.
    endings : uint32[4096, 2]
        What stands behind the payload, by ``flags << 4 | dlc``.
    """
    lines = LineBlock(len(frames))
    whole, nanoseconds = split_seconds(frames.time_ns)
    lines.seconds(whole, b"(", 1, b".")
    lines.fraction(nanoseconds, digits)
    untimed = frames.has(Flag.UNTIMED)
    if untimed.any():
        lines.blank(untimed)
    lines.cells(prefixes.take(frames.bus + untimed * np.intp(len(prefixes) // 2), axis=0))
    error = frames.has(Flag.ERROR)
    number = np.where(error, frames.id | np.uint32(1 << 29), frames.id).astype(np.intp)
    wide = error | frames.has(Flag.EXTENDED)
    upper = hex_words().take(number >> 16)
    upper[~wide] = 0
    lower = np.where(wide, hex_words().take(number & 0xFFFF), short_hex_words(3).take(number & 0xFFFF))
    shape = frames.flags.astype(np.intp) << 4 | frames.dlc
    lines.cells(upper, lower, _marks().take(shape))
    lines.cells(payload_cells(frames))
    lines.cells(endings.take(shape, axis=0))
    return lines.text()


def payload_cells(frames: Frames) -> Cells:
    """Return the hex digits of payloads, two bytes a cell; uint32[n, 4], or [n, 32] with long payloads."""
    size = frames.length
    cells = np.zeros((len(frames), 32 if len(frames.long_row) else 4), dtype=np.uint32)
    words = frames.payload.view(">u2")
    for k in range(4):
        cells[:, k] = hex_words().take(words[:, k])
        cells[:, k] &= _kept(k).take(size)
    if len(frames.long_row):
        words = frames.long_payload.view(">u2")
        size = size[frames.long_row]
        cells[frames.long_row] = np.stack(
            [hex_words().take(words[:, k]) & _kept(k).take(size) for k in range(32)], axis=1
        )
    return cells


@cache
def _kept(word: int) -> Cells:
    """Mask of the digits that the given pair of bytes shows, by payload length; uint32[65]."""
    masks = [b"\xff" * (2 * max(0, min(2, size - 2 * word))) for size in range(65)]
    return spell(masks)[:, 0]


@cache
def _marks() -> Cells:
    """Spell what stands between identifier and payload, by ``flags << 4 | dlc``; uint32[4096]."""
    texts = []
    for index in range(4096):
        flags, dlc = index >> 4, index & 15
        if flags & Flag.ERROR:
            texts.append(b"#")
        elif flags & Flag.FD:
            texts.append(b"##%X" % (bool(flags & Flag.BRS) | bool(flags & Flag.ESI) << 1))
        elif flags & Flag.REMOTE:
            texts.append(b"#R%X" % min(dlc, 8) if dlc else b"#R")
        else:
            texts.append(b"#")
    return spell(texts)[:, 0]


@cache
def _endings(direction: bool) -> Cells:
    """Spell what stands behind the payload, by ``flags << 4 | dlc``; uint32[4096, 2]."""
    texts = []
    for index in range(4096):
        flags, dlc = index >> 4, index & 15
        raw = b"_%X" % dlc if dlc > 8 and not flags & (Flag.FD | Flag.ERROR) else b""
        turn = (b" T" if flags & Flag.TRANSMITTED else b" R") if direction else b""
        texts.append(raw.ljust(4, b"\0") + turn + b"\n")
    return spell([text.ljust(8, b"\0") for text in texts])


def pieces(frames: Frames, events: Sequence[Event]) -> Iterable[tuple[int, int, Event | None]]:
    """Cut a batch where events belong: (first row, row behind the last, event to write then)."""
    if not events:
        yield 0, len(frames), None
        return
    rising = np.maximum.accumulate(frames.time_ns) if len(frames) else frames.time_ns
    at = 0
    for event in events:
        place = 0 if event.time_ns is None else int(np.searchsorted(rising, event.time_ns, side="right"))
        yield at, max(at, place), event
        at = max(at, place)
    yield at, len(frames), None
