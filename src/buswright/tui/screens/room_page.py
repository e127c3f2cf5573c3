"""The room that is left on a bus: its load, the worst case of each identifier, and what becomes of it with more."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.report.capacity.text import render_text
from buswright.report.capacity.words import Capacity
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.paging import PAGING, Paged
from buswright.tui.widgets.prompt import Prompt
from buswright.tui.widgets.toned import Line, Lines, Span, Tone
from buswright.worker.snapshot import Room, Snapshot

EXAMPLE = "4 channels of 16 bit at 200 Hz"


class RoomScreen(Paged, WorkScreen):
    """The page of one bus.

    Parameters
    ----------
    bus
        Which.
    """

    TITLE = "Room on the bus"
    FIRST = "#page"
    HELP = (
        "Whether something more fits on this bus, as `buswright capacity` says it: the verdict first, then what to "
        "mind, the load now and in the worst case, and for each identifier the longest time that it can take.\n\n"
        f"a: propose something, for example: {EXAMPLE}, or 2 frames of 8 bytes every 10 ms, or a database "
        "module.dbc. b: the next bus. r works it out again from what has come since.\n\n"
        "`buswright guide capacity` says how it is computed, and when the bounds hold."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("a", "propose", "Add something", tooltip="works out what becomes of the bus with it"),
        Binding("b", "other", "Next bus", tooltip="goes to the next bus"),
        Binding("r", "work_out", "Again", tooltip="works it out from what has come since"),
        *PAGING,
    ]

    def __init__(self, bus: str) -> None:
        super().__init__()
        self.bus = bus
        self._proposed = ""

    def body(self) -> Iterable[Widget]:
        """One page that scrolls."""
        yield Lines(id="page")

    def on_mount(self) -> None:
        """Ask for it."""
        super().on_mount()
        self.action_work_out()

    def show(self, snapshot: Snapshot) -> None:
        """Fill the page."""
        room = snapshot.room
        if room is not None and (room.bus, room.proposed) == (self.bus, self._proposed):
            self.query_one("#page", Lines).show(lambda width, _: _lines(room, snapshot, width))
        else:
            self.query_one("#page", Lines).show([[Span(f"{self.bus}: working it out…", "dim")]])

    def action_work_out(self) -> None:
        """Work it out, from what has come so far."""
        self.bench.worker.work_out_room(self.bus, self._proposed)

    def action_propose(self) -> None:
        """Ask for something new."""
        hint = f"For example: {EXAMPLE}. Empty: the bus as it is."
        self.app.push_screen(Prompt(f"New on {self.bus}", hint, self._proposed, enter="works it out"), self._propose)

    def _propose(self, text: str | None) -> None:
        if text is not None:
            self._proposed = text
            self.again()
            self.action_work_out()

    def action_other(self) -> None:
        """Go to the next bus."""
        buses = list(self.snapshot.health.buses) if self.snapshot is not None else []
        if len(buses) < 2:
            self.notify("there is no other bus", timeout=3)
            return
        at = buses.index(self.bus) if self.bus in buses else -1
        self.bus = buses[(at + 1) % len(buses)]
        self.again()
        self.action_work_out()


def _lines(room: Room, snapshot: Snapshot, width: int) -> Iterable[Line]:
    if room.found is None:
        return [[Span(each, "suspect")] for each in f"{room.bus}: {room.why_not}".splitlines()]
    car = snapshot.car.car.name if snapshot.car is not None else ""
    text = render_text(Capacity((room.found,), (), car), width=width - 1)
    return [[Span(each, _tone(number, each))] for number, each in enumerate(text.splitlines())]


def _tone(number: int, text: str) -> Tone:
    if not number:
        return "head"
    if text.strip().startswith("SAFETY"):
        return "suspect"
    return "plain" if not text or text[0] == " " else "strong"
