"""One candump line, exactly: the path for lines that the array readers pass on, and for telling what is wrong."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime

from buswright.frames.formats.columns import Rows
from buswright.frames.formats.reading import Reading, Rejected
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTHS, Event, Flag
from buswright.frames.zones import epoch_seconds

_STAMP = rb"\(\s*(?:(\d{4})-(\d\d)-(\d\d) (\d\d):(\d\d):(\d\d)|(\d{1,16}))\.(\d{1,9})\)"
_COMPACT = re.compile(rb"^(?:%s\s+)?(\S+)\s+([^\s#]+)#(\S*)(?:\s+([RT]))?\s*$" % _STAMP)
_TERMINAL = re.compile(
    rb"^\s*(?:%s\s+)?(\S+)\s+(?:([RT])X\s+([B-])\s+([E-])\s+)?([0-9A-Fa-f]+)\s+([\[{])([0-9A-Fa-f]{1,2})[\]}](.*)$"
    % _STAMP,
    re.DOTALL,
)
_DROPPED = re.compile(rb"^\s*DROPCOUNT: dropped (\d+) CAN frames? on '([^']+)' socket \(total drops (\d+)\)\s*$")
_HEX = re.compile(rb"^[0-9A-Fa-f]*$")

NO_FRAME = "not a frame line"
ERROR_BIT = 1 << 29
LATEST_SECOND = 9_223_372_035
"""int64 nanoseconds end in the year 2262."""


@dataclass(slots=True)
class Stamps:
    """How the stamps of a file are to be understood.

    Attributes
    ----------
    settled
        The first chunk with frames has been looked at: `delta` is known.
    delta
        Stamps count from the frame before.
    last_ns
        Time of the last frame.
    seen, dated, nanoseconds
        There are stamps; some are dates; some have more than six digits of a second.
    """

    settled: bool = False
    delta: bool = False
    last_ns: int = 0
    seen: bool = False
    dated: bool = False
    nanoseconds: bool = False


def read_line(line: bytes, number: int, place: int, reading: Reading, stamps: Stamps, rows: Rows) -> None:
    """Read one line into `rows`, an event, or a problem; a blank line is nothing.

    Parameters
    ----------
    line
        Without its line end.
    number
        1-based, in the file.
    place
        Kept with the row: the line's place within its chunk.
    """
    if not line.strip():
        return
    if line.startswith(b"\t"):  # details of the error frame above, for people
        reading.metadata["error frame details"] = "present"
        return
    try:
        if match := _COMPACT.match(line):
            _compact(match, place, reading, stamps, rows)
        elif match := _TERMINAL.match(line):
            _terminal(match, place, reading, stamps, rows)
        elif match := _DROPPED.match(line):
            dropped, bus, total = int(match[1]), match[2].decode("utf-8", "backslashreplace"), int(match[3])
            values: dict[str, float | int | str] = {"dropped": dropped, "total": total}
            reading.events.append(Event(None, bus, "drop", values, line.decode("utf-8", "backslashreplace").strip()))
        else:
            raise Rejected(NO_FRAME)
    except Rejected as reason:
        reading.problems.add(str(reason), reading.path, number, line)


def _compact(match: re.Match[bytes], place: int, reading: Reading, stamps: Stamps, rows: Rows) -> None:
    time_ns, flags = _time(match, reading, stamps)
    identifier, id_flags = _identifier(match[10])
    flags |= id_flags
    body = match[11]
    if match[12] == b"T":
        flags |= Flag.TRANSMITTED
    if body[:1] in (b"R", b"r"):
        dlc = _remote_length(body[1:])
        rows.add(place, time_ns, _bus(match[9], reading), identifier, flags | Flag.REMOTE, dlc, b"")
        return
    if body[:1] == b"#":
        nibble = _hex(body[1:2])
        flags |= Flag.FD | (Flag.BRS if nibble & 1 else 0) | (Flag.ESI if nibble & 2 else 0)
        payload = _payload(body[2:], 64)
        if len(payload) not in FD_LENGTHS:
            raise Rejected("not a CAN FD length")
        dlc = int(FD_CODE_OF_LENGTH[len(payload)])
    else:
        hex_digits, _, raw_code = body.partition(b"_")
        payload = _payload(hex_digits, 8)
        dlc = len(payload)
        if raw_code or body.endswith(b"_"):
            dlc = _raw_code(raw_code, len(payload))
    rows.add(place, time_ns, _bus(match[9], reading), identifier, flags, dlc, payload)


def _terminal(match: re.Match[bytes], place: int, reading: Reading, stamps: Stamps, rows: Rows) -> None:
    time_ns, flags = _time(match, reading, stamps)
    identifier, id_flags = _identifier(match[13])
    flags |= id_flags
    if match[10] == b"T":
        flags |= Flag.TRANSMITTED
    size, behind = match[15], match[16]
    if match[14] == b"{":
        length, dlc = 8, _raw_code(size, 8)
    else:
        if not size.isdigit():
            raise Rejected("bad length")
        length = dlc = int(size)
    if len(size) == 2 and match[14] == b"[":  # two digits: the frame came through a CAN FD socket as FD
        if length not in FD_LENGTHS:
            raise Rejected("not a CAN FD length")
        flags |= Flag.FD | (Flag.BRS if match[11] == b"B" else 0) | (Flag.ESI if match[12] == b"E" else 0)
        dlc = int(FD_CODE_OF_LENGTH[length])
    elif length > 8:
        raise Rejected("payload too long")
    if behind.strip().startswith(b"remote request"):
        rows.add(place, time_ns, _bus(match[9], reading), identifier, flags | Flag.REMOTE, dlc, b"")
        return
    payload = _spaced_payload(behind, length)  # first: a line that is refused makes no bus
    rows.add(place, time_ns, _bus(match[9], reading), identifier, flags, dlc, payload)


def _spaced_payload(text: bytes, length: int) -> bytes:
    """Payload of the terminal form: hex bytes, the same swapped (marked with `), or eight binary digits each."""
    tokens = text.split()[:length]
    if len(tokens) < length and tokens and b"`" in tokens[0]:
        tokens = tokens[0].split(b"`")[::-1]
    if len(tokens) < length:
        raise Rejected("payload shorter than its length")
    out = bytearray()
    for token in tokens:
        if len(token) == 8 and not token.strip(b"01"):
            out.append(int(token, 2))
        elif len(token) == 2:
            out.append(_hex(token))
        else:
            raise Rejected("bad payload byte")
    return bytes(out)


def _time(match: re.Match[bytes], reading: Reading, stamps: Stamps) -> tuple[int, int]:
    """Nanoseconds as the line has them, and the flags that follow from the stamp."""
    fraction = match[8]
    if fraction is None:
        return 0, int(Flag.UNTIMED)
    stamps.seen = True
    stamps.nanoseconds |= len(fraction) > 6
    nanoseconds = int(fraction.ljust(9, b"0"))
    if match[7] is not None:
        seconds = int(match[7])
    else:
        stamps.dated = True
        year, month, day, hour, minute, second = (int(match[k]) for k in range(1, 7))
        try:
            moment = datetime(year, month, day, hour, minute)  # noqa: DTZ001  (the zone is assumed next)
        except ValueError:
            raise Rejected("bad time stamp") from None
        seconds = epoch_seconds(moment, reading.timezone) + second
    if not -LATEST_SECOND < seconds < LATEST_SECOND:
        raise Rejected("bad time stamp")
    return seconds * 1_000_000_000 + nanoseconds, 0


def _identifier(digits: bytes) -> tuple[int, int]:
    if not _HEX.match(digits):
        raise Rejected("bad identifier")
    value = int(digits, 16)
    if len(digits) == 3:
        if value > 0x7FF:
            raise Rejected("impossible identifier")
        return value, 0
    if len(digits) != 8:
        raise Rejected("bad identifier")
    if value & ERROR_BIT and value < 2 * ERROR_BIT:
        return value & (ERROR_BIT - 1), int(Flag.ERROR)
    if value >= ERROR_BIT:
        raise Rejected("impossible identifier")
    return value, int(Flag.EXTENDED)


def _bus(written: bytes, reading: Reading) -> int:
    bus = reading.bus_written(written)
    if bus is None:
        raise Rejected("bad interface name")
    return bus


def _hex(digits: bytes) -> int:
    if not digits or not _HEX.match(digits):
        raise Rejected("bad hex digit")
    return int(digits, 16)


def _payload(digits: bytes, most: int) -> bytes:
    digits = digits.replace(b".", b"")  # candump may separate bytes with points
    if not _HEX.match(digits):
        raise Rejected("bad hex digit")
    if len(digits) % 2:
        raise Rejected("odd number of hex digits")
    if len(digits) > 2 * most:
        raise Rejected("payload too long")
    return bytes.fromhex(digits.decode("ascii"))


def _remote_length(text: bytes) -> int:
    """Length asked for by a remote frame: nothing, one digit, or 8_9..8_F."""
    digit, _, raw_code = text.partition(b"_")
    if not digit and not raw_code:
        return 0
    length = _hex(digit) if len(digit) == 1 else 16
    if length > 8:
        raise Rejected("bad length")
    return _raw_code(raw_code, length) if raw_code else length


def _raw_code(digit: bytes, length: int) -> int:
    code = _hex(digit) if len(digit) == 1 else 0
    if length != 8 or code < 9:
        raise Rejected("bad raw length code")
    return code
