"""List what changed from one run to another, worst first.

A and B are each a baseline from `buswright remember`, or a capture (a file, a folder, or the word demo). A is the
earlier, good run. It compares identifiers (new or gone, period, length, counter, checksum, missing frames) and bus
load. With a car file or a database it also compares each channel's zero and noise while the car stood still.
Every difference names its threshold and where to look.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.commands.runs.remember import measure
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.health.baseline.baseline import Baseline
    from buswright.report.health.compare import Comparison


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("earlier", metavar="A", help="good run: a baseline file or a capture")
    parser.add_argument("later", metavar="B", help="run to check: a baseline file or a capture")
    shared.add(parser, "reading", "car", "databases", "bitrate", "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Measure what is no baseline yet, compare, show."""
    from buswright.report.health import compare as report

    comparison = comparison_of(options)
    shared.show(options, report, comparison, width=shared.text_width())
    return shared.exit_status((difference.severity for difference in comparison.differences), options)


def comparison_of(options: argparse.Namespace) -> Comparison:
    """Compare the runs of the options, each measured if it is no baseline yet."""
    from buswright.health.baseline.compare import compare
    from buswright.report.health.compare import Comparison

    a, car_of_a = _baseline(options, options.earlier)
    b, car_of_b = _baseline(options, options.later)
    car = car_of_b or car_of_a
    if car is None and options.car:
        car = shared.load_car(options)
    return Comparison(a, b, (options.earlier, options.later), compare(a, b, car=car))


def _baseline(options: argparse.Namespace, word: str) -> tuple[Baseline, CarFile | None]:
    """Load a baseline, or measure a capture; with the car file that the capture was decoded with."""
    from buswright.health.baseline.file import is_baseline, load

    path = Path(word)
    if word != "demo" and path.is_file() and is_baseline(path):
        return load(path), None
    if word != "demo" and not path.exists():
        raise UserError(
            f"{word}: no such file or folder", hint="A and B must each be a baseline file, a capture or a folder"
        )
    side = argparse.Namespace(**{**vars(options), "source": [word]})
    car = shared.load_car(side)
    return measure(side, car), car
