"""One identifier looked at closely: bits, signals, timing, counter, checksum, gaps."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels.carfile.model import FrameName
from buswright.messages.typed import EXAMPLE
from buswright.tui.screens.identifiers.page_lines import page, wrapped
from buswright.tui.screens.identifiers.rows import rows_of
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.tui.widgets.toned import Lines, Span, line, tone_of
from buswright.tui.widgets.trial_line import TrialLine
from buswright.worker.snapshot import IdDetail, Snapshot


class IdDetailScreen(WorkScreen):
    """The page of one identifier; the worker is asked for it while the screen is in front.

    Parameters
    ----------
    name
        Which.
    """

    TITLE = "One identifier"
    FIRST = "#id-page"
    HELP = (
        "The first lines say who the identifier is, how it is judged and why, and what its latest frame carried.\n\n"
        "Bits: a line for each byte, bit 7 left, bit 0 right. Each cell has the letter of the signal that the bit "
        "belongs to, the bit itself, and how often it changed from frame to frame over the last five seconds: "
        "blank never, then higher and higher blocks for under 1 %, under 10 %, under half of the frames, more. "
        "The lowest bits of a measured value move most: a bit that moves more than the next lower one of its "
        "signal hints at a wrong place or byte order. ? marks a bit that moves although no signal of the database "
        "is there. & marks a bit of several signals, - what the frame was too short for.\n\n"
        "Signals: the letter, the raw number as it was sent, and the value in its unit, or why there is none "
        "(another selection of a multiplexed message, the frame too short).\n\n"
        "Timing: how much the spacing of frames varies, and the spacings of the latest frames as a plot with the "
        "period T and the line over which a frame is late.\n\n"
        "Gaps: each silence with what must have happened: frames that were sent and lost make a counter jump, "
        "frames never sent leave it going on by one, a module that restarted comes back off its earlier timing.\n\n"
        "Trial signals: t types one, in the words of a data sheet and in any order, for example: "
        f"{EXAMPLE}. What is left out is little-endian, unsigned, times 1, plus 0. While you type, its bits get a "
        "letter, and its value and trace are shown. Enter takes it, so that you can try another one; d drops the "
        "latest. Move the quantity that you know: the right signal follows it. s saves the trials of this bus in a "
        "draft database and a draft car file.\n\n"
        "The search looks for signals by name."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "back", "Back", key_display="Esc"),
        Binding("t", "trial", "Try a signal", tooltip="types a signal, shown live beside the bits"),
        Binding("d", "drop", "Drop", show=False, tooltip="drops the latest trial signal"),
        Binding("s", "keep", "Save", show=False, tooltip="saves trial signals in a draft database and car file"),
        Binding("down,j", "scroll(1)", "Down", show=False),
        Binding("up,k", "scroll(-1)", "Up", show=False),
        Binding("pagedown", "page(1)", "Page down", key_display="PgDn", show=False),
        Binding("pageup", "page(-1)", "Page up", key_display="PgUp", show=False),
        Binding("home", "edge(-1)", "To the top", show=False),
        Binding("end", "edge(1)", "To the end", show=False),
    ]

    DEFAULT_CSS = """
    IdDetailScreen #id-page { overflow-y: scroll; }
    IdDetailScreen TrialLine { dock: bottom; }
    """

    def __init__(self, name: FrameName) -> None:
        super().__init__()
        self.identifier = name
        self._detail: IdDetail | None = None

    def body(self) -> Iterable[Widget]:
        """One page that scrolls."""
        yield Lines(id="id-page")
        yield TrialLine()

    def on_screen_resume(self) -> None:
        """Ask for the identifier when the screen comes to the front."""
        self.bench.worker.look_at(self.identifier)

    def on_screen_suspend(self) -> None:
        """Ask for it no longer."""
        self.bench.worker.look_at(None)

    def show(self, snapshot: Snapshot) -> None:
        """Fill the page; what was shown stays while a snapshot comes without it."""
        if snapshot.detail is not None and snapshot.detail.name == self.identifier:
            self._detail = snapshot.detail
        detail = self._detail
        if detail is None or detail.name not in snapshot.verdicts.ids:
            self.query_one("#id-page", Lines).show(lambda width, _: self._nothing(snapshot, width))
        else:
            self.query_one("#id-page", Lines).show(
                lambda width, _: page(snapshot, detail, matches=self.matches, width=width)
            )

    def _nothing(self, snapshot: Snapshot, width: int) -> Iterable[list[Span]]:
        yield line(Span(str(self.identifier), "head"))
        if self.identifier in snapshot.verdicts.ids:
            yield line(Span("looking…", "dim"))
            return
        if self.identifier in snapshot.health.ids and snapshot.scope is not None:
            yield from wrapped(f"Only {snapshot.scope.module} is looked at, and this is not its own.", width, "dim")
            return
        for row in rows_of(snapshot):
            if row.key == self.identifier:
                yield line(Span(row.state.word, tone_of(row.state)), Span(f"  {row.message}  {row.module}"))
                yield from wrapped(row.state.why, width)
                return
        yield from wrapped("It has not come up to the moment shown.", width, "dim")

    # Trial signals ------------------------------------------------------------------------------------------------

    def action_trial(self) -> None:
        """Type a signal; its bits, value and trace follow what is typed."""
        self.query_one(TrialLine).ask()

    def on_trial_line_typed(self, event: TrialLine.Typed) -> None:
        """Show the signal while it is typed."""
        self.bench.worker.type_trial(self.identifier, event.signal)

    def on_trial_line_taken(self, event: TrialLine.Taken) -> None:
        """Go on showing it."""
        self.bench.worker.take_trial(self.identifier, event.signal)
        self.notify("t tries another one; s saves them in a draft database and car file", timeout=4)

    def on_trial_line_closed(self) -> None:
        """Give the focus back."""
        self.query_one(self.FIRST).focus()

    def action_drop(self) -> None:
        """Drop the latest trial signal."""
        self.bench.worker.drop_trial(self.identifier)

    def action_keep(self) -> None:
        """Ask where to keep the trial signals of this bus."""
        if self._detail is None or not any(each.taken for each in self._detail.trials):
            self.notify("there is no trial signal yet: t types one, Enter takes it", timeout=4)
            return
        bus = self.identifier.bus
        hint = "A draft database (.dbc), and beside it a draft car file (.toml) with the signals as channels."
        self.app.push_screen(Prompt(f"Save the trial signals of {bus} as", hint, f"trial_{bus}.dbc"), self._keep)

    def _keep(self, text: str | None) -> None:
        if not text:
            return
        path, bus = Path(text).expanduser(), self.identifier.bus
        there = [each for each in (path.with_suffix(".dbc"), path.with_suffix(".toml")) if each.exists()]
        if not there:
            self.bench.worker.keep_trials(bus, path)
            return
        names = " and ".join(each.name for each in there)
        self.app.push_screen(
            Confirm(f"{names}: there already.", "Overwrite?"),
            lambda yes: self.bench.worker.keep_trials(bus, path, force=True) if yes else None,
        )

    # Keys ---------------------------------------------------------------------------------------------------------

    def action_scroll(self, lines: int) -> None:
        """Scroll by lines."""
        self.query_one("#id-page", Lines).scroll_relative(y=lines, animate=False)

    def action_page(self, pages: int) -> None:
        """Scroll by windows."""
        self.action_scroll(pages * max(1, self.query_one("#id-page").size.height - 2))

    def action_edge(self, edge: int) -> None:
        """Go to the top or to the end."""
        target = self.query_one("#id-page", Lines)
        if edge < 0:
            target.scroll_home(animate=False)
        else:
            target.scroll_end(animate=False)
