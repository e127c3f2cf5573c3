"""Which message is this frame? (bus, identifier) to message, and the J1939 rule."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from buswright.frames.table import Flag, Frames
from buswright.messages.model import J1939, Database, Message, identifier_text, merge

Int32s = npt.NDArray[np.int32]
Rows = npt.NDArray[np.intp]
UInt32s = npt.NDArray[np.uint32]

EVERY_BUS = "*"
"""Name to bind a database under that applies to every bus."""

TRANSPORT_GROUPS = frozenset((0xEB00, 0xEC00))
"""Parameter groups of the J1939 transport protocol: data transfer and connection management (SAE J1939-21)."""

_PDU2 = 240
"""PDU formats from here on are broadcast: the next byte extends the group instead of naming a destination."""

ANY_SOURCE = 0xFE
"""The null address: what databases write for "any source" (SAE J1939-81)."""

MAX_UNMATCHED = 50_000
"""Distinct unmatched 29-bit identifiers that are told apart; further ones are counted together."""

_STANDARD = 1 << 11
_OF_SOURCE = re.compile(r"(.+)@([0-9A-F]{2})")

Databases = Database | Mapping[str, Database | Sequence[Database]]
"""One database for every bus, or databases by bus name (`EVERY_BUS`: all of them)."""


def by_bus(databases: Databases) -> dict[str, Database]:
    """Return the databases of each bus in one; buses without any are left out."""
    bound = {EVERY_BUS: databases} if isinstance(databases, Database) else dict(databases)
    return {bus: merge([given] if isinstance(given, Database) else given) for bus, given in bound.items() if given}


class Kind(Enum):
    """What became of a frame."""

    MESSAGE = "message"
    UNMATCHED = "no database knows the identifier"
    TRANSPORT = "part of a J1939 multi-packet transfer, which is not put together"
    ERROR = "error frame"
    REMOTE = "remote frame"
    UNLISTED = "no database knows the identifier, and there are too many of these to tell apart"


@dataclass(frozen=True, slots=True)
class Group:
    """Frames that belong together: same bus and same message (J1939: same source address), or same fate.

    Attributes
    ----------
    kind
        What became of them; only MESSAGE has signals.
    bus
        Bus name; empty where frames of all buses are counted together.
    message
        None where no database knows them.
    source
        J1939 source address; None for the rest.
    id, extended
        The identifier of frames without a message.
    alias
        What the message is called here, where another message of the bus has its name already.
    """

    kind: Kind
    bus: str = ""
    message: Message | None = None
    source: int | None = None
    id: int = 0
    extended: bool = False
    alias: str = ""

    @property
    def name(self) -> str:
        """The message's name, `message@SA` for J1939, the identifier where there is no message.

        A second message of the same name is called `name_identifier`: its columns must not hide the first one's.
        """
        if self.message is None:
            return identifier_text(self.id, self.extended)
        name = self.alias or self.message.name
        return name if self.source is None else f"{name}@{self.source:02X}"


class Matcher:
    """Finds the group of every frame; groups are discovered as identifiers appear.

    Parameters
    ----------
    databases
        See `Databases`. A bus's own databases win over those for every bus, later ones over earlier ones.
    bus_names
        Interface names to bus names, where a capture calls a bus by its interface.

    Attributes
    ----------
    groups
        Every group met so far; the codes of `match` index it. Only ever appended to.
    """

    def __init__(self, databases: Databases, *, bus_names: Mapping[str, str] | None = None) -> None:
        self._bound = by_bus(databases)
        self.bus_names = MappingProxyType(dict(bus_names or {}))
        self.groups: list[Group] = [Group(Kind.ERROR), Group(Kind.REMOTE), Group(Kind.UNLISTED)]
        self._code_of: dict[Group, int] = {group: code for code, group in enumerate(self.groups)}
        self._rules: dict[str, _Rules] = {}
        self._buses: tuple[str, ...] = ()
        self._known = _IdentifierTable()
        self._codes: Int32s = np.empty((0, _STANDARD), dtype=np.int32)
        self._unmatched = 0

    def bus_name(self, interface: str) -> str:
        """Name of the bus that a capture calls `interface`."""
        return self.bus_names.get(interface, interface)

    def match(self, frames: Frames) -> Int32s:
        """Return the code of every frame's group; int32[n], an index into `groups`."""
        self._fit(frames.buses)
        extended = (frames.flags & np.uint8(Flag.EXTENDED)) != 0
        apart = (frames.flags & np.uint8(Flag.ERROR | Flag.REMOTE)) != 0
        any_apart = bool(apart.any())
        wide = extended & ~apart if any_apart else extended
        count = int(np.count_nonzero(wide))
        if count == len(frames) and count:
            place = self._places(frames.id)
        else:
            place = np.minimum(frames.id, np.uint32(_STANDARD - 1)).astype(np.intp)
            if count:
                rows = np.flatnonzero(wide)
                place[rows] = self._places(frames.id[rows])
        width = self._codes.shape[1]
        if len(self._buses) > 1:
            place += frames.bus.astype(np.intp) * width
        codes: Int32s = self._codes.ravel().take(place)
        if any_apart:
            codes[apart] = np.where(frames.has(Flag.ERROR)[apart], np.int32(0), np.int32(1))
        unseen = codes < 0
        if unseen.any():
            self._resolve(np.flatnonzero(np.bincount(place[unseen])))
            codes[unseen] = self._codes.ravel().take(place[unseen])
        return codes

    def _fit(self, buses: tuple[str, ...]) -> None:
        """Make room for the capture's buses; another capture's names start afresh."""
        if buses == self._buses:
            return
        if buses[: len(self._buses)] != self._buses:
            self._codes = self._codes[:0]
        grown = np.full((len(buses), self._codes.shape[1]), -1, dtype=np.int32)
        grown[: len(self._codes)] = self._codes
        self._buses, self._codes = buses, grown

    def _places(self, identifiers: UInt32s) -> Rows:
        """Columns of 29-bit identifiers in the table of codes, new ones added to it."""
        places = self._known.find(identifiers)
        if places is None:
            new = self._known.add(identifiers)
            grown = np.full((len(self._codes), _STANDARD + len(self._known)), -1, dtype=np.int32)
            grown[:, : self._codes.shape[1]] = self._codes
            self._codes = grown
            places = self._known.find(identifiers)
            assert places is not None, f"{len(new)} identifiers were added"
        places += _STANDARD
        return places

    def _resolve(self, places: Rows) -> None:
        """Find the groups of identifiers met for the first time."""
        width = self._codes.shape[1]
        for place in places.tolist():
            bus, column = divmod(place, width)
            extended = column >= _STANDARD
            identifier = self._known.identifier(column - _STANDARD) if extended else column
            self._codes[bus, column] = self._code(self.find(self._buses[bus], identifier, extended))

    def _code(self, group: Group) -> int:
        code = self._code_of.get(group)
        if code is None:
            if group.kind is Kind.UNMATCHED:
                if self._unmatched >= MAX_UNMATCHED:
                    return 2
                self._unmatched += 1
            code = self._code_of[group] = len(self.groups)
            self.groups.append(group)
        return code

    def find(self, interface: str, identifier: int, extended: bool) -> Group:
        """Find the group of one identifier on one bus."""
        bus = self.bus_name(interface)
        rules = self._rules.get(bus)
        if rules is None:
            own, shared = self._bound.get(bus), self._bound.get(EVERY_BUS)
            rules = self._rules[bus] = _Rules(m for database in (shared, own) if database for m in database)
        return rules.group(bus, identifier, extended)


