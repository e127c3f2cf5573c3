"""Live buses as a SOURCE: consent, the end, and a spool for commands that read twice."""

from __future__ import annotations

import argparse
import sys
import weakref
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from buswright.cli.terminal.stopping import stopping
from buswright.cli.terminal.streams import put_lines
from buswright.errors import UserError
from buswright.frames.live.address import is_live

if TYPE_CHECKING:
    from buswright.frames.captures.capture import Capture
    from buswright.frames.live.capture import LiveCapture
    from buswright.frames.table import Frames
    from buswright.frames.window import Window

LIVE_HELP = "or live:BACKEND/CHANNEL?option=value for each live bus, e.g. live:socketcan/can0, until Ctrl-C"


def live_sources(options: argparse.Namespace) -> bool:
    """Whether SOURCE names live buses.

    Raises
    ------
    UserError
        It mixes them with files, or the command reads recordings only.
    """
    live = [is_live(source) for source in getattr(options, "source", [])]
    if not any(live):
        return False
    if not all(live):
        raise UserError("live buses and files can't be read together", hint="record the buses first")
    if not hasattr(options, "may_acknowledge"):
        raise UserError(
            f"{options.command} reads recordings only", hint=f"buswright record {options.source[0]} --out run.log"
        )
    return True


def open_live_source(options: argparse.Namespace, window: Window | None = None) -> LiveCapture:
    """Open the live buses of SOURCE until the end of a window, with the user's consent where it is needed.

    Raises
    ------
    UserError
        An interface can't be opened, or may acknowledge without the user's consent.
    """
    from buswright.frames.live.capture import open_live

    accepted = options.may_acknowledge or options.bench or _asked(options.source)
    capture = open_live(options.source, may_acknowledge=accepted, bench=options.bench)
    if accepted:
        _warn(capture)
    if window is not None:
        _stop_with(capture, window)
    return capture


def recording_header(
    options: argparse.Namespace, capture: LiveCapture, car: dict[str, str] | None
) -> dict[str, object]:
    """Say how a recording is made, for its sidecar: with which program, car file (its path and hash) and adapters."""
    from buswright._version import __version__
    from buswright.frames.recording.run import header_of

    accepted = options.may_acknowledge or options.bench or not all(each.safe for each in capture.proofs.values())
    return header_of(capture, program=f"buswright {__version__}", car=car, accepted=accepted)


def _asked(sources: list[str]) -> bool:
    """Ask on a terminal whether adapters may be opened that can't be proven to listen only."""
    from buswright.frames.live.address import parse_all
    from buswright.frames.live.listen_only import prove, warning

    unproven = [(address, proof) for address in parse_all(sources) if not (proof := prove(address)).safe]
    if not unproven or not (sys.stdin is not None and sys.stdin.isatty() and sys.stderr.isatty()):
        return False
    for address, proof in unproven:
        put_lines(warning(address, proof), error=True)
    print("Open it anyway? (yes/no) ", end="", file=sys.stderr, flush=True)
    if sys.stdin.readline().strip().lower() != "yes":
        raise UserError("the adapter was not opened", hint="set listen-only first, or answer yes")
    return True


def _warn(capture: LiveCapture) -> None:
    from buswright.frames.live.listen_only import warning

    for address in capture.addresses:
        proof = capture.proofs[address.name]
        if not proof.safe:
            put_lines(warning(address, proof), error=True)
    if capture.bench:
        print("BENCH: this adapter acknowledges frames. Never connect it to a car like this.", file=sys.stderr)


def heard(capture: LiveCapture) -> Iterator[Frames]:
    """Yield the batches of live buses until Ctrl-C, a polite kill, or the end that was set."""
    _say_that_it_listens(capture)
    with stopping(capture.stop):
        yield from capture


def _stop_with(capture: LiveCapture, window: Window) -> None:
    """Have it stop at the end of a window; `--to 5` are five seconds of running, whatever the wall clock does."""
    running = window.stop is not None and window.stop.relative_ns is not None
    capture.stop_at(lambda first_ns: window.limits(first_ns, capture.clock)[1], running=running)


def spooled(options: argparse.Namespace, window: Window) -> Capture:
    """Record the live buses of SOURCE into a temporary file until they end; return it, for reading many times."""
    from buswright.frames.captures.opening import open_capture
    from buswright.frames.recording.recorder import Recorder
    from buswright.frames.recording.run import record

    with open_live_source(options, window) as capture:
        folder = TemporaryDirectory(prefix="buswright-")
        path = Path(folder.name) / "live.log"
        recorder = Recorder(path, {})
        _say_that_it_listens(capture)
        with stopping(capture.stop):
            record(capture, recorder)
    spool = open_capture(path)
    weakref.finalize(spool, folder.cleanup)
    return spool


def _say_that_it_listens(capture: LiveCapture) -> None:
    if sys.stderr.isatty():
        put_lines([f"Listening to {', '.join(capture.buses)}. Ctrl-C ends it."], error=True)
