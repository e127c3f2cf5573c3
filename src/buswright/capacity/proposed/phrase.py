"""What somebody wants to add to a bus, in a few words.

    ADDITION = GROUP { ("," | "and" | "+") GROUP } { OPTION }
    GROUP    = COUNT "channels" ["of"] SIZE "bit" RATE  |  COUNT "frames" ["of"] SIZE "bytes" RATE
    RATE     = "at" NUMBER "Hz"  |  "every" NUMBER "ms"
    OPTION   = "from" ID  |  "29-bit"  |  "CAN FD"  |  "jitter" NUMBER "ms"

Words may stand in the singular or the plural, in capitals or not; "kHz", "s" and "µs" are understood too. Channels are
packed into as few frames as they fit; frames are taken as they are. ID is where the identifiers begin: three hex
digits are 11 bits, eight are 29. Without it the best ones that are free are looked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from buswright.errors import UserError
from buswright.frames.table import FD_CODE_OF_LENGTH, FD_LENGTH_OF_CODE
from buswright.messages.model import parse_identifier

EXAMPLE = '"4 channels of 16 bit at 200 Hz"'
MOST = 512
"""Channels or frames of one group."""
MOST_HZ = 20_000.0
"""More frames a second than 1 Mbit/s carries of the shortest."""
LEAST_HZ = 1e-4

_TOKEN = re.compile(r"[\d.]+(?![\w.])|[\d.]+(?=(?:k?hz|ms|s|µs|us|bits?|bytes?)\b)|\w+|[^\w\s]", re.IGNORECASE)
_RATES = {"hz": 1.0, "khz": 1000.0}
_TIMES = {"ms": 1e6, "s": 1e9, "µs": 1e3, "us": 1e3}


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame of an addition: payload bytes, period, and what it holds in words."""

    length: int
    period_ns: int
    holds: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """What an addition asks for: frames in the order in which they were named, 29-bit identifiers, CAN FD.

    `first` is where its identifiers begin (None: the best that are free), `jitter_ns` how much later than its period
    says a frame may be handed over (None where it isn't said).
    """

    frames: tuple[Frame, ...]
    extended: bool = False
    fd: bool = False
    first: int | None = None
    jitter_ns: int | None = None


@dataclass(frozen=True, slots=True)
class _Group:
    count: int
    bits: int
    period_ns: int
    packed: bool


def parse(text: str) -> Wanted:
    """Read an addition.

    Raises
    ------
    UserError
        It can't be understood; the message says from which word on.
    """
    return _Reader(text).whole()