def by_group(codes: npt.NDArray[Any]) -> tuple[Rows, Rows, Rows]:
    """Sort frames by their group.

    Returns
    -------
    found, ends, order
        Codes that occur, ascending; where each one's frames end in the sorted order; and that order, within a group
        that of the frames. intp[groups], intp[groups], intp[n].
    """
    counts = np.bincount(codes)
    found = np.flatnonzero(counts)
    # A key of one byte sorts in one pass; the groups of one batch nearly always fit.
    narrow = np.uint8 if len(found) <= 256 else np.uint16 if len(found) <= 65_536 else np.int32
    key = np.zeros(len(counts), dtype=narrow)
    key[found] = np.arange(len(found))
    return found, np.cumsum(counts[found]), np.argsort(key.take(codes), kind="stable")


class _Rules:
    """What one bus's databases say about identifiers."""

    def __init__(self, messages: Iterable[Message]) -> None:
        self.exact: dict[tuple[int, bool], Message] = {}
        self.by_parameter_group: dict[int, list[Message]] = {}
        for message in messages:
            self.exact[message.id, message.extended] = message
        first: dict[str, Message] = {}
        self.alias: dict[Message, str] = {}
        for message in self.exact.values():
            if first.setdefault(message.name, message) is not message:
                self.alias[message] = f"{message.name}_{message.identifier}"
            if message.protocol == J1939 and message.extended:
                self.by_parameter_group.setdefault(parameter_group(message.id), []).append(message)

    def group(self, bus: str, identifier: int, extended: bool) -> Group:
        message = self.exact.get((identifier, extended))
        if message is None and extended and self.by_parameter_group:
            number = parameter_group(identifier)
            if number in TRANSPORT_GROUPS:
                return Group(Kind.TRANSPORT, bus, id=identifier, extended=True)
            candidates = self.by_parameter_group.get(number)
            if candidates:
                message = min(candidates, key=lambda m: distance(m.id, identifier))
        if message is None:
            return Group(Kind.UNMATCHED, bus, id=identifier, extended=extended)
        source = identifier & 0xFF if message.protocol == J1939 and extended else None
        return Group(Kind.MESSAGE, bus, message, source, alias=self.alias.get(message, ""))


