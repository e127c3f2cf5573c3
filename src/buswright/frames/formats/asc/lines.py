"""One ASC line, exactly: the path for lines that the array reader passes on, and for telling what is wrong."""

from __future__ import annotations

import re
from typing import Any

from buswright.frames.formats.asc.clock import StampClock, fraction_digits, stamp_ns
from buswright.frames.formats.asc.events import EventLog, error_frame, statistics, status
from buswright.frames.formats.columns import Rows
from buswright.frames.formats.reading import Reading, Rejected
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Event, Flag

BLANKS = bytes(range(33))
"""Every control character separates fields, as blanks do."""
_JUNK = "not an ASC line"
_TO_BLANKS = bytes(32 if c <= 32 else c for c in range(256))

_IDENTIFIER = {16: re.compile(rb"^[0-9A-Fa-f]+[xX]?$"), 10: re.compile(rb"^[0-9]+[xX]?$")}
_BYTE = {16: re.compile(rb"^[0-9A-Fa-f]{2}$"), 10: re.compile(rb"^[0-9]{1,3}$")}
_CHANNEL = re.compile(rb"^[0-9]{1,3}$")
LAST_CHANNEL = 254
"""As many buses as a capture can hold."""
NUMBERED = re.compile(r"0|[1-9][0-9]{0,2}")
"""An interface that is called by its channel number."""
_NAMED = re.compile(r"//\s*channel\s+(\d{1,3}):\s*(\S.*)", re.IGNORECASE)
"""The comment by which `AscWriter` says what a channel number stands for."""
_WORD = re.compile(r"^[A-Za-z_(<$:*][\x21-\x7e]*$|^[^\x00-\x7f]+$")
_TAIL_WORDS = (b"length", b"bitcount", b"id")
_TRIGGERS = (b"start of measurement", b"start der messung", b"log ")
_DIRECTIONS = {b"rx": 0, b"tx": int(Flag.TRANSMITTED)}

REMOTE_BIT, FD_BIT = 0x10, 0x1000
"""Of the flags column of CAN FD lines: remote frame, and CAN FD format (otherwise a classic frame)."""


