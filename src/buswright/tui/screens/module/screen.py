"""One module alone: on the bench, or picked out of a whole car."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.widget import Widget

from buswright.channels.carfile.model import CarFile, FrameName
from buswright.channels.following.model import ChannelNow
from buswright.diagnosis.now.inputs import InputState
from buswright.tui.digits import decimals_of
from buswright.tui.screens.channels.rows import PLOT_LINES, minute_lines
from buswright.tui.screens.identifiers.rows import COLUMNS, IdRow, cells_of, rows_of, tone_of
from buswright.tui.screens.module.lines import (
    IDS,
    INPUTS,
    about_input,
    head_lines,
    input_cells,
    inputs_title,
    page_lines,
)
from buswright.tui.screens.work_screen import BARS, WorkScreen
from buswright.tui.targets import Target, go
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Cell, Column, Key, Part, Rows
from buswright.tui.widgets.toned import Line, Plain, Span, line
from buswright.worker.snapshot import Snapshot

CHOICE = (Column("module", 24, grow=True), Column("", 28, rank=1))
WIDE = 110
"""From this width on the module under the cursor is told beside the list to choose from."""
LEAST_PLOT = 6
"""Lines that must be free below the inputs for a plot of the one under the cursor."""
_PICKED = [[each.title for each in COLUMNS].index(title) for title in IDS]
_NO_ID, _NO_INPUT = "no identifier of it has come", "it has no input that is measured"
_NONE = "no list of modules: add --car or --dbc. Enter on an identifier (2), then t, tries a signal without them"


class ModuleScreen(WorkScreen):
    """The module screen."""

    NAME = "module"
    FIRST = "#module-ids"
    HELP = """
    One module alone, as on a bench: nobody else is expected, so nobody else is missing. All other screens follow. w brings the whole car back. While the whole car is looked at, a wide window tells of the module under the cursor what it sends now. Frames of the module's bus that no description knows are shown too: they may be its own.

    Identifiers: frames a second now and due, as on screen 2. Enter opens one.

    Inputs: where each stands electrically. "healthy": within the band of its sensor. "open", "to ground", "at supply": what the bench test read with the wire open or shorted (fingerprints in the car file). "low end", "high end": at or beyond the band, and no fingerprint tells why. "not judged": its sensor has no band, or it has no sensor. Enter plots the input.

    moves: by how much the mean moved over the last two seconds; "still": by no more than its noise can. Touch one input only: if another moves with it, two wires are swapped or touch.

    noise rms and peak-peak: how much the value scatters while it stands still, in its unit and in steps of the raw value (LSB). Usual at rest: four steps, or 0.2 % of the span (common practice). While the value moves these numbers are dim: they are no noise then.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "other", "Inputs", key_display="Tab", tooltip="from the identifiers to the inputs, and back"),
        Binding("shift+tab", "other", "Back", show=False, tooltip="the same"),
        Binding("w", "whole", "Whole car", tooltip="judges and shows all modules again; then choose another one"),
    ]
    DEFAULT_CSS = """
    ModuleScreen #module-head { height: auto; max-height: 6; }
    ModuleScreen #module-sent { height: 1fr; margin-top: 1; layout: horizontal; }
    ModuleScreen #module-ids { width: 1fr; height: 1fr; }
    ModuleScreen #module-page { width: 60%; height: 1fr; padding: 0 1; border-left: solid $border; }
    ModuleScreen #module-title { margin-top: 1; }
    ModuleScreen #module-inputs { height: 2fr; }
    ModuleScreen #module-about { height: 2; background: $surface; padding: 0 1; }
    ModuleScreen.-low #module-sent, ModuleScreen.-low #module-title { margin-top: 0; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._rows: dict[Key, IdRow] = {}
        self._channels: dict[str, ChannelNow] = {}
        self._inputs: dict[str, InputState] = {}
        self._car: CarFile | None = None
        self._decimals: dict[str, int] = {}
        self._plot_lines = 0

    def body(self) -> Iterable[Widget]:
        """Put the module above its identifiers, and its inputs below."""
        yield Plain(id="module-head")
        ids = Part(COLUMNS, empty=_NO_ID, opens="Look closely", id="module-ids")
        yield Container(ids, Plain(id="module-page"), id="module-sent")
        yield Bar(id="module-title")
        yield Part(INPUTS, empty=_NO_INPUT, opens="Plot", id="module-inputs")
        yield Plain(id="module-about")

    def show(self, snapshot: Snapshot) -> None:
        """Fill the parts; without a module, the list to choose one from."""
        ids, inputs = self.query_one("#module-ids", Rows), self.query_one("#module-inputs", Rows)
        narrow = snapshot.scope is not None
        for name in ("#module-title", "#module-inputs", "#module-about"):
            self.query_one(name).display = narrow
        self.query_one("#module-page").display = not narrow and self.size.width >= WIDE and bool(snapshot.modules)
        self.set_class(self.size.height < 30, "-low")
        if snapshot.car is not self._car:
            self._car, self._decimals = snapshot.car, decimals_of(snapshot.car)
        if not narrow:
            self._offer(snapshot, ids)
            return
        ids.opens = "Look closely"
        self._rows = {row.key: row for row in rows_of(snapshot)}
        self._channels = {each.name: each for each in snapshot.channels}
        self._inputs = {each.name: each for each in snapshot.verdicts.inputs}
        head = list(head_lines(snapshot, self.size.width, 2 if self.size.height < 30 else 4))
        self.query_one("#module-head", Plain).show(head)
        self._share_out(len(head))
        ids.set_columns([COLUMNS[at] for at in _PICKED], self.why_empty(_NO_ID))
        inputs.empty = self.why_empty(_NO_INPUT)
        found = [row for row in self._rows.values() if self.matches(row.id_text, row.message, row.state.word)]
        ids.show([row.key for row in found], self._id_cells)
        inputs.show([name for name in self._inputs if self.matches(name)], self._input_cells)
        self.query_one("#module-title", Bar).show([inputs_title(tuple(self._inputs.values()), self.size.width)])
        self._tell()

    def _share_out(self, head: int) -> None:
        """Give the identifiers the lines that they need, but no more than a third; a plot those that are left."""
        room = self.size.height - BARS - head - 3
        sent = min(len(self._rows) + 1, max(room // 3, 3))
        self.query_one("#module-sent").styles.height = sent
        left = room - sent - len(self._inputs) - 4
        self._plot_lines = min(left, PLOT_LINES) if left >= LEAST_PLOT else 0
        self.query_one("#module-about").styles.height = 2 + self._plot_lines

    def _offer(self, snapshot: Snapshot, ids: Rows) -> None:
        said = "The whole car is judged. Enter: look at one module alone." if snapshot.modules else ""
        self.query_one("#module-head", Plain).show([line(Span(said, "dim"))])
        self.query_one("#module-sent").styles.height = "1fr"
        ids.opens = "Look at it alone"
        ids.set_columns(CHOICE, self.why_empty(_NONE) if snapshot.modules else _NONE)
        states = {each.module: each for each in snapshot.verdicts.senders if each.module}
        ids.show(
            [name for name in snapshot.modules if self.matches(name)],
            lambda key: (
                Span(str(key), "strong"),
                Span(f"{states[str(key)].state} on {states[str(key)].bus}" if str(key) in states else "", "dim"),
            ),
        )
        name, decimals = ids.key, self._decimals
        page = self.query_one("#module-page", Plain)
        page.show((lambda width, _: list(page_lines(snapshot, name, decimals, width))) if isinstance(name, str) else [])

    def _id_cells(self, key: Key) -> Sequence[Cell]:
        cells = cells_of(self._rows[key])
        return [cells[at] for at in _PICKED]

    def _input_cells(self, key: Key) -> Sequence[Cell]:
        name = str(key)
        return input_cells(self._channels[name], self._inputs[name], self._decimals)

    def _tell(self) -> None:
        """Explain the row under the cursor."""
        inputs, ids = self.query_one("#module-inputs", Rows), self.query_one("#module-ids", Rows)
        about, row = self.query_one("#module-about", Plain), self._rows.get(ids.key)
        if inputs.has_focus and isinstance(inputs.key, str) and inputs.key in self._inputs:
            channel, state = self._channels[inputs.key], self._inputs[inputs.key]
            about.show(lambda width, _: self._about_input(channel, state, width))
        elif row is not None:
            why = line(
                Span(f"{row.id_text} ", "strong"), Span(f"{row.state.word}: ", tone_of(row.state)), row.state.why
            )
            about.show([why])
        else:
            about.show([])

    def _about_input(self, channel: ChannelNow, state: InputState, width: int) -> list[Line]:
        lines: list[Line] = list(about_input(channel, state, width))
        return [*lines, *minute_lines(channel.trace, width, self._plot_lines)] if self._plot_lines else lines

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Explain the row that the cursor came to."""
        event.stop()
        if self.snapshot is not None and self.snapshot.scope is not None:
            self._tell()
        elif self.snapshot is not None and event.rows.id == "module-ids":
            self._offer(self.snapshot, event.rows)

    # Keys ---------------------------------------------------------------------------------------------------------

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Look at a module alone, at an identifier closely, or plot an input."""
        event.stop()
        if self.snapshot is None:
            return
        if self.snapshot.scope is None:
            self.bench.worker.look_only_at(str(event.key))
        elif event.rows.id == "module-inputs":
            from buswright.tui.screens.plot.screen import PlotScreen

            self.app.push_screen(PlotScreen((str(event.key),)))
        elif isinstance(event.key, FrameName):
            from buswright.tui.screens.identifiers.page import IdDetailScreen

            self.app.push_screen(IdDetailScreen(event.key))
        else:
            go(self.bench, Target("identifiers", sought=self._rows[event.key].message))

    def action_other(self) -> None:
        """Go from one list to the other."""
        here = self.query_one("#module-ids").has_focus
        self.query_one("#module-inputs" if here else "#module-ids").focus()

    def on_descendant_focus(self) -> None:
        """Explain the row under the cursor of the other list."""
        if self.snapshot is not None and self.snapshot.scope is not None:
            self._tell()

    def action_whole(self) -> None:
        """Judge and show the whole car again."""
        self.query_one("#module-ids").focus()
        self.bench.worker.look_only_at(None)

    def on_resize(self) -> None:
        """Lay out anew."""
        self.again()
