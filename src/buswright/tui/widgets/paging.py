"""Scrolling a page that fills a screen: by lines, by windows, to its ends."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding
from textual.screen import Screen

from buswright.tui.widgets.toned import Lines

PAGING = (
    Binding("escape", "back", "Back", key_display="Esc"),
    Binding("down,j", "scroll(1)", "Down", show=False),
    Binding("up,k", "scroll(-1)", "Up", show=False),
    Binding("pagedown", "page(1)", "Page down", key_display="PgDn", show=False),
    Binding("pageup", "page(-1)", "Page up", key_display="PgUp", show=False),
    Binding("home", "edge(-1)", "To the top", show=False),
    Binding("end", "edge(1)", "To the end", show=False),
)
"""The keys; for the `BINDINGS` of a screen."""


class Paged(Screen[None]):
    """A screen that is one page: `FIRST` is where it stands."""

    FIRST: ClassVar[str] = ""

    def action_scroll(self, lines: int) -> None:
        """Scroll by lines."""
        self.query_one(self.FIRST, Lines).scroll_relative(y=lines, animate=False)

    def action_page(self, pages: int) -> None:
        """Scroll by windows."""
        self.action_scroll(pages * max(1, self.query_one(self.FIRST, Lines).size.height - 2))

    def action_edge(self, edge: int) -> None:
        """Go to the top or to the end."""
        page = self.query_one(self.FIRST, Lines)
        if edge < 0:
            page.scroll_home(animate=False)
        else:
            page.scroll_end(animate=False)
