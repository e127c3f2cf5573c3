"""A bench test on a terminal, one instruction at a time: on live buses, or with the simulated module."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.live_source import recording_header
from buswright.cli.reading.source import open_source
from buswright.cli.terminal.at_terminal import at_terminal, logged, run_app
from buswright.cli.terminal.streams import put
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.bench.machine import Bench, BenchNow
    from buswright.bench.plan.model import Plan
    from buswright.bench.result import BenchResult
    from buswright.channels.carfile.model import CarFile
    from buswright.worker.guiding import Heard


def guided(
    bench: Bench,
    source: Heard,
    *,
    state: Path | None,
    finish: Callable[[BenchResult], str],
    asked: Callable[[Bench, BenchNow], None] = lambda bench, now: None,  # noqa: ARG005  (a real module isn't told)
) -> None:
    """Guide a person through a bench test, until it is over or the person ends it.

    Parameters
    ----------
    bench, source
        The test, and what it listens to; closed in the end.
    state
        Where what was done is saved after each step, to go on from there; removed once the sheet is written.
    finish
        Writes the sheet once all steps are done or skipped, and says where.
    asked
        Called after each look: a simulated module does what is asked for.
    """
    from buswright.tui.guided.app import GuidedBench
    from buswright.worker.guiding import Guide

    guide = Guide(source, bench, state=state, finish=finish, asked=asked)
    with logged():
        run_app(GuidedBench(guide), guide)


def guided_live(
    options: argparse.Namespace, plan: Plan, car: CarFile, write: Callable[[Bench], str], record: Path | None
) -> Bench:
    """Guide through a test on live buses; return it as far as it was done.

    Parameters
    ----------
    options
        Of a command with a live SOURCE and `by`.
    write
        Writes the sheet of a test that is over, and says where.
    record
        Record what is heard to this file, its markers as `buswright bench` reads them; None: nowhere. A recording that
        is there from before an interruption stays: this one gets a number.

    Raises
    ------
    UserError
        There is no terminal, a bus can't be opened, or what was saved belongs to another plan.
    """
    from buswright.bench.machine import Bench
    from buswright.bench.state import load_state
    from buswright.channels.carfile.needs import interface_names
    from buswright.frames.live.capture import LiveCapture
    from buswright.worker.notices import LOG
    from buswright.worker.source.listening import Listening

    if not at_terminal():
        hint = f"`buswright record` the session with markers, then buswright bench {plan.path} session.log"
        raise UserError("a bench test on live buses needs a terminal", hint=hint)
    state = state_of(plan)
    saved = load_state(state, plan, car.hash) if state.exists() else None
    if record is not None and (saved is not None or not options.force):
        record = free_name(record)
    options.spooled = False
    capture = open_source(options)
    assert isinstance(capture, LiveCapture), "its SOURCE is live"
    names = {**interface_names(car), **shared.bus_names(options)}
    heard = Listening(
        capture,
        recording_header(options, capture, shared.path_and_hash(car.path)),
        bus_name=lambda interface: names.get(interface, interface),
        trouble=lambda what, fault: LOG.warning("%s: %s", what, fault),
    )
    try:
        if record is not None:
            heard.start_recording(record, force=options.force)
        source = ", ".join(address.text for address in capture.addresses)
        bench = Bench(
            plan,
            car,
            by=options.by,
            source=source,
            saved=saved,
            recording=str(record or ""),
            bus_names=shared.bus_names(options),
        )
    except BaseException:
        heard.close("the test could not begin")
        raise
    guided(bench, heard, state=state, finish=lambda _: write(bench))
    left = sum(each.state == "open" for each in bench.result().steps)
    if left and state.exists() and not options.json:
        put(f"{left} of {len(plan.steps)} steps are left; what was done is in {state}. The same command goes on.\n")
    return bench


def state_of(plan: Plan) -> Path:
    """Return where an interrupted test is saved: beside its plan."""
    return plan.path.with_suffix(".progress.json")


def free_name(path: Path, *endings: str) -> Path:
    """Return a name that no file has, with its own ending or one of these: this one, or with a number behind it."""
    number, found = 1, path
    while any(each.exists() for each in (found, *map(found.with_suffix, endings))):
        number += 1
        found = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return found