def parameter_group(identifier: int) -> int:
    """Parameter group number of a 29-bit identifier (SAE J1939-21).

    Eighteen bits: extended data page, data page, PDU format, and the group extension. Below PDU format 240 the
    low byte is a destination address and does not belong to the number.
    """
    number = (identifier >> 8) & 0x3FFFF
    return number if (number >> 8) & 0xFF >= _PDU2 else number & 0x3FF00


def split_source(name: str) -> tuple[str, int | None]:
    """Take a message's name apart that may have a J1939 source address, two hex digits: `EEC1@0A` is EEC1 of 10."""
    found = _OF_SOURCE.fullmatch(name)
    return (found[1], int(found[2], 16)) if found else (name, None)


def with_source(identifier: int, source: int) -> int:
    """Return a J1939 identifier of another source address."""
    return identifier & ~0xFF | source


def distance(defined: int, seen: int) -> tuple[bool, bool, bool]:
    """Say how far a definition is from an identifier of its own parameter group: least wins.

    Same source first, then one for any source; among these the same destination (PDU1).
    """
    source = defined & 0xFF
    return source != seen & 0xFF, source != ANY_SOURCE, (defined ^ seen) & 0xFF00 != 0


class _IdentifierTable:
    """29-bit identifiers to consecutive numbers, many at a time.

    A multiplicative hash without collisions is searched for whenever identifiers are added, which happens a few
    times at the start of a capture; a look-up is then one multiplication and two gathers.
    """

    # Odd multiples of 2^32 divided by the golden ratio: scattered, and the same in every run.
    _MULTIPLIERS = tuple(np.uint32(0x9E3779B1 * odd % (1 << 32)) for odd in range(1, 96, 2))
    _MOST_BITS = 20

    def __init__(self) -> None:
        self._identifiers: UInt32s = np.empty(0, dtype=np.uint32)
        self._hash: tuple[np.uint32, np.uint32] | None = None
        self._slots: Rows = np.zeros(1, dtype=np.intp)

    def __len__(self) -> int:
        return len(self._identifiers)

    def identifier(self, number: int) -> int:
        """Give the identifier of a number."""
        return int(self._identifiers[number])

    def find(self, identifiers: UInt32s) -> Rows | None:
        """Numbers of identifiers; None if one of them is not in the table."""
        if not len(self):
            return None
        if self._hash is None:
            at = np.minimum(np.searchsorted(self._sorted, identifiers), len(self) - 1)
            numbers: Rows = self._slots.take(at)
        else:
            multiplier, shift = self._hash
            numbers = self._slots.take((identifiers * multiplier) >> shift)
        return numbers if np.array_equal(self._identifiers.take(numbers), identifiers) else None

    def add(self, identifiers: UInt32s) -> UInt32s:
        """Give numbers to the identifiers that are new, and return these."""
        new = np.setdiff1d(identifiers, self._identifiers)
        self._identifiers = known = np.concatenate([self._identifiers, new])
        self._hash = None
        # A multiplier has no collision with probability exp(-n²/2^(bits+1)): don't try hopeless sizes.
        bits = max(4 * len(known), len(known) ** 2 // 8).bit_length()
        while bits <= self._MOST_BITS and self._hash is None:
            for multiplier in self._MULTIPLIERS:
                hashed = (known * multiplier) >> np.uint32(32 - bits)
                slots = np.full(1 << bits, -1, dtype=np.intp)
                slots[hashed] = np.arange(len(known))
                if np.array_equal(slots[hashed], np.arange(len(known))):
                    self._hash, self._slots = (multiplier, np.uint32(32 - bits)), np.maximum(slots, 0)
                    break
            bits += 2
        if self._hash is None:
            self._slots = np.argsort(known)
            self._sorted = known[self._slots]
        return new
