"""What car file and databases say about identifiers, modules and bit rates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from buswright.channels.carfile.model import CarFile, FrameName, find_message
from buswright.channels.carfile.needs import databases_of
from buswright.channels.expectation import NO_FACTS, Expectation, Expectations, Facts
from buswright.health.model.health import BitRate
from buswright.health.model.identifiers import ExpectedBy, NeverCame
from buswright.messages.match import EVERY_BUS, Databases, Kind, Matcher, by_bus, split_source, with_source
from buswright.messages.model import Database, Message, merge, parse_identifier


class Identity(NamedTuple):
    """Who an identifier is.

    Attributes
    ----------
    message, module
        None where nobody says.
    known
        Whether the bus's descriptions have it; None where there are none.
    expected
        What is expected of it before its traffic is looked at.
    """

    message: Message | None
    module: str | None
    known: bool | None
    expected: Expectation


class Described:
    """Answers from a car file and databases; either may be missing.

    Parameters
    ----------
    car
        The car file.
    databases
        More databases, by bus name or for every bus; the car file's win on their bus.
    bus_names
        Interface to bus name.
    remembered
        What identifiers were like in a good run.
    """

    def __init__(
        self,
        car: CarFile | None,
        databases: Databases,
        bus_names: Mapping[str, str],
        remembered: Mapping[FrameName, Facts] = NO_FACTS,
    ) -> None:
        self.car = car
        self.expectations = Expectations(car, remembered)
        joined = databases_of(car, databases)
        self._databases = by_bus(joined)
        self._matcher = Matcher(joined, bus_names=bus_names)

    def database(self, bus: str) -> Database | None:
        """Return a bus's databases in one; its own go after those for every bus, and win."""
        found = [self._databases[each] for each in (EVERY_BUS, bus) if each in self._databases]
        return merge(found) if found else None

    def identity(self, name: FrameName) -> Identity:
        """Say who an identifier is."""
        group = self._matcher.find(name.bus, name.id, name.extended)
        message = group.message
        entry = self.car.entries.of(name, message) if self.car else None
        module = self.module(name.bus, group.name, message)
        has_database = self.database(name.bus) is not None
        known: bool | None = None
        if message or entry or module or group.kind is Kind.TRANSPORT:
            known = True
        elif has_database:
            known = False
        return Identity(message, module, known, self.expectations.of(name, message))

    def module(self, bus: str, name: str, message: Message | None) -> str | None:
        """Return the module that sends a message or an identifier."""
        if self.car is not None:
            found = self.car.module_of(bus, name)
            if found is not None:
                return found
        return message.senders[0] if message and message.senders else None

    def due(self, bus: str) -> Iterator[NeverCame]:
        """Yield what the modules of a bus should send."""
        database = self.database(bus)
        named: set[str] = set()
        for message in {(m.id, m.extended): m for m in database}.values() if database else ():
            named |= {message.name, message.identifier}
            module = self.module(bus, message.name, message)
            if module is not None:
                yield self._due(FrameName(bus, message.id, message.extended), message.name, module, message)
        for each in self.car.modules.values() if self.car else ():
            for text in each.messages if each.bus == bus else ():
                number = parse_identifier(text)
                if number is not None and text.upper() not in named:
                    yield self._due(FrameName(bus, *number), text, each.name, None)
                source = split_source(text)[1]
                told = None if source is None or database is None else find_message(database, text)
                if source is not None and told is not None:
                    name = FrameName(bus, with_source(told.id, source), told.extended)
                    yield self._due(name, text, each.name, told)

    def _due(self, name: FrameName, text: str, module: str, message: Message | None) -> NeverCame:
        by: ExpectedBy = "car file" if self.car is not None and module in self.car.modules else "database"
        return NeverCame(name, text, message.name if message else "", module, by, self.expectations.of(name, message))

    def bitrate(self, bus: str, options: Mapping[str, int], data_options: Mapping[str, int]) -> BitRate:
        """Return the bit rate that a bus is said to have: by the caller, then the car file, then the database."""
        in_car = self.car.buses.get(bus) if self.car else None
        data = data_options.get(bus, data_options.get(EVERY_BUS)) or (in_car.data_bitrate if in_car else None)
        option = options.get(bus, options.get(EVERY_BUS))
        if option:
            return BitRate(option, data, "option", 1.0, "as given")
        if in_car is not None:
            return BitRate(in_car.bitrate, data, "car file", 1.0, "from the car file")
        database = self.database(bus)
        if database is not None and database.bitrate:
            return BitRate(database.bitrate, data, "database", 1.0, "from the database")
        return BitRate(None, data, "unknown", 0.0, "not given")

    def non_iso(self, bus: str) -> bool:
        """Whether a bus speaks the CAN FD dialect without a stuff count."""
        in_car = self.car.buses.get(bus) if self.car else None
        return in_car is not None and in_car.fd == "non-iso"
