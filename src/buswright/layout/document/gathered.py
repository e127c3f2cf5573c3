"""What a layout is made of, gathered before anything is written: measurements, car file, databases, their sources."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from buswright.capacity.carried.plan import plan_of
from buswright.capacity.carried.traffic import Traffic
from buswright.capacity.timing.state import State, state_of
from buswright.channels.carfile.model import CarFile, FrameName, buses_in_order
from buswright.channels.expectation import Stated
from buswright.errors import UserError
from buswright.findings import Finding
from buswright.health.baseline.baseline import Baseline
from buswright.health.described import Described
from buswright.health.model.health import BusHealth
from buswright.layout.document.model import (
    CAR,
    COMPUTED,
    DATABASE,
    GOOD_RUN,
    INFERRED,
    MEASURED,
    BenchFact,
    Source,
    SourceKind,
)
from buswright.layout.document.seen import SeenMessage
from buswright.messages.match import EVERY_BUS, Databases, Group, Matcher
from buswright.messages.model import Database, Message, merge
from buswright.wording import plural


@dataclass(frozen=True, eq=False)
class Gathered:
    """Everything that the parts of a layout are made of.

    Attributes
    ----------
    health, findings
        Measured on the buses, and what is wrong.
    measured, good
        The same run as a baseline, whose channels are those of this capture; the good run that later ones are held
        against, `measured` where no other was given.
    databases
        By bus name, the car file's among them; see `messages.match`.
    seen
        What signals showed, by bus and name of the message.
    sources
        Files and the other places where facts come from.
    bench
        What bench tests showed, by module.
    planned
        Loads and bounds of each bus whose bit rate is known, as `capacity` computes them.
    """

    health: BusHealth
    findings: Sequence[Finding]
    measured: Baseline
    good: Baseline
    car: CarFile | None
    databases: Databases
    seen: Mapping[tuple[str, str], SeenMessage]
    sources: tuple[Source, ...]
    bench: Mapping[str, tuple[BenchFact, ...]] = field(default_factory=dict)
    planned: Mapping[str, State] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "matcher", Matcher(self.databases))
        keys = {source.name: source.key for source in self.sources if source.kind == "database"}
        object.__setattr__(self, "database_keys", keys)

    matcher: Matcher = field(init=False)
    database_keys: Mapping[str, str] = field(init=False)

    def group(self, name: FrameName) -> Group:
        """Return the message of an identifier."""
        return self.matcher.find(*name)

    def key_of(self, message: Message | None) -> str:
        """Return the key of the database that a message stands in."""
        return self.database_keys.get(Path(message.path).name, DATABASE) if message is not None else DATABASE

    def says(self, stated: Stated[Any], message: Message | None) -> str:
        """Return the key of who states a fact."""
        keys = {"database": self.key_of(message), "baseline": GOOD_RUN, "learned": MEASURED, "unknown": INFERRED}
        return keys.get(stated.source, CAR)

    def response(self, name: FrameName) -> tuple[float | None, float | None]:
        """Return worst-case response and deadline of a frame, milliseconds; None where nobody knows."""
        found = self.planned[name.bus].responses.get(name) if name.bus in self.planned else None
        if found is None:
            return None, None
        return None if found.worst_ns is None else found.worst_ns / 1e6, found.stream.deadline_ns / 1e6

    @property
    def bus_names(self) -> tuple[str, ...]:
        """Buses of the capture, the car file and the databases."""
        further = [*(self.car.buses if self.car is not None else ()), *self.by_bus]
        return tuple(buses_in_order([*self.health.buses, *further], self.car))

    @property
    def by_bus(self) -> dict[str, Database]:
        """Databases by bus; one that is given for every bus is that of the bus whose identifiers it knows best."""
        given = {EVERY_BUS: self.databases} if isinstance(self.databases, Database) else dict(self.databases)
        found: dict[str, list[Database]] = {}
        seen = self.health.keys()
        for bus, some in given.items():
            for database in [some] if isinstance(some, Database) else some:
                home = bus
                if bus == EVERY_BUS:
                    known = {(message.id, message.extended) for message in database}
                    home = max(seen, key=lambda name: len(known & seen[name]), default="")
                if home:
                    found.setdefault(home, []).append(database)
        return {bus: merge(several) for bus, several in found.items()}


def states_of(health: BusHealth, traffic: Traffic, described: Described) -> dict[str, State]:
    """Plan every bus of a capture with a known bit rate, with what is declared and did not come, as `capacity` does."""
    plans = [
        plan_of(bus, described, figures.bitrate, health=health, traffic=traffic)
        for bus, figures in health.buses.items()
    ]
    return {plan.bus: state_of(plan, plan.streams, plan.rates) for plan in plans if plan.rates is not None}


def sources_of(
    *,
    captures: Sequence[Path],
    recorded: str,
    car: CarFile | None,
    databases: Sequence[Path],
    baseline: Path | None = None,
    sheets: Sequence[Source] = (),
    simulated: bool = False,
) -> tuple[Source, ...]:
    """List where the facts of a layout come from, files with their hashes.

    Parameters
    ----------
    captures, recorded
        Files of the capture (none for a simulated or live bus), and what it holds in words.
    databases, baseline
        Files, each once; a good run that was given.
    sheets
        Bench sheets, as their reader lists them.
    simulated
        Whether the databases are those of the simulated car, which are no files.

    Raises
    ------
    UserError
        A file can't be read any more.
    """
    found = []
    for number, path in enumerate(captures, 1):
        key = MEASURED if len(captures) == 1 else f"{MEASURED}{number}"
        found.append(file_source(key, "measured", path, recorded if number == 1 else "read together with the first"))
    if not captures:
        found.append(Source(MEASURED, "measured", "", "", f"no file: {recorded}"))
    if car is not None:
        found.append(Source(CAR, "car file", car.path.name, car.hash))
    names: dict[str, Path] = {path.name: path for path in databases}
    for number, (name, path) in enumerate(names.items(), 1):
        key = f"{DATABASE}{number}"
        found.append(
            Source(key, "database", name, "", "of the simulated car, no file")
            if simulated
            else file_source(key, "database", path)
        )
    found += sheets
    if baseline is not None:
        found.append(file_source(GOOD_RUN, "baseline", baseline, "a good run that was given"))
    else:
        found.append(Source(GOOD_RUN, "baseline", text="measured in this capture, while the car stood still"))
    found.append(Source(COMPUTED, "computed", text="computed from periods and lengths"))
    found.append(Source(INFERRED, "inferred", text="concluded by the program; not stated by anybody"))
    return tuple(found)


def file_source(key: str, kind: SourceKind, path: Path, text: str = "") -> Source:
    """Return a file as a source, with the hash of its bytes.

    Raises
    ------
    UserError
        It can't be read.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256")
    except OSError as error:
        raise UserError(f"{path}: can't be read: {error.strerror}") from None
    return Source(key, kind, path.name, digest.hexdigest(), text)


def recorded_words(baseline: Baseline) -> str:
    """Say what a capture holds: frames, seconds and when."""
    facts = baseline.capture
    when = f", from {facts.recorded}" if facts.recorded else ""
    return f"{plural(facts.frames, 'frame')} in {facts.seconds:.1f} s{when}"
