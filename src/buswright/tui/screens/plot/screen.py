"""Channels over time: curves with limits, a cursor that reads values, zoom; opened from the list of channels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels.following.model import Plotted
from buswright.tui.digits import decimals_of
from buswright.tui.exporting import Export
from buswright.tui.screens.plot.curves import SHOWN
from buswright.tui.screens.plot.drawing import AXIS, Look, Picture, beside, picture
from buswright.tui.screens.plot.given import export_of, readings_text
from buswright.tui.screens.plot.readings import heading, rows_of
from buswright.tui.screens.plot.view import Extent, View
from buswright.tui.screens.plot.why import why_lines
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.times import SECOND
from buswright.tui.widgets.toned import Line, Plain, Span
from buswright.worker.snapshot import Snapshot

_SILENT_NS = SECOND
"""When nothing came for so long the right edge is the moment shown, so that the silence is seen."""
WHOLE = 2_000_000
"""Samples of a channel that are drawn at most; of more, the lowest and the highest of each stretch."""
_ALL_NS = 1 << 62
_STALE_NS = 120 * SECOND
"""A moment further from the samples than this is on another clock."""


class PlotScreen(WorkScreen):
    """The plot.

    Parameters
    ----------
    names
        Channels, at most six.
    """

    READING: ClassVar[str] = """
    ← and → move the cursor, ↑ and ↓ zoom, Home and End go to the first and the newest sample. PgUp and PgDn go a page further. A click or a drag sets the cursor, the wheel zooms. E saves the samples in view, C copies the table. The table reads each channel at the cursor, or its newest sample without a cursor: value, raw number, sensor input and quality.

    Each curve has a letter: at its right end, on the curve and in the table. The axis and the dotted limit lines belong to the channel marked ▸; Tab marks the next one. Channels with the same unit share a scale; u gives each its own. y holds the scales.

    A column of dots reaches from the lowest to the highest sample in it, so a glitch of one sample is visible. Single dots off the line and the row "bad" are bad samples; v shows their input. w says how the channel ▸ came about at the cursor, from the raw number to the unit. A curve is broken where samples are missing.

    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    """How any plot is read; what it shows by itself differs."""
    HELP = (
        READING
        + """The plot follows the newest sample until you move it; End follows again. It begins with the last minute. a shows all of a capture; Home goes to its first sample. Of a live bus it holds about two minutes.
    """  # noqa: E501
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left", "cursor(-1)", "Cursor", key_display="←→", tooltip="cursor: earlier; the first press sets it"),
        Binding("right", "cursor(1)", "Cursor", show=False, tooltip="cursor: later"),
        Binding(
            "shift+left", "sample(-1)", "Sample", show=False, tooltip="cursor: to the sample before, of the channel ▸"
        ),
        Binding(
            "shift+right", "sample(1)", "Sample", show=False, tooltip="cursor: to the next sample, of the channel ▸"
        ),
        Binding("up", "zoom(0.5)", "Zoom", key_display="↑↓", tooltip="less time, about the cursor"),
        Binding("down", "zoom(2.0)", "Zoom", show=False, tooltip="more time, about the cursor"),
        Binding("h", "pan(-0.25)", "Pan", key_display="hl", tooltip="earlier"),
        Binding("l", "pan(0.25)", "Pan", show=False, tooltip="later"),
        Binding("a", "all", "All", tooltip="all of the capture; of a live bus all that is held"),
        Binding(
            "pageup", "page(-1)", "Page", show=False, tooltip="the cursor, or without one the view, a page earlier"
        ),
        Binding("pagedown", "page(1)", "Page", show=False, tooltip="the cursor, or without one the view, a page later"),
        Binding("home", "first", "First", show=False, tooltip="cursor: to the first sample"),
        Binding("end", "newest", "Newest", show=False, tooltip="to the newest sample, without cursor; follow it"),
        Binding("v", "shown", "Volts/raw", tooltip="show values, sensor inputs or raw numbers"),
        Binding("k", "stack", "Strips", tooltip="each channel in a strip of its own, or all in one"),
        Binding("y", "hold", "Hold scale", show=False, tooltip="hold the scales, or fit them again"),
        Binding("u", "share", "Scales", show=False, tooltip="one scale a unit, or each channel its own"),
        Binding("3", "list", "List", show=False, tooltip="back to the list of channels"),
        Binding("w", "why", "Why", show=False, tooltip="how the channel ▸ came about, from the raw number to the unit"),
        Binding("tab", "lead", "Next", show=False, tooltip="axis, limits and sample steps of the next channel"),
    ]
    DEFAULT_CSS = """
    PlotScreen #readings { overflow-y: hidden; }
    PlotScreen #curves { overflow-y: hidden; }
    """

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__()
        self.names = tuple(names)
        self.view = View()
        self.look = Look()
        self.cursor_ns: int | None = None
        self._picture: Picture | None = None
        self._decimals: dict[str, int] | None = None
        self._whole = self._why = False
        self._first_ns: int | None = None
        """The first sample, when the cursor was sent to the first one of the whole capture, until that is there."""

    # Opening and closing ------------------------------------------------------------------------------------------

    def body(self) -> Iterable[Widget]:
        """Put readings above the curves."""
        readings = Plain(id="readings")
        readings.styles.height = 1 + len(self.names)
        yield readings
        yield Plain(id="curves")

    def on_mount(self) -> None:
        """Ask for the samples."""
        self.bench.worker.plot(self.names)

    def on_unmount(self) -> None:
        """Ask for none any more."""
        self.bench.worker.plot(())

    # Drawing ------------------------------------------------------------------------------------------------------

    def plotted(self) -> list[Plotted]:
        """Return the channels that there are samples of, in the order asked for."""
        if self.snapshot is None:
            return []
        found = {each.series.name: each for each in self.snapshot.plotted}
        return [found[name] for name in self.names if name in found]

    @property
    def extent(self) -> Extent | None:
        """From when to when there are samples."""
        times = [each.series.time_ns for each in self.plotted() if len(each.series)]
        if not times or self.snapshot is None:
            return None
        first, last = min(int(each.min()) for each in times), max(int(each.max()) for each in times)
        now = self.snapshot.source.now_ns
        if now is not None and _SILENT_NS < now - last < _STALE_NS:
            last = now
        return Extent(first, last)

    def show(self, snapshot: Snapshot) -> None:
        """Draw curves and readings."""
        if self._decimals is None:
            self._decimals = decimals_of(snapshot.car)
        curves, extent = self.query_one("#curves", Plain), self.extent
        if extent is not None and self._first_ns is not None and extent.first_ns < self._first_ns:
            self._first_ns, self.cursor_ns = None, extent.first_ns
            self.view = self.view.showing(extent.first_ns, extent)
        if extent is None:
            curves.show([[], [Span("  " + self._waiting(), "dim")]])
        else:
            curves.show(self._steps if self._why else self._curves)
        self.query_one("#readings", Plain).show(lambda width, _: self._readings(snapshot, width))

    def _waiting(self) -> str:
        if self.plotted():
            return "These channels had no sample in the last two minutes."
        return "Waiting for samples. If the screen is held, press space."

    def _steps(self, width: int, height: int) -> Iterable[Line]:
        snapshot, series = self.snapshot, {each.series.name: each.series for each in self.plotted()}
        if snapshot is None or self.lead not in series:
            return []
        lines = why_lines(snapshot.car, series[self.lead], self.cursor_ns, series, snapshot.source, width)
        return [*lines][:height]

    def _curves(self, width: int, height: int) -> Iterable[list[Span]]:
        extent, snapshot = self.extent, self.snapshot
        if extent is None or snapshot is None or height < 3:
            return []
        electrical = {each.name: each.electrical for each in snapshot.channels}
        self._picture = picture(
            [(self.names.index(each.series.name), each) for each in self.plotted()],
            snapshot.source,
            self.view.edges(extent),
            self.look,
            self.cursor_ns,
            (width, height),
            electrical,
        )
        return self._picture.lines

    def _readings(self, snapshot: Snapshot, width: int) -> list[list[Span]]:
        extent = self.extent
        channels = {each.name: each for each in snapshot.channels}
        lead = self.lead
        rows = rows_of(
            self.names,
            {each.series.name: each for each in self.plotted()},
            channels,
            cursor_ns=self.cursor_ns,
            lead=lead,
            decimals=self._decimals or {},
            scales=self._picture.scales if self._picture else {},
            width=width,
        )
        limits = channels[lead].limit_text if lead in channels else ""
        last = extent.last_ns if extent is not None else snapshot.source.now_ns or 0
        return [
            heading(snapshot.source, self.cursor_ns, last, self.look, self.view.stop_ns is None, limits, width),
            *rows,
        ]

    @property
    def lead(self) -> str:
        """The channel that axis and limits belong to."""
        return self.names[self.look.lead % len(self.names)]

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There is nothing to search for in a plot."""
        return False if action == "search" else super().check_action(action, parameters)

    def seek_row(self, key: object) -> None:
        """Go to a channel: in the list that the plot was opened from."""
        self.dismiss()
        self.app.call_later(self.bench.go_to, "channels", key)

    def copied(self) -> str:
        """Return what each channel reads, as text."""
        if self.snapshot is None:
            return ""
        channels = {each.name: each for each in self.snapshot.channels}
        return readings_text(self.plotted(), channels, self.cursor_ns, self.snapshot.source)

    def exported(self) -> Export:
        """Give away the samples in view."""
        extent = self.extent
        channels = {each.name: each for each in self.snapshot.channels} if self.snapshot is not None else {}
        return export_of(self.plotted(), channels, (0, 0) if extent is None else self.view.edges(extent))

    # Keys ---------------------------------------------------------------------------------------------------------

    def action_list(self) -> None:
        """Close: the list lies below."""
        self.dismiss()

    def action_cursor(self, cells: int) -> None:
        """Move the cursor by cells; the view follows it."""
        extent = self.extent
        if extent is None or self._picture is None:
            return
        start, stop = self.view.edges(extent)
        step = max((stop - start) // self._picture.cells, 1)
        if self.cursor_ns is None:
            self._put(stop if cells < 0 else start, extent)
        else:
            self._put(self.cursor_ns + cells * step, extent)

    def action_sample(self, samples: int) -> None:
        """Move the cursor by samples of the leading channel."""
        extent = self.extent
        lead = next((each for each in self.plotted() if each.series.name == self.lead), None)
        if extent is None or lead is None:
            return
        moment = beside(lead.series, self.cursor_ns, samples)
        if moment is not None:
            self._put(moment, extent)

    def _put(self, moment_ns: int, extent: Extent) -> None:
        self.cursor_ns = min(max(moment_ns, extent.first_ns), extent.last_ns)
        self.view = self.view.showing(self.cursor_ns, extent)
        self.again()

    def action_zoom(self, factor: float) -> None:
        """Show less or more time about the cursor."""
        if (extent := self.extent) is not None:
            self.view = self.view.zoomed(factor, self.cursor_ns, extent)
            self.again()

    def action_pan(self, part: float) -> None:
        """Show earlier or later."""
        if (extent := self.extent) is not None:
            self.view = self.view.moved(part, extent)
            self.again()

    def action_all(self) -> None:
        """Show all of the capture; of a live bus all that is held."""
        self._ask_whole()
        self.view = View(_ALL_NS)
        self.again()

    def _ask_whole(self) -> bool:
        """Ask for the samples of the whole capture; return whether they are still to come."""
        new = not self._whole and self.snapshot is not None and not self.snapshot.source.live
        if new:
            self._whole = True
            self.bench.worker.plot(self.names, whole=WHOLE)
        return new

    def action_page(self, pages: int) -> None:
        """Move the cursor, or without one the view, by what is in view."""
        extent = self.extent
        if extent is None or self.cursor_ns is None:
            self.action_pan(float(pages))
            return
        start, stop = self.view.edges(extent)
        self.view = self.view.moved(float(pages), extent)
        self._put(self.cursor_ns + pages * (stop - start), extent)

    def on_mouse_down(self, event: events.MouseDown) -> None:
        """Put the cursor where the mouse points."""
        self._point(event)

    def on_mouse_move(self, event: events.MouseMove) -> None:
        """Drag the cursor."""
        if event.button:
            self._point(event)

    def on_mouse_scroll_up(self) -> None:
        """Show less time."""
        self.action_zoom(0.5)

    def on_mouse_scroll_down(self) -> None:
        """Show more time."""
        self.action_zoom(2.0)

    def _point(self, event: events.MouseEvent) -> None:
        """Put the cursor into the middle of the cell under the mouse, where curves are drawn."""
        extent, curves = self.extent, self.query_one("#curves", Plain).region
        if extent is None or self._picture is None or not curves.contains(event.screen_x, event.screen_y):
            return
        cell = event.screen_x - curves.x - AXIS
        if 0 <= cell < self._picture.cells:
            start, stop = self.view.edges(extent)
            self._put(start + (2 * cell + 1) * (stop - start) // (2 * self._picture.cells), extent)

    def action_first(self) -> None:
        """Go to the first sample of the capture; of a live bus to the first that is held."""
        if (extent := self.extent) is not None:
            self._first_ns = extent.first_ns if self._ask_whole() else None
            self._put(extent.first_ns, extent)

    def action_newest(self) -> None:
        """Follow the newest sample, without a cursor."""
        self.cursor_ns = None
        self.view = View(self.view.span_ns)
        self.again()

    def action_why(self) -> None:
        """Say how the leading channel came about at the cursor, or show the curves again."""
        self._why = not self._why
        self.again()

    def action_shown(self) -> None:
        """Show values, input or raw numbers."""
        at = SHOWN.index(self.look.shown)
        self.look = replace(self.look, shown=SHOWN[(at + 1) % len(SHOWN)], fixed={})
        self.again()

    def action_stack(self) -> None:
        """Put each channel in a strip of its own, or all in one."""
        self.look = replace(self.look, stacked=not self.look.stacked)
        self.again()

    def action_hold(self) -> None:
        """Hold the scales, or fit them."""
        scales = {} if self.look.fixed or self._picture is None else dict(self._picture.scales)
        self.look = replace(self.look, fixed=scales)
        self.again()

    def action_share(self) -> None:
        """One scale a unit, or each channel its own."""
        self.look = replace(self.look, shared=not self.look.shared, fixed={})
        self.again()

    def action_lead(self) -> None:
        """Give axis and limits to the next channel."""
        self.look = replace(self.look, lead=(self.look.lead + 1) % len(self.names))
        self.again()
