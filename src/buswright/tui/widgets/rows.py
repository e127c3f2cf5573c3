"""A list with columns: hundreds of rows, of which only the visible ones are made; the cursor stays on its row.

The owner gives keys in an order and a function that makes the cells of one key. While the user has moved the cursor,
the order is held, so that nothing jumps away under it: rows that are new come behind, and `o` (or going back to the
first row) takes the owner's order again.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.strip import Strip

from buswright.tui.widgets.toned import Line, Piece, Span, Toned, fitted, line

Cell = Piece | Sequence[Span]
Key = Hashable


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    title
        Its heading, with the unit where all cells have the same.
    width
        Cells; fixed, so that nothing jitters when numbers change.
    right
        Aligned to the right: numbers.
    rank
        Where there is no room, columns of the highest rank go first; 0 never goes.
    grow
        Takes the room that is left; several share it.
    """

    title: str
    width: int
    right: bool = False
    rank: int = 0
    grow: bool = False


@dataclass(frozen=True, slots=True)
class Heading:
    """A key that is a heading over the rows behind it: it can't be chosen."""

    title: str


class Rows(Toned, can_focus=True):
    """The list.

    Parameters
    ----------
    columns
        From left to right.
    empty
        Shown while there is no row: why, and what to do.
    opens
        What Enter does with the row under the cursor, in a word for the line of keys; empty: nothing.
    """

    DEFAULT_CSS = """
    Rows { overflow-x: hidden; overflow-y: scroll; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,k", "move(-1)", "Up", show=False),
        Binding("down,j", "move(1)", "Down", show=False),
        Binding("pageup", "page(-1)", "Page up", show=False),
        Binding("pagedown", "page(1)", "Page down", show=False),
        Binding("home", "edge(-1)", "First", show=False),
        Binding("end", "edge(1)", "Last", show=False),
        Binding("o", "reorder", "Order again", show=False),
        Binding("enter", "choose", "Open", show=False),
    ]

    ALONE: ClassVar[bool] = True
    """The only list of its screen: its cursor is shown while the focus is elsewhere."""

    class Moved(Message):
        """The cursor stands on another row."""

        def __init__(self, rows: Rows, key: Key | None) -> None:
            self.rows = rows
            self.key = key
            super().__init__()

    class Chosen(Moved):
        """Enter, or a click on the row under the cursor."""

    def __init__(
        self,
        columns: Sequence[Column],
        *,
        empty: str = "nothing here yet",
        opens: str = "",
        id: str | None = None,  # noqa: A002  (Textual's word)
        classes: str | None = None,
    ) -> None:
        super().__init__(id=id, classes=classes)
        self.columns = tuple(columns)
        self.empty = empty
        self.opens = opens
        self.key: Key | None = None
        """Where the cursor is."""
        self._keys: list[Key] = []
        self._wanted: list[Key] = []
        self._cells: Callable[[Key], Sequence[Cell]] = lambda key: (str(key),)
        self._touched = False
        self._drawn: dict[Key, list[Span]] = {}
        self._layout: tuple[int, list[tuple[int, int]]] = (-1, [])

    # What is shown ------------------------------------------------------------------------------------------------

    def show(self, keys: Sequence[Key], cells: Callable[[Key], Sequence[Cell]]) -> None:
        """Show these rows; `cells` makes those of one key, one cell a column, and is asked for visible rows only."""
        self._wanted = list(keys)
        self._cells = cells
        self._drawn.clear()
        self._order()
        self.virtual_size = Size(self.scrollable_content_region.width, len(self._keys) + 1)
        self.refresh()

    def set_columns(self, columns: Sequence[Column], empty: str | None = None) -> None:
        """Show other columns from now on."""
        self.columns = tuple(columns)
        self.empty = self.empty if empty is None else empty
        self._layout = (-1, [])
        self._drawn.clear()
        self.refresh()

    @property
    def held(self) -> bool:
        """Whether the order is held because the cursor was moved."""
        return self._touched

    @property
    def keys(self) -> tuple[Key, ...]:
        """Keys in the order shown."""
        return tuple(self._keys)

    @property
    def text(self) -> str:
        """All rows with the columns' titles, without tones; columns apart by tabs."""
        lines = ["\t".join(column.title for column in self.columns)]
        for key in self._keys:
            if isinstance(key, Heading):
                lines.append(key.title)
            else:
                cells = [line(each) if isinstance(each, str | Span) else each for each in self._cells(key)]
                lines.append("\t".join("".join(span.text for span in cell).strip() for cell in cells).rstrip())
        return "\n".join(lines)

    def go_to(self, key: Key) -> bool:
        """Put the cursor on a row; False if it isn't there."""
        if key not in self._keys or isinstance(key, Heading):
            return False
        self._touched = True
        self._put(key)
        return True

    def _order(self) -> None:
        """Take the owner's order, or hold the one that is shown."""
        if not self._touched or any(isinstance(key, Heading) for key in self._wanted):
            self._keys = list(self._wanted)
        else:
            wanted = set(self._wanted)
            shown = [key for key in self._keys if key in wanted]
            known = set(shown)
            self._keys = shown + [key for key in self._wanted if key not in known]
        if self.key not in self._keys or self.key is None:
            self._put(self._first(), quietly=self.key is None)
        elif not self._touched:
            self._put(self._first(), quietly=False)

    def _first(self) -> Key | None:
        return next((key for key in self._keys if not isinstance(key, Heading)), None)

    # The cursor ---------------------------------------------------------------------------------------------------

    def _put(self, key: Key | None, *, quietly: bool = False) -> None:
        if key == self.key:
            return
        self.key = key
        if key is not None:
            at = self._keys.index(key)
            if at <= 1:
                self.scroll_to(y=0, animate=False)
            else:
                self.scroll_to_region(Region(0, at, 1, 2), animate=False)
        self.refresh()
        if not quietly or key is not None:
            self.post_message(self.Moved(self, key))

    def action_move(self, rows: int) -> None:
        """Move the cursor by so many rows."""
        choosable = [key for key in self._keys if not isinstance(key, Heading)]
        if not choosable:
            return
        at = choosable.index(self.key) if self.key in choosable else 0
        at = min(max(at + rows, 0), len(choosable) - 1)
        self._touched = True
        self._put(choosable[at])
        if at == 0 and rows < 0:
            self.action_reorder()

    def action_page(self, pages: int) -> None:
        """Move it by windows."""
        self.action_move(pages * max(1, self.scrollable_content_region.height - 2))

    def action_edge(self, edge: int) -> None:
        """Go to the first or the last row."""
        self.action_move(edge * len(self._keys))

    def action_reorder(self) -> None:
        """Take the owner's order again."""
        self._touched = False
        self._order()
        self.refresh()

    def action_choose(self) -> None:
        """Open the row."""
        if self.key is not None:
            self.post_message(self.Chosen(self, self.key))

    def on_click(self, event: events.Click) -> None:
        """Move the cursor to a row; open the one it is on."""
        at = event.y + self.scroll_offset.y - 1
        if event.y == 0 or not 0 <= at < len(self._keys) or isinstance(self._keys[at], Heading):
            return
        if self._keys[at] == self.key and event.chain == 2:
            self.action_choose()
        self._touched = True
        self._put(self._keys[at])

    # Drawing ------------------------------------------------------------------------------------------------------

    def on_resize(self) -> None:
        """Lay out the columns for the new width."""
        self._drawn.clear()

    def _columns(self) -> list[tuple[int, int]]:
        """Which columns there is room for, and their widths."""
        width = self.scrollable_content_region.width - 1  # the last cell is the cursor's mark
        if self._layout[0] == width:
            return self._layout[1]
        self._drawn.clear()  # rows drawn for another width
        kept = list(range(len(self.columns)))
        while sum(self.columns[at].width + 1 for at in kept) > width:
            worst = max(kept, key=lambda at: (self.columns[at].rank, at))
            if self.columns[worst].rank == 0:
                break
            kept.remove(worst)
        left = width - sum(self.columns[at].width + 1 for at in kept)
        growing = [at for at in kept if self.columns[at].grow]
        layout = []
        for at in kept:
            share = left // len(growing) if at in growing and left > 0 else 0
            layout.append((at, self.columns[at].width + share))
        self._layout = (width, layout)
        return layout

    def _heading(self) -> list[Span]:
        spans: list[Span] = []
        for at, width in self._columns():
            column = self.columns[at]
            spans += [*fitted([Span(column.title, "dim")], width, right=column.right), Span(" ")]
        return spans

    def _row(self, key: Key) -> list[Span]:
        if isinstance(key, Heading):
            return [Span(key.title, "head")]
        cells = self._cells(key)
        spans: list[Span] = []
        for at, width in self._columns():
            cell = cells[at]
            pieces: Line = line(cell) if isinstance(cell, str | Span) else cell
            spans += [*fitted(pieces, width, right=self.columns[at].right), Span(" ")]
        return spans

    def _row_or_why_not(self, key: Key) -> list[Span]:
        """Return a row; one that can't be made says so and costs no other."""
        try:
            return self._row(key)
        except Exception as fault:  # noqa: BLE001  (drawing goes on)
            self.app.call_later(self.tell, f"the row of {key} could not be made", fault)
            return [Span(f"{key}: could not be shown", "fault")]

    def render_line(self, y: int) -> Strip:
        """Draw one line of the window: the columns' titles, which stay, or a row."""
        if y == 0:
            return self.drawn(self._heading())
        at = y + self.scroll_offset.y - 1
        if not self._keys and y == 2:
            return self.drawn([Span("  " + self.empty, "dim")])
        if at >= len(self._keys):
            return self.blank()
        key = self._keys[at]
        self._columns()
        spans = self._drawn.get(key)
        if spans is None:
            spans = self._drawn[key] = self._row_or_why_not(key)
        here = key == self.key and (self.has_focus or self.ALONE)
        if here:  # a mark shows the cursor too, not colour alone
            room = self.scrollable_content_region.width - 1
            spans = [*fitted(spans, room), Span("‹")]
        return self.drawn(spans, here=here)


class Part(Rows):
    """One of several lists of a screen: its cursor is shown only where the focus is."""

    ALONE = False

    def on_focus(self) -> None:
        """Show the cursor."""
        self.refresh()

    def on_blur(self) -> None:
        """Take it away."""
        self.refresh()
