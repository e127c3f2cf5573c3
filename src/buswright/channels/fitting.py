"""Whether a capture fits what describes it: its buses, databases and car file; and what of that never came."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels.carfile.model import CarFile
from buswright.channels.carfile.needs import databases_of, inputs_of, interface_names
from buswright.channels.expectation import name_of
from buswright.channels.keys.faults import nearest
from buswright.frames.table import Flag, Frames
from buswright.messages.match import EVERY_BUS, Databases, Group, Kind, Matcher
from buswright.messages.model import Database, identifier_text, merge

LEAST_KNOWN = 0.3
"""Share of identifiers that a database must know to describe a bus: the car may have other modules."""
SAME_BUS = 0.7
"""Share of identifiers above which it is that bus."""
FEWEST = 2
"""Identifiers from which a bus is told by what it carries; one may fit by chance."""

_WHICH = "is it the right car, the right database? `buswright contents` lists what the capture holds"

Key = tuple[int, bool]
"""Identifier, and whether it has 29 bits."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """What doesn't fit, and what would; unless it is `sure`, the capture may still be the right one."""

    text: str
    hint: str
    sure: bool = True

    def __str__(self) -> str:
        return f"{self.text}\n  try: {self.hint}"


def known_share(keys: Collection[Key], databases: Database | Sequence[Database]) -> tuple[int, float]:
    """Return how many identifiers databases know, and the share of those that they could know."""
    every = [databases] if isinstance(databases, Database) else databases
    matcher = Matcher({EVERY_BUS: every})
    known = sum(matcher.find("", *key).kind is Kind.MESSAGE for key in keys)
    return known, known / max(min(len(keys), sum(map(len, every))), 1)


def keys_by_bus(groups: Iterable[Group]) -> dict[str, set[Key]]:
    """Return the identifiers that a matcher met, by bus name."""
    found: dict[str, set[Key]] = {}
    for group in groups:
        if group.message is not None:
            found.setdefault(group.bus, set()).add((group.message.id, group.message.extended))
        elif group.kind is Kind.UNMATCHED:
            found.setdefault(group.bus, set()).add((group.id, group.extended))
    return found


def keys_in(frames: Frames, names: Mapping[str, str]) -> dict[str, set[Key]]:
    """Return the identifiers of the data frames of a batch, by bus name.

    `names`: interface to bus name.
    """
    data = ~frames.has(Flag.ERROR | Flag.REMOTE)
    extended = frames.has(Flag.EXTENDED)[data].astype(np.int64)
    codes = frames.bus[data].astype(np.int64) << 33 | extended << 32 | frames.id[data]
    found: dict[str, set[Key]] = {}
    for code in np.unique(codes).tolist():
        bus = frames.buses[code >> 33]
        found.setdefault(names.get(bus, bus), set()).add((code & 0xFFFF_FFFF, bool(code >> 32 & 1)))
    return found


def misfit_of(
    seen: Mapping[str, Collection[Key]],
    interfaces: Collection[str],
    *,
    car: CarFile | None,
    databases: Databases,
    bus_names: Mapping[str, str],
) -> Misfit | None:
    """Say what doesn't fit a capture of all that a user gave for it; None if everything may.

    Parameters
    ----------
    seen
        Identifiers by bus name.
    interfaces
        Of the capture.
    databases
        Those of the user, by bus name; the car file's are added.
    bus_names
        Interface to bus name, as the user says.
    """
    names = {**interface_names(car), **bus_names}
    bound = [] if isinstance(databases, Database) else [bus for bus in databases if bus != EVERY_BUS]
    return (
        _mistyped(bound, {*names.values(), *interfaces})
        or misfit(seen, databases_of(car, databases), names, interfaces)
        or wrong_names(bus_names, bound, interfaces, car)
        or (None if car is None else _strange(car, names, interfaces))
    )


def _mistyped(bound: Collection[str], known: Collection[str]) -> Misfit | None:
    """Say that a database is bound to a bus that there isn't, but one with nearly that name; None if not."""
    for bus in bound:
        if bus not in known and (near := nearest(bus, known)):
            return Misfit(f"--dbc {bus}=...: no bus is called {bus}", f"write --dbc {near}=...")
    return None