class LineReader:
    """Reads ASC lines one by one, in the order of the file.

    Attributes
    ----------
    clock
        Turns stamps into times.
    base
        16 or 10: how identifiers and payload bytes are written.
    """

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.clock = StampClock(reading)
        self.log = EventLog(reading)
        self.base = 16
        self._names: dict[str, str] = {}

    def state(self) -> tuple[object, ...] | None:
        """Return what the meaning of later lines depends on; None where that is more than can be handed over."""
        clock = self.clock.state()
        if clock is None or self.log.counting:
            return None
        return (clock, self.base, dict(self._names), dict(self.reading.metadata))

    def resume(self, state: tuple[Any, ...]) -> None:
        """Go on as a reader did that was in this state."""
        clock, self.base, names, metadata = state
        self.clock.resume(clock)
        self._names = dict(names)
        self.reading.metadata = dict(metadata)

    def read_line(self, line: bytes, number: int, place: int, rows: Rows) -> bool:
        """Read one line into `rows`, an event, or a problem.

        Parameters
        ----------
        line
            Its bytes, line end or not.
        number
            1-based, in the file.
        place
            Kept with the row: the line's place within its chunk.

        Returns
        -------
        Whether the line has a time stamp.
        """
        tokens = line.translate(_TO_BLANKS).split()
        if not tokens:
            if line.strip():  # control characters and nothing else: no blank line, but a damaged one
                self.reading.problems.add(_JUNK, self.reading.path, number, line.rstrip(b"\r\n"))
            return False
        stamp = stamp_ns(tokens[0])
        if stamp is None:
            self._unstamped(line, tokens, number)
            return False
        self.clock.saw_digits(fraction_digits(tokens[0]))
        time_ns = self.clock.time(stamp)
        try:
            self._stamped(tokens[1:], time_ns, number, place, rows)
        except Rejected as reason:
            self.reading.problems.add(str(reason), self.reading.path, number, line.rstrip())
        return True

    def count_junk(self, count: int) -> None:
        """Count lines like one that was read before and is no ASC line."""
        if count:
            self.reading.problems.add(_JUNK, self.reading.path, count=count)

    def name(self, channel: int) -> str:
        """Return what a channel is called: as a comment says, else by its number if no other is called so."""
        number = str(channel)
        return self._names.get(number) or (f"channel {number}" if number in self._names.values() else number)

    def bus(self, channel: int) -> int:
        """Index of the bus that a channel number names."""
        return self.reading.bus(self.name(channel))

    def _take_name(self, channel: str, name: str, number: int, line: bytes) -> None:
        """Take the name that a comment gives a channel, unless that would make one bus of two."""
        before = self.name(int(channel))
        known = {*self.reading.buses, *self._names.values()}
        if before == name:
            return
        if before in known or name in known:
            reason = "channel name not taken: it is late, or the name of two channels"
            self.reading.problems.add(reason, self.reading.path, number, line.rstrip(), lost=False)
        else:
            self._names[str(int(channel))] = name

    def _unstamped(self, line: bytes, tokens: list[bytes], number: int) -> None:
        metadata = self.reading.metadata
        first = tokens[0].lower()
        second = tokens[1].lower() if len(tokens) > 1 else b""
        if first.startswith((b"//", b";")):
            if (text := _plain(line).strip("/ \r\n\t")).lower().startswith("version"):
                metadata.setdefault("format version", text[7:].strip())
            elif match := _NAMED.fullmatch(_plain(line)):
                self._take_name(match[1], match[2], number, line)
        elif first == b"date":
            date = _after(line, 1)
            metadata.setdefault("date", date)
            self.clock.date(date, number)
        elif first == b"base" and second in (b"hex", b"dec"):
            self.base = 16 if second == b"hex" else 10
            self.clock.relative = len(tokens) > 3 and tokens[2:4] == [b"timestamps", b"relative"]
            metadata["base"] = second.decode("ascii")
            metadata["time stamps"] = "relative" if self.clock.relative else "absolute"
        elif b" ".join(tokens).lower() in (b"internal events logged", b"no internal events logged"):
            metadata["internal events logged"] = "no" if first == b"no" else "yes"
        elif first == b"begin" and second == b"triggerblock":
            date = _after(line, 2)
            begins = self.clock.block(date, number)
            self.log.add(number, Event(begins, None, "trigger", {}, " ".join(("Begin Triggerblock", date)).strip()))
        elif first == b"end" and second == b"triggerblock":
            self.log.add(number, Event(None, None, "trigger", {}, "End Triggerblock"))
        else:
            self.reading.problems.add(_JUNK, self.reading.path, number, line.rstrip())

    def _stamped(self, tokens: list[bytes], time_ns: int, number: int, place: int, rows: Rows) -> None:
        if not tokens:
            raise Rejected("nothing behind the time stamp")
        first = tokens[0]
        if _CHANNEL.match(first):
            self._channel_line(tokens, time_ns, number, place, rows)
        elif first.upper() == b"CANFD":
            self._fd_line(tokens, time_ns, number, place, rows)
        elif first.upper() == b"CAN" and len(tokens) > 2 and tokens[2].lower().startswith(b"status:"):
            detail = b" ".join(tokens[2:])
            kind, values = status(detail)
            bus = self._channel(tokens[1])
            self.log.add(number, Event(time_ns, bus, kind, values, _plain(detail)))
        elif b" ".join(tokens[:3]).lower().startswith(_TRIGGERS):
            self.log.add(number, Event(time_ns, None, "trigger", {}, _plain(b" ".join(tokens))))
        elif not first.startswith(b"//"):
            self.log.count(time_ns, None, _word(first))

    def _channel_line(self, tokens: list[bytes], time_ns: int, number: int, place: int, rows: Rows) -> None:
        """Read `CHANNEL ID DIRECTION d|r ...`, an error frame, statistics, or something else of that channel."""
        channel = self._channel(tokens[0])
        if len(tokens) < 2:
            raise Rejected("nothing behind the channel")
        word = tokens[1].lower()
        if word == b"errorframe":
            self._error(channel, b" ".join(tokens[2:]), 0, time_ns, place, rows)
            return
        if word.startswith(b"statistic"):
            detail = b" ".join(tokens[2:])
            self.log.add(number, Event(time_ns, channel, "statistics", statistics(detail), _plain(detail)))
            return
        turn = tokens[2].lower() if len(tokens) > 2 else b""
        if turn == b"txrq":  # a request to send, logged beside the frame that follows from it
            self.log.count(time_ns, channel, "TxRq")
            return
        if turn not in _DIRECTIONS:
            if _IDENTIFIER[self.base].match(word):
                raise Rejected("bad direction" if turn else "frame line cut short")
            self.log.count(time_ns, channel, _word(tokens[1]))
            return
        identifier, flags = self._identifier(tokens[1])
        flags |= _DIRECTIONS[turn]
        kind = tokens[3].lower() if len(tokens) > 3 else b""
        if kind == b"d":
            dlc = self._length_code(tokens[4] if len(tokens) > 4 else b"")
            payload = self._payload(tokens, 5, min(dlc, 8))
            self._check_tail(tokens[5 + len(payload) :], tokens, number)
        elif kind == b"r":
            flags |= Flag.REMOTE
            asked = len(tokens) > 4 and tokens[4].lower() not in _TAIL_WORDS
            dlc, payload = self._length_code(tokens[4]) if asked else 0, b""
            self._check_tail(tokens[4 + asked :], tokens, number)
        else:
            raise Rejected("neither data nor remote frame" if kind else "frame line cut short")
        rows.add(place, time_ns, self.reading.bus(channel), identifier, flags, dlc, payload)

    def _fd_line(self, tokens: list[bytes], time_ns: int, number: int, place: int, rows: Rows) -> None:
        """Read `CANFD CHANNEL DIRECTION ID [NAME] BRS ESI DLC LENGTH BYTES [DURATION BITS FLAGS ...]`."""
        if len(tokens) < 3:
            raise Rejected("frame line cut short")
        channel = self._channel(tokens[1])
        turn = tokens[2].lower()
        if b"errorframe" in (turn, tokens[3].lower() if len(tokens) > 3 else b""):
            detail = b" ".join(tokens[3:])
            self._error(channel, detail, _DIRECTIONS.get(turn, 0), time_ns, place, rows)
            return
        if turn == b"txrq":
            self.log.count(time_ns, channel, "TxRq")
            return
        if turn not in _DIRECTIONS:
            raise Rejected("bad direction")
        if len(tokens) < 8:
            raise Rejected("frame line cut short")
        identifier, flags = self._identifier(tokens[3])
        flags |= _DIRECTIONS[turn]
        at = 4 if tokens[4] in (b"0", b"1") else 5
        switched, passive, code, size = (tokens[at : at + 4] + [b""] * 4)[:4]
        if switched not in (b"0", b"1") or passive not in (b"0", b"1"):
            raise Rejected("bad CAN FD flags")
        dlc = self._length_code(code)
        if not size.isdigit() or len(size) > 2 or int(size) > 64:
            raise Rejected("bad length")
        payload = self._payload(tokens, at + 4, int(size))
        tail = tokens[at + 4 + len(payload) :]
        bits = _tail_flags(tail)
        fd = bits is None or bool(bits & FD_BIT) or b"1" in (switched, passive) or len(payload) > 8
        if not payload and (dlc or (bits or 0) & REMOTE_BIT):
            # A remote frame is always a classic one; the column for BRS or ESI says nothing then.
            if bits is not None and bits & FD_BIT:
                raise Rejected("payload shorter than its length")
            flags |= Flag.REMOTE
        else:
            dlc = self._settle_code(dlc, len(payload), fd, tokens, number)
            if fd:
                flags |= Flag.FD | (Flag.BRS if switched == b"1" else 0) | (Flag.ESI if passive == b"1" else 0)
        rows.add(place, time_ns, self.reading.bus(channel), identifier, flags, dlc, payload)

    def _settle_code(self, dlc: int, length: int, fd: bool, tokens: list[bytes], number: int) -> int:
        """Return the length code; where it contradicts the number of bytes, the bytes win and it is noted."""
        if FD_LENGTHS[dlc] == length or (not fd and length == 8 and dlc > 8):
            return dlc
        self._note("length code contradicts the length", tokens, number)
        return int(FD_CODE_OF_LENGTH[length])

    def _error(self, channel: str, detail: bytes, turn: int, time_ns: int, place: int, rows: Rows) -> None:
        error_class, payload, kind, hit = error_frame(detail)
        if kind or hit:
            self.log.count(time_ns, channel, "ErrorFrame", kind, hit)
        rows.add(place, time_ns, self.reading.bus(channel), error_class, int(Flag.ERROR) | turn, 8, payload)

    def _channel(self, token: bytes) -> str:
        if not _CHANNEL.match(token) or int(token) > LAST_CHANNEL:
            raise Rejected("bad channel")
        return self.name(int(token))

    def _identifier(self, token: bytes) -> tuple[int, int]:
        if not _IDENTIFIER[self.base].match(token) or len(token) > 16:
            raise Rejected("bad identifier")
        extended = token[-1:] in b"xX"
        value = int(token.rstrip(b"xX"), self.base)
        if value > (0x1FFFFFFF if extended else 0x7FF):
            raise Rejected("impossible identifier")
        return value, int(Flag.EXTENDED) if extended else 0

    def _length_code(self, token: bytes) -> int:
        """Read a length code 0..15: hexadecimal, but decimal in a decimal file where it is no letter."""
        if not token:
            raise Rejected("frame line cut short")
        base = 16 if len(token) == 1 else self.base
        if len(token) > 2 or not _IDENTIFIER[base].match(token) or token[-1:] in b"xX":
            raise Rejected("bad length")
        if (value := int(token, base)) > 15:
            raise Rejected("bad length")
        return value

    def _payload(self, tokens: list[bytes], start: int, length: int) -> bytes:
        texts = tokens[start : start + length]
        if len(texts) < length:
            raise Rejected("payload shorter than its length")
        good = _BYTE[self.base]
        if not all(map(good.match, texts)):
            raise Rejected(self._what_is_wrong(texts))
        if self.base == 16:
            return bytes.fromhex(b"".join(texts).decode("ascii"))
        values = [int(text) for text in texts]
        if max(values, default=0) > 255:
            raise Rejected("bad payload byte")
        return bytes(values)

    def _what_is_wrong(self, texts: list[bytes]) -> str:
        """Reason for a payload token that is no byte."""
        wrong = next(text for text in texts if not _BYTE[self.base].match(text))
        if wrong.lower() in _TAIL_WORDS:
            return "payload shorter than its length"
        odd = self.base == 16 and len(wrong) % 2 and _IDENTIFIER[16].match(wrong) and wrong[-1:] not in b"xX"
        return "odd number of hex digits" if odd else "bad payload byte"

    def _check_tail(self, tail: list[bytes], tokens: list[bytes], number: int) -> None:
        if not tail or tail[0].lower() in _TAIL_WORDS:
            return
        if _BYTE[self.base].match(tail[0]):
            raise Rejected("payload too long")
        self._note("text behind the payload", tokens, number)

    def _note(self, reason: str, tokens: list[bytes], number: int) -> None:
        self.reading.problems.add(reason, self.reading.path, number, b" ".join(tokens), lost=False)


def _tail_flags(tail: list[bytes]) -> int | None:
    """Return the flags column behind a CAN FD payload; None where there is none."""
    if not tail:
        return None
    if len(tail) < 3 or len(tail[2]) > 8 or not _IDENTIFIER[16].match(tail[2]) or tail[2][-1:] in b"xX":
        return None
    return int(tail[2], 16)


def _word(token: bytes) -> str:
    """Return the word that a line of another kind is counted by."""
    word = _plain(token).rstrip(":;,=")[:24]
    if not _WORD.match(word):
        raise Rejected("not an ASC line")
    return word


def _after(line: bytes, count: int) -> str:
    """Return what follows the first `count` words of a line."""
    following = _plain(line).split(maxsplit=count)[count:]
    return following[0].strip() if following else ""


def _plain(text: bytes) -> str:
    """Decode as UTF-8, or else as Windows' western code page, which the files of most machines use."""
    try:
        return text.decode("utf-8").strip()
    except UnicodeDecodeError:
        return text.decode("cp1252", "replace").strip()
