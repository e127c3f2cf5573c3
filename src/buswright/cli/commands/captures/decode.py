"""Write the channels of a capture to Parquet or CSV files.

The ending of --out sets the shape. PATH/ is a folder with one Parquet table per message, at its native rate.
.parquet or .csv is one long table: time_ns, bus, message, channel, raw, volts, value, unit, quality. --rate HZ makes
one wide table on a common time base: time_ns, seconds from the first frame, units in the header of CSV. Parquet has a
timestamp in `time` besides, and a `valid` column; `buswright guide getting-started` says more.

With --car FILE (or ./car.toml) it writes the car's calibrated channels. With --dbc alone it writes signals, named
bus/message/signal; a bus without a name is called by its interface. --select takes names with wildcards, and for
signals also identifiers: 'damper_*', 'chassis/DAMPERS_A/*', '*/1A0/*'.

The summary names the channels with bad samples, and the limits of the car file that were passed.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.source import Source
from buswright.errors import UserError
from buswright.writing import claim, whole_file, whole_folder

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.messages.match import Databases
    from buswright.report.captures.decode import Decoding

PIECE_FRAMES = 350_000
"""Frames decoded at a time: a batch of a text capture, and of others what is in memory at once, decoded."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="spooled", required=False)
    shared.add(parser, "window", "car", "databases")
    shared.add_select(parser, "PATTERN", "write only these channels")
    parser.add_argument("--rate", type=float, metavar="HZ", help="write one wide table at this common rate")
    shared.add_output(parser, "folder (ending in /), or file ending in .parquet or .csv")
    shared.add(parser, "jobs", "json")


def run(options: argparse.Namespace) -> int:
    """Decode and write."""
    from buswright.report.captures import decode as report

    shared.settle_selection(options)
    car = shared.load_car(options)
    databases = shared.load_databases(options)
    if car is None and not options.dbc:
        raise UserError(
            "decode needs a car file or a database",
            hint="add --car FILE or --dbc FILE; `buswright contents` needs neither",
        )
    if options.rate is not None and not options.rate > 0:
        raise UserError(f"--rate {options.rate:g}: must be above 0", hint="for example --rate 100, in Hz")
    path, folder = _target(options)
    source = Source.of(options, car)
    with whole_folder(path, replaces=report.is_table) if folder else whole_file(path) as new:
        if car is None and options.rate is None:
            decoding = _signals(options, new, source, databases)
        else:
            decoding = _channels(options, new, source, car, databases)
        written = {name: path / file.name if folder else path for name, file in decoding.files.items() if file.exists()}
    shared.show(options, report, replace(decoding, files=written))
    return 0


def _target(options: argparse.Namespace) -> tuple[Path, bool]:
    """Where to write, checked before anything is read, and whether it is a folder."""
    path = Path(options.out)
    if options.out.endswith(("/", "\\")) or path.is_dir():
        if options.rate is not None:
            raise UserError(
                "--rate makes one table, so --out must be a file", hint="for example --out run.parquet or run.csv"
            )
        claim(path, force=True)
        if path.exists() and not path.is_dir():
            raise UserError(f"{path}: this is a file, not a folder", hint="choose another --out")
        if path.exists() and any(path.iterdir()) and not options.force:
            raise UserError(
                f"{path}: this folder holds files already",
                hint="choose another --out, or replace the tables in it with --force",
            )
        return path, True
    if path.suffix not in (".parquet", ".csv"):
        raise UserError(f"--out {options.out}: unknown file type", hint="end it in / for a folder, .parquet or .csv")
    shared.claim_output(options, path)
    return path, False


