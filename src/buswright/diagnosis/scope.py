"""One module in view: what of a run is about it. On a bench it is alone, and nobody else is missing there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.carfile.needs import databases_of, inputs_of
from buswright.channels.following.model import ChannelNow
from buswright.diagnosis.case import PARTS, Case, subject_of
from buswright.errors import UserError
from buswright.findings import Finding
from buswright.health.model.health import BusHealth
from buswright.messages.match import Databases
from buswright.messages.model import Database
from buswright.wording import listed


@dataclass(frozen=True, eq=False)
class Scope:
    """What is judged: one module, its bus, and what nobody's description knows on that bus.

    A frame that no description knows may well be a new module's: on the bench it has to be seen.

    Attributes
    ----------
    module
        Its name.
    car
        Says which channels are its own; None: the database's senders do.
    """

    module: str
    car: CarFile | None = None

    @cached_property
    def channels(self) -> frozenset[str]:
        """The car file's channels that come from it alone, computed ones too."""
        car = self.car
        if car is None:
            return frozenset()
        own = {
            name: car.module_of(channel.signal.bus, channel.signal.message) == self.module
            for name, channel in car.channels.items()
            if channel.signal is not None
        }
        needs = {name: inputs_of(car, [name], limits=False) for name in car.channels}
        sources = {name: [own[each] for each in needed if each in own] for name, needed in needs.items()}
        return frozenset(name for name, those in sources.items() if those and all(those))

    def holds(self, channel: ChannelNow) -> bool:
        """Whether a channel comes from it."""
        return channel.module == self.module if self.car is None else channel.name in self.channels

    def buses(self, health: BusHealth) -> frozenset[str]:
        """Return the buses that it is on, or should be."""
        found = {bus for bus, name in health.modules if name == self.module}
        described = self.car.modules.get(self.module) if self.car is not None else None
        return frozenset(found | ({described.bus} if described is not None else set()))

    def of_health(self, health: BusHealth) -> BusHealth:
        """Return what was measured, nobody but the module being expected; what the others sent stays as evidence."""
        modules = {
            key: each if key[1] == self.module else replace(each, never_came=()) for key, each in health.modules.items()
        }
        asked = {name: count for name, count in health.only_asked.items() if self._expects(health, name)}
        return replace(health, modules=modules, only_asked=asked)

    def of_case(self, case: Case) -> Case:
        """Return a case in which nobody but the module is expected."""
        remembered = case.remembered and {
            name: each for name, each in case.remembered.items() if each.module == self.module
        }
        return replace(case, health=self.of_health(case.health), remembered=remembered)

    def ids(self, health: BusHealth) -> frozenset[FrameName]:
        """Return the identifiers that came from it, and those on its bus that belong to nobody."""
        buses = self.buses(health)
        return frozenset(
            name
            for name, each in health.ids.items()
            if each.module == self.module or (each.module is None and name.bus in buses)
        )

    def _expects(self, health: BusHealth, name: FrameName) -> bool:
        own = (each for key, each in health.modules.items() if key[1] == self.module)
        return any(one.name == name for each in own for one in each.never_came)

    def of_findings(self, findings: Sequence[Finding], health: BusHealth) -> tuple[Finding, ...]:
        """Return the findings that concern it, each without what it explains of others."""
        subjects = self._subjects(health)
        return tuple(_within(findings, subjects))

    def _subjects(self, health: BusHealth) -> frozenset[str]:
        ids, buses = self.ids(health), self.buses(health)
        absent = (
            subject_of(one.name)
            for key, each in health.modules.items()
            if key[1] == self.module
            for one in each.never_came
        )
        wires = set()
        for name in self.channels:
            assert self.car is not None, "only a car file has channels of its own"
            wiring = self.car.channels[name].wiring
            wires |= {f"{what}:{getattr(wiring, what)}" for what in PARTS}
        signals = {
            f"channel:{each.name.bus}/{each.message}/"
            for each in health.ids.values()
            if self.car is None and each.name in ids and each.message
        }
        return frozenset(
            {"capture", f"module:{self.module}"}
            | {f"bus:{bus}" for bus in buses}
            | {f"module:{bus}/" for bus in buses}
            | {subject_of(name) for name in ids}
            | {f"channel:{name}" for name in self.channels}
            | set(absent)
            | wires
            | signals
        )


def _within(findings: Sequence[Finding], subjects: frozenset[str]) -> Iterator[Finding]:
    """Yield findings about these subjects; one that is not, but explains such, stays with those.

    A subject that ends with a slash stands for those that begin so: signals of a message, nameless modules of a bus.
    """
    for each in findings:
        explained = tuple(_within(each.explains, subjects))
        start = f"{each.subject.rpartition('/')[0]}/"
        if explained or each.subject in subjects or start in subjects:
            yield each if explained == each.explains else replace(each, explains=explained)


def modules_known(car: CarFile | None, databases: Databases) -> tuple[str, ...]:
    """Return the modules that the car file or a database names, sorted."""
    given = databases_of(car, databases)
    of_buses = [given] if isinstance(given, Database) else given.values()
    every = [one for each in of_buses for one in ([each] if isinstance(each, Database) else each)]
    senders = {sender for one in every for message in one.messages for sender in message.senders}
    return tuple(sorted(senders | set(car.modules if car is not None else ())))


def scope_of(module: str, car: CarFile | None, databases: Databases) -> Scope:
    """Return the scope of a module.

    Raises
    ------
    UserError
        Nobody names a module so.
    """
    known = modules_known(car, databases)
    if not known:
        raise UserError(f"no list of modules, so {module} is not known", hint="add --car or --dbc")
    if module not in known:
        raise UserError(f"there is no module {module}", hint=f"there are {listed(known, most=12)}")
    return Scope(module, car)
