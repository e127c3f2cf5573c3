"""Identifiers of a bus: which are free, which clash, and which only look alike."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Literal, NamedTuple

from buswright.channels.carfile.model import FrameName

_BASE_IDS, _EXTENDED_IDS = 1 << 11, 1 << 29

NEVER_ALLOWED = range(0x7F0, 0x800)
"""The seven upper bits of an 11-bit identifier must not all be recessive (Bosch CAN 2.0, part A, section 3.1.1, from
memory); ISO 11898-1 allows it, old controllers don't."""
DIAGNOSTICS = range(0x7DF, 0x7F0)
"""7DF and 7E0 to 7EF are those of legislated diagnostics (ISO 15765-4): a scan tool sends and answers there."""

Kind = Literal["taken", "declared", "other width"]
"""Seen on the bus; declared, but not seen; the same number with 29 bits instead of 11, or the other way round."""


class Range(NamedTuple):
    """Identifiers that are free, both ends included."""

    first: int
    last: int

    def __len__(self) -> int:
        return self.last - self.first + 1


class Clash(NamedTuple):
    """An identifier that was asked for and that somebody else has, or that is easily taken for the other one.

    Only the kinds "taken" and "declared" are the same identifier.
    """

    name: FrameName
    other: FrameName
    kind: Kind


def free_ranges(used: Iterable[FrameName], *, extended: bool = False) -> tuple[Range, ...]:
    """Return what is free on a bus, lowest first; 11-bit: without what controllers and scan tools keep for themselves.

    `used` are identifiers of one bus that are seen or declared; `extended` asks for 29-bit ones.
    """
    taken = {name.id for name in used if name.extended == extended}
    if not extended:
        taken |= {*NEVER_ALLOWED, *DIAGNOSTICS}
    found, first = [], 0
    for number in (*sorted(taken), _EXTENDED_IDS if extended else _BASE_IDS):
        if number > first:
            found.append(Range(first, number - 1))
        first = number + 1
    return tuple(found)


def clashes_of(
    wanted: Iterable[FrameName], seen: Collection[FrameName], declared: Collection[FrameName]
) -> Iterator[Clash]:
    """Yield what stands against identifiers that a new module wants on a bus.

    `seen` came on this bus, however seldom; `declared` car file or database has, and they did not come: perhaps they
    do in one state of the car only.
    """
    for name in wanted:
        if name in seen:
            yield Clash(name, name, "taken")
        elif name in declared:
            yield Clash(name, name, "declared")
        twin = name._replace(extended=not name.extended)
        if twin in seen or twin in declared:
            yield Clash(name, twin, "other width")


def alike(names: Collection[FrameName]) -> Iterator[Clash]:
    """Yield identifiers of a bus that have the same number and another width: `123` and `00000123`."""
    for name in sorted(names):
        twin = FrameName(name.bus, name.id, True)
        if not name.extended and twin in names:
            yield Clash(name, twin, "other width")
