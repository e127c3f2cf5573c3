"""The lines around every screen: source and state, the screens' names, the time line, the search."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from itertools import accumulate
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.widgets import Input

from buswright.findings import Severity
from buswright.tui.screen_list import SCREENS
from buswright.tui.times import clock_text
from buswright.tui.widgets.heights import HEIGHTS, height_of
from buswright.tui.widgets.toned import SEVERITY_TONES, Plain, Span, fitted, line, width_of
from buswright.wording import plural, visible

if TYPE_CHECKING:
    from buswright.worker.snapshot import Snapshot, SourceNow

_LOOSE, _TIGHT = 5, 3
"""Cells of a tab beside its title: with room around it, and without."""
_LEAST_TITLE = 8
"""Cells that the name of the source keeps, however narrow the window."""
_PHASES = {"listening": "live", "reading": "reading", "playing": "playing", "paused": "paused", "ended": "at the end"}


class Bar(Plain):
    """One line that is never scrolled."""

    DEFAULT_CSS = """
    Bar { height: 1; overflow-x: hidden; overflow-y: hidden; }
    """


class TopBar(Bar):
    """What is looked at, how far it is, whether it is recorded, and how bad it looks."""

    def on_mount(self) -> None:
        """Say that there is nothing yet: opening adapters takes seconds."""
        self.show([line(Span("Buswright ", "head"), Span("waiting for the first frames…", "dim"))])

    def take(self, snapshot: Snapshot) -> None:
        """Show a snapshot's."""
        self.show(lambda width, _: [_top(snapshot, width)])


def _top(snapshot: Snapshot, width: int) -> list[Span]:
    source = snapshot.source
    right: list[Span] = [*_recording(snapshot), *_tally(snapshot)]
    only = [] if snapshot.scope is None else [Span(f"only {snapshot.scope.module}  ", "accent")]
    state = [*only, *_phase(source)]
    room = width - width_of(right) - 1
    if room < 20:
        return line(*_named(source.title, width - width_of(state)), *state)
    return [*fitted([*_named(source.title, room - width_of(state)), *state], room), Span(" "), *right]


def _named(title: str, room: int) -> list[Span]:
    """Name program and source; where there is too little room, leave the program out, then the end of the source."""
    whole = line(Span("Buswright ", "head"), Span(f"{visible(title)}  ", "strong"))
    if width_of(whole) <= room:
        return whole
    source = line(Span(visible(title), "strong"))
    return [*fitted(source, min(width_of(source), max(room - 2, _LEAST_TITLE))), Span("  ")]


def _phase(source: SourceNow) -> Iterator[Span]:
    lost = [each.bus for each in source.receptions if not each.connected]
    if source.phase == "failed":
        yield Span("FAILED", "fault")
    elif lost:
        yield Span(f"{', '.join(lost)} NOT RECEIVED", "fault")
    elif source.phase == "reading":
        yield Span("reading" if source.read is None else f"reading {source.read * 100:3.0f} %", "note")
    elif source.phase == "playing":
        yield Span(f"playing ×{source.speed:g}", "good")
    elif source.live and source.phase == "paused":
        yield Span("HELD", "suspect")
    else:
        yield Span(_PHASES[source.phase], "good" if source.live else "note")
    if source.grows:
        yield Span(", growing", "good")
    if source.lost:
        yield Span(", no longer followed", "suspect")
    yield Span(f"  {clock_text(source.now_ns, source)}")


def _recording(snapshot: Snapshot) -> Iterator[Span]:
    recording = snapshot.recording
    if recording is not None and snapshot.recording_on:
        yield Span(f"● recording {recording.seconds // 60:.0f}:{recording.seconds % 60:02.0f}  ", "fault")


def _tally(snapshot: Snapshot) -> Iterator[Span]:
    found = Counter(one.severity for one in snapshot.findings if one.severity > Severity.NOTE)
    for severity in sorted(found, reverse=True):
        yield Span(f"{plural(found[severity], severity.name.lower())} ", SEVERITY_TONES[severity])
    if not found and not snapshot.health.capture.frames:
        yield Span("nothing received ", "dim")
    elif snapshot.misfit is not None:
        yield Span("does not fit ", "fault")
    elif not found:
        yield Span("buses: no findings " if snapshot.judged is None else "buses, channels: no findings ", "good")


