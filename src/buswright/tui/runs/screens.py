"""The screens of stored runs: the season's runs, the channels of one or two of them, and their plot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels import units
from buswright.season.numbers import Numbers
from buswright.season.run import Run
from buswright.tui.digits import NOTHING, decimals_by_size, number
from buswright.tui.runs.measured import RunFindings, RunIdentifiers
from buswright.tui.runs.work import TRUST_TONES, RunsWork, finding_rows
from buswright.tui.screens.channel_words import CURVES
from buswright.tui.screens.plot.screen import PlotScreen
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Cell, Column, Key, Rows
from buswright.tui.widgets.toned import Lines, Span, hanging, line
from buswright.wording import listed, plural
from buswright.worker.runs import split
from buswright.worker.snapshot import Snapshot

# The season's runs ----------------------------------------------------------------------------------------------------


class SeasonScreen(RunsWork):
    """The list of runs."""

    NAME = "runs"
    FIRST = "#season"
    HELP = """
    Each row is one run of the season, the newest first. Enter opens it. To put two runs side by side, pick both with x, then press Enter: 1 is the one you picked first.

    What is opened is read from the season's tables. The capture itself is not read again.

    The panel below says how the run under the cursor stands, and what was found.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "pick", "Pick", tooltip="pick the run, or drop it; two at most"),
    ]
    DEFAULT_CSS = """
    SeasonScreen #about { height: 8; border-top: solid $border; }
    """
    COLUMNS: ClassVar[tuple[Column, ...]] = (
        Column("", 1),
        Column("run", 26, grow=True),
        Column("recorded", 16, rank=1),
        Column("min", 6, right=True),
        Column("km", 7, right=True, rank=3),
        Column("air °C", 6, right=True, rank=4),
        Column("findings", 8, right=True, rank=2),
        Column("channels not fine", 24, rank=5, grow=True),
    )

    def __init__(self) -> None:
        super().__init__()
        self.picks: list[str] = []
        self._runs: dict[str, Run] = {}

    def above(self) -> Iterable[Widget]:
        """One bar with the season."""
        yield Bar(id="runs")

    def body(self) -> Iterable[Widget]:
        """Put the list over what is known of the run under the cursor."""
        yield Rows(self.COLUMNS, empty="no run", opens="Open", id="season")
        yield Lines(id="about")

    def draw_bars(self, snapshot: Snapshot) -> None:  # noqa: ARG002  (what is shown is the catalogue's)
        """Say which season it is."""
        catalogue = self.season.catalogue
        said = line(Span("Buswright ", "head"), Span(plural(len(catalogue.runs), "run"), "strong"))
        if catalogue.faults:
            said.append(Span(f", {plural(len(catalogue.faults), 'entry', 'entries')} can't be read", "fault"))
        said.append(Span(f"  {catalogue.title}"))
        self.query_one("#runs", Bar).show([said])

    def show(self, snapshot: Snapshot) -> None:  # noqa: ARG002
        """Fill the list."""
        self._runs = {run.name: run for run in reversed(self.season.catalogue.runs)}
        keys = [name for name, run in self._runs.items() if self.matches(name, run.capture, run.recorded or "")]
        rows = self.query_one(Rows)
        rows.empty = self.why_empty("no run")
        rows.show(keys, self._cells)
        self._about(rows.key)

    def _cells(self, key: Key) -> Sequence[Cell]:
        run = self._runs[str(key)]
        pick = str(self.picks.index(run.name) + 1) if run.name in self.picks else ""
        return (
            Span(pick, "accent"),
            run.name,
            Span((run.recorded or NOTHING)[:16].replace("T", " "), "dim"),
            f"{run.seconds / 60:.1f}",
            NOTHING if run.distance_km is None else f"{run.distance_km:.1f}",
            NOTHING if run.air_degc is None else f"{run.air_degc:.0f}",
            Span(str(run.to_look_at), "suspect" if run.to_look_at else "good"),
            Span(run.not_fine_words or NOTHING, "dim"),
        )

    def _about(self, key: Key | None) -> None:
        run = self._runs.get(str(key))

        def lines(width: int, _: int) -> list[list[Span]]:
            if run is None:
                return []
            said = [line(Span(each, "strong")) for each in wrap(run.verdict, width)]
            for each in run.findings:
                said += finding_rows(each, f"{each.words} ({each.subject})", width)
            return said

        self.query_one("#about", Lines).show(lines)

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Say what is known of the run."""
        self._about(event.key)

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Open what is picked, else what the cursor stands on."""
        self.season.open_runs(self.picks or [str(event.key)])

    def action_pick(self) -> None:
        """Pick the run, or drop it."""
        self.pick(self.picks, 2, "two runs can lie side by side")


# The channels of one or two runs --------------------------------------------------------------------------------------


