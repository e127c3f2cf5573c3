"""What the recording screen says: what is written, what was lost, how much room is left."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from rich.filesize import decimal

from buswright.diagnosis.now.recording import judge_recording, room_severity
from buswright.errors import UserError
from buswright.findings import Severity
from buswright.frames.captures.sidecar import sidecar_of
from buswright.frames.recording.recorder import RecordingError, Space, format_of
from buswright.frames.recording.run import Recording
from buswright.frames.table import Event
from buswright.report.captures.record import drops_words
from buswright.tui.screens.findings.lines import subject_words
from buswright.tui.times import clock_text
from buswright.tui.widgets.rows import Cell, Column
from buswright.tui.widgets.toned import Line, Span, line, severity_tone
from buswright.wording import percent, plural
from buswright.worker.snapshot import Snapshot, SourceNow

MARKER_COLUMNS = (Column("at", 12), Column("no.", 4, right=True), Column("words", 30, grow=True))
MARKERS = frozenset({"marker", "note"})
"""Events that a person set."""

_LABEL = 12
_NOT_IN_A_NAME = re.compile(r"[^a-z0-9]+")


def default_name(snapshot: Snapshot, now_ns: int) -> str:
    """Propose a file name: the car and the minute, in UTC as everywhere on the screens."""
    car = snapshot.car.car.name if snapshot.car is not None else ""
    name = _NOT_IN_A_NAME.sub("-", car.casefold()).strip("-") or "recording"
    return f"{name}_{datetime.fromtimestamp(now_ns // 1_000_000_000, UTC):%Y-%m-%d_%H%M}.log"


def refusal(path: Path) -> str:
    """Say why a file can't be recorded to; empty if it can."""
    try:
        format_of(path)
    except UserError as fault:
        return f"{fault.message}: {fault.hint}"
    for each in (path, sidecar_of(path)):
        if each.exists():
            return f"choose another name: {each.name} is there already"
    return "" if path.absolute().parent.is_dir() else f"make the folder {path.absolute().parent} first"


def state_lines(snapshot: Snapshot, space: Space | RecordingError | None, width: int) -> Iterator[Line]:
    """Say what is recorded, or how to begin."""
    recording = snapshot.recording
    if not snapshot.source.live:
        yield line(Span("This is a capture. Only live buses can be recorded.", "strong"))
        yield line(Span("`buswright cut` copies a part of a capture. Its markers are below.", "dim"))
        return
    if recording is None:
        yield line(Span("Not recording. ", "strong"), Span("r", "accent"), Span(" starts."))
        yield line(Span("After a crash the file still opens; at most the last second is missing.", "dim"))
        yield from _room(space)
        return
    if snapshot.recording_on:
        yield line(
            Span("● RECORDING ", "fault"), Span(_span(recording.seconds)), Span("   r", "accent"), Span(" stops it")
        )
    else:
        yield line(
            Span(f"Stopped after {_span(recording.seconds)}: ", "strong"),
            Span(recording.why or "no reason given"),
            Span("   r", "accent"),
            Span(" starts a new one"),
        )
    yield from _written(recording, width)
    if snapshot.recording_on:
        yield from _room(space)
    yield from _lost(recording)


def _written(recording: Recording, width: int) -> Iterator[Line]:
    *earlier, last = recording.paths or (Path("-"),)
    name = str(last)
    yield _labelled("file", name if len(name) <= width - _LABEL else "…" + name[-(width - _LABEL - 1) :])
    parts = f"   part {len(recording.paths)}" if earlier else ""
    yield _labelled("written", f"{recording.frames:>13,} frames   {size_text(recording.size)}{parts}")


def _room(space: Space | RecordingError | None) -> Iterator[Line]:
    if isinstance(space, RecordingError):
        yield _labelled("room", f"{space.message}: {space.hint}", room_severity(space))
    elif space is not None:
        words = f"{size_text(space.free)} free, at least {_span(space.seconds_full)} (h:mm:ss) with full buses"
        yield _labelled("room", words, room_severity(space))


def _lost(recording: Recording) -> Iterator[Line]:
    state = judge_recording(recording)
    for name, severity in state.buses.items():
        away = "" if recording.connected.get(name, True) else "; NOT CONNECTED"
        yield _labelled(name, drops_words(recording, name) + away, severity)
    yield _labelled("gaps", f"{plural(recording.gaps, 'time')} without listening", state.gaps)
    yield _labelled("markers", f"{recording.markers}   m sets one")
    for note in recording.notes:
        yield _labelled("CAUTION", note, Severity.SUSPECT)
    for title, reasons in (("not taken", recording.problems), ("not held", recording.losses)):
        for reason, number in reasons.items():
            yield _labelled(title, f"{number:,} × {reason}", state.refused)


def _labelled(label: str, text: str, severity: Severity | None = None) -> Line:
    return line(Span(label[: _LABEL - 1].ljust(_LABEL), "dim"), Span(text, severity_tone(severity)))


def _span(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def size_text(size: int) -> str:
    """Say a size in a unit that fits, of steady width."""
    return f"{decimal(size, precision=2):>11}"


def beside_lines(snapshot: Snapshot) -> Iterator[Line]:
    """Say what there is to set beside the markers: buses, findings with their times, and what else happened."""
    source = snapshot.source
    yield [Span("Buses", "head")]
    for bus in snapshot.health.buses.values():
        errors = Span(plural(bus.error_frames, "error frame"), "fault") if bus.error_frames else "no error frames"
        carried = f"{bus.frames:>13,} frames  {percent(bus.load):>6} mean load  "
        yield line(Span(bus.name.ljust(_LABEL), "strong"), carried, errors)
    yield from ([], line(Span("Findings", "head"), Span("  screen 4 explains them", "dim")))
    found = [each for each in snapshot.findings if each.severity > Severity.NOTE]
    for each in found:
        at, what = clock_text(each.start_ns, source).ljust(_LABEL), f"{each.fault}  {subject_words(each.subject)}"
        yield line(at, Span(f"{each.severity.name:9}", severity_tone(each.severity)), what)
    if not found:
        yield [Span("none so far", "dim")]
    yield from ([], [Span("Other events", "head")])
    others = [event for event in source.events if event.kind not in MARKERS]
    for event in reversed(others):
        where = f"{event.bus}: " if event.bus else ""
        yield line(clock_text(event.time_ns, source).ljust(_LABEL), Span(f"{event.kind:14}", "dim"), where, event.text)
    if not others:
        yield [Span("none were recorded: no gaps, no drops, no reports of a controller", "dim")]


def marker_cells(event: Event, source: SourceNow) -> tuple[Cell, ...]:
    """Make the cells of a marker."""
    number = event.values.get("number", "")
    return (clock_text(event.time_ns, source), f"{number}", event.text or "")
