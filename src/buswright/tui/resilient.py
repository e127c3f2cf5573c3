"""What the workbench and the guided bench test share: colours, notices, and going on after a fault of the program."""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Iterable, Sequence

from textual.filter import ANSIToTruecolor, LineFilter
from textual.message import Message
from textual.notifications import SeverityLevel

from buswright.tui.bench import Guarded
from buswright.tui.keys_in_order import KeysInOrder
from buswright.tui.sound import Sound
from buswright.tui.terminal.sparing import Sparing
from buswright.tui.themes import THEMES, theme_for
from buswright.wording import visible
from buswright.worker.notices import Notice

LOG = logging.getLogger("buswright.watch")

GIVE_UP = 20
"""So many faults within `GIVE_UP_S` seconds end the program: a screen that can't be drawn is of no use."""
GIVE_UP_S = 5.0
DRAWN_AFTER_S = 0.005
AGAIN_S = 30.0
"""A fault that every snapshot repeats is reported again after this time."""


class Resilient(Guarded, KeysInOrder, Sparing):
    """An app that goes on after a fault: a recording, or a test that took an hour, must not end with it.

    Parameters
    ----------
    theme
        A name of `themes.THEMES`; None: by what the terminal can show.
    """

    DEFAULT_CSS = """
    App { background: $background; color: $foreground; }
    """

    class Leave(Message):
        """Something outside ends the program; nothing is asked."""

    def __init__(self, theme: str | None = None) -> None:
        super().__init__()
        for each in THEMES:
            self.register_theme(each)
        self.theme = theme or theme_for(self.console.color_system)
        self.sound = Sound(self)
        self.notices: deque[Notice] = deque(maxlen=200)
        self._seen = 0
        self._own = 0
        self._troubles: deque[float] = deque(maxlen=GIVE_UP)
        self._last_told: dict[str, float] = {}

    def on_resilient_leave(self) -> None:
        """End, as a signal wants it."""
        self.exit()

    def on_sparing_gone(self) -> None:
        """End, as a signal would end it."""
        self.exit()

    @property
    def hears(self) -> bool:
        """Whether the sound is on."""
        return self.sound.on

    def action_sound(self) -> None:
        """Turn the sound off, or on again."""
        self.notify(self.sound.turn(), timeout=3)

    def tell_new(self, notices: Iterable[Notice]) -> None:
        """Tell the notices of the worker that haven't been told."""
        for notice in notices:
            if notice.number > self._seen:
                self._seen = notice.number
                self._tell(notice)

    def _tell(self, notice: Notice) -> None:
        self.notices.append(notice)
        self.notify(notice.text, severity="error" if notice.level == "trouble" else "information", timeout=8)

    def notify(
        self,
        message: str,
        *,
        title: str = "",
        severity: SeverityLevel = "information",
        timeout: float | None = None,
        markup: bool = True,  # noqa: ARG002  (Textual's)
    ) -> None:
        """Tell the user something; text from files in it is shown, and neither obeyed nor taken for markup."""
        message = visible(message, keep="\n")
        super().notify(message, title=title, severity=severity, timeout=timeout, markup=False)

    def delay_update(self, delay: float = 0.05) -> None:
        """Wait less than Textual would before a screen that comes to the front is drawn."""
        super().delay_update(min(delay, DRAWN_AFTER_S))

    def get_line_filters(self) -> Sequence[LineFilter]:
        """Leave out what turns a terminal's own colours into others: our themes name theirs, and it costs each line."""
        return [each for each in super().get_line_filters() if not isinstance(each, ANSIToTruecolor)]

    # Faults of the program ----------------------------------------------------------------------------------------

    def trouble(self, what: str, fault: Exception) -> None:
        """Report and log a fault of the program; go on. The same one is reported again after half a minute."""
        now = time.monotonic()
        if now - self._last_told.get(what, -AGAIN_S) < AGAIN_S:
            return
        self._last_told[what] = now
        LOG.error("%s", what, exc_info=fault)
        self._own += 1
        self._tell(Notice(self._own, "trouble", f"{what}: {fault or type(fault).__name__}. It is in the log."))

    def _handle_exception(self, error: Exception) -> None:
        """Go on after whatever a key or a drawing raised, unless it does so without end."""
        now = time.monotonic()
        self._troubles.append(now)
        if not self.is_running or (len(self._troubles) == GIVE_UP and now - self._troubles[0] < GIVE_UP_S):
            LOG.error("giving up", exc_info=error)
            super()._handle_exception(error)
            return
        self.trouble("something went wrong on this screen", error)
