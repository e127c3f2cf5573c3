"""What is expected of an identifier: one value, and the one order of precedence among those who say it.

The car file comes first, then the database, then a good run (the baseline), then what the traffic itself shows. Each
fact is taken from the first that states it, so a car file that gives only a counter leaves the period to the database.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Generic, Literal, TypeVar

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.messages.checksum import Checksum, Counter
from buswright.messages.match import Group, with_source
from buswright.messages.model import Message, Signal

Source = Literal["car file", "car file: expected_hz", "database", "baseline", "learned", "unknown"]
"""Who states a fact, in the order of precedence."""

STEADY_TOLERANCE = 0.25
"""Steady traffic contradicts a stated period that is further off than this share of it."""
BELIEVABLE = 2.0
"""Spacings of any kind contradict a stated period that is more than this many times too long or too short."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stated(Generic[T]):
    """A fact and who states it; value None and source "unknown" where nobody does."""

    value: T | None = None
    source: Source = "unknown"

    @property
    def declared(self) -> bool:
        """Whether somebody stated it before the traffic was looked at."""
        return self.source not in ("learned", "unknown")


@dataclass(frozen=True, slots=True)
class Facts:
    """What one source says of an identifier; None where it doesn't.

    Attributes
    ----------
    period_ns
        Time from one frame to the next.
    change_driven
        Sent when something changes, so that silence is no fault.
    on_request
        Sent when another module asks for it.
    counter, checksum
        What the payload carries.
    length
        Payload bytes.
    """

    period_ns: float | None = None
    change_driven: bool | None = None
    on_request: bool | None = None
    counter: Counter | None = None
    checksum: Checksum | None = None
    length: int | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is expected of an identifier; the facts are those of `Facts`, each with its source."""

    period_ns: Stated[float] = Stated()
    change_driven: Stated[bool] = Stated()
    on_request: Stated[bool] = Stated()
    counter: Stated[Counter] = Stated()
    checksum: Stated[Checksum] = Stated()
    length: Stated[int] = Stated()

    @property
    def due_ns(self) -> float | None:
        """The period that silence is held against; None where it is sent on change, or nobody knows."""
        return None if self.change_driven.value else self.period_ns.value

    @property
    def due_hz(self) -> float | None:
        """The rate that it should have; None as for `due_ns`."""
        due = self.due_ns
        return 1e9 / due if due else None

    def or_else(self, source: Source, facts: Facts | None) -> Expectation:
        """Fill in from the next source what nobody has stated so far."""
        if facts is None:
            return self
        missing = {
            name: Stated(value, source)
            for name in _NAMES
            if getattr(self, name).value is None and (value := getattr(facts, name)) is not None
        }
        return replace(self, **missing) if missing else self


_NAMES = tuple(field.name for field in fields(Facts))

NOTHING = Expectation()
"""Nobody says anything."""
NO_FACTS: Mapping[FrameName, Facts] = MappingProxyType({})


def expectation(
    name: FrameName,
    *,
    car: CarFile | None = None,
    message: Message | None = None,
    remembered: Facts | None = None,
    learned: Facts | None = None,
) -> Expectation:
    """Say what is expected of an identifier.

    Parameters
    ----------
    message
        What the database calls it; None where it doesn't know it.
    remembered
        What it was like in a good run.
    """
    found = NOTHING
    if car is not None:
        found = found.or_else("car file", _of_entry(car, name, message))
        found = found.or_else("car file: expected_hz", _of_channels(car, name, message))
    if message is not None:
        found = found.or_else("database", _of_message(message))
    return found.or_else("baseline", remembered).or_else("learned", learned)


def _of_entry(car: CarFile, name: FrameName, message: Message | None) -> Facts | None:
    """Return what a `[frame]` entry says; a period without further words means that the clock sends it."""
    entry = car.entries.of(name, message)
    if entry is None:
        return None
    by_clock = False if entry.period_ms else None
    return Facts(
        period_ns=entry.period_ms * 1e6 if entry.period_ms else None,
        change_driven=by_clock if entry.change_driven is None else entry.change_driven,
        counter=entry.counter,
        checksum=entry.checksum,
    )


def _of_channels(car: CarFile, name: FrameName, message: Message | None) -> Facts | None:
    """Return the rate of the fastest channel; a multiplexed one has samples in some of the frames only.

    J1939: a channel of another source address says nothing.
    """
    if message is None:
        return None
    names = (message.name, f"{message.name}@{name.id & 0xFF:02X}")
    multiplexed = {signal.name for signal in message.signals if signal.multiplexer is not None}
    rates = [
        channel.expected_hz
        for channel in car.channels.values()
        if channel.signal and channel.expected_hz and channel.signal.bus == name.bus
        if channel.signal.message in names and channel.signal.signal not in multiplexed
    ]
    return Facts(period_ns=1e9 / max(rates), change_driven=False) if rates else None


def _of_message(message: Message) -> Facts:
    by_clock = False if message.cycle_time_ms else None
    return Facts(
        period_ns=message.cycle_time_ms * 1e6 if message.cycle_time_ms else None,
        change_driven=message.change_driven or by_clock,
        on_request=message.on_request or None,
        length=message.length,
    )


class Expectations:
    """What is expected of the identifiers of a car, found once for each.

    `remembered`: what identifiers were like in a good run.

    `of_channel`: what sessions of this car found for the samples of their channels, by name.
    """

    def __init__(self, car: CarFile | None = None, remembered: Mapping[FrameName, Facts] = NO_FACTS) -> None:
        self.car = car
        self.remembered = remembered
        self.of_channel: dict[str, Expectation] = {}
        self._found: dict[tuple[FrameName, Message | None], Expectation] = {}

    def of(self, name: FrameName, message: Message | None) -> Expectation:
        """Return what car file, database and good run say of an identifier; the traffic isn't asked."""
        key = name, message
        found = self._found.get(key)
        if found is None:
            remembered = self.remembered.get(name)
            found = self._found[key] = expectation(name, car=self.car, message=message, remembered=remembered)
        return found

    def of_signal(self, group: Group, signal: Signal, expected_hz: float | None = None) -> Expectation:
        """Return what is expected of the samples of a signal.

        They come with the frames; but those of a multiplexed signal with some of them only, so that its rate is
        known only where its channel says it (`expected_hz`).
        """
        found = self.of(name_of(group), group.message)
        return found if signal.multiplexer is None else replace(found, period_ns=rate_of_channel(expected_hz))


def rate_of_channel(expected_hz: float | None) -> Stated[float]:
    """Return the period that a channel's own rate means."""
    return Stated(1e9 / expected_hz, "car file: expected_hz") if expected_hz else Stated()


def name_of(group: Group) -> FrameName:
    """Return the identifier of a group of frames; J1939: the database's, with the source address that was seen."""
    if group.message is None:
        return FrameName(group.bus, group.id, group.extended)
    found = group.message.id if group.source is None else with_source(group.message.id, group.source)
    return FrameName(group.bus, found, group.message.extended)


def contradicted(stated: float, steady: float) -> bool:
    """Whether the period that steady traffic keeps is too far from the stated one for both to be right."""
    return abs(steady / stated - 1) > STEADY_TOLERANCE


def believable(stated: float, measured: float) -> bool:
    """Whether spacings are about the stated period: held against a wrong one, everything is a gap."""
    return stated / BELIEVABLE <= measured <= stated * BELIEVABLE
