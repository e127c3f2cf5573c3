"""Draft a car file from captures and databases: complete, commented, and valid at once.

The draft holds: buses with their bit rates (from the database, or guessed, with how sure that is); modules (from the
database, or from identifiers that share one clock); a channel per signal with unit, rate and likely role; and the
periods, counters and checksums that no database mentions. FILL IN marks what only a person can decide.

Each database is matched to the bus whose identifiers it knows; --dbc BUS=FILE and --bus NAME=INTERFACE set it.
Captures in several formats can be given together: can0 of one and channel 1 of another become one bus.

--add puts new tables into an existing car file and changes no line of it.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.errors import CarFileError, UserError
from buswright.writing import write_whole

if TYPE_CHECKING:
    from buswright.channels.carfile.load import CheckResult
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.capture import Capture
    from buswright.layout.draft.car_file import Draft, GivenDatabase, Recording


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser)
    shared.add_databases(parser)
    shared.add_bitrate(parser)
    shared.add_output(parser, "car file to write, e.g. car.toml")
    parser.add_argument(
        "--add", action="store_true", help="add new tables to the existing car file; change no line of it"
    )
    parser.add_argument(
        "--untrusted", action="store_true", help="with --add: read nothing outside the car file's folder"
    )
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Measure, draft, write, say what is left to do."""
    from buswright.channels.carfile.load import load_car_file
    from buswright.layout.draft.car_file import draft, drafted_before
    from buswright.report.commands import draft as report

    path = Path(options.out)
    if options.add and not path.is_file():
        raise UserError(f"{path}: no car file to add to", hint="leave out --add to draft a new one")
    if not options.add:
        _claim(options, path)
    car = load_car_file(path, untrusted=options.untrusted) if options.add else None
    recordings, databases, names = _recordings(options), _databases(options), shared.bus_names(options)
    _check_fit(recordings, databases, names, car)
    old = path.read_bytes().decode("utf-8") if options.add else ""
    drafted = draft(recordings, databases, folder=path.parent, names=names, car=car, drafted=drafted_before(old))
    text = drafted.added_to(old) if options.add else drafted.text()
    result = _write(path, text, drafted, untrusted=options.untrusted)
    shared.show(options, report, report.Drafting(path, drafted, text, result, added=car is not None))
    return 0


def _check_fit(
    recordings: Sequence[Recording], databases: Sequence[GivenDatabase], bus_names: dict[str, str], car: CarFile | None
) -> None:
    """Refuse captures of another car or bus than what was given for them describes.

    A database that is bound to a bus which no interface is named for finds its bus by itself.

    Raises
    ------
    UserError
        What doesn't fit; the hint says what would.
    """
    from buswright.channels.fitting import Key, misfit_of
    from buswright.channels.session import interface_names
    from buswright.messages.match import EVERY_BUS
    from buswright.messages.model import Database

    names = {**interface_names(car), **bus_names}
    bound: dict[str, list[Database]] = {}
    for given in databases:
        bus = given.bus if given.bus is not None and given.bus in names.values() else EVERY_BUS
        bound.setdefault(bus, []).append(given.database)
    seen: dict[str, set[Key]] = {}
    for recording in recordings:
        for interface, keys in recording.health.keys().items():
            seen.setdefault(names.get(interface, interface), set()).update(keys)
    interfaces = [name for recording in recordings for name in recording.health.buses]
    found = misfit_of(seen, interfaces, car=car, databases=bound, bus_names=bus_names)
    if found is not None and found.sure:
        raise UserError(found.text, hint=found.hint)


def _claim(options: argparse.Namespace, path: Path) -> None:
    if path.exists() and not options.force:
        raise UserError(
            f"{path}: this file exists already",
            hint="add to it with --add (changes no line), or overwrite it with --force",
        )
    shared.claim_output(options, path)


def _recordings(options: argparse.Namespace) -> list[Recording]:
    """Measure each capture by itself, its buses by their interfaces."""
    from buswright.health.phases import PhaseTracker
    from buswright.health.track import HealthTracker
    from buswright.layout.draft.car_file import Recording

    names = shared.bus_names(options)
    interfaces: dict[str, list[str]] = {}
    for interface, name in names.items():
        interfaces.setdefault(name, []).append(interface)
    rates, data_rates = (
        {interface: rate for name, rate in given.items() for interface in interfaces.get(name, [name])}
        for given in shared.bit_rates(options.bitrate)
    )
    recordings = []
    for capture in _captures(options):
        tracker, phases = HealthTracker(bitrates=rates, data_bitrates=data_rates), PhaseTracker()
        for frames in shared.shown(capture):
            tracker.update(frames)
            phases.update(frames)
        health = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
        if not health.capture.frames:
            raise UserError(
                f"{capture.paths[0]}: holds no frames", hint="`buswright contents` lists what a capture holds"
            )
        recordings.append(Recording(capture.paths[0].name, health, phases.result()))
    return recordings


def _captures(options: argparse.Namespace) -> list[Capture]:
    whole = shared.open_source(options)
    if shared.is_demo(options) or len(whole.paths) == 1:
        return [whole]
    from buswright.frames.opening import open_capture

    return [open_capture([path], timezone=options.timezone) for path in whole.paths]


def _databases(options: argparse.Namespace) -> list[GivenDatabase]:
    """Load the databases of --dbc, each with its bus."""
    from buswright.layout.draft.car_file import GivenDatabase
    from buswright.messages.database import load_database

    found = []
    for item in options.dbc:
        bus, file = shared.bound_database(item)
        found.append(GivenDatabase(file, load_database(file), bus))
    return found


def _write(path: Path, text: str, drafted: Draft, *, untrusted: bool) -> CheckResult:
    """Write the file as a whole, but only if it is a valid car file."""
    from buswright.channels.carfile.load import check_car_data

    result = check_car_data(path, text.encode("utf-8"), untrusted=untrusted)
    if result.errors:
        raise CarFileError(
            [
                f"{path}: not written, because the draft is not valid:",
                *(f"line {fault.line}: {fault.key}: {fault.text}" for fault in result.errors[:5]),
            ],
            hint=f"please report it; the draft has {len(drafted.tables)} tables",
        )
    write_whole(path, text)
    return result
