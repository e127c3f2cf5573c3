"""What a database says, as frozen data: signals, messages, databases, and what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from buswright.errors import DatabaseError
from buswright.findings import Severity
from buswright.wording import did_you_mean, plural

NOTHING: Mapping[str, object] = MappingProxyType({})
NO_CHOICES: Mapping[int, str] = MappingProxyType({})


def _nothing() -> Mapping[str, object]:
    return NOTHING


NOBODY = "Vector__XXX"
"""What a DBC names as sender or receiver where there is none."""

J1939 = "j1939"
"""`Message.protocol` of a message that is matched by its parameter group."""

_IDENTIFIER = re.compile(r"[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8}")
_CHANGE_DRIVEN = re.compile(r"change|event|spontan|trigger|ifactive|request|write", re.IGNORECASE)
_ON_REQUEST = re.compile(r"request", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal of a message.

    Attributes
    ----------
    name
        Unique within its message.
    start, length
        Start bit as a DBC counts it (little-endian: the least significant bit; big-endian: the most significant
        bit, bits of a byte numbered 7..0), and the number of bits.
    big_endian, signed, is_float
        Byte order and kind of the raw value; `signed` says nothing where `is_float`.
    scale, offset
        value = raw * scale + offset. An int where the file writes an integer: integer scaling stays exact.
    minimum, maximum
        Range of the value in `unit`; None where the file gives none.
    choices
        Value table: raw value to text.
    initial, invalid
        Raw value at start, and the one that says "not available"; None where the file gives none.
    is_multiplexer
        Its raw value selects which other signals are present.
    multiplexer, mux_values
        Name of the multiplexer that selects this signal (None: always present), and the inclusive ranges of its
        raw value for which this one is present.
    spn
        J1939 suspect parameter number.
    line
        1-based line in the file; 0 where unknown.
    renamed_from
        Its name in the file, where an earlier signal of the message has that name already.
    """

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    is_float: bool = False
    scale: int | float = 1
    offset: int | float = 0
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    comment: str = ""
    choices: Mapping[int, str] = field(default_factory=lambda: NO_CHOICES, hash=False)
    initial: float | None = None
    invalid: float | None = None
    is_multiplexer: bool = False
    multiplexer: str | None = None
    mux_values: tuple[tuple[int, int], ...] = ()
    receivers: tuple[str, ...] = ()
    spn: int | None = None
    attributes: Mapping[str, object] = field(default_factory=_nothing, hash=False)
    line: int = 0
    renamed_from: str = ""

    @property
    def first_bit(self) -> int:
        """First bit in the order bits are sent: byte after byte, most significant bit first.

        For little-endian signals the start bit itself, which keeps `first_bit + length` the number of payload bits
        that must be there.
        """
        return 8 * (self.start // 8) + 7 - self.start % 8 if self.big_endian else self.start

    @property
    def bits(self) -> int:
        """The bits that it takes, as a mask over the payload: bit 0 is the lowest of byte 0."""
        if not self.big_endian:
            return ((1 << max(0, self.length)) - 1) << max(0, self.start)
        taken = 0
        for place in range(self.first_bit, self.end_bit):
            taken |= 1 << (place // 8 * 8 + 7 - place % 8)
        return taken

    @property
    def end_bit(self) -> int:
        """Payload bits that must be there for the whole signal to be there."""
        return self.first_bit + self.length


@dataclass(frozen=True, slots=True, eq=False)
class Message:
    """One message (frame) of a database. Two messages are equal only if they are the same object.

    Attributes
    ----------
    id, extended
        Identifier without flag bits, and whether it has 29 bits.
    length
        Payload bytes.
    fd
        Sent as CAN FD.
    cycle_time_ms
        Period; None where the file gives none (or 0).
    send_type
        The file's word for when it is sent, e.g. "Cyclic"; empty where it gives none.
    senders
        Nodes that send it, the main one first.
    protocol
        `J1939` or empty.
    is_container
        An AUTOSAR container of other messages, whose contents are not decoded.
    path, line
        Where it is defined; line 0 where unknown.
    """

    name: str
    id: int
    extended: bool
    length: int
    signals: tuple[Signal, ...] = ()
    fd: bool = False
    cycle_time_ms: float | None = None
    send_type: str = ""
    senders: tuple[str, ...] = ()
    protocol: str = ""
    comment: str = ""
    attributes: Mapping[str, object] = field(default_factory=_nothing)
    is_container: bool = False
    path: str = ""
    line: int = 0

    @property
    def identifier(self) -> str:
        """The identifier as written everywhere: three hex digits for 11 bits, eight for 29."""
        return identifier_text(self.id, self.extended)

    @property
    def change_driven(self) -> bool:
        """Whether it is sent on events rather than by the clock (both: False)."""
        return bool(_CHANGE_DRIVEN.search(self.send_type)) and "cycl" not in self.send_type.lower()

    @property
    def on_request(self) -> bool:
        """Whether it is sent only when another module asks for it."""
        return self.change_driven and bool(_ON_REQUEST.search(self.send_type))

    def signal(self, name: str) -> Signal:
        """Return the signal of that name."""
        for signal in self.signals:
            if signal.name == name:
                return signal
        hint = did_you_mean(name, (signal.name for signal in self.signals), shown=repr)
        raise DatabaseError(f"message {self.name!r} has no signal {name!r}", hint=hint)


@dataclass(frozen=True, slots=True)
class Node:
    """A module as the database names it."""

    name: str
    comment: str = ""


@dataclass(frozen=True, slots=True)
class LintNote:
    """One thing wrong with a database.

    Attributes
    ----------
    rule
        Stable name of the rule, e.g. "overlap".
    severity
        FAULT: values are wrong or missing; SUSPECT: likely a mistake; NOTE: something is left unsaid.
    message, signal
        Names; empty where the note concerns the whole file.
    path, line
        Where; line 0 where unknown.
    text, hint
        What is wrong, and what to try.
    """

    rule: str
    severity: Severity
    message: str
    signal: str
    path: str
    line: int
    text: str
    hint: str = ""

    def __str__(self) -> str:
        where = f"{self.path}:{self.line}" if self.line else self.path
        return f"{where}: {self.text}"


@dataclass(frozen=True, slots=True, eq=False)
class Database:
    """The messages of one bus, from one file or several.

    Attributes
    ----------
    paths
        Files it came from.
    messages
        In file order, duplicates included; where two claim an identifier the last one decodes.
    nodes
        Modules.
    version, bitrate
        As the (last) file says; empty and None where it doesn't. `bitrate` in bit/s.
    attributes
        Attributes of the file itself.
    encoding
        How the (last) file's text was read.
    notes
        What could not be taken as it stood while loading; `lint` begins with these.
    """

    paths: tuple[str, ...]
    messages: tuple[Message, ...]
    nodes: tuple[Node, ...] = ()
    version: str = ""
    bitrate: int | None = None
    attributes: Mapping[str, object] = field(default_factory=_nothing)
    encoding: str = "utf-8"
    notes: tuple[LintNote, ...] = ()

    def __repr__(self) -> str:
        return f"<Database of {', '.join(self.paths) or 'no file'}: {plural(len(self.messages), 'message')}>"

    def __iter__(self) -> Iterator[Message]:
        return iter(self.messages)

    def __len__(self) -> int:
        return len(self.messages)

    def find(self, key: str | int, *, extended: bool | None = None) -> Message:
        """Return a message by name or identifier.

        Parameters
        ----------
        key
            A name, an identifier as text (three hex digits: 11 bits, eight: 29), or a number.
        extended
            With a number, whether it has 29 bits; None: 11 bits if it fits and is there.

        Raises
        ------
        DatabaseError
            No such message; the hint names the closest.
        """
        wanted = [m for m in self.messages if m.name == key or (isinstance(key, str) and m.identifier == key.upper())]
        if isinstance(key, int):
            wanted = [m for m in self.messages if m.id == key and extended in (None, m.extended)]
            wanted.sort(key=lambda m: not m.extended)
        if wanted:
            return next((m for m in reversed(wanted) if m.name == key), wanted[-1])
        where = ", ".join(self.paths) or "the database"
        otherwise = "identifiers have three hex digits (11 bits) or eight (29)"
        hint = did_you_mean(str(key), (message.name for message in self.messages), otherwise, shown=repr)
        raise DatabaseError(f"no message {key if isinstance(key, str) else hex(key)!r} in {where}", hint=hint)


def merge(databases: Iterable[Database]) -> Database:
    """Put the databases of one bus together; later ones win where they disagree."""
    databases = tuple(databases)
    if len(databases) == 1:
        return databases[0]
    nodes = {node.name: node for database in databases for node in database.nodes}
    return Database(
        paths=tuple(path for database in databases for path in database.paths),
        messages=tuple(message for database in databases for message in database.messages),
        nodes=tuple(nodes.values()),
        version=next((d.version for d in reversed(databases) if d.version), ""),
        bitrate=next((d.bitrate for d in reversed(databases) if d.bitrate), None),
        attributes=MappingProxyType({name: value for d in databases for name, value in d.attributes.items()}),
        encoding=databases[-1].encoding if databases else "utf-8",
        notes=tuple(note for database in databases for note in database.notes),
    )


def identifier_text(identifier: int, extended: bool) -> str:
    """Write an identifier: three hex digits for 11 bits, eight for 29."""
    return f"{identifier:08X}" if extended else f"{identifier:03X}"


def parse_identifier(text: str) -> tuple[int, bool] | None:
    """Read an identifier as `identifier_text` writes it: (identifier, extended); None if it is none."""
    if not _IDENTIFIER.fullmatch(text):
        return None
    identifier, extended = int(text, 16), len(text) == 8
    return (identifier, extended) if identifier < (1 << 29 if extended else 1 << 11) else None
