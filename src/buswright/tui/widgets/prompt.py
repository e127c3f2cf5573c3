"""Two small dialogs: a line to type, and a question."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Label

from buswright.wording import visible


class Prompt(ModalScreen[str | None]):
    """Ask for a line of text; None when it was cancelled.

    Parameters
    ----------
    title, hint
        What is asked, and an example.
    text
        What stands there at first.
    enter
        What Enter does, as it follows the word.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "cancel", "Cancel")]
    DEFAULT_CSS = """
    Prompt { align: center middle; background: $background 60%; }
    Prompt > Vertical { width: 70; max-width: 95%; height: auto; padding: 1 2; }
    Prompt > Vertical { background: $surface; border: round $border; }
    Prompt Input { border: none; height: 1; padding: 0; background: $panel; margin: 1 0; }
    Prompt Input:focus { border: none; }
    Prompt .hint { color: $tone-dim; width: 100%; height: auto; }
    """

    def __init__(self, title: str, hint: str = "", text: str = "", *, enter: str = "saves it") -> None:
        super().__init__()
        self._enter = enter
        self._title = title
        self._hint = hint
        self._text = text

    def compose(self) -> ComposeResult:
        """Put title, line and hint in a box."""
        with Vertical():
            yield Label(self._title, markup=False)
            yield Input(self._text)
            keys = f"Enter {self._enter}, Escape cancels."
            yield Label(visible(f"{self._hint}\n{keys}".strip(), keep="\n"), classes="hint", markup=False)

    def on_mount(self) -> None:
        """Begin to type at once."""
        self.set_focus(self.query_one(Input))

    def on_key(self, event: events.Key) -> None:
        """Take what was typed in one go with the key that asked: it came before there was a line for it."""
        line = self.query_one(Input)
        if event.is_printable and event.character:
            event.stop()
            line.insert_text_at_cursor(event.character)
        elif event.key == "enter":
            event.stop()
            self.dismiss(line.value.strip())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give the answer."""
        self.dismiss(event.value.strip())

    def action_cancel(self) -> None:
        """Give none."""
        self.dismiss(None)


class Confirm(ModalScreen[bool]):
    """Ask a question that y and n answer."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("y", "answer(True)", "Yes"),
        Binding("n,escape", "answer(False)", "No"),
    ]
    DEFAULT_CSS = """
    Confirm { align: center middle; background: $background 60%; }
    Confirm > Vertical { width: 60; max-width: 95%; height: auto; padding: 1 2; }
    Confirm > Vertical { background: $surface; border: round $border; }
    Confirm Label { width: 100%; height: auto; }
    Confirm .keys { color: $tone-accent; padding-top: 1; }
    """

    def __init__(self, what: str, question: str) -> None:
        super().__init__()
        self._what = what
        self._question = question

    def compose(self) -> ComposeResult:
        """Put the case, the question and the keys in a box."""
        with Vertical():
            yield Label(self._what, markup=False)
            yield Label(self._question, markup=False)
            yield Label("y  yes      n  no", classes="keys", markup=False)

    def action_answer(self, yes: bool) -> None:
        """Give the answer."""
        self.dismiss(yes)