def misfit(
    seen: Mapping[str, Collection[Key]], databases: Databases, names: Mapping[str, str], interfaces: Collection[str]
) -> Misfit | None:
    """Say that a capture is of another bus, car or database; None if it may well be of this one.

    A bus is another one where its own databases know less than `LEAST_KNOWN` of its identifiers, and those of the
    other one at least `SAME_BUS`. Nothing fits where no database knows any identifier.

    Parameters
    ----------
    seen
        Identifiers by bus name.
    names
        Interface to bus name.
    interfaces
        Of the capture.
    """
    given = {EVERY_BUS: databases} if isinstance(databases, Database) else databases
    bound = {bus: [each] if isinstance(each, Database) else list(each) for bus, each in given.items() if each}
    shared = bound.pop(EVERY_BUS, [])
    if not (bound or shared) or not any(seen.values()):
        return None
    own = {bus: known_share(keys, [*bound.get(bus, []), *shared]) for bus, keys in seen.items()}
    settled = {bus for bus, (_, share) in own.items() if share >= SAME_BUS}
    wrong: list[str] = []
    options: list[str] = []
    for bus, keys in sorted(seen.items()):
        fits = [(*known_share(keys, each), other) for other, each in bound.items() if other not in settled | {bus}]
        count, best, other = max(fits, key=lambda fit: fit[1], default=(0, 0.0, ""))
        if own[bus][1] < LEAST_KNOWN and best >= SAME_BUS and count >= FEWEST:
            wrong.append(f"{bus} carries bus {other}: {count} of its {len(keys)} identifiers are known there")
            options += [f"--bus {other}={each}" for each in interfaces if names.get(each, each) == bus]
    if wrong:
        return Misfit(f"the buses are named wrongly: {'; '.join(wrong)}", " ".join(options))
    known, total = sum(count for count, _ in own.values()), sum(map(len, seen.values()))
    if known:
        few = f"only {known} of the capture's {total} identifiers are in a database"
        return Misfit(few, _WHICH, sure=False) if max(share for _, share in own.values()) < LEAST_KNOWN else None
    some = sorted({identifier_text(*key) for keys in seen.values() for key in keys})
    shown = ", ".join(some[:4] + ["..."] * (len(some) > 4))
    return Misfit(f"no database knows any identifier of the capture: {shown}", _WHICH)


def wrong_names(
    names: Mapping[str, str], bound: Collection[str], interfaces: Collection[str], car: CarFile | None
) -> Misfit | None:
    """Say that a bus or an interface that the user named doesn't exist; None if all do.

    An interface that is silent is no mistake as long as another one that was named is there.

    Parameters
    ----------
    names
        Interface to bus name, as the user says.
    bound
        Names of buses that the user bound a database to.
    interfaces
        Of the capture.
    """
    there = f"the capture has {', '.join(interfaces)}"
    if interfaces and names and not set(names) & set(interfaces):
        interface, bus = next(iter(names.items()))
        return Misfit(f"--bus {bus}={interface}: the capture has no interface {interface}", there)
    buses = set(car.buses) if car is not None else set()
    for interface, bus in names.items():
        if buses and bus not in buses | set(bound):
            return Misfit(
                f"--bus {bus}={interface}: the car file has no bus {bus}", f"it has {', '.join(sorted(buses))}"
            )
    known = buses | set(names.values()) | set(interfaces)
    for bus in bound:
        if interfaces and bus not in known:
            free = next((each for each in interfaces if each not in names), next(iter(interfaces)))
            return Misfit(f"--dbc {bus}=...: no bus is called {bus}; {there}", f"name it: --bus {bus}={free}")
    return None


def _strange(car: CarFile, names: Mapping[str, str], interfaces: Collection[str]) -> Misfit | None:
    """Say that no interface of the capture is a bus of the car file."""
    if not interfaces or not car.buses or any(names.get(each, each) in car.buses for each in interfaces):
        return None
    known = [each for bus in car.buses.values() for each in bus.interfaces]
    has = f"it knows {', '.join(known)}" if known else "it knows none"
    text = f"no interface of the capture ({', '.join(interfaces)}) stands in the car file: {has}"
    options = " or ".join(f"--bus {bus}={next(iter(interfaces))}" for bus in car.buses)
    return Misfit(text, f"say which bus it is: {options}")


# -- what never came ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Absent:
    """Modules of which no message came, as `bus/module`, and channels of which no sample came, or of an input."""

    modules: tuple[str, ...] = ()
    channels: tuple[str, ...] = ()


def never_came(
    car: CarFile | None, databases: Databases, groups: Iterable[Group], channels: Iterable[str] = ()
) -> Absent:
    """Say what never came.

    Parameters
    ----------
    car, databases
        What should: modules of the car file, else senders of the databases.
    groups
        What a decoder met.
    channels
        Channels of the car file to ask about.
    """
    seen: set[tuple[str, str]] = set()
    for group in groups:
        names = {group.name, str(name_of(group)).rpartition("/")[2]}
        names |= {group.message.name, group.message.identifier} if group.message else set()
        seen |= {(bus, name) for name in names for bus in (group.bus, EVERY_BUS)}
    there: dict[str, bool] = {}
    for bus, given in ({EVERY_BUS: databases} if isinstance(databases, Database) else databases).items():
        for message in merge([given] if isinstance(given, Database) else given):
            sender = message.senders[0] if message.senders else None
            module = car.module_of(bus, message.name) if car is not None and bus in car.buses else sender
            if module is not None:
                name = module if bus == EVERY_BUS else f"{bus}/{module}"
                there[name] = there.get(name, False) or (bus, message.name) in seen
    for own in car.modules.values() if car is not None else ():
        for message_name in own.messages:
            name = f"{own.bus}/{own.name}"
            there[name] = there.get(name, False) or not {
                (own.bus, message_name),
                (own.bus, message_name.upper()),
            }.isdisjoint(seen)
    signals = {name: each.signal for name, each in (car.channels.items() if car is not None else ())}
    gone = {name for name, each in signals.items() if each is not None and each[:2] not in seen}
    asked = [name for name in channels if car is not None and gone.intersection(inputs_of(car, [name], limits=False))]
    return Absent(tuple(name for name, came in there.items() if not came), tuple(asked))
