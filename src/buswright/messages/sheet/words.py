"""The columns of a data-sheet table, and the words that such tables use for them."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is understood.

    Attributes
    ----------
    name
        As we write it; one of its words.
    words
        What tables call it, in lower case without signs.
    text
        What stands in it.
    always
        Whether a table that we write has it even if it is empty.
    """

    name: str
    words: tuple[str, ...]
    text: str
    always: bool = False


def _column(name: str, words: str, text: str, *, always: bool = False) -> Column:
    return Column(name, (name, *filter(None, words.split(", "))), text, always)


ALL = (
    _column(
        "id", "can id, identifier, message id, msg id, frame id, arbitration id, address, hex id, id hex",
        "0x1A0, 1A0h or 416; 29 bits: eight digits after 0x, or above 7FF", always=True,
    ),
    _column("message", "message name, msg, msg name, frame, frame name, packet", "name", always=True),
    _column(
        "message bytes", "dlc, message length, frame length, frame bytes, payload length", "length of the payload",
        always=True,
    ),
    _column("signal", "signal name, name, channel, channel name, parameter, variable, label", "name",
            always=True),
    _column("start byte", "byte, bytes, byte offset, first byte, byte position, byte no, byte number", "2, or 2-3"),
    _column(
        "start bit", "startbit, start, bit start, bit offset, first bit, bit position, start position, position",
        "from the first byte on; beside a byte: within it", always=True,
    ),
    _column("bits", "bit range, bit, bit no, bit number", "15..8; beside a byte: within it"),
    _column("length", "bit length, length bits, size, size bits, width, number of bits, bit count, no of bits",
            "bits; where the head says bytes: bytes", always=True),
    _column("order", "byte order, endian, endianness, byteorder", "little or big (Intel, Motorola)", always=True),
    _column("sign", "signed, signedness, value type, type, data type, format, datatype",
            "signed, unsigned or float; also uint16, int8, float32", always=True),
    _column("scale", "factor, resolution, scaling, multiplier, gain, slope, lsb, per bit, step", "0.1, or 1/10",
            always=True),
    _column("divisor", "divider, divide by, bits per unit, counts per unit", "10 stands for scale 0.1"),
    _column("offset", "bias, zero, zero offset", "value = raw * scale + offset", always=True),
    _column("minimum", "min, lower limit, low", "in the unit"),
    _column("maximum", "max, upper limit, high", "in the unit"),
    _column("range", "value range, physical range, limits", "0..100, 0 to 100"),
    _column("unit", "units, uom, engineering unit", "°C", always=True),
    _column("period", "cycle, cycle time, interval, period ms, repetition, rate, frequency, update rate, transmit rate",
            "10, 10 ms, 0.1 s or 100 Hz", always=True),
    _column("multiplexer value", "mux, mux value, multiplexer id, multiplex, multiplexing, mux id, page",
            "M: this signal selects; 3, 1-4 or 0x10: present for these", always=True),
    _column("multiplexer", "mux signal, multiplexed by, selector, multiplexer signal", "the signal that selects"),
    _column("values", "value table, enumeration, enum, states, choices, coding", "0=off; 1=on"),
    _column("initial", "start value, default, default value, initial value", "raw value at start"),
    _column("spn", "", "J1939 parameter number"),
    _column("comment", "description, remarks, remark, notes, note, comments, meaning", "text"),
    _column("receivers", "receiver, received by", "modules"),
    _column("sender", "node, transmitter, module, source, ecu, sent by, tx node, senders", "module",
            always=True),
    _column("sent", "send type, transmission, sending", "cyclic, on change"),
    _column("extended", "ide, id type, frame type, id format, 29 bit", "yes, 29 bit, extended"),
    _column("protocol", "", "CAN, CAN FD or J1939"),
    _column("message comment", "message description, frame description", "text"),
    _column("signal attributes", "attributes", "Name=1; Other=\"text\""),
    _column("message attributes", "frame attributes", "Name=1; Other=\"text\""),
)  # fmt: skip
"""Every column, in the order in which a table is written."""

BY_NAME: Mapping[str, Column] = MappingProxyType({column.name: column for column in ALL})
_BY_WORD = {word: column for column in ALL for word in column.words}
_HINTS = re.compile(r"\b(hex|hexadecimal|dec|decimal|bytes|bits|ms|s|hz|msec|sec)\b")


@dataclass(frozen=True, slots=True)
class Head:
    """A head that is understood.

    Attributes
    ----------
    text
        As the table has it.
    column
        What it is.
    hint
        What else it says: hex, dec, bytes, bits, ms, s, hz; empty if nothing.
    """

    text: str
    column: Column
    hint: str = ""


def squeezed(text: str) -> str:
    """Return a head in lower case, signs as blanks."""
    return " ".join(re.sub(r"[^0-9a-zµ%]+", " ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()).split())


def head_of(text: str) -> Head | None:
    """Find what a head stands for; None if it isn't known."""
    words = squeezed(text)
    hint = _HINTS.search(words)
    said = hint[1] if hint else ""
    without = " ".join(_HINTS.sub(" ", words).split())
    for tried in (words, without, without.removesuffix("s")):
        if tried in _BY_WORD:
            return Head(text, _BY_WORD[tried], said)
    return None


def heads_of(cells: Mapping[str, str]) -> dict[str, Head]:
    """Return heads by their place; of two of one meaning the first counts."""
    found: dict[str, Head] = {}
    for place, text in cells.items():
        head = head_of(text) if text.strip() else None
        if head is not None and head.column not in (each.column for each in found.values()):
            found[place] = head
    return found


def are_heads(found: Mapping[str, Head]) -> bool:
    """Whether a row is the heads of a table: it says which frame, and where in it."""
    names = {head.column.name for head in found.values()}
    return bool(names & {"id", "message"}) and len(names) >= 3
