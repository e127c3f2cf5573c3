"""All channels: value, state and quality of each, and where the one under the cursor comes from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from textwrap import wrap
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.widget import Widget

from buswright.channels.carfile.model import CarFile
from buswright.channels.following.model import ChannelNow
from buswright.diagnosis.now.channels import FINE, judge_channel
from buswright.tui.digits import decimals_of
from buswright.tui.screens.channel_words import CURVES
from buswright.tui.screens.channels import rows as channel_rows
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Cell, Key, Rows
from buswright.tui.widgets.toned import Lines, Span
from buswright.worker.snapshot import Snapshot

_ORDER_WORDS = {"file": "as in the car file", "worst": "worst first", "name": "by name"}
_ADVICE = (
    "Add a database (--dbc FILE) to see its signals here, or a car file (--car FILE) to see calibrated channels with "
    "limits and wiring. `buswright draft SOURCE --dbc FILE --out car.toml` makes a first car file. Without either, "
    "Buswright can't tell what the frames mean. Screen 2 shows the frames."
)


WIDE = 160
"""From this width on the panel about a channel stands beside the list, with a plot."""
PANEL = 60
"""Cells of it there, with its border."""


class ChannelsScreen(WorkScreen):
    """The list of channels."""

    NAME = "channels"
    FIRST = "#channels"
    HELP = """
    Each row is one channel. Read its state first. "ok": inside its limits. "caution" or "WARNING": beyond a limit of the car file, ↓ below it or ↑ above it. "BAD": don't use the value; the quality says why. "SILENT": no sample any more. "waiting": no sample yet.

    To compare channels, pick up to six with x, then press Enter to plot them. Without picks, Enter plots the channel under the cursor. To see what bad channels share, group them by plug, supply or ground (b).

    Input is the reading at the module's pin, before calibration. A broken or shorted wire shows there first. Min and max are of usable values, since the start or since z. Rate is measured over two seconds; behind the stroke is the expected rate. Raw is the number in the frame.

    The last minute runs from left to right. Each block shows the value furthest from the usual one, so a short glitch is visible. × is a time with bad samples, a dot a time without any.

    The panel below shows the limits, the quality in full and the wiring of the channel under the cursor. In a wide window it stands beside the list, and plots the last minute.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("s", "order", "Order", tooltip="order: as in the car file, worst first, or by name"),
        Binding("b", "group", "Group", tooltip="group: by module, plug, supply, ground, bus, or not at all"),
        Binding("f", "filter", "Filter", tooltip="show all, or only those that need a look"),
        Binding("x", "pick", "Pick", tooltip="pick the channel for the plot, or drop it; six at most"),
        Binding("z", "reset", "Reset min/max", tooltip="restart minimum and maximum of all channels"),
    ]
    DEFAULT_CSS = """
    ChannelsScreen #both { layout: vertical; height: 1fr; }
    ChannelsScreen #about { height: 7; border-top: solid $border; }
    ChannelsScreen.-low #about { height: 6; }
    ChannelsScreen.-wide #both { layout: horizontal; }
    ChannelsScreen.-wide #channels { width: 1fr; }
    ChannelsScreen.-wide #about { width: 60; height: 1fr; padding: 0 1; border-top: none; border-left: solid $border; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.order: channel_rows.Order = "file"
        self.group: channel_rows.Group | None = None
        self.only_concerns = False
        self.picks: list[str] = []
        self._channels: dict[str, ChannelNow] = {}
        self._car: CarFile | None = None
        self._decimals: dict[str, int] = {}
        self._shown = 0

    # Drawing ------------------------------------------------------------------------------------------------------

    def body(self) -> Iterable[Widget]:
        """Make settings, list, and a panel about the channel under the cursor."""
        yield Bar(id="settings")
        with_list = Rows(channel_rows.columns_for(80), empty="no channel", id="channels")
        yield Container(with_list, Lines(id="about"), id="both")

    def on_resize(self) -> None:
        """Fit the columns to the window."""
        self.set_class(self.size.height < 30, "-low")
        self.set_class(self._wide, "-wide")
        self.query_one(Rows).set_columns(channel_rows.columns_for(self._list_width))
        self.again()

    @property
    def _wide(self) -> bool:
        return self.size.width >= WIDE

    @property
    def _list_width(self) -> int:
        return self.size.width - (PANEL if self._wide else 0)

    @property
    def groups(self) -> tuple[channel_rows.Group, ...]:
        """By what channels may be grouped, the first one to begin with."""
        known = self.snapshot is not None and self.snapshot.car is not None
        return channel_rows.GROUPS_OF_CAR if known else channel_rows.GROUPS_OF_DATABASE

    @property
    def grouping(self) -> channel_rows.Group:
        """By what they are grouped."""
        return self.group if self.group in self.groups else self.groups[0]

    def show(self, snapshot: Snapshot) -> None:
        """Fill the list."""
        if snapshot.car is not self._car:
            self._car = snapshot.car
            self._decimals = decimals_of(snapshot.car)
        self._channels = {each.name: each for each in snapshot.channels}
        self.picks = [name for name in self.picks if name in self._channels]
        shown = [each for each in snapshot.channels if self._wanted(each)]
        self._shown = len(shown)
        rows = self.query_one(Rows)
        rows.empty = self._empty()
        rows.show(channel_rows.keys_of(shown, self.order, self.grouping), self._cells)
        self.query_one("#settings", Bar).show([self._settings()])
        self._about(rows.key)

    def _wanted(self, channel: ChannelNow) -> bool:
        if self.only_concerns and judge_channel(channel).concern == FINE:
            return False
        return self.matches(*channel_rows.texts_of(channel))

    def _empty(self) -> str:
        if not self._channels:
            return "no channels"
        return self.why_empty("no channel needs a look; f shows all")

    def _cells(self, key: Key) -> Sequence[Cell]:
        return channel_rows.cells_of(
            self._channels[str(key)],
            decimals=self._decimals,
            picks=self.picks,
            first_ns=self.snapshot.source.first_ns if self.snapshot else None,
            now_ns=self.snapshot.source.now_ns if self.snapshot else None,
            trace_cells=channel_rows.trace_cells_for(self._list_width),
            group=self.grouping,
        )

    def _settings(self) -> list[Span]:
        """Say the settings, each with its key."""
        total = len(self._channels)
        shown = "need a look" if self.only_concerns else "all"
        order = _ORDER_WORDS[self.order] if self._car or self.order != "file" else "as in the database"
        parts = [
            ("f", f"{shown}: {self._shown}" + (f" of {total}" if self._shown != total else "")),
            ("s", order),
            ("b", "not grouped" if self.grouping == "none" else f"by {self.grouping}"),
        ]
        letters = ", ".join(f"{curve[0]} {name}" for curve, name in zip(CURVES, self.picks, strict=False))
        parts.append(("Enter", f"plots {letters}" if letters else "plots it"))
        spans: list[Span] = []
        for key, text in parts:
            spans += [Span(" "), Span(key, "accent"), Span(f" {text} ")]
        return spans

    def _about(self, key: Key | None) -> None:
        panel = self.query_one("#about", Lines)
        if not self._channels:
            panel.show(lambda width, _: [[Span(each)] for each in wrap(_ADVICE, width)])
            return
        channel = self._channels.get(str(key))
        if channel is None:
            panel.show([])
            return
        known = self._car.channels.get(channel.name) if self._car else None
        if known is not None and known.signal is not None:
            signal = known.signal.signal
        else:
            signal = channel.name.rpartition("/")[2] if "/" in channel.name else ""
        now_ns = self.snapshot.source.now_ns if self.snapshot else None
        draws = channel_rows.page if self._wide else channel_rows.about
        panel.show(lambda width, _: draws(channel, signal, self._decimals, now_ns, width))

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Say what is known about the channel."""
        self._about(event.key)

    def on_rows_chosen(self) -> None:
        """Plot."""
        self.action_plot()

    def seek_row(self, key: object) -> None:
        """Go to a channel, showing all of them if the filter hides it."""
        if self.only_concerns and key not in self.query_one(Rows).keys:
            self.only_concerns = False
            self.again()
        super().seek_row(key)

    # Keys ---------------------------------------------------------------------------------------------------------

    def action_order(self) -> None:
        """Take the next order."""
        at = channel_rows.ORDERS.index(self.order)
        self.order = channel_rows.ORDERS[(at + 1) % len(channel_rows.ORDERS)]
        self.query_one(Rows).action_reorder()
        self.again()

    def action_group(self) -> None:
        """Group by the next thing."""
        at = self.groups.index(self.grouping)
        self.group = self.groups[(at + 1) % len(self.groups)]
        self.again()

    def action_filter(self) -> None:
        """Show all, or only what needs a look."""
        self.only_concerns = not self.only_concerns
        self.again()

    def action_pick(self) -> None:
        """Pick the channel for the plot, or drop it."""
        self.pick(self.picks, len(CURVES), f"a plot holds {len(CURVES)} channels")

    def action_reset(self) -> None:
        """Restart minimum and maximum."""
        self.bench.worker.reset_extremes()
        self.notify("minimum and maximum restarted", timeout=3)

    def action_plot(self) -> None:
        """Open the plot."""
        from buswright.tui.screens.plot.screen import PlotScreen

        name = self.query_one(Rows).key
        names = tuple(self.picks) or ((name,) if isinstance(name, str) else ())
        if names:
            self.app.push_screen(PlotScreen(names))
