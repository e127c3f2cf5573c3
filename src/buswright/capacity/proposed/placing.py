"""Which identifiers new frames should have: what that means for every deadline of the bus."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.proposed.identifiers import DIAGNOSTICS
from buswright.capacity.timing.bounds import bounds_of, by_priority, late_count
from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.wording import duration, plural

MOST_PLACES, MOST_BOUNDS = 24, 6_000
"""Places in the order of priority that are tried for one frame, and bounds that are computed for it at most; the
places are evenly chosen where there are more."""
_SAME = 1.01
"""A measured period is that of a clock a little slow or fast; a deadline this much longer is as urgent."""
_ROUND = 0x10
"""Identifiers are easier to read where a new group begins with a 0."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A new frame with the identifier that suits it, and why there, one sentence.

    `lowest_ns` is its worst response if it had the lowest priority of all; None where that has no bound.
    """

    stream: Stream
    why: str
    lowest_ns: int | None


def place(
    new: Sequence[Stream], streams: Sequence[Stream], used: Collection[FrameName], rates: Rates | None
) -> tuple[Placed, ...]:
    """Choose identifiers for new frames, the shortest deadline first.

    A frame goes below everything whose deadline is as short as its own or shorter, and above the rest (Leung and
    Whitehead 1982: with deadlines as priorities, what can be met is met, but for blocking). Where that makes a
    deadline late that another place would meet, it goes to that one.

    Parameters
    ----------
    new
        Frames whose identifiers only tell them apart.
    streams
        What the bus carries.
    used
        Further identifiers that are taken: declared, or seen and not planned with.
    rates
        Of the bus; None: deadlines alone decide.

    Raises
    ------
    UserError
        No identifier is free.
    """
    have, found = list(streams), []
    taken = {*used, *(stream.name for stream in streams)}
    for stream in sorted(new, key=lambda each: (each.deadline_ns, each.name)):
        placed = _place(stream, have, taken, rates)
        taken.add(placed.stream.name)
        have.append(placed.stream)
        found.append(placed)
    return tuple(found)


def _place(stream: Stream, have: Sequence[Stream], taken: Collection[FrameName], rates: Rates | None) -> Placed:
    ordered = by_priority(have)
    names = _names(stream, ordered, taken)
    if not names:
        raise UserError(
            f"bus {stream.name.bus}: no {29 if stream.name.extended else 11}-bit identifier is free for a new frame",
            hint="use 29-bit identifiers" if not stream.name.extended else "take identifiers of something that is gone",
        )
    # Behind the last one that is as urgent; the bus may not be in the order of its deadlines.
    as_urgent = stream.deadline_ns * _SAME
    urgent = max((k + 1 for k, each in enumerate(ordered) if each.deadline_ns <= as_urgent), default=0)
    wanted = min(names, key=lambda place: (abs(place - urgent), place))
    why = f"by its deadline of {duration(stream.deadline_ns)}, {_neighbours(ordered, wanted)}"
    if rates is None:
        return Placed(replace(stream, name=names[wanted]), why, None)
    places = sorted(names)
    most = max(1, min(MOST_PLACES, MOST_BOUNDS // (len(have) + 1)))
    if len(places) > most:
        places = sorted({wanted, places[0], places[-1], *places[:: -(-len(places) // most)]})
    tried = {place: bounds_of([*have, replace(stream, name=names[place])], rates) for place in places}
    missed = {place: late_count(found) for place, found in tried.items()}
    best = min(places, key=lambda place: (missed[place], place != wanted, abs(place - wanted)))
    if best != wanted:
        why = (
            f"{_neighbours(ordered, best)}: there {_lates(missed[best])}; "
            f"by its deadline it would be {names[wanted].id:03X}, and {_lates(missed[wanted])}"
        )
    lowest = tried[places[-1]][names[places[-1]]].worst_ns
    return Placed(replace(stream, name=names[best]), why, lowest)


def _lates(count: int) -> str:
    return "no deadline is missed" if not count else f"{plural(count, 'deadline')} can be missed"


def _neighbours(ordered: Sequence[Stream], place: int) -> str:
    parts = []
    if place:
        parts.append(f"below {_short(ordered[place - 1])}")
    if place < len(ordered):
        parts.append(f"above {_short(ordered[place])}")
    return " and ".join(parts) or "the bus is empty"


def _short(stream: Stream) -> str:
    return str(stream.name).rpartition("/")[2]


def _names(stream: Stream, ordered: Sequence[Stream], taken: Collection[FrameName]) -> dict[int, FrameName]:
    """Return a free identifier for every place in the order of priority that has one, by the streams above it."""
    extended, bus = stream.name.extended, stream.name.bus
    end = 1 << 29 if extended else DIAGNOSTICS.start
    found = {}
    for place in range(len(ordered) + 1):
        first = _after(ordered[place - 1], extended) if place else _ROUND << (18 if extended else 0)
        limit = ordered[place].rank if place < len(ordered) else None
        round_up = -(-first // _ROUND) * _ROUND
        starts = [first] if place and _alike(ordered[place - 1], stream) else [round_up, first]
        for start in (*starts, 0) if not place else starts:
            name = _free(start, end, extended, bus, taken)
            if name is not None and (limit is None or replace(stream, name=name).rank < limit):
                found[place] = name
                break
    return found


def _alike(one: Stream, other: Stream) -> bool:
    """Whether two have one deadline."""
    low, high = sorted((one.deadline_ns, other.deadline_ns))
    return high <= low * _SAME


def _after(stream: Stream, extended: bool) -> int:
    """Return the first identifier of a width that is of lower priority than a stream."""
    if extended:
        return stream.name.id + 1 if stream.name.extended else stream.name.id << 18
    return (stream.name.id >> 18 if stream.name.extended else stream.name.id) + 1


def _free(start: int, end: int, extended: bool, bus: str, taken: Collection[FrameName]) -> FrameName | None:
    """Return the first identifier from `start` on that nobody has, neither with 11 nor with 29 bits."""
    for number in range(start, end):
        name = FrameName(bus, number, extended)
        if name not in taken and name._replace(extended=not extended) not in taken:
            return name
    return None
