"""An app of several screens: keys that mean the same on each are answered by the one in front."""

from __future__ import annotations

from buswright.tui.exporting import Exporting
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.work_screen import WorkScreen


class Fronted(Exporting):
    """An app that explains, copies and saves what its screen in front shows."""

    @property
    def front(self) -> WorkScreen | None:
        """The uppermost of our screens; dialogs lie above it."""
        return next((each for each in reversed(self.screen_stack) if isinstance(each, WorkScreen)), None)

    def action_help(self) -> None:
        """Explain the screen in front."""
        front = self.front
        if front is not None and not isinstance(self.screen, HelpScreen):
            self.push_screen(HelpScreen.of(front))

    def action_copy(self) -> None:
        """Copy what the screen in front lists."""
        if self.front is not None:
            self.copy(self.front.copied())

    def action_export(self) -> None:
        """Save what the screen in front lists."""
        if self.front is not None:
            self.export(self.front.exported())