def _signals(options: argparse.Namespace, path: Path, source: Source, databases: Databases) -> Decoding:
    """Signals as the databases scale them, at native rates: the straight way."""
    from buswright.channels.fitting import keys_by_bus, never_came
    from buswright.channels.samples.tally import Tally
    from buswright.messages.decoding.selection import SignalSelection
    from buswright.report.captures.decode import Decoding, grave_notes
    from buswright.report.files.signals import SignalFolder, write_rows
    from buswright.report.files.tables import Tables

    decoder = source.decoder(databases, SignalSelection.parse(options.select) if options.select else None)
    tally, first_ns = Tally(), None
    with Tables(path, shared.jobs_of(options), source=", ".join(options.source)) as tables:
        folder = SignalFolder(tables, tally) if path.is_dir() else None
        write = partial(write_rows, tables, tally) if folder is None else folder.add
        write(())
        for frames in source:
            if first_ns is None and len(frames):
                first_ns = int(frames.time_ns[0])
            for piece in frames.pieces(PIECE_FRAMES):
                write(decoder.decode(piece))
        if folder is not None:
            folder.flush()
    source.check_fit(options, None, databases, keys_by_bus(decoder.matcher.groups))
    return Decoding(
        *(tables.files, tables.rows, tables.values, decoder.counts, source.capture.problems),
        unused=decoder.unused_patterns(),
        notes=grave_notes(databases),
        rounded=tables.rounded,
        absent=never_came(None, databases, decoder.matcher.groups),
        channels=tally.result(),
        first_ns=first_ns,
    )


def _channels(
    options: argparse.Namespace, path: Path, source: Source, car: CarFile | None, databases: Databases
) -> Decoding:
    """Calibrated channels, or signals on a common time base."""
    from buswright.channels.carfile.needs import databases_of
    from buswright.channels.fitting import keys_by_bus, never_came
    from buswright.channels.samples.tally import bad_samples
    from buswright.channels.session import Session
    from buswright.channels.spool import Spool
    from buswright.report.captures.decode import Decoding, grave_notes
    from buswright.report.files.channels import write_folder, write_grid, write_rows
    from buswright.report.files.tables import Tables

    names, unused = _chosen(car, options.select)
    said = {"source": ", ".join(options.source), "car": car.hash if car is not None else ""}
    said |= {} if options.rate is None else {"rate_hz": f"{options.rate:g}"}
    with (
        Spool(path.parent) as spool,
        Tables(path, shared.jobs_of(options), **said) as tables,
    ):
        session = Session(source, car, databases=databases, bus_names=source.names, only=names, spool=spool)
        if options.rate is not None:
            write_grid(tables, session, session.names, options.rate)
        else:
            (write_folder if path.is_dir() else write_rows)(tables, session, session.names)
        looked_at = tuple(bad_samples(session[name]) for name in session.names if len(session[name]))
        passed = [one for name in session.names for one in session.exceedances(name)]
    decoder = session.recorded.decoder
    source.check_fit(options, car, databases, keys_by_bus(decoder.matcher.groups))
    databases = databases_of(car, databases)
    absent = never_came(car, databases, decoder.matcher.groups, session.names if car is not None else ())
    silent = dict.fromkeys((*absent.channels, *(name for name in session.names if not len(session[name]))))
    return Decoding(
        *(tables.files, tables.rows, tables.values, session.counts, source.capture.problems),
        unused=decoder.unused_patterns() if car is None else unused,
        notes=grave_notes(databases),
        rounded=tables.rounded,
        taken={name: found for name in session.names if (found := session.sources_of(name))},
        absent=replace(absent, channels=tuple(name for name in session.names if name in silent)),
        channels=looked_at,
        exceedances=sorted(passed, key=lambda one: one.start_ns),
        car=car,
        first_ns=session.first_ns,
    )


def _chosen(car: CarFile | None, patterns: Sequence[str]) -> tuple[Sequence[str] | None, tuple[str, ...]]:
    """Channels that were selected (None: all), and patterns that fit none."""
    if not patterns:
        return None, ()
    if car is None:
        return list(patterns), ()
    from buswright.channels.keys.faults import suggestion

    fitting = {pattern: [name for name in car.channels if fnmatchcase(name, pattern)] for pattern in patterns}
    unused = tuple(pattern for pattern, names in fitting.items() if not names)
    chosen = {name for names in fitting.values() for name in names}
    if not chosen:
        raise UserError(
            f"--select {', '.join(patterns)}: no channel of {car.path} fits",
            hint="; ".join(filter(None, (suggestion(patterns[0], car.channels), "* stands for any text"))),
        )
    return [name for name in car.channels if name in chosen], unused
