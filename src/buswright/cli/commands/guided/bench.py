"""Test a module on the bench, or the car at key-on, by a plan; write the sheet that says so.

--draft MODULE writes a complete plan for a module of the car file into PLAN, or prints it: what must come, and for
each input what to move, to hold and to break. --draft car writes the key-on check of the whole car. Shorten the plan;
it is a text file.

On a live SOURCE a screen guides you: one instruction at a time. It notices when a step happened and has settled, and
saves what was done; the same command goes on after an interruption. --record NAME keeps what was heard; where NAME is
there already, NAME-2 is next. The sheet is a page, and JSON beside it.

Any other SOURCE is a capture with markers. A marker that is the name of a step begins it; "end", or the next step,
ends it. The name of a meter step is followed by its reading: pair resistance 59.8. "now" marks the moment of a jump,
or in which the power is back. "skip NAME: reason" leaves a step out. `buswright record` sets markers while it records.

--store writes what broken inputs read into the car file, where diagnosis finds it; a dated copy of the old file stays.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.live_source import live_sources
from buswright.cli.reading.source import Source
from buswright.cli.terminal.streams import put
from buswright.errors import UserError
from buswright.writing import write_whole

if TYPE_CHECKING:
    from buswright.bench.machine import Bench
    from buswright.bench.plan.model import Plan
    from buswright.channels.carfile.model import CarFile
    from buswright.report.bench.sheet import Sheet

WHOLE_CAR = "car"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "plan", nargs="?", metavar="PLAN", help="the plan, a TOML file; with --draft: where to write it"
    )
    shared.add_source(parser, live="once", required=False)
    parser.add_argument(
        "--draft", metavar="MODULE", help="write the plan of this module; the word car: the key-on check of the car"
    )
    shared.add(parser, "car")
    parser.add_argument("--by", default="", metavar="NAME", help="who tests, for the sheet")
    parser.add_argument("--html", metavar="FILE", help="write the sheet as a page to print; it opens without a network")
    parser.add_argument("--record", metavar="NAME", help="with a live SOURCE: record what is heard, with its markers")
    parser.add_argument("--store", action="store_true", help="write what broken inputs read into the car file")
    parser.add_argument("--all", action="store_true", help="list every check, not only what is to be put right")
    shared.add(parser, "force", "json")


def run(options: argparse.Namespace) -> int:
    """Draft a plan, or test by one."""
    if options.draft is not None:
        return _draft(options)
    if options.plan is None:
        raise UserError("the following arguments are required: PLAN", hint="--draft MODULE writes a plan")
    if not options.source:
        raise UserError(
            "the following arguments are required: SOURCE", hint=f"buswright bench {options.plan} session.log"
        )
    return _test(options)


# A draft --------------------------------------------------------------------------------------------------------------


def _draft(options: argparse.Namespace) -> int:
    from buswright.bench.draft.car import draft_car
    from buswright.bench.draft.module import draft_module
    from buswright.channels.carfile.load import load_car_file
    from buswright.layout.draft.text import relative

    if options.source:
        raise UserError("--draft takes no SOURCE", hint="draft the plan first, then test by it")
    path = Path(options.car or shared.DEFAULT_CAR)
    out = Path(options.plan) if options.plan else None
    if out is not None:
        shared.claim_output(options, out, "PLAN")
    car = load_car_file(path, untrusted=options.untrusted)
    name = relative(path, out.parent if out is not None else Path())
    drafted = draft_car(car, name) if options.draft == WHOLE_CAR else draft_module(car, options.draft, name)
    text = drafted.text()
    if out is not None:
        write_whole(out, text)
    if options.json:
        from buswright.cli.terminal.streams import put_json

        put_json({"schema": "buswright.bench-draft/1", "plan": str(out) if out else "", "text": text})
    elif out is None:
        put(text.rstrip("\n"))
    else:
        steps = len(drafted.steps)
        put(f"{out}: {steps} step{'s' if steps != 1 else ''}. Shorten it, then: buswright bench {out} SOURCE")
    return 0


# A test ---------------------------------------------------------------------------------------------------------------


def _test(options: argparse.Namespace) -> int:
    from buswright.bench.plan.load import load_plan
    from buswright.report.bench import sheet as report

    page = Path(options.html) if options.html else None
    if page is not None:
        shared.claim_output(options, page, "--html")
    plan = load_plan(options.plan)
    car = _car_of(options, plan)
    if live_sources(options):
        sheet = _guided(options, plan, car, page)
    elif options.record is not None:
        raise UserError("--record needs a live SOURCE", hint="a capture is recorded already")
    else:
        sheet = _unattended(options, plan, car)
        if page is not None:
            write_sheet(page, sheet)
    shared.show(options, report, sheet, width=shared.text_width(), every_one=options.all)
    if page is not None and not options.json:
        put(f"\nSheet to print: {page}")
    if options.store:
        _store(options, plan, sheet)
    return int(report.verdict(sheet.result)[0] != "PASSED")


def _guided(options: argparse.Namespace, plan: Plan, car: CarFile, page: Path | None) -> Sheet:
    """Guide through the test on live buses; its sheet is written when all steps are done."""
    from dataclasses import replace

    from buswright.cli.screens.guided import free_name, guided_live
    from buswright.report.bench.sheet import Sheet
    from buswright.report.bench.written import rendered

    record = Path(options.record) if options.record else None
    place = page if page is not None else free_name(plan.path.with_suffix(".html"), ".json")
    if page is not None:
        shared.claim_output(options, page.with_suffix(".json"), "--html")

    def sheet_of(bench: Bench) -> Sheet:
        heard = shared.hashes(map(Path, bench.recordings))
        return Sheet(replace(bench.result(), source_hash=heard), plan, bench.car)

    def write(bench: Bench) -> str:
        sheet = sheet_of(bench)
        write_sheet(place, sheet)
        write_whole(place.with_suffix(".json"), rendered(sheet, place.with_suffix(".json")))
        return f"{place} and .json"

    bench = guided_live(options, plan, car, write, record)
    if not bench.open_steps:
        write(bench)  # again, because only now its recording is whole
    if bench.recordings and not options.json:
        put(f"Recorded in {', '.join(bench.recordings)}\n")
    return sheet_of(bench)


def write_sheet(path: Path, sheet: Sheet) -> None:
    """Write the page, as a whole."""
    from buswright.report.bench.page import render_html

    write_whole(path, render_html(sheet))


def _car_of(options: argparse.Namespace, plan: Plan) -> CarFile:
    """Load the car file of --car, else the one that the plan names."""
    from buswright.channels.carfile.load import load_car_file

    path = _car_path(options, plan)
    if not options.car and not path.exists():
        hint = f"{plan.path} names it under [plan]: mend that, or name another one with --car FILE"
        raise UserError(f"{path}: there is no such car file", hint=hint)
    return load_car_file(path, untrusted=options.untrusted)


def _car_path(options: argparse.Namespace, plan: Plan) -> Path:
    return Path(options.car) if options.car else plan.path.parent / plan.about.car


def _unattended(options: argparse.Namespace, plan: Plan, car: CarFile) -> Sheet:
    from buswright.bench.machine import Bench
    from buswright.bench.unattended import run_unattended
    from buswright.report.bench.sheet import Sheet

    source = Source.of(options, car)
    batches = list(source)
    capture = source.capture
    first = capture.first_time_ns()
    if first is None:
        raise UserError(f"{', '.join(map(str, capture.paths))}: no frames to test", hint="buswright contents SOURCE")
    named = ", ".join(map(str, capture.paths))
    digest = shared.hashes(capture.paths)
    bench = Bench(plan, car, by=options.by, source=named, source_hash=digest, bus_names=source.names)
    run_unattended(bench, batches, capture.events, first)
    if not any(each.start_ns is not None for each in bench.result().steps):
        raise UserError(
            f"{named}: no marker names a step of {plan.path}",
            hint="record again with markers, or put them into the .events.jsonl beside it: buswright guide bench",
        )
    return Sheet(bench.result(), plan, bench.car, capture.clock.origin)


def _store(options: argparse.Namespace, plan: Plan, sheet: Sheet) -> None:
    """Write fingerprints into the car file; what was measured there before and not now stays."""
    import datetime
    from dataclasses import replace

    from buswright.channels.carfile.editing import edit_car_file, put_fingerprints

    found = sheet.result.fingerprints
    if not found:
        raise UserError(
            "--store: no step measured a broken input", hint="plan steps of kind open, to_ground, to_supply"
        )
    changes = [
        put_fingerprints(
            name,
            replace(sheet.car.channels[name].fingerprints, **{kind: round(value, 3) for kind, value in each.items()}),
        )
        for name, each in found.items()
    ]
    path = _car_path(options, plan)
    edit = edit_car_file(path, changes, untrusted=options.untrusted)
    backup = edit.save(datetime.datetime.now(tz=datetime.UTC).astimezone())
    if not options.json:
        kept = f"; the old file is {backup.name}" if backup is not None else ": nothing changed"
        put(f"Fingerprints of {', '.join(found)} stored in {path}{kept}")
