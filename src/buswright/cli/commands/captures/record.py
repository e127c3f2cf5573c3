"""Record live buses. After a crash or a flat battery the files still open; at most the last second is missing.

The ending of --out sets the format: .log is compact candump, .asc is ASC; add .gz to compress. The file
OUT.events.jsonl beside it holds markers, gaps, drops, and how it was recorded. Every command that reads the capture
reads it too.

While it records, type what you do: wiggled plug C12. The first key sets the time of the marker. Enter saves it,
Escape discards it. Enter or Space alone sets a numbered marker at once. It rings when a bus or frames are lost; Ctrl-G
turns that off. Where standard input is not a terminal, and
on Windows, each line is a marker, set when it ends. Ctrl-C ends the recording.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from buswright.cli import options as shared
from buswright.cli.live_source import live_sources, open_live_source, recording_header
from buswright.cli.terminal.streams import put
from buswright.errors import UserError

if TYPE_CHECKING:
    from buswright.cli.terminal.status_line import StatusLine
    from buswright.frames.recording.run import Recording

MEGABYTE = 1_000_000
BY_KEYS = (
    "Type what you do: the first key sets the time. Enter saves the marker, Escape discards it, Space marks at once."
)
BY_LINES = "Enter sets a marker with the words typed before it."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options."""
    parser.add_argument(
        "source",
        nargs="+",
        metavar="SOURCE",
        help="live:BACKEND/CHANNEL?option=value for each bus, e.g. live:socketcan/can0",
    )
    shared.add(parser, "live")
    parser.add_argument("--seconds", type=float, metavar="S", help="stop after this many seconds")
    parser.add_argument("--frames", type=int, metavar="N", help="stop after this many frames")
    parser.add_argument("--rotate-mb", type=float, metavar="MB", help="start a new file after this many megabytes")
    parser.add_argument("--rotate-min", type=float, metavar="MIN", help="start a new file after this many minutes")
    parser.add_argument(
        "--car", metavar="FILE", help="car file to note with its hash; default: ./car.toml if it exists"
    )
    shared.add_output(parser, "file to write: .log, .asc, .log.gz or .asc.gz")
    shared.add(parser, "json")


def run(options: argparse.Namespace) -> int:
    """Listen and write."""
    from buswright.cli.terminal.markers import Markers
    from buswright.cli.terminal.status_line import status_line
    from buswright.cli.terminal.stopping import stopping
    from buswright.frames.recording.recorder import Recorder, space_for
    from buswright.frames.recording.run import record
    from buswright.report.captures import record as report

    if not live_sources(options):
        raise UserError(f"{options.source[0]}: not a live bus", hint="`buswright interfaces` lists the live buses")
    path = _checked(options)
    car = _car(options)
    space = space_for(path, len(options.source))
    with open_live_source(options) as capture, stopping(capture.stop) as stop:
        recorder = Recorder(
            path,
            recording_header(options, capture, car),
            rotate_bytes=round(options.rotate_mb * MEGABYTE) if options.rotate_mb is not None else None,
            rotate_s=options.rotate_min * 60 if options.rotate_min is not None else None,
        )
        _say(f"Recording {', '.join(capture.buses)} to {path}; room for {_span(space.seconds_full)} of full buses.")
        with (
            closing(status_line()) as line,
            Markers(lambda: capture.stopped, line.typed if line.shown else None, line.turn_sound) as markers,
        ):
            _say(f"{BY_KEYS if markers.by_keys else BY_LINES} Ctrl-C ends the recording.")
            recording = record(
                capture,
                recorder,
                seconds=options.seconds,
                frames=options.frames,
                markers=markers,
                tick=Told(line),
                why=lambda: stop.why,
            )
    shared.show_sentences(options, report, recording)
    return 0


class Told:
    """Shows how a recording goes, and rings when something is lost: a bus, frames, or what a file can't hold."""

    def __init__(self, line: StatusLine) -> None:
        self._line = line
        self._troubles = 0

    def __call__(self, so_far: Recording) -> None:
        """Show it."""
        from buswright.report.captures import record as report

        if so_far.troubles > self._troubles:
            self._line.ring()
        self._troubles = so_far.troubles
        self._line.status(report.render_status(so_far))


def _checked(options: argparse.Namespace) -> Path:
    """Refuse numbers that can't be, and to overwrite; return the file to write."""
    from buswright.frames.captures.sidecar import sidecar_of
    from buswright.frames.recording.recorder import format_of, part_path

    for name in ("seconds", "frames", "rotate_mb", "rotate_min"):
        value = getattr(options, name)
        if value is not None and not value > 0:
            raise UserError(f"--{name.replace('_', '-')} {value:g}: must be above 0", hint="give a larger number")
    path = Path(options.out)
    format_of(path)
    rotating = options.rotate_mb is not None or options.rotate_min is not None
    for target in (path, part_path(path, 1)) if rotating else (path,):
        for file in (target, sidecar_of(target)):
            shared.claim_output(options, file)
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
        put(text, error=True)


def _span(seconds: float) -> str:
    hours = seconds / 3600
    if hours >= 48:
        return f"{hours / 24:.0f} days"
    return f"{hours:.0f} hours" if hours >= 2 else f"{seconds / 60:.0f} minutes"
