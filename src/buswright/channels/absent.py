"""What should have been in a capture, and never came."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from buswright.channels.carfile.needs import inputs_of
from buswright.channels.expectation import name_of
from buswright.messages.match import EVERY_BUS, Databases, Group
from buswright.messages.model import Database, merge

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile


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
