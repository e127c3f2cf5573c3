"""Keep many runs in one place: decode them once, list them, and see what changes from run to run.

add CAPTURES takes in captures that the season doesn't have yet: their channels as Parquet tables, numbers by channel
and phase, and a trust page. A run decoded with an older car file is decoded again. A call that is stopped at any
moment leaves the season readable; the next one goes on. Several calls at once do not harm each other.

list shows the runs, what was wrong with each, and what changed steadily over them. channel NAME --over zero shows one
number of a channel for each run, with a plot. check holds every file against the hash that it was written with.

The season is the folder ./season, or what --season names: a folder, or a URL if fsspec is installed. Captures may be
URLs too. With --scheduler the workers of a Dask scheduler do the work of add.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.streams import put_lines
from buswright.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from buswright.channels.carfile.model import CarFile
    from buswright.season.catalogue import Catalogue
    from buswright.season.cluster import Workers
    from buswright.season.place import Place
    from buswright.season.run import Run

DEFAULT = "season"
ACTIONS = ("add", "list", "channel", "check")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("action", choices=ACTIONS, metavar="ACTION", help=f"{', '.join(ACTIONS[:-1])} or {ACTIONS[-1]}")
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help="add: captures or folders of them; channel: names, with wildcards"
    )
    parser.add_argument("--season", default=DEFAULT, metavar="PLACE", help="folder or URL; default: ./season")
    parser.add_argument(
        "--over", default="zero", metavar="QUANTITY", help="channel: zero (default), noise, min, mean, max, bad or rate"
    )
    parser.add_argument(
        "--phase", metavar="PHASE", help="channel: run, rest, key-on, cranking, idle, driving, rolling or standing"
    )
    parser.add_argument("--csv", metavar="FILE", help="channel: write the numbers as CSV")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="add: have the workers of this Dask scheduler do it: tcp://HOST:8786"
    )
    shared.add_html(parser, "the plot")
    shared.add_force(parser)
    shared.add_car(parser)
    shared.add_databases(parser)
    shared.add_bitrate(parser)
    shared.add_reading(parser)
    shared.add_fail_on(parser)
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Do what was asked for."""
    from buswright.season.opening import open_place

    if options.action in ("list", "check") and options.names:
        raise UserError(f"season {options.action} takes no names", hint=f"buswright season {options.action}")
    place = open_place(options.season)
    doing = {"add": _add, "list": _list, "channel": _channel, "check": _check}
    return doing[options.action](options, place)


def _add(options: argparse.Namespace, place: Place) -> int:
    """Take in what is new; commit each run here as soon as it is written. A capture that is none costs no other."""
    from buswright.report.commands import season as report
    from buswright.season.catalogue import RUNS, commit, read_catalogue
    from buswright.season.cluster import workers_of
    from buswright.writing import WritingError

    if not options.names:
        raise UserError("season add needs captures", hint="buswright season add CAPTURES --car FILE")
    options.source = options.names
    car = shared.load_car(options)
    if car is None and not options.dbc:
        raise UserError("season add needs a car file or a database", hint="add --car FILE or --dbc FILE")
    catalogue = read_catalogue(place, needed=False)
    added: list[Run] = []
    again: list[Run] = []
    known: list[Run] = []
    refused: list[tuple[str, str, str]] = []
    try:
        with workers_of(options.scheduler) as workers:
            for capture, new, old in _taken(options, car, place, catalogue, workers):
                if isinstance(new, UserError):
                    refused.append((capture, new.message, new.hint))
                elif new is old:
                    known.append(new)
                else:
                    commit(place, new)
                    if old is not None and old.folder != new.folder:
                        place.remove(RUNS, old.folder)
                    (added if old is None else again).append(new)
                    if not options.json:
                        put_lines([report.added_line(new, place.at(RUNS, new.folder))])
    except WritingError as fault:
        done = f"{len(added) + len(again)} added before, which stay"
        raise WritingError(f"not all added: {fault.message} ({done})", hint=fault.hint) from fault
    shared.show(options, report, report.Added(place.title, tuple(added), tuple(again), tuple(known), tuple(refused)))
    return 2 if refused else 0


