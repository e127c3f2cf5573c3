"""Drive the invented car, decode and calibrate every channel, and say what is wrong. No files are needed.

It writes nothing, unless --save FOLDER keeps the capture, the databases and the car file, to try the other
commands on. --live drives in real time, on multicast ports and pseudo-terminals, which python-can can listen to like
any bus. Only this computer can receive it.

--bench tests a simulated module by a plan: on a terminal a screen guides you, and the module does what it asks.
Elsewhere, and with --all, the test runs by itself. Both print what the sheet says, and --html FILE writes it as a page
to print. --fault NAME tests a bad one.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.terminal.streams import put, put_json
from buswright.errors import UserError
from buswright.wording import times
from buswright.writing import claim, whole_folder

if TYPE_CHECKING:
    from buswright.frames.captures.capture import Capture
    from buswright.frames.table import Frames
    from buswright.health.track import HealthTracker
    from buswright.simulate.faults.catalogue import Fault, GroundTruth
    from buswright.simulate.source import SimulatedCapture

RUN, TRUTH = "run.log", "faults.txt"
PLOTTED = ("vehicle_speed", "damper_fl", "oil_pressure")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "--seconds", type=float, metavar="S", help="length of the drive (default 60; with --live: until Ctrl-C)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="random seed (default 1)")
    parser.add_argument(
        "--save", metavar="FOLDER", help="save the capture, the databases and the car file in this folder"
    )
    shared.add(parser, "force")
    shared.add_several(
        parser,
        "--fault",
        "NAME[:SUBJECT][@SEVERITY][@ONSETs]",
        "add a fault, e.g. offset:channel:damper_fl@0.05, or module-missing:module:wheel_node@20s for one that "
        "begins 20 s after key-on (default 10 s); `buswright guide practice` lists them",
    )
    parser.add_argument("--all", action="store_true", help="list every channel and note, not only the worst")
    parser.add_argument(
        "--bench",
        action="store_true",
        help="test a simulated module on the bench; --fault then names one of its faults",
    )
    parser.add_argument("--html", metavar="FILE", help="with --bench: write the sheet as a page to print")
    parser.add_argument("--live", action="store_true", help="drive in real time, so that other programs can listen")
    parser.add_argument(
        "--speed", type=float, metavar="X", help="with --live: drive X times as fast as real time (default 1)"
    )
    parser.add_argument(
        "--port", type=int, metavar="N", help="with --live: multicast port of the first bus (default 43113)"
    )
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Simulate; decode and show, or play."""
    from buswright.simulate.faults.written import read_fault

    if options.bench:
        return _test_on_bench(options)
    if options.html:
        raise UserError("--html needs --bench", hint="buswright diagnose demo --html diagnosis.html")
    if options.seconds is not None and not 1.0 <= options.seconds <= 36_000.0:
        raise UserError(f"--seconds {options.seconds:g}: out of range", hint="give 1 to 36000")
    faults = [read_fault(text) for text in options.fault]
    return _drive_live(options, faults) if options.live else _show(options, faults)


def _test_on_bench(options: argparse.Namespace) -> int:
    """Test the simulated module, on a screen or by itself: whoever tests does what the program asks."""
    from buswright.cli.commands.guided.bench import write_sheet
    from buswright.cli.screens.guided import guided
    from buswright.cli.terminal.at_terminal import at_terminal
    from buswright.report.bench import sheet as report
    from buswright.simulate.bench.example import demo_bench
    from buswright.simulate.bench.session import run_by_itself
    from buswright.worker.guiding import Played

    others = ("seconds", "save", "live", "speed", "port")
    if len(options.fault) > 1 or any(getattr(options, name) for name in others):
        hint = "buswright demo --bench --fault swapped-inputs"
        raise UserError("--bench takes --fault once, --all, --html and --json; no other option", hint=hint)
    page = Path(options.html) if options.html else None
    if page is not None:
        claim(page, force=options.force, option="--html")
    bench, acting = demo_bench(options.fault[0] if options.fault else "")
    if at_terminal() and not options.json and not options.all:
        guided(
            bench,
            Played(acting.take, lambda: acting.now_ns),
            state=None,
            finish=lambda _: str(page or "nowhere: this is a demo. What it says is printed when you leave."),
            asked=lambda one, now: acting.follow(one, now.phase, now.step, by_itself=False),
        )
    else:
        run_by_itself(bench, acting)
    sheet = report.Sheet(bench.result(), bench.plan, bench.car)
    if page is not None:
        write_sheet(page, sheet)
    shared.show(options, report, sheet, width=shared.text_width(), every_one=options.all)
    if not options.json:
        put(
            (f"\nSheet to print: {page}\n" if page is not None else "") + "\nAll of this was simulated. Try next:\n"
            "  buswright demo --bench --html sheet.html         the sheet, as a page to print\n"
            "  buswright demo --bench --fault swapped-inputs    a bad module; buswright guide bench lists all\n"
            "  buswright demo --save wrenfell                   save the car file, to draft a plan from:\n"
            "  buswright bench --draft damper_node --car wrenfell/wrenfell.toml"
        )
    return 0


def _drive_live(options: argparse.Namespace, faults: Sequence[Fault]) -> int:
    from buswright.cli.demo.live import drive
    from buswright.simulate.live.loopback import FIRST_PORT

    speed = 1.0 if options.speed is None else options.speed
    if not 0.1 <= speed <= 100.0:
        raise UserError(f"--speed {speed:g}: must be 0.1 to 100", hint="1 is real time")
    if options.json or options.save or options.all:
        raise UserError(
            "--live can't be used with --json, --save or --all", hint="leave them out; `buswright record` can listen"
        )
    port = FIRST_PORT if options.port is None else options.port
    return drive(seconds=options.seconds, seed=options.seed, speed=speed, port=port, faults=faults)


