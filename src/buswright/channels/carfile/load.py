"""The car file: read it whole, find every fault at once, check it against its databases."""

from __future__ import annotations

import datetime
import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from buswright.channels.carfile import files
from buswright.channels.carfile.checks.messages import check_messages
from buswright.channels.carfile.checks.parts import check_parts
from buswright.channels.carfile.checks.ranges import check_conversions, check_ranges, unit_of
from buswright.channels.carfile.keys import DOCUMENT, HOMES
from buswright.channels.carfile.model import Car, CarFile, FrameEntry, FrameName
from buswright.channels.keys.faults import MOST_FAULTS, Fault, FaultLog, FaultSeverity, TooManyFaultsError
from buswright.channels.keys.positions import Position, find_positions
from buswright.errors import CarFileError
from buswright.messages.model import Database

_SHOWN_FAULTS = 20
"""An error message that is printed whole shows this many; `faults` has them all."""


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What came of checking a car file.

    Attributes
    ----------
    car
        The car file; None if it has an error.
    faults
        Everything that was found, by line.
    databases
        Those that could be loaded, by bus; also where the car file itself has errors.
    unused
        One note for each key in it that nothing reads yet, by line.
    """

    car: CarFile | None
    faults: tuple[Fault, ...]
    databases: Mapping[str, Database] = field(default_factory=lambda: MappingProxyType({}))
    unused: tuple[Fault, ...] = ()

    @property
    def errors(self) -> tuple[Fault, ...]:
        """The faults for which the file can't be used."""
        return tuple(fault for fault in self.faults if fault.severity is FaultSeverity.ERROR)


def load_car_file(path: str | os.PathLike[str], *, untrusted: bool = False) -> CarFile:
    """Load a car file and the databases it names.

    Parameters
    ----------
    untrusted
        Read nothing outside the file's folder, as for a file from a stranger.

    Raises
    ------
    CarFileError
        It can't be read, or has errors; `faults` lists them all.
    """
    result = check_car_file(path, untrusted=untrusted)
    if result.car is None:
        lines = tuple(str(fault) for fault in result.errors)
        more = [f"… and {len(lines) - _SHOWN_FAULTS} more"] if len(lines) > _SHOWN_FAULTS else []
        raise CarFileError([*lines[:_SHOWN_FAULTS], *more], faults=lines)
    return result.car


def check_car_file(
    path: str | os.PathLike[str], *, untrusted: bool = False, today: datetime.date | None = None
) -> CheckResult:
    """Find every fault of a car file, in itself and against the databases it names.

    Parameters
    ----------
    untrusted
        Read nothing outside the file's folder, as for a file from a stranger.
    today
        The day on which calibrations are due; today by default.

    Raises
    ------
    CarFileError
        The file can't be read at all.
    """
    path = Path(path)
    return check_car_data(path, files.read_bytes(path, untrusted=untrusted), untrusted=untrusted, today=today)


def check_car_data(
    path: Path, data: bytes, *, untrusted: bool = False, today: datetime.date | None = None
) -> CheckResult:
    """Find every fault of a car file that isn't written yet, as `check_car_file` does.

    Parameters
    ----------
    path
        Where it will lie: its databases are looked for from there.
    data
        Its bytes.
    """
    text, place, wrong = files.decode(data)
    positions = find_positions(text)
    log = FaultLog(path, positions, HOMES)
    car = None
    if place is not None:
        log.at(place, wrong, "save the file as UTF-8")
    elif (document := files.parse(text, positions, log)) is not None:
        today = today or datetime.datetime.now(tz=datetime.UTC).astimezone().date()
        try:
            car = _read(document, hashlib.sha256(data).hexdigest(), log, today, untrusted=untrusted)
        except TooManyFaultsError:
            line, column = max((fault.line, fault.column) for fault in log.faults)
            log.at(Position(line, column + 1), f"reading stopped after {MOST_FAULTS} faults")
    faults = log.in_order()
    if car is None or any(fault.severity is FaultSeverity.ERROR for fault in faults):
        return CheckResult(None, faults, car.databases if car else MappingProxyType({}), log.notes_of_unused())
    return CheckResult(_completed(car, faults), faults, car.databases, log.notes_of_unused())


def _read(
    document: dict[str, Any], digest: str, log: FaultLog, today: datetime.date, *, untrusted: bool
) -> CarFile | None:
    """Read and check a TOML document; what is returned may be used only if no error was logged."""
    if not document:
        log.at(Position(1, 1), "the file is empty", 'it begins with format = 1; "buswright draft" makes one')
        return None
    tables: dict[str, Any] = DOCUMENT.read(document, (), log)
    named = {name: _readable(tables.get(name)) for name in ("bus", "module", "sensor", "channel", "frame")}
    databases = files.load_databases(named["bus"], log, untrusted=untrusted)
    frames, frame_keys = _frames(named["frame"], log)
    car = CarFile(
        path=log.path,
        hash=digest,
        car=tables.get("car") or Car(),
        buses=named["bus"],
        modules=named["module"],
        sensors=named["sensor"],
        channels=named["channel"],
        frames=frames,
        calibration_log=tuple(record for record in tables.get("calibration_log", ()) if record is not None),
        databases=MappingProxyType(databases),
    )
    raw = {name: _tables(document.get(name)) for name in named}
    check_parts(car, raw, frame_keys, log, today)
    check_ranges(car, raw, log)
    check_messages(car, frame_keys, log)
    check_conversions(car, log)
    return car


def _readable(table: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """Leave out the entries of which nothing could be read."""
    return MappingProxyType({name: entry for name, entry in (table or {}).items() if entry is not None})


def _tables(named: object) -> dict[str, Any]:
    """Return what is a table below a heading such as [bus.NAME]."""
    return {name: entry for name, entry in named.items() if isinstance(entry, dict)} if isinstance(named, dict) else {}


def _frames(
    entries: Mapping[str, FrameEntry], log: FaultLog
) -> tuple[Mapping[FrameName, FrameEntry], dict[FrameName, str]]:
    """Return the entries by frame, and how each frame's name stands in the file."""
    frames: dict[FrameName, FrameEntry] = {}
    written: dict[FrameName, str] = {}
    for key, entry in entries.items():
        name = entry.name
        if name in frames:
            log.error(("frame", key), f"is the same frame as {written[name]}", "one entry a frame", key=True)
            continue
        frames[name], written[name] = entry, key
    return MappingProxyType(frames), written


def _completed(car: CarFile, faults: tuple[Fault, ...]) -> CarFile:
    """Make paths absolute, and give every channel without a unit its sensor's, else the database's."""
    folder = car.path.parent
    buses = {
        name: replace(bus, databases=tuple((folder / path).resolve() for path in bus.databases))
        for name, bus in car.buses.items()
    }
    channels = {
        name: channel if channel.unit else replace(channel, unit=unit_of(channel, car) or "")
        for name, channel in car.channels.items()
    }
    return replace(car, buses=MappingProxyType(buses), channels=MappingProxyType(channels), faults=faults)