class Tabs(Bar):
    """The screens and their number keys; the one in front in brackets."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self._front = name

    def on_mount(self) -> None:
        """Draw it once."""
        self.show(lambda width, _: [[span for tab in self._tabs(width).values() for span in tab]])

    def turn_to(self, name: str) -> None:
        """Have another one in front."""
        self._front = name
        self.on_mount()

    def _tabs(self, width: int) -> dict[str, list[Span]]:
        whole = sum(len(listed.title) for listed in SCREENS.values())
        short, close = width < whole + _TIGHT * len(SCREENS) + 1, width < whole + _LOOSE * len(SCREENS)
        tabs = {}
        for number, (name, listed) in enumerate(SCREENS.items(), 1):
            digit, text = Span(str(number), "accent"), listed.title[:5] if short else listed.title
            if name == self._front:
                tabs[name] = [Span("["), digit, Span(f" {text}", "strong"), Span("]" if close else "] ")]
            else:
                tabs[name] = [Span("" if close else " "), digit, Span(f" {text} " if close else f" {text}  ", "dim")]
        return tabs

    def on_click(self, event: events.Click) -> None:
        """Go to the screen that was clicked."""
        ends = accumulate(width_of(tab) for tab in self._tabs(self.size.width).values())
        for name, end in zip(SCREENS, ends, strict=True):
            if event.x < end:
                self.app.switch_mode(name)
                return


class TimeBar(Bar):
    """The capture from its first to its last frame: load, findings and markers over time, and where we are."""

    def take(self, snapshot: Snapshot) -> None:
        """Show a snapshot's."""
        self.show(lambda width, _: [time_line(snapshot, width)])


def time_line(snapshot: Snapshot, width: int) -> list[Span]:
    """Draw the time line: blocks as high as the load, `!` where a finding begins, `^` a marker, `│` the moment."""
    source = snapshot.source
    start = source.first_ns
    end = max((each for each in (source.end_ns, source.now_ns) if each is not None), default=None)
    label = f" {clock_text(source.first_ns, source, tenths=False)} "
    tail = f" {clock_text(end, source, tenths=False)} "
    room = width - len(label) - len(tail)
    if start is None or end is None or room < 10:
        return [Span(label, "dim")]
    span_ns = max(end - start, 1)
    marks = _loads(source, start, span_ns, room)
    for event in source.events:
        if event.kind == "marker" and event.time_ns is not None:
            marks[_column(event.time_ns, start, span_ns, room)] = Span("^", "accent")
    for finding in reversed(snapshot.findings):
        if finding.start_ns is not None and finding.severity > Severity.NOTE:
            marks[_column(finding.start_ns, start, span_ns, room)] = Span("!", SEVERITY_TONES[finding.severity])
    if source.now_ns is not None:
        marks[_column(source.now_ns, start, span_ns, room)] = Span("│", "strong")
    return [Span(label, "dim"), *marks, Span(tail, "dim")]


def _column(ns: int, start: int, span_ns: int, room: int) -> int:
    return min(max(int((ns - start) * room // span_ns), 0), room - 1)


def _loads(source: SourceNow, start: int, span_ns: int, room: int) -> list[Span]:
    import numpy as np

    highest = np.full(room, np.nan)
    if len(source.load):
        at = np.clip((source.load_start_ns - start) * room // span_ns, 0, room - 1)
        np.fmax.at(highest, at, source.load)
    marks, last = [], math.nan
    for load in highest.tolist():
        last = load if not math.isnan(load) else last
        marks.append(Span(HEIGHTS[0] if math.isnan(last) else height_of(last), "dim"))
    return marks


class SearchLine(Input):
    """Where a search is typed; hidden while there is none."""

    DEFAULT_CSS = """
    SearchLine { display: none; height: 1; border: none; padding: 0 1; background: $surface; }
    SearchLine.-open { display: block; }
    SearchLine:focus { border: none; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "close", "Clear", show=False)]

    class Sought(Message):
        """Another text is searched for."""

        def __init__(self, text: str) -> None:
            self.text = text
            super().__init__()

    class Closed(Message):
        """The focus is free again."""

    def __init__(self) -> None:
        super().__init__(placeholder="search: name, ID, unit…  Enter keeps it, Escape clears it")

    def ask(self, text: str) -> None:
        """Open with this text."""
        self.add_class("-open")
        self.value = text
        self.screen.set_focus(self)

    def keep(self, text: str) -> None:
        """Search for this text, without the focus."""
        self.add_class("-open")
        self.value = visible(text)

    def clear(self) -> None:
        """Search for nothing."""
        self.value = ""
        self.remove_class("-open")
        self.post_message(self.Sought(""))
        self.post_message(self.Closed())

    def on_paste(self, event: events.Paste) -> None:
        """Take what is pasted; a slash in front of it is the key that opens this line."""
        if not self.value or self.value == self.selected_text:
            event.text = event.text.removeprefix("/")

    def action_close(self) -> None:
        """Take the search back."""
        self.clear()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Tell the screen."""
        event.stop()
        if self.has_class("-open"):
            self.post_message(self.Sought(event.value))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Keep it; the line stays as long as there is something in it."""
        event.stop()
        if not self.value:
            self.remove_class("-open")
        self.post_message(self.Closed())
