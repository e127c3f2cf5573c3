"""Take a sensor, a channel, or a module with its messages, over from another car file or pack.

WHAT is sensor:NAME, channel:NAME or module:NAME. A sensor brings its calibration records along. A channel brings its
sensor. A module brings its messages, as a database file of its own beside your car file, and what the other car file
says of their frames; with --channels also the channels that are made of them. Zeroes are left out: they were found
on the other car. Comments and order of your car file stay; what it was is kept in a dated file beside it.

What you have already stays where it means the same. Where it means something else, nothing is written, and every
conflict is shown; --force takes the other car's.

SAFETY: a calibration from another car is a claim. Check it on yours before you rely on it.
"""

from __future__ import annotations

import argparse
import datetime
from pathlib import Path

from buswright.cli import options as shared


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument("source", metavar="FROM", help="the other car file, or a pack")
    parser.add_argument(
        "what", nargs="+", metavar="WHAT", help="sensor:NAME, channel:NAME or module:NAME; several at once"
    )
    shared.add(parser, "car")
    parser.add_argument(
        "--on", metavar="BUS", help="bus of your car file that they go on; default: the one of that name"
    )
    parser.add_argument("--channels", action="store_true", help="with modules: take their channels and sensors, too")
    parser.add_argument("--force", action="store_true", help="where the two mean different things, take the other's")
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Load both, plan, write if nothing is in the way, show."""
    from buswright.channels.carfile.load import load_car_file
    from buswright.layout.handover.take import plan_taking, take
    from buswright.layout.handover.unpack import car_file_of
    from buswright.report.car import take as report

    path = shared.car_path(options)
    target = load_car_file(path, untrusted=options.untrusted)
    with car_file_of(Path(options.source)) as (other, pack):
        source = load_car_file(other, untrusted=options.untrusted or pack is not None)
        plan = plan_taking(source, options.what, target, bus=options.on, channels_too=options.channels)
    written, backup = not plan.conflicts or options.force, None
    if written:
        now = datetime.datetime.now(tz=datetime.UTC).astimezone()
        backup = take(plan, path, untrusted=options.untrusted, now=now)
    shared.show_sentences(options, report, report.Taken(options.source, path, plan, written, backup))
    return 0 if written else 1
