"""What ASC files hold beside data frames: error frames, statistics, controller status, and lines of other kinds."""

from __future__ import annotations

import re

from buswright.frames.formats.reading import Reading
from buswright.frames.table import Event

Values = dict[str, float | int | str]

EVENTS_KEPT = 100_000
"""Events kept of one file; a file of nothing else must not fill the memory. More are counted as a problem."""
OTHERS_KEPT = 200
"""Kinds of other lines told apart; the rest are counted together."""

# Classes and payload bytes of Linux error frames: include/uapi/linux/can/error.h.
CLASS_PROTOCOL = 0x08
CLASS_ACKNOWLEDGE = 0x20
CLASS_BUS_ERROR = 0x80
_PROTOCOL_BIT, _PROTOCOL_FORM, _PROTOCOL_STUFF, _PROTOCOL_TRANSMIT = 0x01, 0x02, 0x04, 0x80
_AT_CHECKSUM, _AT_ACKNOWLEDGE, _AT_ACKNOWLEDGE_DELIMITER = 0x08, 0x19, 0x1B

# Kind of error in bits 6.. of an extended code -> (name, class, byte 2, place in byte 3 or 0 to keep the code's).
# Bits 0-4 are the place and bit 5 is set for a receiver, as in the controller's error code capture register,
# whose places are those of Linux. Kinds 0-3 are that register's (SJA1000 data sheet, "error code capture");
# 2 and 7 are borne out by the samples in python-can's test data; 4 and 5 from memory.
_KINDS: dict[int, tuple[str, int, int, int]] = {
    0: ("bit", CLASS_PROTOCOL, _PROTOCOL_BIT, 0),
    1: ("form", CLASS_PROTOCOL, _PROTOCOL_FORM, 0),
    2: ("stuff", CLASS_PROTOCOL, _PROTOCOL_STUFF, 0),
    4: ("checksum", CLASS_PROTOCOL, 0, _AT_CHECKSUM),
    5: ("acknowledge delimiter", CLASS_PROTOCOL, _PROTOCOL_FORM, _AT_ACKNOWLEDGE_DELIMITER),
    7: ("acknowledge", CLASS_PROTOCOL | CLASS_ACKNOWLEDGE, 0, _AT_ACKNOWLEDGE),
}
_OTHER = ("other", CLASS_PROTOCOL, 0, 0)
"""Kind 3, and every one that isn't known."""

_CAPTURE = re.compile(rb"ECC:\s*([01]{8})\b")
_NAMED = re.compile(rb"(\w+)\s*=\s*(?:0x)?([0-9A-Fa-f]+)(x?)\b")
_UNNAMED = re.compile(rb"([0-9A-Fa-f]{1,4})\s+(?:Arb\.|Data)\s+\d+\s+([0-9A-Fa-f]{1,8}x?)\b", re.IGNORECASE)
_STATISTIC = re.compile(rb"(\w+)\s+(\d+(?:[.,]\d+)?)(%?)")
STATISTICS = {
    "D": "data",
    "R": "remote",
    "XD": "extended_data",
    "XR": "extended_remote",
    "E": "errors",
    "O": "overloads",
}
"""Counts of a bus statistics line as written, and what they are called here; B is the load in percent."""
_COUNTERS = re.compile(rb"TxErr:\s*(\d{1,9})\s+RxErr:\s*(\d{1,9})", re.IGNORECASE)
STATES = {
    "error active": "error-active",
    "error passive": "error-passive",
    "warning": "error-warning",
    "bus off": "bus-off",
    "busoff": "bus-off",
}
"""Controller states as written, and what they are called here; of two spellings the last is that of our own files."""


def error_frame(detail: bytes) -> tuple[int, bytes, str, str]:
    """Understand what follows the word ErrorFrame.

    Returns
    -------
    Error class and payload as Linux has them, the kind of error in a word, and the identifier of the frame
    that was hit as written; the last two empty where the line does not say.
    """
    code = None
    hit = ""
    if match := _CAPTURE.search(detail):
        code = int(match[1], 2)
    elif match := _UNNAMED.search(detail):
        code, hit = int(match[1], 16), match[2].decode("ascii")
    else:
        named = {m[1].lower(): (m[2], m[3]) for m in _NAMED.finditer(detail)}
        if b"codeext" in named:
            code = int(named[b"codeext"][0][-8:], 16)
        if (digits := named.get(b"id")) is not None and digits[0].strip(b"0"):
            hit = b"".join(digits).decode("ascii")
    if code is None:
        return CLASS_BUS_ERROR, bytes(8), "", hit
    kind, error_class, how, where = _KINDS.get((code >> 6) & 0x3F, _OTHER)
    how |= 0 if code & 0x20 else _PROTOCOL_TRANSMIT
    return CLASS_BUS_ERROR | error_class, bytes((0, 0, how, where or code & 0x1F, 0, 0, 0, 0)), kind, hit


def statistics(detail: bytes) -> Values:
    """Numbers of a bus statistics line, by name: frames by kind since the line before, errors, load in percent."""
    values: Values = {}
    for name, number, _ in _STATISTIC.findall(detail):
        name = name.upper().decode()
        if name == "B":
            values["load_percent"] = float(number.replace(b",", b"."))
        elif name in STATISTICS and number.isdigit():
            values[STATISTICS[name]] = int(number[:18])
    return values


def status(detail: bytes) -> tuple[str, Values]:
    """Kind and values of a controller status line: its state and error counters, or that frames were lost."""
    lower = detail.lower()
    if b"overrun" in lower or b"lost" in lower:
        return "drop", {}
    values: Values = {}
    if (state := next((name for text, name in STATES.items() if text.encode() in lower), None)) is not None:
        values["state"] = state
    if match := _COUNTERS.search(detail):
        values["tx_errors"], values["rx_errors"] = int(match[1]), int(match[2])
    return "chip-status", values


class EventLog:
    """Collects the events of one file, in bounded memory."""

    def __init__(self, reading: Reading) -> None:
        self._reading = reading
        self._others: dict[tuple[str | None, str, str, str], list[int]] = {}

    @property
    def counting(self) -> bool:
        """Whether lines are counted that become events at the end, or as many events are kept as may be."""
        return bool(self._others) or len(self._reading.events) >= EVENTS_KEPT

    def add(self, number: int, event: Event) -> None:
        """Keep an event of line `number`, or count it when there are too many."""
        if len(self._reading.events) < EVENTS_KEPT:
            self._reading.events.append(event)
        else:
            self._reading.problems.add("more events than are kept", self._reading.path, number, event.text, lost=False)

    def count(self, time_ns: int, bus: str | None, word: str, error: str = "", hit: str = "") -> None:
        """Count a line of a kind that may go on for ever; `finish` makes one event of each kind."""
        key = (bus, word, error, hit)
        if key not in self._others and len(self._others) >= OTHERS_KEPT:
            key = (None, "(further kinds)", "", "")
        entry = self._others.setdefault(key, [time_ns, 0])
        entry[1] += 1

    def finish(self) -> None:
        """Write the counts as events, each with the time of its first line."""
        for (bus, word, error, hit), (time_ns, count) in self._others.items():
            values: Values = {"word": word, "count": count}
            if error:
                values["error"] = error
            if hit:
                values["id"] = hit
            detail = "".join((f", {error} error" if error else "", f" while {hit} was sent" if hit else ""))
            self._reading.events.append(Event(time_ns, bus, "other", values, f"{count} × {word}{detail}"))
        self._others.clear()