def _taken(
    options: argparse.Namespace, car: CarFile | None, place: Place, catalogue: Catalogue, workers: Workers
) -> Iterator[tuple[str, Run | UserError, Run | None]]:
    """Yield every capture with its run or what is wrong with it, and the run that the season had; one run: known."""
    from buswright.cli.taking_in import Work, for_elsewhere, take_in, version_of
    from buswright.frames.opening import open_capture
    from buswright.season.captures import captures_at, hash_of, is_url
    from buswright.season.catalogue import damaged

    version = version_of(car, [shared.bound_database(item)[1] for item in options.dbc])
    by_capture = catalogue.by_capture()
    names: dict[str, None] = {}
    for name in options.names:
        try:
            if is_url(name):
                names.update(dict.fromkeys(captures_at(name)))
            else:
                paths = open_capture(name, timezone=options.timezone).paths
                # workers have another working folder
                names.update((str(path.absolute() if options.scheduler else path), None) for path in paths)
        except UserError as fault:
            yield name, fault, None
    works: list[Work] = []
    alike: dict[str, list[str]] = {}
    for name, sha256 in workers.each(hash_of, list(names)):
        if isinstance(sha256, UserError):
            yield name, sha256, None
            continue
        old = by_capture.get(sha256)
        if old is not None and old.version == version and not damaged(place, old):
            yield name, old, old
            continue
        alike.setdefault(sha256, []).append(name)
        if len(alike[sha256]) == 1:
            work = Work(
                name, sha256, str(car.path) if car is not None else None, tuple(options.dbc), tuple(options.bus),
                tuple(options.bitrate), options.timezone, options.untrusted, version, options.season,
            )  # fmt: skip
            works.append(for_elsewhere(work, car) if options.scheduler else work)
    for work, new in workers.each(take_in, works):
        yield work.capture, new, by_capture.get(work.sha256)
        for name in alike[work.sha256][1:]:
            yield name, new, None if isinstance(new, UserError) else new


def _list(options: argparse.Namespace, place: Place) -> int:
    from buswright.report.commands import season as report
    from buswright.season.catalogue import read_catalogue
    from buswright.season.numbers import read_numbers
    from buswright.season.trends import trends

    catalogue = read_catalogue(place)
    points, unread = read_numbers(place, catalogue.runs)
    found = trends(catalogue.runs, points)
    shared.show(options, report, report.Listed(catalogue, found, tuple(unread)))
    return shared.exit_status((trend.severity for trend in found), options)


def _channel(options: argparse.Namespace, place: Place) -> int:
    from fnmatch import fnmatchcase

    from buswright.report.commands import season as report
    from buswright.season.catalogue import read_catalogue
    from buswright.season.numbers import PHASES, QUANTITIES, REST, WHOLE, read_numbers
    from buswright.writing import write_whole

    if not options.names:
        raise UserError("season channel needs a channel", hint="buswright season channel oil_pressure --over zero")
    if options.over not in QUANTITIES:
        raise UserError(f"--over {options.over}: no such quantity", hint=f"one of {', '.join(QUANTITIES)}")
    phase = options.phase or (REST if options.over in ("zero", "noise") else WHOLE)
    if phase not in PHASES:
        raise UserError(f"--phase {phase}: no such phase", hint=f"one of {', '.join(PHASES)}")
    shared.claim_html(argparse.Namespace(**{**vars(options), "source": []}))
    catalogue = read_catalogue(place)
    every = sorted({name for run in catalogue.runs for name in run.tables})
    wanted = [name for name in every if any(fnmatchcase(name, pattern) for pattern in options.names)]
    if not wanted:
        from difflib import get_close_matches

        near = get_close_matches(options.names[0], every, 1)
        hint = f"did you mean {near[0]}?" if near else "wildcards: season channel 'damper_*'"
        raise UserError(f"{options.names[0]}: no run of the season has this channel", hint=hint)
    points, unread = read_numbers(place, catalogue.runs, wanted)
    chosen = tuple(each for each in points if each.numbers.phase == phase)
    result = report.OverRuns(catalogue, tuple(wanted), options.over, phase, chosen, tuple(unread))
    if options.csv:
        from buswright.writing import claim

        claim(Path(options.csv), force=options.force, option="--csv")
        write_whole(Path(options.csv), report.render_csv(result))
    shared.show_with_page(options, report, result, lambda: report.render_html(result))
    return 0


def _check(options: argparse.Namespace, place: Place) -> int:
    from buswright.findings import Severity
    from buswright.report.commands import season as report
    from buswright.season.catalogue import read_catalogue, verify

    catalogue = read_catalogue(place)
    faults = tuple(verify(place, catalogue))
    shared.show(options, report, report.Checked(catalogue, faults))
    return shared.exit_status(
        (Severity.NOTE if fault.what == "left over" else Severity.FAULT for fault in faults), options
    )
