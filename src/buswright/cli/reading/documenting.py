"""Read a SOURCE once, and make its bus layout: what `layout` writes and `verify` holds against an older one."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.live_source import live_sources
from buswright.cli.reading.examining import examine, good_run

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.layout.document.model import Layout


def measured_layout(options: argparse.Namespace, car: CarFile | None, *, date: str = "") -> Layout:
    """Read the SOURCE of a command and put its layout together.

    Parameters
    ----------
    options
        Of a command with a SOURCE, --dbc, --bitrate, --baseline and --sheet.
    car
        The car file; None without one.
    date
        Of this issue.

    Raises
    ------
    UserError
        See `examine`; or a bench sheet or the baseline can't be read.
    """
    from buswright.capacity.carried.traffic import TrafficFold
    from buswright.channels.carfile.needs import databases_of
    from buswright.channels.spool import Spool
    from buswright.diagnosis.detect import diagnose
    from buswright.health.channels.evidence import measure_channels
    from buswright.health.described import Described
    from buswright.health.phases import PhaseTracker
    from buswright.layout.document.bench import read_sheets
    from buswright.layout.document.gathered import Gathered, recorded_words, sources_of, states_of
    from buswright.layout.document.make import make_layout
    from buswright.layout.document.seen import SignalTracker

    databases = shared.load_databases(options)
    joined = databases_of(car, databases)
    baseline = shared.load_baseline(options) if hasattr(options, "baseline") else None
    sheets, bench = read_sheets([Path(path) for path in getattr(options, "sheet", ())])
    non_iso = {name for name, bus in car.buses.items() if bus.fd == "non-iso"} if car is not None else set()
    folds = (
        PhaseTracker,
        lambda names: SignalTracker(joined, names),
        lambda names: TrafficFold(names, non_iso),
    )
    with Spool() as spool:
        read, (phases, signals, traffic) = examine(
            options, car, databases, decode=True, folds=folds, spool=spool, baseline=baseline
        )
        channels = measure_channels(read.session) if read.session is not None else None
        findings = diagnose(read.health, car=car, baseline=baseline, channels=channels)
        measured = good_run(read, phases.result(), findings)
        files = [shared.bound_database(item)[1] for item in options.dbc]
        if car is not None:
            files += [Path(path) for database in car.databases.values() for path in database.paths]
        captures = [] if shared.is_demo(options) or live_sources(options) else read.source.capture.paths
        sources = sources_of(
            captures=captures,
            recorded=recorded_words(measured),
            car=car,
            databases=files,
            baseline=Path(options.baseline) if baseline is not None else None,
            sheets=sheets,
            simulated=shared.is_demo(options) and options.car is None and not options.dbc,
        )
        return make_layout(
            Gathered(
                health=read.health,
                findings=findings,
                measured=measured,
                good=baseline or measured,
                car=car,
                databases=joined,
                seen=signals.result(),
                sources=sources,
                bench=bench,
                planned=states_of(read.health, traffic.result(), Described(car, databases, read.source.names)),
            ),
            date=date,
        )
