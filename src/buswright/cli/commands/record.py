"""Record live buses, crash-safe: whatever happens, the files open and at most the last second is missing.

--out F ending in .log writes candump's compact form, in .asc ASC; .gz behind either compresses it. Beside it lies
F.events.jsonl with everything that is not a frame: markers, gaps, drops, how it was recorded. Every command that
reads F finds it there.

While it records, type what you do: wiggled plug C12. The first key is the moment that is marked; Enter keeps it,
Escape drops it. Enter or Space alone sets a numbered marker at once. Where standard input is no terminal (or on
Windows) each line is a marker, set when it ends. Ctrl-C ends the recording.
"""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import closing
from pathlib import Path

from buswright._version import __version__
from buswright.cli import options as shared
from buswright.cli.live_source import add_live, live_sources, open_live_source
from buswright.errors import UserError

MEGABYTE = 1_000_000
BY_KEYS = (
    "Type what you do: the first key is the moment, Enter keeps it, Escape drops it; Enter or Space alone marks, too."
)
BY_LINES = "Enter sets a marker, words before it are kept."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "source",
        nargs="+",
        metavar="SOURCE",
        help="live:BACKEND/CHANNEL?option=value, e.g. live:socketcan/can0; several buses: several of them",
    )
    add_live(parser)
    parser.add_argument("--seconds", type=float, metavar="S", help="end after so many seconds")
    parser.add_argument("--frames", type=int, metavar="N", help="end after so many frames")
    parser.add_argument("--rotate-mb", type=float, metavar="MB", help="begin a new file after so many megabytes")
    parser.add_argument("--rotate-min", type=float, metavar="MIN", help="begin a new file after so many minutes")
    parser.add_argument(
        "--car", metavar="FILE", help="the car file, noted with its hash; ./car.toml is taken when it is there"
    )
    shared.add_output(parser, "the file to write: .log, .asc, and .gz behind either")
    shared.add_json(parser)


def run(options: argparse.Namespace) -> int:
    """Listen and write."""
    from buswright.cli.markers import Markers
    from buswright.cli.status_line import status_line
    from buswright.cli.stopping import stopping
    from buswright.frames.recording.recorder import Recorder, space_for
    from buswright.frames.recording.run import header_of, record
    from buswright.report.recording import render_json, render_status, render_text

    if not live_sources(options):
        raise UserError(f"{options.source[0]}: not a live bus", hint="`buswright interfaces` lists what is there")
    path = _checked(options)
    car = _car(options)
    space = space_for(path, len(options.source))
    with open_live_source(options) as capture, stopping(capture.stop) as stop:
        accepted = options.may_acknowledge or options.bench or not all(p.safe for p in capture.proofs.values())
        header = header_of(capture, program=f"buswright {__version__}", car=car, accepted=accepted)
        recorder = Recorder(
            path,
            header,
            rotate_bytes=round(options.rotate_mb * MEGABYTE) if options.rotate_mb is not None else None,
            rotate_s=options.rotate_min * 60 if options.rotate_min is not None else None,
        )
        _say(f"Recording {', '.join(capture.buses)} to {path}; room for {_span(space.seconds_full)} of full buses.")
        with (
            closing(status_line()) as line,
            Markers(lambda: capture.stopped, line.typed if line.shown else None) as markers,
        ):
            _say(f"{BY_KEYS if markers.by_keys else BY_LINES} Ctrl-C ends.")
            recording = record(
                capture,
                recorder,
                seconds=options.seconds,
                frames=options.frames,
                markers=markers,
                tick=lambda so_far: line.status(render_status(so_far)),
                why=lambda: stop.why,
            )
    document = json.dumps(render_json(recording), ensure_ascii=False, indent=2) if options.json else None
    print(document or render_text(recording))
    return 0


def _checked(options: argparse.Namespace) -> Path:
    """Refuse numbers that can't be, and to overwrite; return the file to write."""
    from buswright.frames.recording.recorder import format_of, part_path
    from buswright.frames.sidecar import sidecar_of

    for name in ("seconds", "frames", "rotate_mb", "rotate_min"):
        value = getattr(options, name)
        if value is not None and not value > 0:
            raise UserError(f"--{name.replace('_', '-')} {value:g}: impossible", hint="give a number above 0")
    path = Path(options.out)
    format_of(path)
    rotating = options.rotate_mb is not None or options.rotate_min is not None
    for target in (path, part_path(path, 1)) if rotating else (path,):
        for file in (target, sidecar_of(target)):
            shared.claim_output(file, force=options.force)
    return path


def _car(options: argparse.Namespace) -> dict[str, str] | None:
    """Path and hash of the car file. It isn't read: a fault in it must not keep anybody from recording."""
    path = Path(options.car or shared.DEFAULT_CAR)
    try:
        return shared.path_and_hash(path)
    except OSError as fault:
        if options.car is not None:
            raise UserError(f"{path}: can't be read: {fault.strerror or fault}", hint="check --car") from None
        return None


def _say(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr)


def _span(seconds: float) -> str:
    hours = seconds / 3600
    if hours >= 48:
        return f"{hours / 24:.0f} days"
    return f"{hours:.0f} hours" if hours >= 2 else f"{seconds / 60:.0f} minutes"