def _show(options: argparse.Namespace, faults: Sequence[Fault]) -> int:
    from buswright.channels.session import Session
    from buswright.cli.demo.put_in import PutIn, answers
    from buswright.frames.captures.opening import open_capture
    from buswright.health.channels.evidence import measure_channels
    from buswright.health.track import HealthTracker
    from buswright.report.captures import channels as report
    from buswright.report.diagnosis import diagnose
    from buswright.report.health.report import report_of
    from buswright.report.text import fold
    from buswright.simulate.faults.catalogue import KINDS
    from buswright.simulate.source import DEMO_S, SimulatedCapture, demo_car

    if options.speed is not None or options.port is not None:
        raise UserError("--speed and --port need --live", hint="add --live, or leave them out")
    in_text = [fault for fault in faults if KINDS[fault.kind].in_text]
    if in_text and not options.save:
        raise UserError(f"--fault {in_text[0].kind}: it damages a written file", hint="add --save FOLDER")
    seconds = options.seconds or DEMO_S
    simulated = SimulatedCapture(seconds, options.seed, faults=[one for one in faults if one not in in_text])
    saved = _save(Path(options.save), simulated, in_text, faults, force=options.force) if options.save else None
    capture: Capture = open_capture(saved / RUN) if saved and in_text else simulated
    car = demo_car(faults)
    tracker = HealthTracker(car=car)
    session = Session(_measured(capture, tracker), car)
    overview = report.overview_of(session)
    width = shared.text_width()
    measured = tracker.result(events=capture.events, problems=capture.problems, clock=capture.clock)
    channels = measure_channels(session)
    diagnosis = diagnose.Diagnosis(report_of(measured, capture, car, described=True, channels=channels))
    if options.json:
        put_json({**report.render_json(overview), "diagnosis": diagnose.render_json(diagnosis)})
        return 0
    put(report.render_text(overview, plots=PLOTTED, width=width, braille=_can_show("⣿")))
    put("\nWhat is wrong, and where:\n")
    put(diagnose.render_text(diagnosis, width=width, every_one=options.all, phases=None))
    known = [PutIn(one.kind, one.subject, one.related) for one in simulated.ground_truth]
    known += [PutIn(one.kind, one.subject) for one in in_text]
    if known:
        put("\nWhat was put in:")
        put("\n".join(line for said in answers(known, diagnosis.report) for line in fold(f"  {said}", width, "    ")))
    put("\n" + _next(saved))
    return 0


def _measured(capture: Capture, tracker: HealthTracker) -> Iterator[Frames]:
    """Yield the frames on their way to the session, which reads them once."""
    for frames in capture:
        tracker.update(frames)
        yield frames


def _can_show(sign: str) -> bool:
    try:
        sign.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _save(
    folder: Path, capture: SimulatedCapture, in_text: Sequence[Fault], faults: Sequence[Fault], *, force: bool
) -> Path:
    from buswright.frames.formats.candump.writer import write_candump
    from buswright.simulate.faults.injectors.text import damaged
    from buswright.simulate.run import START_EPOCH_NS
    from buswright.simulate.source import write_car

    with whole_folder(folder) as new:
        write_car(new, faults=faults)
        for name in (RUN, *([TRUTH] if faults else []), *(each.name for each in new.iterdir())):
            claim(folder / name, force=force, option="--save")
        with (new / RUN).open("wb") as stream:
            write_candump(capture, stream, events=lambda: capture.events)
        truths = list(capture.ground_truth)
        for fault in in_text:
            text, truth = damaged((new / RUN).read_bytes(), fault, START_EPOCH_NS)
            (new / RUN).write_bytes(text)
            truths.append(truth)
        if faults:
            (new / TRUTH).write_text(_told(truths, capture.first_time_ns() or START_EPOCH_NS), encoding="utf-8")
    return folder


def _told(truths: Sequence[GroundTruth], start_ns: int) -> str:
    lines = [f"What is wrong in {RUN}. Times are seconds from its first frame, as --from and --at take them.", ""]
    for truth in truths:
        begun, ended = ((moment - start_ns) / 1e9 for moment in (truth.start_ns, truth.end_ns))
        often = "" if len(truth.spans) == 1 else f"{times(len(truth.spans))}, "
        lines.append(f"{truth.kind} of {truth.subject}: {often}from {max(begun, 0.0):.3f} s to {ended:.3f} s")
        if truth.related:
            lines.append(f"  concerns {', '.join(truth.related)}")
    if not truths:
        lines.append("None of the faults asked for happened in this run.")
    return "\n".join(lines) + "\n"


def _next(saved: Path | None) -> str:
    if saved is None:
        return (
            "All of this was simulated. Try next:\n"
            "  buswright diagnose demo --html diagnosis.html     every channel and finding, on a page with traces\n"
            "  buswright health demo --html health.html          the buses and identifiers, on a page with plots\n"
            "  buswright demo --fault open-circuit               see what a broken wire looks like\n"
            "  buswright demo --save wrenfell                    save the capture, databases and car file\n"
            "  buswright guide                                   read the manual"
        )
    return (
        f"Saved in {saved}. Try next:\n"
        f"  buswright contents {saved}/run.log --dbc {saved}/wrenfell_engine.dbc\n"
        f"  buswright decode {saved}/run.log --car {saved}/wrenfell.toml --out {saved}/channels/\n"
        f"  buswright diagnose {saved}/run.log --car {saved}/wrenfell.toml\n"
        f"  buswright health {saved}/run.log --car {saved}/wrenfell.toml\n"
        f"  buswright check --car {saved}/wrenfell.toml         check the car file"
    )
