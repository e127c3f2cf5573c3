"""Say whether something fits on a bus: load, worst-case response times, identifiers, size of recordings.

A capture shows what the bus carries now; a database or a car file adds what else may come. All of them are optional:
--add with --bitrate plans a bus from nothing. --add takes a phrase, or a database with the module's messages:

  --add "4 channels of 16 bit at 200 Hz"      packed into as few frames as they fit
  --add "2 frames of 8 bytes every 10 ms from 6A0, 29-bit, CAN FD, jitter 1 ms"
  --add module.dbc                            all its messages that have a period
  --add module.dbc:NODE                       those that NODE sends
  --add chassis="..."                         on one of several buses; else it is tried on each

Response times are bounds: no frame takes longer, as long as periods and jitter hold and the bus has no errors. The
simulation beside them shows what usually happens. --html FILE writes a page with a timetable of the bus.
"""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.reading.source import say_problems
from buswright.errors import UserError
from buswright.writing import claim

if TYPE_CHECKING:
    from buswright.capacity.carried.plan import Plan
    from buswright.capacity.carried.traffic import Traffic
    from buswright.capacity.proposed.addition import Addition
    from buswright.channels.carfile.model import CarFile
    from buswright.health.described import Described
    from buswright.messages.match import Databases

ONE_BUS = "can"
"""Name of the bus where nobody gives it one."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    shared.add_source(parser, live="once", required=False)
    shared.add(parser, "window", "car", "databases", "bitrate")
    shared.add_several(
        parser, "--add", "[BUS=]WHAT", 'what is to come: "4 channels of 16 bit at 200 Hz", or module.dbc[:NODE]'
    )
    parser.add_argument(
        "--jitter",
        type=_milliseconds,
        default=0,
        metavar="MS",
        help="how much late a frame may be handed over where it isn't measured, milliseconds; default: 0",
    )
    parser.add_argument("--seen-only", action="store_true", help="leave out what is declared and did not come")
    parser.add_argument("--seed", type=_seed, default=1, metavar="N", help="random seed of the simulation; default: 1")
    parser.add_argument("--all", action="store_true", help="list every identifier, free range and piece of advice")
    shared.add_html(parser, "a timetable")
    shared.add(parser, "force", "fail-on", "json")


def run(options: argparse.Namespace) -> int:
    """Measure, plan, show."""
    from buswright.capacity.assess import assess
    from buswright.capacity.proposed.addition import addition_of
    from buswright.report import capacity as report
    from buswright.report.capacity.words import Capacity

    additions = [addition_of(item, jitter_ns=options.jitter) for item in options.add]
    if options.html:
        read = (*shared.inputs_of(options), *(each.path for each in additions if each.path is not None))
        claim(Path(options.html), force=options.force, option="--html", inputs=read)
    car, databases = shared.load_car(options), shared.load_databases(options)
    plans, described, traffic, files = _plans(options, car, databases, additions)
    names = [plan.bus for plan in plans]
    for addition in additions:
        if addition.bus is not None and addition.bus not in names:
            raise UserError(
                f"--add {addition.bus}=…: there is no bus {addition.bus}", hint=f"buses: {', '.join(names)}"
            )
    found = Capacity(
        buses=tuple(
            assess(
                plan,
                described,
                additions=[each for each in additions if each.bus in (None, plan.bus)],
                traffic=traffic,
                seed=options.seed,
            )
            for plan in plans
        ),
        files=files,
        car=car.car.name if car else "",
    )

    def html() -> str:
        from buswright.report.capacity.page import render_html

        return render_html(found)

    shared.show_with_page(options, report, found, html, every=options.all)
    return shared.exit_status((remark.severity for bus in found.buses for remark in bus.remarks), options)


def _plans(
    options: argparse.Namespace, car: CarFile | None, databases: Databases, additions: list[Addition]
) -> tuple[list[Plan], Described, Traffic | None, tuple[str, ...]]:
    """Lay out every bus; also return what describes them, what was measured, and the names of the files read."""
    from buswright.capacity.carried.plan import plan_of
    from buswright.capacity.carried.traffic import TrafficFold
    from buswright.channels.carfile.model import buses_in_order
    from buswright.channels.carfile.needs import interface_names
    from buswright.cli.reading.examining import examine
    from buswright.health.described import Described

    names = {**interface_names(car), **shared.bus_names(options)}
    described = Described(car, databases, names)
    traffic, health = None, None
    files: tuple[str, ...] = ()
    if options.source:
        non_iso = {name for name, bus in car.buses.items() if bus.fd == "non-iso"} if car else set()
        examined, (fold,) = examine(
            options, car, databases, decode=False, folds=[partial(TrafficFold, non_iso=non_iso)]
        )
        say_problems(examined.source.capture)
        health, traffic = examined.health, fold.result()
        files = tuple(path.name for path in examined.source.capture.paths)
        names, described = examined.source.names, Described(car, databases, examined.source.names)
    buses = buses_in_order(health.buses if health else _declared_buses(car, databases, additions), car)
    nominal, data = shared.bit_rates(options.bitrate)
    plans = [
        plan_of(
            bus,
            described,
            health.buses[bus].bitrate if health else described.bitrate(bus, nominal, data),
            health=health,
            traffic=traffic,
            jitter_ns=options.jitter,
            seen_only=options.seen_only,
        )
        for bus in buses
    ]
    return plans, described, traffic, files


def _declared_buses(car: CarFile | None, databases: Databases, additions: list[Addition]) -> list[str]:
    """Return the buses to plan where nothing was recorded."""
    from buswright.messages.match import EVERY_BUS
    from buswright.messages.model import Database

    if car is not None:
        return list(car.buses)
    bound = [] if isinstance(databases, Database) else [name for name in databases if name != EVERY_BUS]
    named = [*bound, *(each.bus for each in additions if each.bus)]
    if not databases and not additions:
        raise UserError(
            "nothing to plan with: no capture, car file, database or addition",
            hint='for example buswright capacity run.log --add "4 channels of 16 bit at 200 Hz"',
        )
    return named or [ONE_BUS]


def _milliseconds(text: str) -> int:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 10_000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a time in milliseconds, 0 to 10000")
    return round(value * 1e6)


def _seed(text: str) -> int:
    if not text.isdigit() or len(text) > 18:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 0 up")
    return int(text)
