"""Draft a car file from captures and databases: complete, commented, and valid at once.

The draft holds: buses with their bit rates (from the database, or guessed, with how sure that is); modules (from the
database, or from identifiers that share one clock); a channel per signal with unit, rate and likely role; and the
periods, counters and checksums that no database mentions. FILL IN marks what only a person can decide.

Each database is matched to the bus whose identifiers it knows; --dbc BUS=FILE and --bus NAME=INTERFACE set it.
Captures in several formats can be given together: can0 of one and channel 1 of another become one bus.

--add puts new tables into an existing car file and changes no line of it. A channel that you deleted stays deleted.

--ask then asks what only a person can decide: one question at a time, with what was measured beside it. Enter skips
a question, q stops, and every answer is written at once. With a car file that is there it goes on where it was left.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.source import open_source, shown
from buswright.errors import CarFileError, UserError
from buswright.writing import write_whole

if TYPE_CHECKING:
    from buswright.channels.carfile.load import CheckResult
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.captures.capture import Capture
    from buswright.layout.draft.car_file import Draft, GivenDatabase, Recording
    from buswright.layout.draft.questions import Seen


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser)
    shared.add(parser, "databases", "bitrate")
    shared.add_output(parser, "car file to write, e.g. car.toml")
    parser.add_argument(
        "--add", action="store_true", help="add new tables to the existing car file; change no line of it"
    )
    parser.add_argument(
        "--ask", action="store_true", help="ask what is open, one question at a time; goes on with an existing file"
    )
    parser.add_argument(
        "--untrusted", action="store_true", help="with --add or --ask: read nothing outside the car file's folder"
    )
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Measure, draft, write, say what is left to do."""
    from buswright.channels.carfile.load import load_car_file
    from buswright.layout.draft.car_file import draft, drafted_before
    from buswright.report.car import draft as report

    path = Path(options.out)
    if options.ask and options.json:
        raise UserError("--ask: there is nobody to ask with --json", hint="leave one of the two out")
    if options.ask and path.is_file() and not options.force:
        options.add = True  # goes on where it was left
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
    drafting = report.Drafting(path, drafted, text, result, added=car is not None)
    shared.show_sentences(options, report, drafting, asking=options.ask)
    if options.ask:
        _ask(options, path, recordings)
    return 0


def _ask(options: argparse.Namespace, path: Path, recordings: Sequence[Recording]) -> None:
    """Ask what is open, with what the captures show beside it."""
    import sys

    from buswright.channels.carfile.load import load_car_file
    from buswright.cli.terminal.asking import ask
    from buswright.cli.terminal.streams import put_lines
    from buswright.layout.draft.questions import open_questions

    car = load_car_file(path, untrusted=options.untrusted)
    seen = _seen(options, car)
    sent: dict[str, str] = {}
    for recording in recordings:
        for interface, figures in recording.health.buses.items():
            name = next((bus.name for bus in car.buses.values() if interface in (*bus.interfaces, bus.name)), interface)
            sent.setdefault(name, f"{figures.frames:,} frames in {recording.name} don't tell it.")
    asked = ask(
        path,
        lambda text, now: open_questions(text, now, seen, sent),
        untrusted=options.untrusted,
        line=sys.stdin.readline if sys.stdin is not None else str,
    )
    put_lines(
        ["", asked.told(path), f"Next: buswright check {path}, buswright diagnose SOURCE, buswright watch SOURCE"]
    )


def _seen(options: argparse.Namespace, car: CarFile) -> dict[str, Seen]:
    """Measure the channels that lack a sensor, each in the first capture that has it."""
    import numpy as np

    from buswright.channels.session import Session
    from buswright.layout.draft.questions import Seen, unanswered

    found: dict[str, Seen] = {}
    wanted = unanswered(car)
    for capture in _captures(options) if wanted else ():
        session = Session(capture, car, bus_names=shared.bus_names(options), only=wanted)
        for name in wanted:
            if name in found or name not in session:
                continue
            series = session[name]
            values = series.usable_value
            values = values[np.isfinite(values)]
            if len(values):
                low, middle, high = np.percentile(values, [0, 50, 100])
                found[name] = Seen(float(low), float(middle), float(high), series.rate_hz)
    return found


def _check_fit(
    recordings: Sequence[Recording], databases: Sequence[GivenDatabase], bus_names: dict[str, str], car: CarFile | None
) -> None:
    """Refuse captures of another car or bus than what was given for them describes.

    A database that is bound to a bus which no interface is named for finds its bus by itself.
    """
    from buswright.channels.carfile.needs import interface_names
    from buswright.channels.fitting import Key, misfit_of
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
        for frames in shown(capture):
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
    whole = open_source(options)
    if shared.is_demo(options) or len(whole.paths) == 1:
        return [whole]
    from buswright.frames.captures.opening import open_capture

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
