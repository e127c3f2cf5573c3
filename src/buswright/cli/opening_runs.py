"""Open stored runs in the workbench: `season open`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.season.place.local import Place


def open_runs(options: argparse.Namespace, place: Place) -> int:
    """Show one run, two, or the list of them until the user ends it.

    Raises
    ------
    UserError
        There is no such run, or no terminal.
    """
    from buswright.cli.at_terminal import at_terminal, logged, run_app
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
