"""Save the baseline of a good run, to compare later runs with.

The baseline is one readable JSON file. It holds the load of each bus, and period, jitter, length, counter, checksum
and shared clock of each identifier. With a car file or a database it also holds rate, range, zero and noise of each
channel; zero and noise are from while the car stood still, which is found in the data.

Later, `buswright compare good.json SOURCE` lists what changed.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.examining import examine, good_run
from buswright.cli.terminal.streams import put, put_json

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.health.baseline.baseline import Baseline


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser)
    shared.add(parser, "window", "car", "databases", "bitrate")
    shared.add_output(parser, "baseline to write, a JSON file")
    shared.add(parser, "jobs", "json")


def run(options: argparse.Namespace) -> int:
    """Measure, save, say what was remembered."""
    from buswright.health.baseline.file import document_of, save
    from buswright.report.health.compare import render_baseline

    path = Path(options.out)
    shared.claim_output(options, path)
    car = shared.load_car(options)
    baseline = measure(options, car)
    save(baseline, path)
    if options.json:
        put_json(document_of(baseline))
    else:
        put(render_baseline(baseline, path, car))
    return 0


def measure(options: argparse.Namespace, car: CarFile | None) -> Baseline:
    """Read the SOURCE of a command once, and make a baseline of it."""
    from buswright.diagnosis.detect import diagnose
    from buswright.health.phases import PhaseTracker

    read, (phases,) = examine(options, car, shared.load_databases(options), decode=True, folds=(PhaseTracker,))
    return good_run(read, phases.result(), diagnose(read.health, car=car))
