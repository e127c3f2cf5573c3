"""Writing frames as ASC text: header, trigger block, classic, remote, CAN FD and error frame lines, events."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from types import MappingProxyType
from typing import BinaryIO

import numpy as np

from buswright.frames.formats.asc.clock import LATEST_STAMP
from buswright.frames.formats.asc.events import STATES, STATISTICS, error_frame
from buswright.frames.formats.asc.lines import LAST_CHANNEL, NUMBERED
from buswright.frames.formats.spelling import (
    Cells,
    LineBlock,
    blanks_for,
    hex_words,
    shapes,
    short_hex_words,
    spell,
    spell_shapes,
    split_seconds,
)
from buswright.frames.formats.writing import EventSource, Writer, settled, write_all
from buswright.frames.table import FD_LENGTHS, Bools, Clock, Event, Flag, Frames, Int64s

ClockSource = Clock | Callable[[], Clock] | None
"""The clock of a capture, where to ask for it, or None for times since the epoch."""

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST_YEAR, _LAST_YEAR = 1970, 2100
"""Dates outside are no dates of a recording; such a capture is written without one."""
_MILLISECOND = 1_000_000

_STATES = {name: text for text, name in STATES.items()}
_KINDS = 3
"""Line beginnings by kind of frame: classic, CAN FD, error."""


def write_asc(
    batches: Iterable[Frames], stream: BinaryIO, *, clock: ClockSource = None, events: EventSource = ()
) -> Counter[str]:
    """Write batches as an ASC file; return what it could not hold, counted by reason.

    For `clock` see `AscWriter`; for `events` see `write_all`.
    """
    with AscWriter(stream, clock=clock) as writer:
        write_all(batches, writer, events)
    return writer.losses


def date_line(time_ns: int) -> str:
    """Spell a time as the headers of ASC files do: `Sat Nov 14 10:30:00.000 am 2026`, in UTC."""
    moment = _EPOCH + timedelta(milliseconds=time_ns // _MILLISECOND)
    day = f"{_DAYS[moment.weekday()]} {_MONTHS[moment.month - 1]} {moment.day}"
    half = "am" if moment.hour < 12 else "pm"
    milliseconds = moment.microsecond // 1000
    return f"{day} {moment:%I:%M:%S}.{milliseconds:03d} {half} {moment.year}"


class AscWriter(Writer):
    """Writes an ASC file: hexadecimal, stamps in seconds since the date of its header, which is UTC.

    The date is that of the first frame, cut to milliseconds; where times don't count from the epoch there is
    none. Interfaces become channel numbers: those of `channels`, a name that is a number its own, the others in the
    order of their names the lowest free ones. A comment line says so to the reader (`// channel 1: can0`).
    Controller states, statistics and lost-frame reports are written as the lines that ASC has for them; other
    events as comments, which readers pass over. An error frame's class and details are kept as an error code where
    there is one that means the same.

    Parameters
    ----------
    stream, digits
        See `Writer`.
    clock
        Of the capture that the frames come from, or a function that returns it, asked at the first batch: a
        capture knows its clock once it is being read. Only the origin matters; default: the epoch.
    start_ns
        What stamps count from; default: the first frame. Give it to keep several files in step.
    channels
        Channel numbers that interfaces have, by name; no other interface gets one of these numbers.

    Attributes
    ----------
    channels
        Channel number by interface name, as far as they occurred.
    """

    def __init__(
        self,
        stream: BinaryIO,
        *,
        digits: int | None = None,
        clock: ClockSource = None,
        start_ns: int | None = None,
        channels: Mapping[str, int] = MappingProxyType({}),
    ) -> None:
        super().__init__(stream, digits=digits)
        self._clock = clock
        self._dated = True
        self._start_ns = start_ns
        self._begun = False
        self._blocks = 0
        self._wanted = channels
        self.channels: dict[str, int] = {}

    def write(self, frames: Frames, events: Sequence[Event] = ()) -> None:
        """Write a batch, with events (ascending times) placed among its frames."""
        comments = self._channel_comments(frames.buses)
        if not self._begun:
            self._begin(frames, events, comments)
        else:
            self._stream.write(comments.encode())
        frames, relative = self._expressible(frames)
        self._count_losses(frames)
        digits = self._settle_digits(relative)
        frames = settled(frames, self.losses)
        beginnings = spell([text for name in frames.buses for text in _beginnings(self.channels[name])] or [b""])

        def lines(part: slice) -> bytes:
            batch = frames.slice(part.start, part.stop)
            return self._finish_lines(_begin_lines(relative[part], digits), batch, beginnings)

        self._write_lines(frames, events, lines)

    def close(self) -> None:
        """End the trigger block."""
        if not self._begun:
            self._begin(None, (), "")
        self._stream.write(b"End TriggerBlock\n")
        super().close()

    def _begin(self, frames: Frames | None, events: Sequence[Event], comments: str) -> None:
        clock = self._clock() if callable(self._clock) else self._clock
        self._dated = clock is None or clock.origin == "epoch"
        if self._start_ns is None:
            first = frames.first_ns if frames is not None else None
            if first is None:
                first = next((event.time_ns for event in events if event.time_ns is not None), 0)
            self._start_ns = first // _MILLISECOND * _MILLISECOND if self._dated else 0
        year = (_EPOCH + timedelta(microseconds=self._start_ns // 1000)).year
        if self._dated and not _FIRST_YEAR <= year <= _LAST_YEAR:
            self._dated = False
            self._lose("date outside the years 1970 to 2100")
        date = date_line(self._start_ns) if self._dated else ""
        header = [f"date {date}"] if date else []
        header += ["base hex  timestamps absolute", "internal events logged"]
        header += [
            "// the date is UTC" if date else "// stamps count from the start of the capture; its date is unknown"
        ]
        header += [comments.rstrip("\n")] if comments else []
        header += [f"Begin Triggerblock {date}".rstrip(), "   0.000000 Start of measurement"]
        self._stream.write(("\n".join(header) + "\n").encode())
        self._begun = True

    def _channel_comments(self, names: Sequence[str]) -> str:
        """Give new names their channel numbers and return the comment lines that say so."""
        new = sorted((name for name in names if name not in self.channels), key=_by_number)
        taken = set(self.channels.values())
        free = []
        for name in new:
            number = self._wanted.get(name) or (int(name) if NUMBERED.fullmatch(name) else 0)
            if 0 < number <= LAST_CHANNEL and number not in taken:
                self.channels[name] = number
                taken.add(number)
            else:
                free.append(name)
        left = (number for number in range(1, 2 * LAST_CHANNEL) if number not in taken | set(self._wanted.values()))
        self.channels |= dict(zip(free, left, strict=False))
        renamed = sorted((name for name in new if str(self.channels[name]) != name), key=self.channels.__getitem__)
        self._lose("interface names, comments beside channel numbers instead", len(renamed))
        return "".join(f"// channel {self.channels[name]}: {_one_line(name)}\n" for name in renamed)

    def _count_losses(self, frames: Frames) -> None:
        self._lose("frames without a time, written at the start", np.count_nonzero(frames.has(Flag.UNTIMED)))
        self._lose_flags(frames)
        sent = frames.has(Flag.ERROR) & frames.has(Flag.TRANSMITTED)
        self._lose("direction of error frames", np.count_nonzero(sent))

    def _expressible(self, frames: Frames) -> tuple[Frames, Int64s]:
        """Return the frames whose stamps can be read again, and these in nanoseconds from the start."""
        assert self._start_ns is not None
        seconds = frames.time_ns / 1e9 - self._start_ns / 1e9  # their difference may be too much for int64
        near = frames.has(Flag.UNTIMED) | (np.abs(seconds) < LATEST_STAMP)
        if not near.all():
            self._lose("frames more than 126 years from the start, left out", np.count_nonzero(~near))
            frames = frames.take(near)
        relative = np.where(frames.has(Flag.UNTIMED), 0, frames.time_ns - np.int64(self._start_ns))
        self._lose("times before the start, written as negative stamps", np.count_nonzero(relative < 0))
        return frames, relative

    def _finish_lines(self, lines: LineBlock, frames: Frames, beginnings: Cells) -> bytes:
        """Complete the lines of at most a block of settled frames.

        `beginnings` is uint32[2 * 3 * buses, k]: what stands between stamp and identifier.
        """
        error, fd = frames.has(Flag.ERROR), frames.has(Flag.FD)
        kind = np.where(error, 2, fd).astype(np.intp)
        turn = frames.has(Flag.TRANSMITTED)
        lines.cells(beginnings.take((frames.bus.astype(np.intp) * _KINDS + kind) * 2 + turn, axis=0))
        lines.cells(*_identifier_cells(frames, error))
        shape = shapes(frames)
        lines.cells(_middles().take(shape, axis=0), _payload_cells(frames, error))
        if fd.any():
            lines.cells(_endings().take(shape, axis=0))
        if error.any():
            lines.cells(self._error_cells(frames, error))
        lines.cells(np.broadcast_to(spell([b"\n"])[:, 0], len(frames)))
        return lines.text()

    def _error_cells(self, frames: Frames, error: Bools) -> Cells:
        """Error codes of error frames where one means the same as class and details; uint32[n, 4]."""
        rows = np.flatnonzero(error)
        key = np.column_stack([frames.id[rows].astype(">u4").view(np.uint8).reshape(-1, 4), frames.payload[rows]])
        kinds, index, count = np.unique(key, axis=0, return_inverse=True, return_counts=True)
        texts = []
        for row, times in zip(kinds, count.tolist(), strict=True):
            text = _error_code(int.from_bytes(row[:4].tobytes(), "big"), row[4:].tobytes())
            texts.append(b"" if text is None else text)
            self._lose("class and details of error frames", times if text is None else 0)
        cells = np.zeros((len(frames), 4), dtype=np.uint32)
        cells[rows] = spell([text.ljust(16, b"\0") for text in texts])[index.reshape(-1)]
        return cells

    def _write_event(self, event: Event) -> None:
        line = self._event_line(event)
        if line is None:
            kind = _one_line(event.kind)
            self._lose(f"{kind} events, kept as comments")
            stamp = "" if event.time_ns is None else self._stamp(event.time_ns).strip() + " "
            line = f"// {stamp}{kind}: {_one_line(event.text) or _one_line(str(dict(event.values)))}"
        if line:
            self._stream.write(line.encode() + b"\n")

    def _event_line(self, event: Event) -> str | None:
        """Return the line that ASC has for an event, empty for what the file says anyway, None if it has none."""
        text = _one_line(event.text)
        if event.kind == "trigger":
            begins = text.lower().startswith("begin triggerblock")
            self._blocks += begins
            if begins or text.lower().startswith(("end triggerblock", "start of measurement")):
                self._lose("trigger blocks beyond the first", begins and self._blocks > 1)
                return ""
        if event.time_ns is None:
            return None
        if event.kind == "trigger" and text.lower().startswith("log "):
            return f"{self._stamp(event.time_ns)} {text}"
        if event.bus is None:
            return None
        comment = self._channel_comments((event.bus,))
        detail = _event_detail(event, text)
        return None if detail is None else comment + detail.format(self._stamp(event.time_ns), self.channels[event.bus])

    def _stamp(self, time_ns: int) -> str:
        assert self._start_ns is not None
        relative = time_ns - self._start_ns
        self._settle_digits(np.array([relative]))
        seconds, nanoseconds = divmod(abs(relative), 1_000_000_000)
        fraction = f"{nanoseconds:09d}"[: self._digits]
        return f"{'-' if relative < 0 else ''}{seconds}.{fraction}".rjust(5 + self._digits)


def _by_number(name: str) -> list[str | int]:
    """Sort key: can2 comes before can10."""
    return [int(part) if place % 2 else part for place, part in enumerate(re.split(r"([0-9]+)", name))]


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _event_detail(event: Event, text: str) -> str | None:
    """Return the line of an event of one channel, with places for stamp and channel number; None if ASC has none."""
    values = event.values
    if event.kind in ("chip-status", "drop") and text.lower().startswith("status:"):
        return "{} CAN {} " + text.replace("{", "(").replace("}", ")")
    if event.kind == "chip-status":
        state = _STATES.get(str(values.get("state", "")), "")
        counters = ""
        if "tx_errors" in values and "rx_errors" in values:
            counters = f"TxErr: {values['tx_errors']} RxErr: {values['rx_errors']}"
        if not state and not counters:
            return None
        return "{} CAN {} Status:chip status " + " - ".join(filter(None, (state, counters)))
    if event.kind == "statistics" and not values.keys().isdisjoint(STATISTICS.values()):
        numbers = " ".join(f"{short} {values.get(name, 0)}" for short, name in STATISTICS.items())
        return "{} {}  Statistic: " + f"{numbers} B {float(values.get('load_percent', 0)):.2f}%"
    return None


def _begin_lines(relative: Int64s, digits: int) -> LineBlock:
    lines = LineBlock(len(relative))
    early = relative < 0
    if early.any():
        relative = np.abs(relative)
        lines.cells(np.where(early, spell([b"-"])[0, 0], np.uint32(0)))
    whole, nanoseconds = split_seconds(relative)
    lines.seconds(whole, b"", 1 if early.any() else 4, b".")
    lines.fraction(nanoseconds, digits)
    return lines


def _beginnings(channel: int) -> list[bytes]:
    """Spell what stands between stamp and identifier: by kind of frame, and received or transmitted."""
    classic, error = b" %d  " % channel, b" %d  ErrorFrame" % channel
    return [classic, classic, b" CANFD %3d Rx   " % channel, b" CANFD %3d Tx   " % channel, error, error]


def _identifier_cells(frames: Frames, error: Bools) -> tuple[Cells, ...]:
    """Return identifiers without leading zeros, `x` behind the long ones, padded with blanks; none for errors."""
    extended = frames.has(Flag.EXTENDED)
    upper, lower = (frames.id >> np.uint32(16)).astype(np.intp), (frames.id & np.uint32(0xFFFF)).astype(np.intp)
    full = upper != 0
    long, short = spell([b"x ", b"  "])[:, 0]
    cells: tuple[Cells, ...] = (
        short_hex_words(0).take(upper),
        np.where(full, hex_words().take(lower), short_hex_words(1).take(lower)),
        np.where(extended, long, short),
        blanks_for(0).take(upper),
        np.where(full, np.uint32(0), blanks_for(1).take(lower)),
    )
    if not error.any():
        return cells
    return tuple(np.where(error, np.uint32(0), column) for column in cells)


def _payload_cells(frames: Frames, error: Bools) -> Cells:
    """Payload bytes, a blank before each; uint32[n, 8], or [n, 64] with long payloads."""
    size = np.where(error, np.uint8(0), frames.length)[:, None]
    cells = np.zeros((len(frames), 64 if len(frames.long_row) else 8), dtype=np.uint32)
    cells[:, :8] = _byte_texts()[frames.payload] * (np.arange(8) < size)
    if len(frames.long_row):
        cells[frames.long_row] = _byte_texts()[frames.long_payload] * (np.arange(64) < size[frames.long_row])
    return cells


@cache
def _byte_texts() -> Cells:
    return spell([b" %02X" % value for value in range(256)])[:, 0]


@cache
def _middles() -> Cells:
    """Spell what stands between identifier and payload, by `shapes`; uint32[4096, k]."""

    def middle(flags: int, dlc: int) -> bytes:
        if flags & Flag.ERROR:
            return b""
        if flags & Flag.FD:
            return b"%d %d %x %2d" % (bool(flags & Flag.BRS), bool(flags & Flag.ESI), dlc, FD_LENGTHS[dlc])
        turn = b"Tx" if flags & Flag.TRANSMITTED else b"Rx"
        return b"%b   %b %x" % (turn, b"r" if flags & Flag.REMOTE else b"d", dlc)

    return spell_shapes(middle)


@cache
def _endings() -> Cells:
    """Spell what stands behind the payload of CAN FD frames, by `shapes`; uint32[4096, k].

    Duration, length in bits, flags (12: CAN FD, 13: bit-rate switch, 14: sender error passive), checksum and
    four bit timings; what a capture doesn't say is 0.
    """

    def ending(flags: int, _: int) -> bytes:
        bits = 1 << 12 | bool(flags & Flag.BRS) << 13 | bool(flags & Flag.ESI) << 14
        return b" 0 0 %x 0 0 0 0 0" % bits if flags & Flag.FD and not flags & Flag.ERROR else b""

    return spell_shapes(ending)


def _error_code(error_class: int, details: bytes) -> bytes | None:
    """Return what to write behind the word ErrorFrame: nothing, or an error code; None if no code means the same."""
    for text in (b"", *_error_codes()):
        if error_frame(text)[:2] == (error_class, details):
            return text
    return None


@cache
def _error_codes() -> tuple[bytes, ...]:
    return tuple(b" ECC: " + f"{code:08b}".encode() for code in range(256))
