"""What a screen may ask: of the worker, whose answers are in a later snapshot, and of the app."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from buswright.channels.carfile.model import FrameName
from buswright.worker.snapshot import Snapshot


class Asking(Protocol):
    """The worker, as the screens see it: every call returns at once."""

    # A capture, replayed ------------------------------------------------------------------------------------------

    def play(self) -> None:
        """Go on from the moment shown; from the first frame when it is at the end."""

    def pause(self) -> None:
        """Stand still. It means nothing to a live bus: there the app holds what is shown."""

    def set_speed(self, speed: float) -> None:
        """Replay at so many times real time."""

    def seek(self, time_ns: int) -> None:
        """Show that moment: everything measured is then measured from the first frame to there. Pauses."""

    def step(self, frames: int = 0, seconds: float = 0.0) -> None:
        """Go on by so many frames or seconds (negative: back) and pause."""

    # What is looked at --------------------------------------------------------------------------------------------

    def look_at(self, name: FrameName | None) -> None:
        """Have snapshots carry the detail of an identifier; None: of none."""

    def plot(self, channels: Sequence[str]) -> None:
        """Have snapshots carry the held samples of these channels."""

    def reset_extremes(self) -> None:
        """Restart the channels' minimum and maximum."""

    # Recording (live only) ----------------------------------------------------------------------------------------

    def start_recording(self, path: Path) -> None:
        """Begin a recording; what hinders it comes as a notice."""

    def stop_recording(self) -> None:
        """End it."""

    def mark(self, text: str, time_ns: int) -> None:
        """Set a marker at a moment of the wall clock; it is recorded where a recording runs."""

    # Wiggle test --------------------------------------------------------------------------------------------------

    def start_wiggle(self, channels: Sequence[str]) -> None:
        """Begin a test of these channels with a quiet stretch: nothing is touched."""

    def move_to(self, place: str) -> None:
        """From now on this place is being moved; "" is quiet again."""

    def stop_wiggle(self) -> None:
        """End the test; its result stays in the snapshots until the next one."""


class Bench(Protocol):
    """The app, as the screens see it."""

    @property
    def snapshot(self) -> Snapshot | None:
        """The newest snapshot; the one that is held, of a live bus that is held."""

    @property
    def asking(self) -> Asking:
        """The worker."""

    def go_to(self, name: str, key: object) -> None:
        """Go to a screen, to one of its rows."""

    def search_in(self, name: str, text: str) -> None:
        """Go to a screen and search its list."""

    def trouble(self, what: str, fault: Exception) -> None:
        """Tell and log a fault of the program; go on."""
