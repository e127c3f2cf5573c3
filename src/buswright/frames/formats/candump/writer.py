"""Writing frames as candump text, in the compact form."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import cache
from typing import BinaryIO

import numpy as np

from buswright.frames.formats.spelling import (
    Cells,
    LineBlock,
    hex_words,
    shapes,
    short_hex_words,
    spell,
    spell_shapes,
    split_seconds,
)
from buswright.frames.formats.writing import EventSource, Writer, settled, write_all
from buswright.frames.table import Event, Flag, Frames


def write_candump(batches: Iterable[Frames], stream: BinaryIO, *, events: EventSource = ()) -> Counter[str]:
    """Write batches in candump's compact form; return what it could not hold, counted by reason.

    For `events` see `write_all`.
    """
    with CandumpWriter(stream) as writer:
        write_all(batches, writer, events)
    return writer.losses


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

        def lines(part: slice) -> bytes:
            return _candump_text(frames.slice(part.start, part.stop), prefixes, endings, digits)

        self._write_lines(frames, events, lines)

    def _count_losses(self, frames: Frames) -> None:
        transmitted = np.count_nonzero(frames.has(Flag.TRANSMITTED))
        if transmitted:
            self._direction |= self._may_turn
            self._lose("direction of transmitted frames", 0 if self._direction else transmitted)
        self._lose("frames without a time, written without a stamp", np.count_nonzero(frames.has(Flag.UNTIMED)))
        self._lose("times before zero, written as 0", np.count_nonzero(frames.time_ns < 0))
        self._lose_flags(frames)

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
        What stands behind the payload, by `shapes`.
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
    shape = shapes(frames)
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
    """Spell what stands between identifier and payload, by `shapes`; uint32[4096]."""

    def mark(flags: int, dlc: int) -> bytes:
        if flags & Flag.FD and not flags & Flag.ERROR:
            return b"##%X" % (bool(flags & Flag.BRS) | bool(flags & Flag.ESI) << 1)
        if flags & Flag.REMOTE and not flags & Flag.ERROR:
            return b"#R%X" % min(dlc, 8) if dlc else b"#R"
        return b"#"

    return spell_shapes(mark)[:, 0]


@cache
def _endings(direction: bool) -> Cells:
    """Spell what stands behind the payload, by `shapes`; uint32[4096, 2]."""

    def ending(flags: int, dlc: int) -> bytes:
        raw = b"_%X" % dlc if dlc > 8 and not flags & (Flag.FD | Flag.ERROR) else b""
        turn = (b" T" if flags & Flag.TRANSMITTED else b" R") if direction else b""
        return (raw.ljust(4, b"\0") + turn + b"\n").ljust(8, b"\0")

    return spell_shapes(ending)
