"""Drive the invented car, decode and calibrate every channel, and say how its buses behaved: all from nothing.

Nothing is needed and nothing is written, unless --save FOLDER keeps the capture, the databases and the car file
for trying the other commands on. With --live it drives in real time, on multicast ports and pseudo-terminals that
python-can listens to as to any bus; nothing of it leaves this computer.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.channels.carfile.model import CarFile
    from buswright.frames.capture import Capture
    from buswright.frames.table import Frames
    from buswright.health.track import HealthTracker
    from buswright.report.health.report import HealthReport
    from buswright.simulate.faults.catalogue import Fault

PLOTTED = ("vehicle_speed", "damper_fl", "oil_pressure")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--seconds", type=float, metavar="S", help="length of the drive (default 60; with --live: until Ctrl-C)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another number is another run (default 1)")
    parser.add_argument("--save", metavar="FOLDER", help="keep capture, databases and car file in this folder")
    parser.add_argument("--force", action="store_true", help="overwrite what is there")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="KIND[:SUBJECT][@ONSET]",
        help="put a fault in, ONSET seconds after key-on (default 10): module-missing:module:wheel_node@20; "
        "may be repeated",
    )
    parser.add_argument("--live", action="store_true", help="drive in real time for other programs to listen to")
    parser.add_argument("--speed", type=float, metavar="X", help="with --live: X times as fast (default 1)")
    parser.add_argument(
        "--port", type=int, metavar="N", help="with --live: multicast port of the first bus (default 43113)"
    )
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Simulate; decode and show, or play."""
    from buswright.simulate.live.car import parse_fault

    if options.seconds is not None and not 1.0 <= options.seconds <= 36_000.0:
        raise UserError(f"--seconds {options.seconds:g}: out of range", hint="give 1 to 36000")
    faults = [parse_fault(text) for text in options.fault]
    return _drive_live(options, faults) if options.live else _show(options, faults)


def _drive_live(options: argparse.Namespace, faults: Sequence[Fault]) -> int:
    from buswright.cli.demo_live import drive
    from buswright.simulate.live.loopback import FIRST_PORT

    speed = 1.0 if options.speed is None else options.speed
    if not 0.1 <= speed <= 100.0:
        raise UserError(f"--speed {speed:g}: out of range", hint="give 0.1 to 100")
    if options.json or options.save:
        raise UserError("--live writes nothing", hint="leave out --json and --save; `buswright record` can listen")
    port = FIRST_PORT if options.port is None else options.port
    return drive(seconds=options.seconds, seed=options.seed, speed=speed, port=port, faults=faults)


def _show(options: argparse.Namespace, faults: Sequence[Fault]) -> int:
    from buswright.channels.session import Session
    from buswright.health.track import HealthTracker
    from buswright.report.channels import overview_of, render_json, render_text
    from buswright.report.health import text as health_text
    from buswright.simulate.source import DEMO_S, SimulatedCapture, demo_car

    if options.speed is not None or options.port is not None:
        raise UserError("--speed and --port need --live", hint="add --live, or leave them out")
    capture = SimulatedCapture(options.seconds or DEMO_S, options.seed, faults=faults)
    saved = _save(Path(options.save), capture, force=options.force) if options.save else None
    car = demo_car()
    tracker = HealthTracker(car=car)
    overview = overview_of(Session(_measured(capture, tracker), car))
    if options.json:
        print(json.dumps(render_json(overview), ensure_ascii=False, indent=2))
        return 0
    width = shutil.get_terminal_size((100, 24)).columns
    print(render_text(overview, plots=PLOTTED, width=min(width, 120), braille=_can_show("⣿")))
    print("\nHow its buses behaved:\n")
    print(health_text.render_text(_health(tracker, capture, car), width=min(width, 120)))
    print("\n" + _next(saved))
    return 0


def _measured(capture: Capture, tracker: HealthTracker) -> Iterator[Frames]:
    """Yield the frames on their way to the session, which reads them once."""
    for frames in capture:
        tracker.update(frames)
        yield frames


def _health(tracker: HealthTracker, capture: Capture, car: CarFile) -> HealthReport:
    """Judge what was measured while the session read the capture."""
    from buswright.diagnosis.detect import diagnose
    from buswright.report.health.report import HealthReport

    health = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
    found = tuple(diagnose(health, car=car))
    return HealthReport(health, found, ("demo",), capture.format, capture.clock, capture.problems, car.car.name, True)


def _can_show(sign: str) -> bool:
    try:
        sign.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _save(folder: Path, capture: object, *, force: bool) -> Path:
    from buswright.frames.formats.candump.writer import write_candump
    from buswright.simulate.source import SimulatedCapture, write_car

    assert isinstance(capture, SimulatedCapture)
    shared.claim_output(folder / "run.log", force=force)
    write_car(folder)
    with (folder / "run.log").open("wb") as stream:
        write_candump(capture, stream)
    return folder


def _next(saved: Path | None) -> str:
    if saved is None:
        return (
            "All of this was simulated. Try next:\n"
            "  buswright health demo --html health.html          how the buses behaved, as a page with plots\n"
            "  buswright demo --save wrenfell                    keep the capture, databases and car file\n"
            "  buswright guide                                   the manual"
        )
    return (
        f"Saved in {saved}. Try next:\n"
        f"  buswright contents {saved}/run.log --dbc {saved}/wrenfell_engine.dbc\n"
        f"  buswright decode {saved}/run.log --car {saved}/wrenfell.toml --out {saved}/channels/\n"
        f"  buswright health {saved}/run.log --car {saved}/wrenfell.toml\n"
        f"  buswright check --car {saved}/wrenfell.toml         silent: the car file is in order"
    )
