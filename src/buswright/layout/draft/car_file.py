"""Drafting a car file: everything that captures and databases say, written down and commented."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from buswright._version import __version__
from buswright.channels.carfile.model import CarFile
from buswright.channels.carfile.rendering import Table, quoted
from buswright.channels.carfile.splicing import with_tables
from buswright.layout.draft.buses import DraftBus, GivenDatabase, Recording, find_buses
from buswright.layout.draft.channels import ChannelDrafter
from buswright.layout.draft.frames import bus_table, frame_tables, module_tables
from buswright.layout.draft.text import FILL_IN, line, listed
from buswright.wording import plural

__all__ = ["Draft", "GivenDatabase", "Recording", "draft"]

GROUPS: Mapping[str, tuple[str, ...]] = {
    "car": (),
    "bus": (
        "-- The networks. What frames can't show of a bus, to copy into its table where you know it:",
        line("chain = []", f"{FILL_IN}: modules in their order along the bus; then an open link is found"),
        line("lengths_m = []", f"{FILL_IN}: metres between them, for the drawing of the bus"),
        line("terminators = []", f"{FILL_IN}: the two modules with a terminating resistor; frames can't show it"),
        line("resistance = { ohm = 60 }", f"{FILL_IN}: between its wires, battery off; proves both terminators"),
    ),
    "module": (
        "-- The modules: who sends what. What frames can't show of a module, to copy into its table:",
        line('supply = ""', f"{FILL_IN}: the fuse that feeds it; the first thing to look at when it is silent"),
        line('ground = ""', f"{FILL_IN}: its ground point; modules on one ground shift together"),
        line('plug = ""', f"{FILL_IN}: its plug on the bus, and where it is (place), so that others find it"),
        line("stub_m = 0.2", f"{FILL_IN}: metres of wire from the bus to it; long stubs spoil fast buses"),
    ),
    "sensor": (
        "-- Sensors that some signals seem to need, commented out: take the # away and put in your own figures.",
        'More of them: "buswright guide sensors".',
    ),
    "channel": (
        "-- What is measured. Without a sensor the database's scaling is final. Channels may be renamed. One that you",
        "delete stays away, --add or not. Where its wire goes, to copy into the channel of an input:",
        line(
            'wiring = { plug = "", pin = "", supply = "", ground = "" }',
            f"{FILL_IN}: what it shares with others, so that a common splice or supply is found",
        ),
    ),
    "frame": ("-- What the databases don't say about frames.",),
}
"""Groups of tables in the order of the file, with the comment above each."""

_LEDGER = "-- Signals that got a channel. Delete one here, and --add drafts it again."
_LEDGER_LINE = "# drafted "


@dataclass(frozen=True, slots=True)
class Draft:
    """A drafted car file: its tables in their order, the captures and databases that it comes from.

    `remarks` are what a person should know that stands in no table, `drafted` the signals that got a channel, by
    `bus/message`.
    """

    tables: tuple[Table, ...]
    sources: tuple[str, ...]
    remarks: tuple[str, ...] = ()
    drafted: Mapping[str, Sequence[str]] = field(default_factory=lambda: MappingProxyType({}))

    def of(self, group: str) -> list[Table]:
        """Return the tables of one group."""
        return [table for table in self.tables if table.group == group]

    def text(self) -> str:
        """Return the whole car file."""
        return "\n".join(self._lines()) + "\n"

    def _lines(self) -> Iterator[str]:
        yield f"# Car file, drafted by Buswright {__version__} from"
        yield from (f"#   {source}" for source in self.sources)
        yield f"# Comments say what was measured or guessed. {FILL_IN} marks what only a person can decide."
        yield '# "buswright check" finds mistakes; "buswright guide car-file" explains every key.'
        yield "format = 1"
        for group, title in GROUPS.items():
            tables = self.of(group)
            if tables and title:
                yield from ("", *(f"# {each}" for each in title))
            for table in tables:
                yield from ("", table.text)
        if self.drafted:
            yield from ("", f"# {_LEDGER}", *self._ledger())

    def _ledger(self) -> Iterator[str]:
        for path, signals in self.drafted.items():
            yield f"{_LEDGER_LINE}{quoted(path)} = {listed(signals)}"

    def added_to(self, text: str) -> str:
        """Return a car file's text with the tables put in, and what was drafted noted at its end."""
        new = with_tables(text, self.tables)
        if not self.drafted:
            return new
        ending = "\r\n" if "\r\n" in text else "\n"
        head = [] if drafted_before(text) else ["", f"# {_LEDGER}"]
        return new + "".join(f"{each}{ending}" for each in (*head, *self._ledger()))