class ChannelsOfRuns(RunsWork):
    """The channels with their numbers over the whole run."""

    FIRST = "#channels"
    TITLE = "channels of a run"
    HELP = """
    Each row is one channel with its lowest, mean and highest usable value over the run, and how far it can be trusted; what is not to be trusted comes first. With two runs the numbers of both stand side by side: 1 is the first run, 2 the second.

    "fine" only says that nothing was found in what was looked at. A dash says that the season does not know: an older version added the run. The panel below says why, and which findings name the channel.

    f lists the findings of the runs, i their identifiers.

    Enter plots the channel. To plot several, pick them with x first: a plot holds six curves, so six channels of one run, or three of two.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "pick", "Pick", tooltip="pick the channel for the plot, or drop it"),
        Binding("f", "findings", "Findings", tooltip="what was found in the runs"),
        Binding("i", "identifiers", "IDs", tooltip="the buses and identifiers of the runs"),
    ]
    DEFAULT_CSS = """
    ChannelsOfRuns #about { height: 5; border-top: solid $border; }
    """

    def __init__(self, wanted: Sequence[str] = ()) -> None:
        super().__init__()
        self.picks: list[str] = []
        self._wanted = tuple(wanted)

    def body(self) -> Iterable[Widget]:
        """Make the list."""
        yield Bar(id="settings")
        yield Rows(self._columns(), empty="no channel", opens="Plot", id="channels")
        yield Lines(id="about")

    def on_mount(self) -> None:
        """Go on to the plot if channels were asked for."""
        super().on_mount()
        if self._wanted:
            self._plot(self._wanted)

    def _columns(self) -> list[Column]:
        head = [Column("", 1), Column("channel", 22, grow=True), Column("unit", 6, rank=3)]
        if len(self.season.worker.runs) < 2:
            numbers = [Column(title, 11, right=True) for title in ("min", "mean", "max")]
            head.append(Column("trust", 10))
            return [*head, *numbers, Column("bad", 7, right=True, rank=1), Column("Hz", 7, right=True, rank=2)]
        head += [Column("trust 1", 10, rank=1), Column("trust 2", 10, rank=1)]
        pairs = [("mean 1", 0), ("mean 2", 0), ("max 1", 2), ("max 2", 2), ("min 1", 4), ("min 2", 4)]
        return [*head, *(Column(title, 11, right=True, rank=rank) for title, rank in pairs)]

    @property
    def most(self) -> int:
        """How many channels a plot holds."""
        return len(CURVES) // len(self.season.worker.runs)

    def show(self, snapshot: Snapshot) -> None:  # noqa: ARG002
        """Fill the list."""
        bad = {one.channel for each in self.season.worker.runs for one in each.run.not_fine}
        every = sorted(self.season.worker.channels, key=lambda each: each not in bad)
        channels = [each for each in every if self.matches(each, self._unit(each))]
        rows = self.query_one(Rows)
        rows.empty = self.why_empty("no channel")
        rows.show(channels, self._cells)
        plots = listed(self.picks, self.most) if self.picks else "it"
        count = len(self.season.worker.channels)
        shown = f"{plural(count, 'channel')}" if len(channels) == count else f"{len(channels)} of {count} channels"
        said = line(Span(f" {shown}   "), Span("Enter", "accent"), Span(f" plots {plots}   "))
        said += [Span("x", "accent"), Span(f" picks, {self.most} at most")]
        self.query_one("#settings", Bar).show([said])
        self._about(rows.key)

    def _numbers(self, channel: str) -> list[Numbers | None]:
        return [each.numbers.get(channel) for each in self.season.worker.runs]

    def _unit(self, channel: str) -> str:
        return next((units.shown(each.unit) for each in self._numbers(channel) if each is not None), "")

    def _cells(self, key: Key) -> Sequence[Cell]:
        channel = str(key)
        told = self._numbers(channel)
        letter = Span(str(self.picks.index(channel) + 1), "accent") if channel in self.picks else Span("")
        head: list[Cell] = [letter, channel, Span(self._unit(channel), "dim")]
        for run in self.season.worker.runs:
            state, _ = run.run.trust_of(channel)
            head.append(Span(state or NOTHING, TRUST_TONES.get(state, "dim")))
        if len(told) == 1:
            one = told[0]
            if one is None:
                return [*head, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING]
            bad = Span(f"{(one.bad or 0.0) * 100:.1f} %", "suspect" if one.bad else "dim")
            rate = NOTHING if one.rate is None else f"{one.rate:.4g}"
            return [*head, *(_value(value) for value in (one.min, one.mean, one.max)), bad, rate]
        cells = [_value(None if one is None else getattr(one, of)) for of in ("mean", "max", "min") for one in told]
        return [*head, *cells]

    def _about(self, key: Key | None) -> None:
        """Say why a channel can be trusted or not, and what was found of it."""
        channel = "" if key is None else str(key)
        runs = [each.run for each in self.season.worker.runs]

        def lines(width: int, _: int) -> list[list[Span]]:
            said: list[list[Span]] = []
            for k, run in enumerate(runs, 1) if channel else ():
                start = [Span(f"{k} ", "accent")] if len(runs) > 1 else []
                state, why = run.trust_of(channel)
                word = Span(f"{state}: " if state else "", TRUST_TONES.get(state, "dim"))
                said += hanging([*start, word], why or "How far it can be trusted is on the trust page only.", width)
                for each in run.findings:
                    if each.subject == f"channel:{channel}":
                        said += finding_rows(each, each.words, width, start)
            return said

        self.query_one("#about", Lines).show(lines)

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Say what is known of the channel."""
        self._about(event.key)

    def action_findings(self) -> None:
        """List what was found."""
        self.app.push_screen(RunFindings())

    def action_identifiers(self) -> None:
        """List the identifiers."""
        self.app.push_screen(RunIdentifiers())

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Plot."""
        self._plot(self.picks or [str(event.key)])

    def _plot(self, channels: Sequence[str]) -> None:
        worker = self.season.worker
        names = [name for channel in channels[: self.most] for name in worker.names_of(channel)]
        if names:
            self.app.push_screen(PlotOfRuns(names))
        else:
            self.notify(f"{listed(list(channels), 3)}: no sample came", timeout=6)
        if left := channels[self.most :]:
            self.notify(f"a plot holds {self.most} channels of these runs; not shown: {', '.join(left)}", timeout=8)

    def action_pick(self) -> None:
        """Pick the channel, or drop it."""
        self.pick(self.picks, self.most, f"a plot holds {self.most} channels of these runs")


def _value(value: float | None) -> str:
    return NOTHING if value is None else number(value, decimals_by_size(value))


# The plot -------------------------------------------------------------------------------------------------------------


class PlotOfRuns(RunsWork, PlotScreen):
    """Curves of one run, or of two on one time axis."""

    TITLE = "plot"
    HELP = (
        PlotScreen.READING
        + """Time counts from the first frame of each run. The plot begins with the whole run.
    """
        + """
    With two runs, 1 and 2 before a name say which run it is. [ and ] move the second run by a cell, { and } by ten. e puts an event of both runs together: set the cursor on an edge of the channel ▸, for example where the throttle opens, and press e; the same edge of the second run moves there. e again takes its next such edge. s puts both starts together again.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("left_square_bracket", "shift(-1)", "Move run 2", key_display="[]", tooltip="run 2: a cell earlier"),
        Binding("right_square_bracket", "shift(1)", "Move", key_display="]", show=False, tooltip="a cell later"),
        Binding("left_curly_bracket", "shift(-10)", "Move", key_display="{", show=False, tooltip="ten cells earlier"),
        Binding("right_curly_bracket", "shift(10)", "Move", key_display="}", show=False, tooltip="ten cells later"),
        Binding("h", "pan(-0.25)", "Pan", show=False, tooltip="earlier"),  # room for the keys of two runs
        Binding("a", "all", "All", show=False, tooltip="all of the run"),
        Binding("k", "stack", "Strips", show=False, tooltip="each channel in a strip of its own, or all in one"),
        Binding("e", "align", "Align", tooltip="move run 2 so that its edge like that at the cursor stands there"),
        Binding("s", "start", "Starts", tooltip="both runs from their start"),
    ]

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__(names)
        self._fitted = False

    def show(self, snapshot: Snapshot) -> None:
        """Draw; at first all of it."""
        if not self._fitted and (extent := self.extent) is not None:
            self._fitted = True
            self.view = type(self.view)(extent.span_ns)
        super().show(snapshot)

    def _waiting(self) -> str:
        return "Reading the samples." if not self.plotted() else "These channels have no sample."

    def _ask_whole(self) -> bool:
        return False  # it is there

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only two runs can be moved against each other."""
        if action in ("shift", "align", "start") and len(self.season.worker.runs) < 2:
            return False
        return super().check_action(action, parameters)

    def action_shift(self, cells: int) -> None:
        """Move the second run."""
        extent = self.extent
        if extent is not None and self._picture is not None:
            start, stop = self.view.edges(extent)
            self.season.worker.move(cells * max((stop - start) // self._picture.cells, 1))

    def action_start(self) -> None:
        """Put the starts together."""
        self.season.worker.at_start()

    def action_align(self) -> None:
        """Put an event of both together."""
        if self.cursor_ns is None:
            self.notify("set the cursor on an edge first: ← → or a click", timeout=5)
            return
        channel = split(self.lead)[1]
        done = self.season.worker.align(channel, self.cursor_ns)
        if done is None:
            told = f"{channel} has no edge at the cursor that both runs have: set it where the value rises or falls"
            self.notify(told, severity="warning", timeout=6)
        else:
            self.notify(f"aligned where {done}; e again takes the next one", timeout=4)
