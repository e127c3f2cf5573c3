"""What all screens have in common: the bars above and below, the newest snapshot, search, help."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TYPE_CHECKING, ClassVar, cast

from textual import events
from textual.actions import SkipAction
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Input

from buswright.tui.bench import Bench, Guarded
from buswright.tui.exporting import Export
from buswright.tui.search import fits
from buswright.tui.widgets.bars import Bar, SearchLine, Tabs, TimeBar, TopBar
from buswright.tui.widgets.key_bar import KeyBar
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import Lines

if TYPE_CHECKING:
    from buswright.worker.snapshot import Snapshot

BARS = 4
"""Lines of the window that the bars take: source, tabs, time line, keys."""


class WorkScreen(Guarded, Screen[None]):
    """One of the workbench's screens.

    A subclass says its `NAME` and `HELP`, makes its widgets in `body`, and fills them in `show`. What raises in
    `show` becomes a notice, and the screen gets the next snapshot all the same.
    """

    NAME: ClassVar[str] = ""
    """As it is called in the app: overview, identifiers…; empty for a screen opened from another."""
    HELP: ClassVar[str] = ""
    """What it shows and how to read it, a few short paragraphs of plain text; keys are listed by themselves."""
    FIRST: ClassVar[str] = ""
    """CSS selector of the widget that has the focus at first."""
    AUTO_FOCUS = ""
    """Nothing else gets it by itself: the hidden search line would swallow every key."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("slash", "search", "Search", key_display="/", priority=True),
        Binding("escape,backspace", "back", "Back", show=False),
    ]

    DEFAULT_CSS = """
    WorkScreen { layout: vertical; background: $background; color: $foreground; }
    """

    def __init__(self) -> None:
        super().__init__()
        # What is mounted gets its styles then. Textual would read all style sheets anew for a screen that is new to it.
        self._css_update_count = self.app._css_update_count
        self.snapshot: Snapshot | None = None
        self.sought = ""
        """What is searched for; a list that takes part shows only what contains it."""

    @property
    def bench(self) -> Bench:
        """The app, which knows the worker."""
        return cast("Bench", self.app)

    # For subclasses -----------------------------------------------------------------------------------------------

    def body(self) -> Iterable[Widget]:
        """Make the widgets between the bars."""
        return ()

    def show(self, snapshot: Snapshot) -> None:
        """Fill the widgets; called for every new snapshot while the screen is in front, and when it gets there."""

    def again(self) -> None:
        """Show the same snapshot once more, after a setting of the screen changed."""
        if self.snapshot is not None:
            self.receive(self.snapshot)

    def pick(self, picks: list[str], most: int, full: str) -> None:
        """Pick what the cursor stands on, or drop it; `full` says why there are no more than so many."""
        name = self.query_one(Rows).key
        if not isinstance(name, str):
            return
        if name in picks:
            picks.remove(name)
        elif len(picks) == most:
            self.notify(f"{full}; x on a picked one drops it", timeout=4)
        else:
            picks.append(name)
        self.again()

    def forget_search(self) -> None:
        """Show everything again."""
        if self.sought:
            self.query_one(SearchLine).clear()
            self.sought = ""
            self.again()

    def seek_row(self, key: object) -> None:
        """Put the cursor on the row with this key, clearing a search that hides it."""
        self.forget_search()
        for rows in self.query(Rows):
            if isinstance(key, Hashable) and rows.go_to(key):
                rows.focus()
                return

    def search_for(self, text: str) -> None:
        """Show only what contains this text, as if it had been typed; the list keeps the focus."""
        self.query_one(SearchLine).keep(text)

    def copied(self) -> str:
        """Return what the screen shows, as text: source and moment, then its panels and the whole of its lists."""
        shown = [each for each in self.query("Lines, Rows") if not isinstance(each, Bar) or each.id]
        texts = [each.text for each in (*self.query(TopBar), *shown) if isinstance(each, Lines | Rows)]
        return "\n".join(text for text in texts if text.strip())

    def exported(self) -> Export:
        """Return what the screen gives away as a file."""
        return Export.of_text(self.NAME or type(self).__name__.removesuffix("Screen").lower(), self.copied())

    # Common -------------------------------------------------------------------------------------------------------

    def compose(self) -> ComposeResult:
        """Put the bars around the body."""
        yield from self.above()
        yield from self.body()
        yield from self.below()
        yield SearchLine()
        yield KeyBar()

    def above(self) -> Iterable[Widget]:
        """Make the bars above the body."""
        yield TopBar()
        yield Tabs(self.NAME)

    def below(self) -> Iterable[Widget]:
        """Make the bar below it."""
        yield TimeBar()

    def draw_bars(self, snapshot: Snapshot) -> None:
        """Fill them."""
        self.query_one(TopBar).take(snapshot)
        self.query_one(TimeBar).take(snapshot)

    def on_mount(self) -> None:
        """Give the focus to the list, if by then nobody searches yet."""
        if self.FIRST:
            self.call_later(self._focus_first)

    def _focus_first(self) -> None:
        if self.focused is None:
            self.set_focus(self.query_one(self.FIRST))

    def on_screen_resume(self) -> None:
        """Show the newest snapshot when the screen comes to the front."""
        newest = self.bench.snapshot
        if newest is not None and self.app.screen is self:
            self.receive(newest)

    def receive(self, snapshot: Snapshot) -> None:
        """Take a snapshot; what goes wrong with it is told and logged, and nothing else."""
        self.snapshot = snapshot
        if not self.is_mounted or not self.is_running:
            return
        try:
            self.draw_bars(snapshot)
            self.show(snapshot)
            self.query_one(KeyBar).draw()
        except Exception as fault:  # noqa: BLE001  (a screen must not end the recording)
            self.bench.trouble(f"the {self.NAME or 'detail'} screen could not be drawn", fault)

    def matches(self, *texts: str) -> bool:
        """Whether the texts together contain what is searched for; everything does when nothing is."""
        return fits(self.sought, *texts)

    def why_empty(self, nothing: str) -> str:
        """Say why a list that takes part in the search is empty: for that, or else as given."""
        return f'nothing fits "{self.sought}"; Escape clears the search' if self.sought else nothing

    def action_search(self) -> None:
        """Type what to look for; the list follows while it is typed. The key goes before all others but to a line."""
        if isinstance(self.focused, Input):
            raise SkipAction
        if self.is_mounted:
            self.query_one(SearchLine).ask(self.sought)
        else:
            self.call_later(self.action_search)

    def on_paste(self, event: events.Paste) -> None:
        """Search for what is pasted."""
        text = event.text.strip().partition("\n")[0].removeprefix("/")
        if text:
            self.search_for(text)

    def on_search_line_sought(self, event: SearchLine.Sought) -> None:
        """Follow what is typed."""
        self.sought = event.text
        self.again()

    def on_search_line_closed(self) -> None:
        """Give the focus back."""
        if self.FIRST:
            self.query_one(self.FIRST).focus()
        else:
            self.set_focus(None)

    def action_back(self) -> None:
        """Take back the search; else close a screen that was opened from another."""
        line = self.query_one(SearchLine)
        if self.sought:
            line.clear()
        elif not self.NAME:
            self.dismiss()
