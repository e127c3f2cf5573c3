"""Recording: begin and end it, and see that nothing is lost; markers and notes with their times."""

from __future__ import annotations

import time
from collections.abc import Iterable
from pathlib import Path
from textwrap import wrap
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.widget import Widget

from buswright.frames.recording.recorder import RecordingError, Space, space_for
from buswright.frames.table import Event
from buswright.tui.screens.recording import lines as recording_lines
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.tui.widgets.rows import Key, Rows
from buswright.tui.widgets.toned import Plain
from buswright.worker.snapshot import Snapshot

HINT_WIDTH = 64
"""Of the dialog."""

WIDE = 140
"""From this width on buses, findings and other events stand beside the markers."""
_NO_MARKER = "no marker yet; m sets one"
ASK_DISK_S = 5.0
"""The disk is asked for its room no more often than this."""


class RecordingScreen(WorkScreen):
    """State above, markers below."""

    NAME = "recording"
    FIRST = "#markers"
    HELP = """
    r starts and stops a recording of the live buses. A name ending in .log makes a candump file, .asc an ASC file; .gz after either compresses it. Existing files are never overwritten.

    In a wide window buses, findings and other events stand beside the markers: compare their times.

    m sets a marker at the moment of the key press, in a capture at the moment shown. Then type what you did. Markers of a capture are written to the file beside it; the capture stays as it is.

    Keep the two files together: the recording, and the file ending in .events.jsonl beside it. The second one holds markers, gaps, drops and how it was recorded.

    After a crash or a power cut the file still opens; at most the last second is missing. Recording goes on while the screen is held or another one is shown.

    Dropped frames were lost on the way into this program. Gaps are times when the recorder didn't listen. Neither is a fault of the car.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "record", "Record/stop", tooltip="start or stop a recording"),
    ]
    DEFAULT_CSS = """
    RecordingScreen #state { height: auto; min-height: 3; max-height: 70%; padding: 1 1 0 1; }
    RecordingScreen #both { height: 1fr; border-top: solid $border; layout: horizontal; }
    RecordingScreen #markers { width: 1fr; height: 1fr; }
    RecordingScreen #beside { width: 55%; height: 1fr; padding: 0 1; border-left: solid $border; }
    RecordingScreen.-low #state { padding: 0 1; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.clock = time.monotonic
        self._space: Space | RecordingError | None = None
        self._asked = float("-inf")

    def body(self) -> Iterable[Widget]:
        """State and markers."""
        yield Plain(id="state")
        markers = Rows(recording_lines.MARKER_COLUMNS, empty=_NO_MARKER, id="markers")
        yield Container(markers, Plain(id="beside"), id="both")

    def on_resize(self) -> None:
        """Lay out for the new size."""
        self.set_class(self.size.height < 30, "-low")
        self.again()

    def show(self, snapshot: Snapshot) -> None:
        """Fill both."""
        if snapshot.source.live:
            self._ask_disk(snapshot)
        lines = list(recording_lines.state_lines(snapshot, self._space, self.size.width - 2))
        state = self.query_one("#state", Plain)
        state.styles.height = len(lines) + (0 if self.has_class("-low") else 1)
        state.show(lines)
        beside = self.query_one("#beside", Plain)
        beside.display = self.size.width >= WIDE
        beside.show(recording_lines.beside_lines(snapshot))
        marked = [
            (at, event)
            for at, event in enumerate(snapshot.source.events)
            if event.kind in recording_lines.MARKERS and self.matches(event.text or "")
        ]
        events: dict[Key, Event] = {(event.time_ns, event.text, at): event for at, event in marked}
        rows = self.query_one("#markers", Rows)
        rows.empty = self.why_empty(_NO_MARKER)
        rows.show(
            list(reversed(events)),
            lambda key: recording_lines.marker_cells(events[key], snapshot.source),
        )

    def _ask_disk(self, snapshot: Snapshot) -> None:
        """Ask for the room on the disk, now and then."""
        now = self.clock()
        if now - self._asked < ASK_DISK_S:
            return
        self._asked = now
        recording = snapshot.recording
        path = recording.paths[-1] if recording is not None and recording.paths else Path("recording.log")
        try:
            self._space = space_for(path, len(snapshot.source.receptions))
        except RecordingError as fault:
            self._space = fault

    # Keys ---------------------------------------------------------------------------------------------------------

    def action_record(self) -> None:
        """Begin a recording, or end the one that runs."""
        snapshot = self.snapshot
        if snapshot is None:
            return
        if not snapshot.source.live:
            self.notify("only live buses are recorded", timeout=4)
        elif snapshot.recording_on:
            self.app.push_screen(Confirm("Stop the recording?", "The file is kept."), self._end)
        else:
            now = snapshot.source.now_ns if snapshot.source.epoch else None
            self._ask(recording_lines.default_name(snapshot, now or time.time_ns()), "")

    def _end(self, yes: bool | None) -> None:
        if yes:
            self.bench.worker.stop_recording()

    def _ask(self, text: str, why_again: str) -> None:
        hint = why_again or "A file or path. .log makes a candump file, .asc an ASC file; add .gz to compress it."
        prompt = Prompt("Record to", "\n".join(wrap(hint, HINT_WIDTH)), text, enter="starts the recording")
        self.app.push_screen(prompt, self._begin)

    def _begin(self, text: str | None) -> None:
        if not text:
            return
        path = Path(text).expanduser()
        why = recording_lines.refusal(path)
        if why:
            self._ask(text, why)
        else:
            self.bench.worker.start_recording(path)

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Go to the moment of a marker in a capture."""
        event.stop()
        snapshot = self.snapshot
        if snapshot is None or snapshot.source.live or not isinstance(event.key, tuple):
            return
        moment = event.key[0]
        if isinstance(moment, int):
            self.bench.worker.seek(moment)
