"""Keep many runs in one place: decode them once, list them, and see what changes from run to run.

add CAPTURES takes in captures that the season doesn't have yet: their channels as Parquet tables, numbers by channel
and phase, and a trust page. A run decoded with an older car file is decoded again. A call that is stopped at any
moment leaves the season readable; the next one goes on. Several calls at once do not harm each other. With --follow
FOLDER it stays, and takes in each capture of that folder as soon as it is complete.

list shows the runs, what was wrong with each, and what changed steadily over them. channel NAME --over zero shows one
number of a channel for each run, with a plot. open RUN shows a run in the workbench at once, from its tables; open RUN
RUN puts two side by side on one time axis; without a name it lists the runs. query 'select ...' asks all runs at once
in SQL (DuckDB); without a question it lists the tables. check holds every file against the hash that it was written
with.

The season is the folder ./season, or what --season names: a folder, or a URL if fsspec is installed. Captures may be
URLs too. With --scheduler the workers of a Dask scheduler do the work of add.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError
from buswright.wording import did_you_mean

if TYPE_CHECKING:
    from buswright.season.place.local import Place

DEFAULT = "season"
ACTIONS = ("add", "list", "channel", "open", "query", "check")
OPTIONS_OF: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "over": ("channel",),
        "phase": ("channel",),
        "html": ("channel",),
        "csv": ("channel", "query"),
        "parquet": ("query",),
        "channel": ("open",),
        "jobs": ("add",),
        "follow": ("add",),
        "scheduler": ("add",),
    }
)
"""Options that only some actions use; with another one they are refused, for they would do nothing."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "action", nargs="?", choices=ACTIONS, metavar="ACTION", help=f"{', '.join(ACTIONS[:-1])} or {ACTIONS[-1]}"
    )
    parser.add_argument(
        "names",
        nargs="*",
        metavar="NAME",
        help="add: captures or folders of them; channel: names, with wildcards; open: up to two runs; query: SQL",
    )
    parser.add_argument("--season", default=DEFAULT, metavar="PLACE", help="folder or URL; default: ./season")
    parser.add_argument(
        "--over", metavar="QUANTITY", help="channel: zero (default), noise, min, mean, max, bad or rate"
    )
    parser.add_argument(
        "--phase", metavar="PHASE", help="channel: run, rest, key-on, cranking, idle, driving, rolling or standing"
    )
    shared.add_several(parser, "--channel", "NAME", "open: plot this channel at once")
    parser.add_argument("--csv", metavar="FILE", help="channel: write the numbers as CSV; query: write all rows")
    parser.add_argument("--parquet", metavar="FILE", help="query: write all rows as Parquet")
    parser.add_argument(
        "--jobs",
        type=int,
        metavar="N",
        help="add: captures at work at once, or processes on a single one; default: the processor's cores. The result "
        "is the same. Each capture at work takes memory: 0.4 GB for 15 minutes of the invented car",
    )
    shared.add_several(
        parser,
        "--follow",
        "FOLDER",
        "add: stay, and take in each capture of this folder as soon as it is complete; no URL",
    )
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="add: have the workers of this Dask scheduler do it: tcp://HOST:8786"
    )
    shared.add_html(parser, "the plot")
    shared.add(parser, "force", "car", "databases", "bitrate", "reading", "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Do what was asked for."""
    from buswright.season.place.opening import open_place

    if options.action is None:
        raise UserError(
            f"season needs an action: {', '.join(ACTIONS[:-1])} or {ACTIONS[-1]}",
            hint="buswright season add CAPTURES --car FILE begins a season, buswright season list shows it",
        )
    if options.action in ("list", "check") and options.names:
        raise UserError(f"season {options.action} takes no names", hint=_instead(options.action, options.names[0]))
    for name, actions in OPTIONS_OF.items():
        if getattr(options, name) not in (None, []) and options.action not in actions:
            hint = f"it goes with season {' and season '.join(actions)}"
            raise UserError(f"--{name}: season {options.action} has no such option", hint=hint)
    place = open_place(options.season)
    doing = {"add": _add, "list": _list, "channel": _channel, "open": _open, "query": _query, "check": _check}
    return doing[options.action](options, place)


def _instead(action: str, name: str) -> str:
    """Say how to ask for one season, run or channel where an action shows the whole season."""
    if "://" in name or Path(name).is_dir():
        return f"buswright season {action} --season {name}"
    one = "buswright season open RUN shows one run, buswright season channel NAME one channel"
    return f"buswright season {action} looks at all runs; {one}"


def _add(options: argparse.Namespace, place: Place) -> int:
    """Take in what is new. A capture that is none costs no other."""
    from buswright.cli.season.adding import Adding, added_of, captures_of
    from buswright.report.season import actions as report
    from buswright.season.catalogue import RUNS
    from buswright.writing import WritingError

    if bool(options.names) == bool(options.follow):
        hint = "buswright season add CAPTURES --car FILE, or season add --follow FOLDER --car FILE"
        both = (
            "takes captures or a folder to follow, not both"
            if options.names
            else "needs captures, or a folder to follow"
        )
        raise UserError(f"season add {both}", hint=hint)
    options.source = options.names
    if options.follow:
        from buswright.cli.season.following import follow

        outcomes = follow(options, place)
    else:
        adding = Adding(options, place)
        names, outcomes = captures_of(options)
        try:
            runs = list(adding.stints(adding.alike(names)))
            for outcome in adding.take(runs):
                outcomes.append(outcome)
                if outcome.run is not None and outcome.is_new and not options.json:
                    put_lines([report.added_line(outcome.run, place.at(RUNS, outcome.run.folder))])
        except WritingError as fault:
            done = f"{sum(each.is_new for each in outcomes)} added before, which stay"
            raise WritingError(f"not all added: {fault.message} ({done})", hint=fault.hint) from fault
        # The order of the call, whichever process was first.
        order = {each: number for number, each in enumerate(runs)}
        outcomes.sort(key=lambda each: order.get(each.names, -1))
    shared.show_sentences(options, report, added_of(place, outcomes))
    return 2 if any(each.what == "refused" for each in outcomes) else 0


def _list(options: argparse.Namespace, place: Place) -> int:
    from buswright.report.season import actions as report
    from buswright.season.catalogue import read_catalogue
    from buswright.season.numbers import read_numbers
    from buswright.season.trends import findings_over

    catalogue = read_catalogue(place)
    points, unread = read_numbers(place, catalogue.runs)
    found, looked_at = findings_over(catalogue.runs, points)
    shared.show(options, report, report.Listed(catalogue, found, tuple(unread), looked_at))
    missing = bool(catalogue.faults or unread)
    return shared.exit_status((finding.severity for finding in found), options, unread=missing)


def _channel(options: argparse.Namespace, place: Place) -> int:
    from fnmatch import fnmatchcase

    from buswright.report.season import actions as report
    from buswright.season.catalogue import read_catalogue
    from buswright.season.numbers import PHASES, QUANTITIES, REST, WHOLE, read_numbers
    from buswright.writing import write_whole

    if not options.names:
        raise UserError("season channel needs a channel", hint="buswright season channel oil_pressure --over zero")
    over = options.over or "zero"
    if over not in QUANTITIES:
        raise UserError(f"--over {over}: no such quantity", hint=f"one of {', '.join(QUANTITIES)}")
    phase = options.phase or (REST if over in ("zero", "noise") else WHOLE)
    if phase not in PHASES:
        raise UserError(f"--phase {phase}: no such phase", hint=f"one of {', '.join(PHASES)}")
    shared.claim_html(argparse.Namespace(**{**vars(options), "source": []}))
    catalogue = read_catalogue(place)
    every = sorted({name for run in catalogue.runs for name in run.tables})
    wanted = [name for name in every if any(fnmatchcase(name, pattern) for pattern in options.names)]
    if not wanted:
        hint = did_you_mean(options.names[0], every, "wildcards: season channel 'damper_*'")
        raise UserError(f"{options.names[0]}: no run of the season has this channel", hint=hint)
    points, unread = read_numbers(place, catalogue.runs, wanted)
    chosen = tuple(each for each in points if each.numbers.phase == phase)
    result = report.OverRuns(catalogue, tuple(wanted), over, phase, chosen, tuple(unread))
    if options.csv:
        from buswright.writing import claim

        claim(Path(options.csv), force=options.force, option="--csv")
        write_whole(Path(options.csv), report.render_csv(result))
    shared.show_with_page(options, report, result, lambda: report.render_html(result))
    return shared.exit_status((), options, unread=bool(catalogue.faults or unread))


def _open(options: argparse.Namespace, place: Place) -> int:
    """Show one run, two, or the list of them until the user ends it."""
    from buswright.cli.terminal.at_terminal import at_terminal, logged, run_app
    from buswright.season.catalogue import read_catalogue
    from buswright.season.tables.stored import run_called

    if len(options.names) > 2:
        raise UserError("season open shows one run, or two side by side", hint="buswright season open RUN RUN")
    catalogue = read_catalogue(place)
    runs = [run_called(catalogue, name) for name in options.names]
    known = {channel for run in runs for channel in run.tables}
    for channel in options.channel:
        if not runs:
            raise UserError("--channel needs a run", hint="buswright season open last --channel oil_pressure")
        if channel not in known:
            raise UserError(f"--channel {channel}: these runs have no such channel", hint="season open RUN lists them")
    if not at_terminal():
        hint = "season channel and season query write text, CSV and pages without one"
        raise UserError("season open needs a terminal", hint=hint)
    from buswright.tui.runs.app import RunsBench

    with logged():
        app = RunsBench(place, catalogue, runs=[run.name for run in runs], channels=options.channel)
        run_app(app, app.worker)
    return 0


def _query(options: argparse.Namespace, place: Place) -> int:
    """Answer a question, or say what can be asked."""
    from buswright.report.season import answer as report
    from buswright.season.tables.season import Season

    if len(options.names) > 1:
        raise UserError("season query takes one question", hint="put the SQL in quotes: 'select ... from ...'")
    files = tuple(_places(options))
    season = Season(place)
    if not options.names:
        if files:
            raise UserError("season query has no question", hint="buswright season query 'select ...' --csv FILE")
        result = report.what_there_is(season)
    else:
        result = report.answered(season, season.query(options.names[0]), files, every=options.json)
    shared.show(options, report, result)
    return shared.exit_status((), options, unread=bool(result.catalogue.faults or result.unread))


def _places(options: argparse.Namespace) -> list[Path]:
    """Return the files to write; each is refused before anything is read."""
    from buswright.writing import claim

    asked = [(name, getattr(options, name)) for name in ("csv", "parquet") if getattr(options, name)]
    for name, file in asked:
        if Path(file).suffix != f".{name}":
            raise UserError(f"--{name} {file}: the name must end in .{name}", hint=f"for example answer.{name}")
        claim(Path(file), force=options.force, option=f"--{name}")
    return [Path(file) for _, file in asked]


def _check(options: argparse.Namespace, place: Place) -> int:
    from buswright.findings import Severity
    from buswright.report.season import actions as report
    from buswright.season.catalogue import read_catalogue, verify

    catalogue = read_catalogue(place)
    faults = tuple(verify(place, catalogue))
    shared.show(options, report, report.Checked(catalogue, faults))
    return shared.exit_status(
        (Severity.NOTE if fault.what == "left over" else Severity.FAULT for fault in faults), options
    )
