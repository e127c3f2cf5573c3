"""Which interfaces of which captures are one bus, and which databases describe it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from buswright.channels.fitting import LEAST_KNOWN, SAME_BUS, Key, known_share
from buswright.channels.keys.tables import refuse_plain_name
from buswright.health.model.health import BusFigures, BusHealth
from buswright.health.model.identifiers import IdFigures
from buswright.health.phases import Phases
from buswright.layout.draft.text import unused
from buswright.messages.match import EVERY_BUS, Group, Matcher
from buswright.messages.model import Database

_NO_NAME = frozenset({"can", "bus", "dbc", "db", "database", "network", "matrix"})
"""Words of a file's name that are no name of a bus."""


@dataclass(frozen=True, slots=True)
class Recording:
    """One capture, by the name of its file, and what its trackers found, buses called by their interface."""

    name: str
    health: BusHealth
    phases: Phases


@dataclass(frozen=True, slots=True)
class GivenDatabase:
    """A database and the bus that the user bound it to; None: whichever it fits."""

    path: Path
    database: Database
    bus: str | None = None


@dataclass(slots=True, eq=False)
class DraftBus:
    """One bus of the car, put together from captures and databases: its name in the car file, what captures call it.

    `ids` has the fullest figures of each identifier, `best` the recording with the most frames and its figures of this
    bus; None if no capture has it.
    """

    name: str
    interfaces: list[str] = field(default_factory=list)
    databases: list[GivenDatabase] = field(default_factory=list)
    ids: dict[Key, IdFigures] = field(default_factory=dict)
    best: tuple[Recording, BusFigures] | None = None
    recordings: set[int] = field(default_factory=set)
    _matcher: Matcher | None = None

    def add(self, number: int, recording: Recording, figures: BusFigures) -> None:
        """Take in an interface of a recording."""
        self.recordings.add(number)
        if figures.name not in self.interfaces:
            self.interfaces.append(figures.name)
        for each in recording.health.ids_of(figures.name):
            key = (each.name.id, each.name.extended)
            if key not in self.ids or each.frames > self.ids[key].frames:
                self.ids[key] = each
        if self.best is None or figures.frames > self.best[1].frames:
            self.best = (recording, figures)

    def group(self, key: Key) -> Group:
        """Return the message of an identifier, by this bus's databases."""
        if self._matcher is None:
            self._matcher = Matcher({EVERY_BUS: [given.database for given in self.databases]})
        return self._matcher.find(self.name, *key)

    def clocks(self) -> list[list[Key]]:
        """Return groups of identifiers that keep one phase, in the fullest recording."""
        if self.best is None:
            return []
        recording, figures = self.best
        groups = (group for group in recording.phases.groups if group.bus == figures.name)
        return [[(name.id, name.extended) for name in group.ids] for group in groups]


def find_buses(
    recordings: Sequence[Recording], databases: Sequence[GivenDatabase], *, names: Mapping[str, str]
) -> list[DraftBus]:
    """Put interfaces and databases together.

    Parameters
    ----------
    recordings
        The captures.
    databases
        Those bound to a bus go there, the others to the interface whose identifiers they know.
    names
        Interface to bus name, as the user or a car file says.
    """
    buses: list[DraftBus] = []
    for number, recording in enumerate(recordings):
        for interface, figures in recording.health.buses.items():
            keys = {(each.name.id, each.name.extended) for each in recording.health.ids_of(interface)}
            fitting = _fitting(keys, databases, names.get(interface))
            bus = _home(buses, number, interface, keys, fitting, names)
            bus.add(number, recording, figures)
            bus.databases += [given for given in fitting if given not in bus.databases]
    for given in databases:
        if not any(given in bus.databases for bus in buses):
            bus = next((bus for bus in buses if given.bus is not None and bus.name == given.bus), None) or DraftBus("")
            bus.databases.append(given)
            if bus not in buses:
                buses.append(bus)
    _name(buses, databases, names)
    return buses


def _fitting(keys: Iterable[Key], databases: Sequence[GivenDatabase], name: str | None) -> list[GivenDatabase]:
    """Return the databases bound to a bus of that name, and those that know its identifiers."""
    found = [given for given in databases if given.bus is not None and given.bus == name]
    keys = list(keys)
    for given in databases:
        # A database of another bus may still be that of an interface that nobody has named yet.
        least = LEAST_KNOWN if given.bus is None else SAME_BUS if name is None else 2.0
        known, share = known_share(keys, given.database)
        if known and given not in found and share >= least:
            found.append(given)
    return found


def _home(
    buses: list[DraftBus],
    number: int,
    interface: str,
    keys: set[Key],
    fitting: list[GivenDatabase],
    names: Mapping[str, str],
) -> DraftBus:
    """Return the bus that an interface is: of the same name, with the same database, or with the same traffic."""
    wanted = names.get(interface)
    for bus in buses:
        named = {names[other] for other in bus.interfaces if other in names}
        if number in bus.recordings:
            if wanted is not None and wanted in named:
                return bus  # two interfaces that the user gives one name
            continue
        if named and wanted is not None and wanted not in named:
            continue
        common = len(keys & bus.ids.keys())
        alike = common >= SAME_BUS * min(len(keys), len(bus.ids)) if keys and bus.ids else False
        if wanted in named or interface in bus.interfaces or any(given in bus.databases for given in fitting) or alike:
            return bus
    bus = DraftBus("")
    buses.append(bus)
    return bus


def _name(buses: list[DraftBus], databases: Sequence[GivenDatabase], names: Mapping[str, str]) -> None:
    """Name buses: as the user says, else after the database, else as the interface."""
    stems = [_words(given.path.stem) for given in databases]
    shared = 0
    while len(stems) > 1 and all(len(stem) > shared + 1 and stem[shared] == stems[0][shared] for stem in stems):
        shared += 1
    taken: set[str] = set()
    for bus in buses:
        said = next((names[interface] for interface in bus.interfaces if interface in names), None)
        bound = next((given.bus for given in bus.databases if given.bus), None)
        name = said or bound or ""
        if not name and bus.databases:
            words = [word for word in _words(bus.databases[0].path.stem)[shared:] if word not in _NO_NAME]
            name = "_".join(words)
        if not name or refuse_plain_name(name)[0]:
            interface = bus.interfaces[0] if bus.interfaces else "bus"
            name = f"bus{interface}" if interface.isdigit() else re.sub(r"[^A-Za-z0-9_.-]+", "_", interface)
        bus.name = unused(name, taken)
        taken.add(bus.name)


def _words(stem: str) -> list[str]:
    return [word for word in re.split(r"[^A-Za-z0-9]+", stem.lower()) if word]
