"""What is heard without looking: one ring for what comes and goes, two for what became faulty."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from textual.app import App

RING_S = 0.5
"""It rings no more often than this."""
SECOND_RING_S = 0.25
_HIGH, _LOW, _AS_EVER = "\x1b[10;1400]\x1b[11;80]", "\x1b[10;440]\x1b[11;250]", "\x1b[10]\x1b[11]"
"""Pitch and length of the bell on a Linux console: `man console_codes`, setterm. Other terminals have one bell."""


class Sound:
    """Rings an app's terminal.

    Parameters
    ----------
    app
        Whose terminal.
    clock
        Seconds that only rise.
    """

    def __init__(self, app: App[None], clock: Callable[[], float] = time.monotonic) -> None:
        self._app, self.clock = app, clock
        self.on = True
        self._rang = float("-inf")
        self._pitched = os.environ.get("TERM") == "linux"

    def once(self) -> None:
        """Ring once: a glitch, a step that is done."""
        if self._due():
            self._ring(_HIGH)

    def twice(self) -> None:
        """Ring twice: something became faulty, or failed."""
        if self._due():
            self._ring(_LOW)
            self._app.set_timer(SECOND_RING_S, lambda: self._ring(_LOW))

    def turn(self) -> str:
        """Turn it off, or on again; return what to tell."""
        self.on = not self.on
        return "sound on: one ring a glitch, two a fault" if self.on else "sound off"

    def _due(self) -> bool:
        if not self.on or self.clock() - self._rang < RING_S:
            return False
        self._rang = self.clock()
        return True

    def _ring(self, pitch: str) -> None:
        driver = self._app._driver
        pitched = self._pitched and driver is not None and not self._app.is_headless
        if pitched and driver is not None:
            driver.write(pitch)
        self._app.bell()
        if pitched and driver is not None:
            driver.write(_AS_EVER)
