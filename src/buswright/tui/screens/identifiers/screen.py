"""The identifiers: who is missing, late or new comes first; a row opens the identifier's own page."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.now.identifiers import limits_in_words
from buswright.tui.screens.identifiers.page import IdDetailScreen
from buswright.tui.screens.identifiers.page_lines import page
from buswright.tui.screens.identifiers.rows import (
    COLUMNS,
    EVERYTHING,
    SORTS,
    IdRow,
    OfModule,
    cells_of,
    filters_of,
    passes,
    rows_of,
    tone_of,
)
from buswright.tui.screens.work_screen import BARS, WorkScreen
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Key, Rows
from buswright.tui.widgets.toned import Lines, Span, line, width_of
from buswright.worker.snapshot import Snapshot

TALL, LEAST = 50, 16
"""Lines of a window that has room for the identifier under the cursor below the list, and of that room at least."""
_LINES_AROUND = 4
"""The heading, that of the list, and two lines below it."""
_AGAIN = 8
"""It is asked for again when so many snapshots came without it: another screen may have asked for none."""
_NONE_YET = "no identifier yet: is something sending, and is the bit rate right?"


class IdentifiersScreen(WorkScreen):
    """The list of identifiers."""

    NAME = "identifiers"
    FIRST = "#ids"
    HELP = """
    Every identifier (ID) that came, and every one that the car file or the database expects. Those that need a look are at the top. Enter shows bits, signals, timing and gaps of one. Three hex digits: 11 bits. Eight: 29 bits.

    Read the first column first. "MISSING": silent for long, or never came. "late": overdue, or frames come too far apart. "fast": several times its rate. "gaps": frames are missing; the line below says why. "new": appeared while the bus was already running. "off rate": steady, but not at the declared rate. "unknown id": not in the database. "only asked": remote frames ask for it, without an answer. "on change": sent only when something changes, so silence is no fault. "ok": none of these.

    A finding has its own word: 2 senders, lost some, frozen, counter, checksum, length, irregular. "too few", "no rhythm", "no times" and "waiting" can't be judged.

    The lines below the list say why the row under the cursor has its word, and which limits were used. In a tall window the beginning of its own page stands below them.

    now, due: frames a second over the last two seconds, and the rate it should have. age: seconds since the last frame. missing: frames that should have come; 12+ while the silence lasts. miss %: of all that should have come. sd, 99.9 %: how much the spacing of frames varies, in parts of the period. len: payload bytes; 6≠8 came with 6 where 8 are declared, 8! had another length before. share: of what the bus carries.

    When you move the cursor the order stays as it is. o, or going up to the first row, sorts again.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f", "filter", "Filter", tooltip="show all, those that need a look, unknown ones, or one bus"),
        Binding("s", "sort", "Sort", tooltip="by importance, ID, rate, load or missing frames"),
    ]

    DEFAULT_CSS = """
    IdentifiersScreen #ids-why { height: 1; }
    IdentifiersScreen #ids-limits { height: 1; }
    IdentifiersScreen #ids-closely { border-top: solid $border; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._filter: str | OfModule = EVERYTHING
        self._sort = "importance"
        self._rows: dict[Key, IdRow] = {}
        self._filters: tuple[str, ...] = (EVERYTHING,)
        self._shown = 0
        self._asked: tuple[Key | None, int] = None, 0

    def body(self) -> Iterable[Widget]:
        """Put what is shown above the list, and what the words mean below it."""
        yield Bar(id="ids-what")
        yield Rows(
            COLUMNS,
            empty=_NONE_YET,
            opens="Look closely",
            id="ids",
        )
        yield Bar(id="ids-why")
        yield Bar(id="ids-limits")
        yield Lines(id="ids-closely")

    def on_screen_suspend(self) -> None:
        """Look closely at none, unless its own page is opened."""
        if self._asked[0] is not None and not isinstance(self.app.screen, IdDetailScreen):
            self.bench.worker.look_at(None)
        self._asked = None, 0

    def show(self, snapshot: Snapshot) -> None:
        """Fill the list."""
        rows = rows_of(snapshot)
        self._rows = {row.key: row for row in rows}
        self._filters = filters_of(rows)
        if isinstance(self._filter, str) and self._filter not in self._filters:
            self._filter = EVERYTHING
        chosen = [
            row
            for row in rows
            if passes(row, self._filter)
            and self.matches(f"{row.bus}/{row.id_text}", row.message, row.module, row.state.word)
        ]
        chosen.sort(key=SORTS[self._sort])
        self._shown = len(chosen)
        listing = self.query_one(Rows)
        listing.set_columns(COLUMNS, self._empty())
        listing.show([row.key for row in chosen], lambda key: cells_of(self._rows[key]))
        self._look_closely(snapshot)
        self._tell(snapshot)

    def _empty(self) -> str:
        if not self._rows:
            return _NONE_YET if self.snapshot is None else _nobody(self.snapshot)
        return self.why_empty("none of these: f shows others")

    def _look_closely(self, snapshot: Snapshot) -> None:
        """Show in a tall window what the page of the identifier under the cursor does, as far as there is room."""
        panel, key = self.query_one("#ids-closely", Lines), self.query_one(Rows).key
        panel.display = self.size.height >= TALL and isinstance(key, FrameName)
        if not panel.display or not isinstance(key, FrameName):
            return
        left = self.size.height - BARS - _LINES_AROUND - self._shown
        panel.styles.height = min(max(left, LEAST), self.size.height // 2)
        detail = snapshot.detail
        if detail is not None and detail.name == key and key in snapshot.verdicts.ids:
            panel.show(lambda width, _: page(snapshot, detail, matches=lambda *_: True, width=width))
        elif self._asked[0] != key or snapshot.number - self._asked[1] >= _AGAIN:
            self._asked = key, snapshot.number
            self.bench.worker.look_at(key)

    # The lines around the list ------------------------------------------------------------------------------------

    def _tell(self, snapshot: Snapshot) -> None:
        listing = self.query_one(Rows)
        look = sum(row.state.needs_a_look for row in self._rows.values())
        words = self._filter if isinstance(self._filter, str) else f"{self._filter.module} on {self._filter.bus}"
        what = line(
            Span("showing ", "dim"),
            Span(words, "strong"),
            Span(f" ({self._shown} of {len(self._rows)})  sorted by ", "dim"),
            Span(self._sort, "strong"),
            Span("  held, o lets go" if listing.held else "", "note"),
        )
        tail = line(
            Span("Enter opens one   ", "dim"),
            Span(
                f"{look} need{'s' if look == 1 else ''} a look" if look else "none needs a look",
                "suspect" if look else "good",
            ),
        )
        self.query_one("#ids-what", Bar).show(lambda width, _: [_between(what, tail, width)])
        row = None if listing.key is None else self._rows.get(listing.key)
        self.query_one("#ids-why", Bar).show([_why(row)])
        limits = limits_in_words(snapshot.moment)
        self.query_one("#ids-limits", Bar).show(lambda width, _: [[Span(_as_many(limits, width), "dim")]])

    def on_rows_moved(self) -> None:
        """Explain the row under the cursor."""
        if self.snapshot is not None:
            self._tell(self.snapshot)
            self._look_closely(self.snapshot)

    # Keys ---------------------------------------------------------------------------------------------------------

    def action_filter(self) -> None:
        """Go to the next filter."""
        at = self._filters.index(self._filter) if self._filter in self._filters else -1
        self._change(self._filters[(at + 1) % len(self._filters)])

    def action_sort(self) -> None:
        """Go to the next order, and take it at once."""
        orders = list(SORTS)
        self._sort = orders[(orders.index(self._sort) + 1) % len(orders)]
        self._change(self._filter)

    def _change(self, chosen: str | OfModule) -> None:
        self._filter = chosen
        self.query_one(Rows).action_reorder()
        self.again()

    def action_back(self) -> None:
        """Take back the search, then the filter."""
        if not self.sought and self._filter != EVERYTHING:
            self._change(EVERYTHING)
        else:
            super().action_back()

    def only_module(self, bus: str, module: str) -> None:
        """Show the identifiers of one module only."""
        self._change(OfModule(bus, module))

    def seek_row(self, key: object) -> None:
        """Put the cursor on an identifier, or show only those of a module (`OfModule`)."""
        if isinstance(key, OfModule):
            self.only_module(*key)
            return
        if self._filter != EVERYTHING:
            self._change(EVERYTHING)
        super().seek_row(key)

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Open the identifier's own page."""
        if isinstance(event.key, FrameName):
            self.app.push_screen(IdDetailScreen(event.key))
        else:
            self.notify("it never came, and only its name is known: there is nothing to look at", timeout=4)


def _nobody(snapshot: Snapshot) -> str:
    """Say why there is no identifier, in a line."""
    errors = sum(bus.error_frames for bus in snapshot.health.buses.values())
    if errors:
        return f"no identifier, but {errors:,} error frames: is the bit rate right? 4 says what was found"
    return _NONE_YET


def _between(left: list[Span], right: list[Span], width: int) -> list[Span]:
    """Put something at the right end, as much of its end as there is room for."""
    room = width - width_of(left) - width_of(right)
    while right and room <= 0:
        room += width_of(right[:1])
        right = right[1:]
    return [*left, Span(" " * room), *right] if room > 0 else left


def _why(row: IdRow | None) -> list[Span]:
    if row is None:
        return []
    return [Span(f"{row.id_text} ", "strong"), Span(f"{row.state.word}: ", tone_of(row.state)), Span(row.state.why)]


def _as_many(parts: tuple[str, ...], width: int) -> str:
    """Join as many parts as there is room for."""
    text = parts[0]
    for part in parts[1:]:
        if len(text) + len(part) + 3 > width:
            break
        text += f" · {part}"
    return text
