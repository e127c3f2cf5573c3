"""The keys of the screen in front, in its last line; help and the way out are there however narrow it is."""

from __future__ import annotations

from collections.abc import Iterator

from textual.binding import Binding
from textual.widgets import Input

from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import Span, width_of

_ALWAYS = ("help", "quit")
_COMMON = ("play", "search", "mark", "command_palette")
"""Actions of every screen: they stand behind a screen's own, and go first where there is no room."""


class KeyBar(Bar):
    """Keys with a word each: the focused list's and the screen's own first, then those of every screen."""

    def on_mount(self) -> None:
        """Follow the focus: other widgets have other keys."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.draw())
        self.draw()

    def on_resize(self) -> None:
        """Fit the keys to the new width."""
        self.draw()

    def draw(self) -> None:
        """Show the keys that work now."""
        if self.is_attached and self.screen.is_attached:
            self.show([self._fitted(self.size.width)])

    def _fitted(self, width: int) -> list[Span]:
        own: list[list[Span]] = []
        common: dict[str, list[Span]] = {}
        for binding in self._bindings_shown():
            key = binding.key_display or self.app.get_key_display(binding)
            word = self._play_word() if binding.action == "play" else binding.description
            spans = [Span(f" {key}", "accent"), Span(f" {word} ", "dim")]
            if binding.action in (*_COMMON, *_ALWAYS):
                common[binding.action] = spans
            else:
                own.append(spans)
        end = [span for action in _ALWAYS for span in common.get(action, ())]
        room = width - width_of(end)
        kept: list[Span] = []
        for spans in (*own, *(common[action] for action in _COMMON if action in common)):
            if width_of(kept) + width_of(spans) <= room:
                kept += spans
        return [*kept, *end]

    def _play_word(self) -> str:
        """Say what the key would do now."""
        snapshot = getattr(self.screen, "snapshot", None)
        if snapshot is None:
            return "Play"
        source = snapshot.source
        if source.live:
            return "Go on" if source.phase == "paused" else "Hold"
        return "Pause" if source.phase == "playing" else "Play"

    def _bindings_shown(self) -> Iterator[Binding]:
        focused = self.screen.focused
        if isinstance(focused, Rows) and focused.opens and focused.keys:
            yield Binding("enter", "choose", focused.opens, key_display="Enter")
        # A line for numbers leaves the letters to the screen.
        seen, typed = set(), isinstance(focused, Input) and focused.check_consume_key("a", "a")
        for active in self.screen.active_bindings.values():
            binding = active.binding
            if typed and binding.priority and not binding.key.startswith("ctrl"):
                continue  # a letter for the line
            if binding.show and active.enabled and binding.description and binding.action not in seen:
                seen.add(binding.action)
                yield binding
