"""Where `buswright watch` begins when it isn't told what to watch: captures here, live buses, the demo."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap
from typing import ClassVar

from rich.filesize import decimal
from textual import work
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType

from buswright.errors import CaptureError
from buswright.frames.captures.opening import open_capture
from buswright.frames.live.adapters import Adapters, find_adapters
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.themes import THEMES, theme_for
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.key_bar import KeyBar
from buswright.tui.widgets.rows import Cell, Column, Heading, Key, Rows
from buswright.tui.widgets.toned import Plain, Span, line

FILES_LOOKED_AT = 500
"""Files of a folder that are looked at, the newest first: a folder of thousands must not keep anybody waiting."""


@dataclass(frozen=True, slots=True)
class Offer:
    """Something to watch.

    Attributes
    ----------
    source
        The SOURCE that a command would be given.
    title, about
        What is shown of it.
    """

    source: str
    title: str
    about: str


def captures_in(folder: Path) -> list[Offer]:
    """Return the captures of a folder, told by their content, the newest first."""
    files = []
    for path in folder.iterdir():
        with contextlib.suppress(OSError):
            if path.is_file() and not path.name.startswith("."):
                files.append((path.stat().st_mtime, path))
    offers = []
    for written, path in sorted(files, reverse=True)[:FILES_LOOKED_AT]:
        try:
            capture = open_capture(path)
        except CaptureError:
            continue
        if not capture.size or not capture.paths:
            continue
        when = time.strftime("%Y-%m-%d %H:%M", time.localtime(written))
        offers.append(Offer(str(path), path.name, f"{capture.format}, {decimal(capture.size)}, written {when}"))
    return offers


def live_offers(adapters: Adapters) -> list[Offer]:
    """Return the buses that could be listened to."""
    return [
        Offer(
            each.live, each.name, f"{each.about}; listening only: {each.proof.listening if each.proof else 'not known'}"
        )
        for each in adapters.found
    ]


COLUMNS = (Column("what to watch", 30, grow=True), Column("what it is", 44, grow=True))
WORDS = (
    "Buswright only listens to a live bus. If it can't prove that an adapter listens only, it asks you first.",
    "It uses the car file car.toml in this folder. --car names another car file, --dbc a database.",
)
HELP = """
Choose what to watch and press Enter. The demo needs nothing: try the keys there first.

A capture is a file that was recorded. It is told by its content, whatever its name is. The newest one stands first. To look in another folder, give it: `buswright watch FOLDER`.

A live bus is what an adapter hears now. "listening only: proven" means that the adapter can't disturb the car. Where that isn't proven, Buswright asks you before it opens the bus.

While you watch, ? explains each screen, and Ctrl-P finds everything by its name.
"""  # noqa: E501  (one line a paragraph: it is wrapped for the window)
KEYS = (
    ("↑ ↓ PgUp PgDn Home End", "move in the list"),
    ("Enter", "watch it"),
    ("r", "look again, after you plugged in an adapter"),
    ("q Escape", "quit"),
)
DEMO = Offer("demo", "the demo", "the Wrenfell 3, an invented car, drives for a minute")


class Start(App[str | None]):
    """Offers what there is; ends with the SOURCE that was chosen, or None.

    Parameters
    ----------
    folder
        Where captures are looked for.
    find
        How live buses are found; it may take seconds, so it runs beside the screen.
    """

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("r", "look", "Look again"),
        Binding("question_mark", "help", "Help", key_display="?"),
        Binding("q,escape,ctrl+c", "leave", "Quit", key_display="q"),
        Binding("ctrl+z", "suspend_process", "Suspend", show=False),
    ]
    DEFAULT_CSS = """
    Start #words { height: 6; padding: 1 1 0 1; }
    """

    def __init__(self, folder: Path, *, find: Callable[[], Adapters] = find_adapters, theme: str | None = None) -> None:
        super().__init__()
        for each in THEMES:
            self.register_theme(each)
        self.theme = theme or theme_for(self.console.color_system)
        self._folder = folder
        self._find = find
        self._offers: dict[str, Offer] = {}
        self._said: tuple[str, ...] = ()

    def compose(self) -> ComposeResult:
        """Put a title over the list, and what else could be done under it."""
        yield Bar(id="question")
        yield Rows(COLUMNS, opens="Watch it", id="offers")
        yield Plain(id="words")
        yield KeyBar()

    def on_mount(self) -> None:
        """Look for captures at once, for live buses beside it."""
        question = line(Span("Buswright ", "head"), Span("what do you want to watch?", "strong"))
        self.query_one("#question", Bar).show([question])
        self.query_one(Rows).focus()
        self.action_look()

    def action_look(self) -> None:
        """Look again."""
        self._offer(captures_in(self._folder), None, ())
        self._look_for_buses()

    @work(thread=True, exclusive=True)
    def _look_for_buses(self) -> None:
        adapters = self._find()
        self.call_from_thread(self._offer, captures_in(self._folder), live_offers(adapters), adapters.notes)

    def _offer(self, captures: list[Offer], buses: list[Offer] | None, notes: Sequence[str]) -> None:
        here = f"captures in {self._folder.resolve()}"
        keys: list[Key] = [Heading("Without a bus or a capture"), DEMO.source, Heading(here)]
        keys += [each.source for each in captures] or [Heading("  none here; `buswright watch FOLDER` looks elsewhere")]
        looking = "live buses" if buses is not None else "live buses: looking…"
        keys += [Heading(looking), *(each.source for each in buses or ())]
        if buses == []:
            keys.append(Heading("  no adapter found; plug one in and press r"))
        self._offers = {each.source: each for each in (DEMO, *captures, *(buses or ()))}
        self.query_one(Rows).show(keys, self._cells)
        self._said = (*WORDS, *notes)
        self._show_words()

    def _show_words(self) -> None:
        said = [part for each in self._said for part in wrap(each, max(self.size.width - 3, 20))]
        words = self.query_one("#words", Plain)
        words.styles.height = min(len(said) + 1, self.size.height // 3)
        words.show([line(Span(each, "dim")) for each in said])

    def on_resize(self) -> None:
        """Wrap the words for the window."""
        self._show_words()

    def _cells(self, key: Key) -> Sequence[Cell]:
        offer = self._offers[str(key)]
        return (offer.title, Span(offer.about, "dim"))

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Watch it."""
        self.exit(str(event.key))

    def action_help(self) -> None:
        """Explain the list."""
        if not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen("What to watch", HELP, KEYS))

    def action_leave(self) -> None:
        """End without a choice."""
        self.exit(None)