class _Reader:
    """Reads word by word."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._words = list(_TOKEN.finditer(text.replace("-", " ")))
        self._at = 0

    def whole(self) -> Wanted:
        if not self._words:
            raise UserError("--add: nothing is asked for", hint=f"for example {EXAMPLE}")
        groups = [self._group()]
        while self._take(",", "and", "+", ";") and self._more():
            groups.append(self._group())
        found = Wanted(())
        while self._at < len(self._words):
            if not self._take(",", "and", "with", "identifiers", "identifier", "ids", "as"):
                found = self._option(found)
        return replace(found, frames=tuple(_packed(groups, fd=found.fd)))

    def _more(self) -> bool:
        """Whether another group follows: a number, but not that of "29-bit"."""
        word, after = ([*(found[0].lower() for found in self._words[self._at :]), "", ""])[:2]
        return word[:1].isdigit() and not (word == "29" and after.startswith("bit"))

    def _group(self) -> _Group:
        count = round(
            self._number("how many there are, a number up to 512", lambda value: value % 1 == 0 and 1 <= value <= MOST)
        )
        packed = bool(self._take("channel", "channels", "signal", "signals"))
        if not packed:
            self._expect("channels or frames", "frame", "frames", "message", "messages")
        self._take("of")
        self._take("with")
        most = 64 if packed else 512
        size = round(self._number("a size, a whole number", lambda value: value % 1 == 0 and value >= 0))
        unit = self._expect("bit or bytes", "bit", "bits", "byte", "bytes")
        bits = size * (1 if unit.startswith("bit") else 8)
        if bits > most or (packed and not bits) or (not packed and bits % 8):
            raise self._wrong(
                "1 to 64 bit for a channel" if packed else "0 to 8 bytes for a frame, or up to 64 in CAN FD", back=2
            )
        self._take("each")
        return _Group(count, bits, self._period(), packed)

    def _period(self) -> int:
        if self._take("every", "each"):
            value = self._number("a time", lambda number: number > 0)
            period = value * _TIMES[self._expect("ms, s or µs", *_TIMES)]
        else:
            self._expect("at … Hz or every … ms", "at", "@", "with")
            value = self._number("a rate", lambda number: number > 0)
            period = 1e9 / (value * _RATES[self._expect("Hz or kHz", *_RATES)])
        if not 1e9 / MOST_HZ <= period <= 1e9 / LEAST_HZ:
            raise self._wrong(f"between {LEAST_HZ:g} and {MOST_HZ:,.0f} Hz", back=2)
        return round(period)

    def _option(self, found: Wanted) -> Wanted:
        if self._take("from"):
            word = self._words[self._at][0] if self._at < len(self._words) else ""
            self._at += 1
            number = parse_identifier(word)
            if number is None:
                raise self._wrong("an identifier: three hex digits (11 bits) or eight (29 bits)", back=1)
            return replace(found, first=number[0], extended=number[1])
        if self._take("29", "29bit"):
            self._take("bit", "bits")
            return replace(found, extended=True)
        if self._take("can"):
            self._expect("CAN FD", "fd")
            return replace(found, fd=True)
        if self._take("fd", "canfd"):
            return replace(found, fd=True)
        if self._take("jitter"):
            value = self._number("a time", lambda number: number >= 0)
            return replace(found, jitter_ns=round(value * _TIMES[self._expect("ms, s or µs", *_TIMES)]))
        raise self._wrong('"from 6A0", "29-bit", "CAN FD", "jitter 1 ms", or another group after a comma')

    def _take(self, *words: str) -> str | None:
        if self._at < len(self._words) and self._words[self._at][0].lower() in words:
            self._at += 1
            return self._words[self._at - 1][0].lower()
        return None

    def _expect(self, what: str, *words: str) -> str:
        found = self._take(*words)
        if found is None:
            raise self._wrong(what)
        return found

    def _number(self, what: str, fits: Callable[[float], bool]) -> float:
        word = self._words[self._at][0] if self._at < len(self._words) else ""
        value = float(word) if re.fullmatch(r"\d+(\.\d+)?", word) else -1.0
        if value < 0 or not fits(value):
            raise self._wrong(what)
        self._at += 1
        return value

    def _wrong(self, expected: str, *, back: int = 0) -> UserError:
        """Say what was expected, after which words, and what stood there."""
        at = max(0, self._at - back)
        before = self._text[: self._words[at - 1].end()].strip() if at else ""
        there = repr(self._words[at][0]) if at < len(self._words) else "the end"
        after = f" after {before!r}" if before else " first"
        return UserError(
            f"--add {self._text!r}: expected {expected}{after}, not {there}",
            hint=f"for example {EXAMPLE}; a database: module.dbc or module.dbc:NODE",
        )


def _packed(groups: list[_Group], *, fd: bool) -> list[Frame]:
    """Put channels of one rate into as few frames as they fit, the widest first; frames stay as they are."""
    room = 512 if fd else 64
    frames = []
    for group in groups:
        if not group.packed:
            if group.bits > room:
                raise UserError(
                    f"--add: a classic frame has 0 to 8 bytes, not {group.bits // 8}", hint='add "CAN FD" to the phrase'
                )
            frames += [Frame(_length(group.bits, fd=fd), group.period_ns, "as named")] * group.count
    for period in dict.fromkeys(group.period_ns for group in groups if group.packed):
        channels = [
            group.bits for group in groups if group.packed and group.period_ns == period for _ in range(group.count)
        ]
        frames += [
            Frame(_length(sum(box), fd=fd), period, f"{len(box)} channel{'s' if len(box) > 1 else ''}")
            for box in filled(channels, room)
        ]
    return frames


def filled(sizes: Iterable[int], room: int) -> list[list[int]]:
    """Put what has these sizes into as few boxes as are found by taking the largest first."""
    boxes: list[list[int]] = []
    for size in sorted(sizes, reverse=True):
        box = next((box for box in boxes if sum(box) + size <= room), None)
        if box is None:
            boxes.append([size])
        else:
            box.append(size)
    return boxes


def _length(bits: int, *, fd: bool) -> int:
    whole = -(-bits // 8)
    return int(FD_LENGTH_OF_CODE[FD_CODE_OF_LENGTH[whole]]) if fd else whole