def drafted_before(text: str) -> dict[str, list[str]]:
    """Return the signals that drafts have given a channel, by `bus/message`, as the end of a car file notes them."""
    found: dict[str, list[str]] = {}
    for each in text.splitlines():
        if each.startswith(_LEDGER_LINE):
            with suppress(tomllib.TOMLDecodeError):  # edited by hand into something else: not noted
                for path, signals in tomllib.loads(each.removeprefix(_LEDGER_LINE)).items():
                    if isinstance(signals, list):
                        found.setdefault(path, []).extend(map(str, signals))
    return found


def draft(
    recordings: Sequence[Recording],
    databases: Sequence[GivenDatabase],
    *,
    folder: Path,
    names: Mapping[str, str] | None = None,
    car: CarFile | None = None,
    drafted: Mapping[str, Sequence[str]] | None = None,
) -> Draft:
    """Draft a car file, or what an existing one lacks.

    Parameters
    ----------
    recordings
        Captures, measured by interface.
    databases
        Databases, bound to a bus or not.
    folder
        Where the car file will lie: its databases are named relative to that.
    names
        Interface to bus name.
    car
        The car file that there is: only what it lacks is drafted, under its names.
    drafted
        Signals by `bus/message` that were drafted before: their channels were deleted, and stay deleted.
    """
    names = {**(_names_of(car) if car else {}), **(names or {})}
    # The databases of each bus as one, as decoding takes them.
    of_car = car.databases if car else {}
    known = [GivenDatabase(car.buses[bus].databases[0], each, bus) for bus, each in of_car.items()] if car else []
    there = {str(Path(path).resolve()) for other in known for path in other.database.paths}
    fresh = [given for given in databases if str(given.path.resolve()) not in there]
    buses = find_buses(recordings, [*known, *fresh], names=names)
    tables = [Table("car", "car", _CAR)] if car is None else []
    drafter = ChannelDrafter(car, drafted or {})
    remarks: list[str] = []
    module_names = set(car.modules) if car else set()
    for bus in buses:
        said = car.buses.get(bus.name) if car else None
        if said is None:
            tables.append(bus_table(bus, folder))
        else:
            remarks += _left_to_do(bus, said.interfaces, known)
            bus.databases = [given for given in bus.databases if given in known]
        tables += module_tables(bus, module_names, car)
        tables += drafter.tables(bus)
        tables += frame_tables(bus, car)
    tables += drafter.sensor_tables()
    order = list(GROUPS)
    tables.sort(key=lambda table: order.index(table.group))
    if drafter.left_out:
        remarks.append(
            f"{plural(drafter.left_out, 'channel')} that you deleted stayed away; the end of the file lists all"
        )
    sources = [recording.name for recording in recordings] + [given.path.name for given in fresh]
    return Draft(tuple(tables), tuple(sources), tuple(remarks), drafter.drafted)


_CAR = (
    "[car]\n"
    f'name = "my car"                 # {FILL_IN}\n'
    f"# cylinders = 4                 # {FILL_IN}: for the firing frequency\n"
    "# strokes = 4"
)


def _names_of(car: CarFile) -> dict[str, str]:
    return {interface: bus.name for bus in car.buses.values() for interface in (*bus.interfaces, bus.name)}


def _left_to_do(bus: DraftBus, interfaces: Iterable[str], known: Sequence[GivenDatabase]) -> Iterator[str]:
    """Say what would have to change inside a table that a person wrote."""
    for interface in bus.interfaces:
        if interface not in (*interfaces, bus.name):
            yield f"[bus.{bus.name}]: interfaces lacks {interface}"
    for given in bus.databases:
        if given not in known:
            yield f"[bus.{bus.name}]: databases lacks {given.path}; add it, then draft again for its channels"
