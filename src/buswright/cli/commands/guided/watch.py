"""Open the terminal workbench on live buses or a capture: what is on the bus, what is missing, what is wrong.

A capture is read once, then shown: play it, go to any time, step by frames. One that another program still writes is
followed: new frames come in as they are written. Live buses are shown as they arrive; --out, or the recording screen,
records them. Car file and database are optional. Without SOURCE it lists what it finds. The bottom line shows the
keys; ? explains the screen; q quits.
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, cast

from buswright.cli import options as shared
from buswright.cli.live_source import LIVE_HELP, live_sources, recording_header
from buswright.cli.reading.source import Source, open_source, shown
from buswright.cli.screens.kept import document_of, sheet_of
from buswright.cli.screens.serving import add_serving, check_serving, serve
from buswright.cli.terminal.at_terminal import at_terminal, logged, opening, run_app, said_aside
from buswright.errors import UserError
from buswright.tui.screen_list import SCREENS

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.captures.capture import Capture
    from buswright.messages.match import Databases
    from buswright.worker.engine import Engine

DEFAULT_SIZE = "120x40"
SLOWEST, FASTEST = 0.01, 1000.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    names = tuple(SCREENS)
    parser.add_argument(
        "source",
        nargs="*",
        metavar="SOURCE",
        help="capture files or folders of them, merged by time, plain or compressed; or the word demo: "
        f"the simulated car; {LIVE_HELP}; default: choose from a list",
    )
    shared.add(parser, "reading", "car", "databases", "baseline", "bitrate", "live")
    parser.add_argument(
        "--module", metavar="NAME", help="look at one module alone, as on a bench: nobody else is missing"
    )
    parser.add_argument("--speed", type=float, metavar="X", help="play the capture X times as fast as real time")
    parser.add_argument(
        "--from", dest="begin", metavar="TIME", help="start time: seconds from the first frame, or ISO 8601"
    )
    parser.add_argument(
        "--screen",
        choices=names,
        metavar="NAME",
        help=f"first screen: {', '.join(names[:-1])} or {names[-1]}; default {names[0]}, with --module its own",
    )
    parser.add_argument(
        "--out", metavar="FILE", help="record live buses from the start: .log, .asc, .log.gz or .asc.gz"
    )
    parser.add_argument(
        "--snapshot", metavar="FILE.svg", help="write a picture of the screen and quit; needs no terminal"
    )
    parser.add_argument("--size", metavar="WxH", help=f"columns and lines of the picture (default {DEFAULT_SIZE})")
    shared.add(parser, "force")
    add_serving(parser)


def run(options: argparse.Namespace) -> int:
    """Show it until the user ends it."""
    size = _size(options)
    options.screen = options.screen or ("overview" if options.module is None else "module")
    _check(options)
    if not options.source and not _chosen(options):
        return 0
    from buswright.worker.heap import keep_heap_tidy

    keep_heap_tidy()
    with logged():
        if options.snapshot:
            return _picture(_engine(options), options, size)
        if options.serve is not None:
            _serve(_recording(_engine(options), options), options)
            return 0
        _show(options)
    return 0


def _show(options: argparse.Namespace) -> None:
    """Show it on the terminal until the user ends it: the lines around every screen first, then what is opened."""
    title, said = ", ".join(options.source), io.StringIO()
    with opening(title):
        from buswright.tui.app import Workbench
        from buswright.worker.opening import OpeningEngine

        def opened() -> Engine:
            with said_aside(said):
                engine = _recording(_engine(options), options)
            SCREENS[options.screen].load()
            return engine

        worker = OpeningEngine(opened)
        sheet, document = sheet_of(options), document_of(options)
        app = Workbench(cast("Engine", worker), screen=options.screen, opens=title, sheet=sheet, document=document)
        worker.failed = lambda: app.post_message(app.Leave())
    try:
        run_app(app, worker)
    finally:
        if said.getvalue():
            sys.stderr.write(said.getvalue())
    if worker.fault is not None:
        raise worker.fault


def _size(options: argparse.Namespace) -> tuple[int, int]:
    if options.size and not options.snapshot:
        raise UserError("--size needs --snapshot", hint="add --snapshot FILE.svg, or leave out --size")
    match = re.fullmatch(r"(\d+)x(\d+)", options.size or DEFAULT_SIZE)
    columns, lines = (int(match[1]), int(match[2])) if match else (0, 0)
    if not (20 <= columns <= 500 and 10 <= lines <= 300):
        raise UserError(f"--size {options.size}: must be 20x10 to 500x300", hint="columns x lines, for example 120x40")
    return columns, lines


def _check(options: argparse.Namespace) -> None:
    """Refuse what can't be, before anything is opened."""
    check_serving(options)
    live = live_sources(options)
    if options.speed is not None and not SLOWEST <= options.speed <= FASTEST:
        raise UserError(f"--speed {options.speed:g}: must be {SLOWEST:g} to {FASTEST:g}", hint="1 is real time")
    if live and (options.speed is not None or options.begin is not None):
        raise UserError("--speed and --from are for captures", hint="leave them out for live buses")
    if options.out and options.source and not live:
        raise UserError("--out is for live buses", hint="`buswright cut` writes a capture from captures")
    if options.out:
        from buswright.frames.captures.sidecar import sidecar_of
        from buswright.frames.recording.recorder import format_of

        format_of(Path(options.out))
        for file in (Path(options.out), sidecar_of(Path(options.out))):
            shared.claim_output(options, file)
    if options.snapshot:
        shared.claim_output(options, Path(options.snapshot), "--snapshot")
        if not options.source:
            raise UserError("--snapshot needs a SOURCE", hint="name a capture, or demo")
    elif options.serve is None and not at_terminal():
        hint = "--snapshot FILE.svg writes a picture without one, --serve shows it in a browser"
        raise UserError("watch needs a terminal", hint=hint)


