"""What is in front until the first snapshot: the lines around every screen, and what is being opened."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from textual.widget import Widget

from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.bars import Tabs, TopBar
from buswright.tui.widgets.toned import Plain, Span

if TYPE_CHECKING:
    from buswright.worker.snapshot import Snapshot


class OpeningScreen(WorkScreen):
    """The screen of an app that has no snapshot yet; it loads nothing that reads or judges.

    Parameters
    ----------
    first
        Name of the screen that comes then.
    title
        What is being opened; empty where nobody says.
    """

    HELP = (
        "The capture is being opened, or the first frames are awaited. The keys 1 to 7 choose the screen that comes "
        "first. q quits."
    )

    def __init__(self, first: str, title: str) -> None:
        super().__init__()
        self._first, self._title = first, title

    def above(self) -> Iterable[Widget]:
        """Make the bars above the body."""
        yield TopBar()
        yield Tabs(self._first)

    def body(self) -> Iterable[Widget]:
        """Make one panel."""
        yield Plain(id="opening")

    def on_mount(self) -> None:
        """Say what is being opened."""
        words = f"Opening {self._title}…" if self._title else "Waiting for the first frames…"
        self.query_one("#opening", Plain).show([[], [Span(f" {words}", "dim")]])

    def turn_to(self, first: str) -> None:
        """Have another screen come first."""
        self._first = first
        self.query_one(Tabs).turn_to(first)

    def action_back(self) -> None:
        """Take back a search; nothing lies behind this screen."""
        if self.sought:
            super().action_back()

    def receive(self, snapshot: Snapshot) -> None:  # noqa: ARG002  (the next screen asks for it)
        """Make way, once no dialog lies above."""
        if self.app.screen is self:
            self.app.switch_mode(self._first)
