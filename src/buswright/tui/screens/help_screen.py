"""Help: what a screen shows and how to read it, and every key that works there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen

from buswright.tui.bench import Guarded
from buswright.tui.widgets.bars import SearchLine
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import Lines, Span, hanging, line

if TYPE_CHECKING:
    from buswright.tui.screens.work_screen import WorkScreen

_ALWAYS = (
    ("↑ ↓ PgUp PgDn Home End", "move in a list"),
    ("Enter", "open the row"),
    ("o", "most important first again (moving the cursor holds the order)"),
    ("Escape", "back; clear the search"),
)


class HelpScreen(Guarded, ModalScreen[None]):
    """A page of text over the screen; any of Escape, q and ? closes it.

    Parameters
    ----------
    title, text, keys
        Paragraphs of the text stand apart by an empty line; `keys` are (key, what it does).
    lined
        Each line of the text is one of its own, rather than part of a paragraph.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,backspace,q,question_mark,n", "close", "Close"),
        Binding("down,j", "scroll(1)", "Down", show=False),
        Binding("up,k", "scroll(-1)", "Up", show=False),
        Binding("pagedown", "scroll(15)", "Page down", show=False),
        Binding("pageup", "scroll(-15)", "Page up", show=False),
    ]
    DEFAULT_CSS = """
    HelpScreen { align: center middle; background: $background 60%; }
    HelpScreen > Lines { width: 84; max-width: 96%; height: 90%; padding: 1 2; }
    HelpScreen > Lines { background: $surface; border: round $border; border-subtitle-color: $tone-accent; }
    """

    def __init__(self, title: str, text: str, keys: Sequence[tuple[str, str]], *, lined: bool = False) -> None:
        super().__init__()
        self._lined = lined
        self._title = title
        self._text = text
        self._keys = tuple(keys)

    @classmethod
    def of(cls, screen: WorkScreen) -> HelpScreen:
        """Explain a screen."""
        title = (screen.NAME or screen.TITLE or type(screen).__name__.removesuffix("Screen")).capitalize()
        return cls(title, screen.HELP, [*_keys_of(screen), *_ALWAYS])

    def compose(self) -> ComposeResult:
        """One panel."""
        yield Lines()

    def on_mount(self) -> None:
        """Fill it for its width; how to go on reading and how to close stand in its border, however long it is."""
        panel = self.query_one(Lines)
        panel.border_subtitle = "↑ ↓ scroll · Escape closes"
        panel.show(lambda width, _: self._lines(width))

    def _lines(self, width: int) -> Iterator[list[Span]]:
        yield line(Span(self._title, "head"))
        yield []
        width -= 1  # beside the scroll bar
        for paragraph in self._text.strip().split("\n\n"):
            for part in paragraph.split("\n") if self._lined else [" ".join(paragraph.split())]:
                yield from ([Span(each)] for each in wrap(part, width) or [""])
            yield []
        if self._keys:
            yield line(Span("Keys", "head"))
            room = max(len(key) for key, _ in self._keys) + 2
            for key, what in self._keys:
                yield from hanging([Span(key.ljust(room), "accent")], what, width)

    def action_close(self) -> None:
        """Close."""
        self.dismiss()

    def action_scroll(self, lines: int) -> None:
        """Scroll."""
        self.query_one(Lines).scroll_relative(y=lines, animate=False)


def _keys_of(screen: WorkScreen) -> Iterator[tuple[str, str]]:
    """Keys of our own widgets, of the screen and of the app, each with what it does."""
    seen: set[str] = set()
    for node in (*screen.query("*"), screen, screen.app):
        if isinstance(node, Rows | SearchLine):
            continue
        for owner in type(node).__mro__:
            if not owner.__module__.startswith("buswright."):
                continue
            for binding in Binding.make_bindings(owner.__dict__.get("BINDINGS", ())):
                if binding.key not in seen and binding.action != "back":
                    seen.add(binding.key)
                    shown = binding.key_display or screen.app.get_key_display(binding)
                    yield shown, binding.tooltip or binding.description