def _chosen(options: argparse.Namespace) -> bool:
    """Let the user choose what to watch; return whether something was."""
    from buswright.tui.screens.start import Start

    source = Start(Path()).run()
    if source is None:
        return False
    options.source = [source]
    if options.out and not live_sources(options):
        raise UserError("--out is for live buses", hint="choose a live bus, or leave out --out")
    return True


def _engine(options: argparse.Namespace) -> Engine:
    """Open SOURCE, and make the worker for it."""
    from buswright.worker.composing.folds import Known
    from buswright.worker.engine import Engine

    car, databases = shared.load_car(options), shared.load_databases(options)
    rates, data_rates = shared.bit_rates(options.bitrate)
    options.spooled = False
    source = open_source(options)
    _say_what_does_not_fit(source, options, car, databases)
    known = Known(car, databases, shared.bus_names(options), rates, data_rates, shared.load_baseline(options))
    return Engine(
        source,
        known,
        speed=options.speed,
        begin_ns=_begin_ns(source, options),
        header=_header(source, options, car),
        module=options.module,
    )


def _say_what_does_not_fit(
    source: Capture, options: argparse.Namespace, car: CarFile | None, databases: Databases
) -> None:
    """Say what the beginning of a capture tells; the overview goes on with the rest of it, and with live buses."""
    from buswright.channels.carfile.needs import interface_names
    from buswright.channels.fitting import keys_in
    from buswright.frames.window import Window

    names = {**interface_names(car), **shared.bus_names(options)}
    frames = None if live_sources(options) else next(iter(source), None)
    seen = {} if frames is None else keys_in(frames, names)
    Source(source, Window(), names).check_fit(options, car, databases, seen, refuse=False)


def _begin_ns(source: Capture, options: argparse.Namespace) -> int | None:
    from buswright.frames.window import Moment, Window

    if options.begin is None:
        return None
    moment = Moment.parse(options.begin, timezone=options.timezone)
    first_ns = source.first_time_ns()
    for _ in Window(start=moment).cut(shown(source), lambda: source.clock):
        break  # a frame lies there: else it has been said where the frames are
    return None if first_ns is None else moment.on(first_ns, source.clock)


def _header(source: Capture, options: argparse.Namespace, car: CarFile | None) -> dict[str, object]:
    """Say how a recording is made; nothing where none can be."""
    from buswright.frames.live.capture import LiveCapture

    if not isinstance(source, LiveCapture):
        return {}
    return recording_header(options, source, None if car is None else shared.path_and_hash(car.path))


def _picture(engine: Engine, options: argparse.Namespace, size: tuple[int, int]) -> int:
    """Write a picture; return 2 if what is shown doesn't fit what the user named for it."""
    from buswright.tui.app import Workbench
    from buswright.tui.picture import save

    try:
        app = Workbench(engine, screen=options.screen, theme="dusk")
        save(app, lambda: app.snapshot, Path(options.snapshot), size)
    finally:
        engine.close()
    fits = app.snapshot is None or app.snapshot.misfit is None
    return 2 if shared.is_described(options) and not fits else 0


def _recording(engine: Engine, options: argparse.Namespace) -> Engine:
    """Have it record from the start, with --out."""
    if options.out:
        try:
            engine.record_from_the_start(Path(options.out), force=options.force)
        except BaseException:
            engine.close()
            raise
    return engine


def _serve(engine: Engine, options: argparse.Namespace) -> None:
    """Show it in browsers until a signal ends it, the recording finished."""
    try:
        serve(engine, options)
    finally:
        engine.close()
