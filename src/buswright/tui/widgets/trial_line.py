"""Where a trial signal is typed: a line, and below it what is not understood yet."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.widgets import Input, Label

from buswright.errors import DatabaseError
from buswright.messages.model import Signal
from buswright.messages.typed import EXAMPLE, typed_signal
from buswright.wording import visible


class TrialLine(Vertical):
    """The line; hidden while nothing is typed."""

    DEFAULT_CSS = """
    TrialLine { display: none; height: 2; background: $surface; padding: 0 1; }
    TrialLine.-open { display: block; }
    TrialLine Input { height: 1; border: none; padding: 0; background: $panel; }
    TrialLine Input:focus { border: none; }
    TrialLine Label { color: $tone-dim; width: 100%; height: 1; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "close", "Cancel", show=False)]

    class Typed(Message):
        """What is typed is another signal, or none."""

        def __init__(self, signal: Signal | None) -> None:
            self.signal = signal
            super().__init__()

    class Taken(Message):
        """Enter was pressed on a signal."""

        def __init__(self, signal: Signal) -> None:
            self.signal = signal
            super().__init__()

    class Closed(Message):
        """The focus is free again."""

    def compose(self) -> ComposeResult:
        """Put the line above what is said about it."""
        yield Input(placeholder=EXAMPLE)
        yield Label(markup=False)

    def ask(self, words: str = "") -> None:
        """Open with these words, to be added to; else with what was typed last, which the first key replaces."""
        line = self.query_one(Input)
        line.select_on_focus = not words
        if words:
            line.value = words
            line.cursor_position = len(words)
        self.add_class("-open")
        line.focus()
        self._look(line.value)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Follow what is typed."""
        event.stop()
        if self.has_class("-open"):
            self._look(event.value)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Take the signal; what is none stays to be corrected."""
        event.stop()
        signal = self._look(event.value)
        if signal is not None:
            self.post_message(self.Taken(signal))
            self._close()

    def action_close(self) -> None:
        """Leave without it."""
        self._close()
        self.post_message(self.Typed(None))

    def _close(self) -> None:
        self.remove_class("-open")
        self.post_message(self.Closed())

    def _look(self, text: str) -> Signal | None:
        """Read what is typed, say what is wrong with it, and pass it on."""
        signal, said = None, "Enter takes it, Escape leaves without it. Bytes count from 0."
        try:
            signal = typed_signal(text)
        except DatabaseError as fault:
            if text.strip():
                said = " ".join(str(fault).split())
        self.query_one(Label).update(visible(said))
        self.post_message(self.Typed(signal))
        return signal
