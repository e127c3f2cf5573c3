"""The workbench: a table of contents of screens, and the way of snapshots to the one in front."""

from __future__ import annotations

import asyncio
import gc
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.actions import SkipAction
from textual.app import SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette
from textual.message import Message
from textual.screen import Screen
from textual.widget import AwaitMount
from textual.widgets import Input

from buswright.findings import Severity
from buswright.tui.fronted import Fronted
from buswright.tui.screen_list import SCREENS, Listed
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.opening import OpeningScreen
from buswright.tui.search import Commands, Everything
from buswright.tui.themes import THEMES
from buswright.tui.times import clock_text
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.wording import duration

if TYPE_CHECKING:
    from buswright.worker.engine import Engine
    from buswright.worker.snapshot import Snapshot

SLOWEST, FASTEST = 1 / 16, 64.0
"""Speeds of a replay that keys go to; --speed goes further, and no key jumps back from there."""

READY_S = 0.1
"""So long after the first snapshot the other screens are loaded: that one is to be drawn first."""
OFTEN = (700, 10, 10)
"""New objects until they are searched for garbage, and those searches until older ones are too: as Python begins."""
QUIET_S = 0.3
"""So long after a key a screen may be mounted that isn't looked at."""


def _made(listed: Listed) -> Screen[None]:
    screen: Screen[None] = listed.load()()
    return screen


def _get_ready() -> None:
    """Load all screens while the first is looked at, so that no key is answered late for want of them.

    What has been loaded by then stays. Freezing it keeps the garbage collector from searching it again and again; what
    comes from then on is searched often, for a short time each.
    """
    for listed in SCREENS.values():
        listed.load()
    gc.collect()
    gc.freeze()
    gc.set_threshold(*OFTEN)


def held_still(held: Snapshot, newest: Snapshot) -> Snapshot:
    """Return what is shown while the screen is held.

    Measurements stand still. Recording, markers and wiggle test go on: they are worked with, not read. An identifier
    or a channel that is opened meanwhile has nothing held yet: it gets the newest, once, and then stands still too.
    The detail of an identifier names gaps by their place among those that were measured with it, so that everything
    is then held at its moment.
    """
    if newest.detail is not None and (held.detail is None or held.detail.name != newest.detail.name):
        return replace(newest, source=replace(newest.source, phase="paused"))
    curves = [[each.series.name for each in one.plotted] for one in (held, newest)]
    return replace(
        held,
        number=newest.number,
        source=replace(held.source, phase="paused", events=newest.source.events),
        detail=held.detail if newest.detail is not None else None,
        plotted=held.plotted if curves[0] == curves[1] else newest.plotted,
        wiggle=newest.wiggle,
        recording=newest.recording,
        recording_on=newest.recording_on,
        notices=newest.notices,
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """What a snapshot lets be heard.

    Attributes
    ----------
    faults
        What is wrong now or was found to be faulty: what, and of whom.
    glitches
        Of the wiggle test that runs; 0 without one.
    """

    faults: frozenset[tuple[str, str]]
    glitches: int

    @classmethod
    def of(cls, snapshot: Snapshot) -> Heard:
        """Return it."""
        wrong = ((each.what, each.subject) for each in snapshot.verdicts.wrong_now)
        found = ((each.fault, each.subject) for each in snapshot.findings if each.severity is Severity.FAULT)
        test = snapshot.wiggle
        return cls(frozenset([*wrong, *found]), test.total if test is not None and test.running else 0)


class Workbench(Fronted):
    """The app.

    Parameters
    ----------
    worker
        Makes the snapshots; started when the app is, closed when it ends.
    screen
        The one to begin with, once there is a snapshot.
    opens
        What the worker is opening, where that takes time.
    theme
        A name of `themes.THEMES`; None: by what the terminal can show.
    sheet
        Writes the wiggle test of a snapshot to a file, and says where.
    document
        Writes the layout document of the capture to a file and says what is in it; None: it can't be made of this.
    """

    TITLE = "Buswright"
    ENABLE_COMMAND_PALETTE = True
    COMMANDS: ClassVar = {Commands, Everything}
    MODES: ClassVar = {name: partial(_made, listed) for name, listed in SCREENS.items()}
    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(str(number), f"go('{name}')", listed.title, show=False)
            for number, (name, listed) in enumerate(SCREENS.items(), 1)
        ),
        Binding("space", "play", "Play"),
        Binding("comma", "step(-1.0)", "Back 1 s", key_display=",", show=False),
        Binding("full_stop", "step(1.0)", "On 1 s", key_display=".", show=False),
        Binding("less_than_sign", "frame(-1)", "Back a frame", key_display="<", show=False),
        Binding("greater_than_sign", "frame(1)", "On a frame", key_display=">", show=False),
        Binding("minus", "speed(0.5)", "Half speed", key_display="-", show=False),
        Binding("plus", "speed(2.0)", "Double speed", key_display="+", show=False),
        Binding("g", "go_to_time", "Go to time", show=False, priority=True),
        Binding("m", "mark", "Marker", priority=True),
        Binding("n", "notices", "Notices", show=False),
        Binding("B", "sound", "Sound off or on", show=False),
        Binding("C", "copy", "Copy", show=False, tooltip="copy what this screen lists, as text"),
        Binding(
            "E", "export", "Export", show=False, tooltip="save what this screen lists as text; what is plotted as CSV"
        ),
        Binding("question_mark", "help", "Help", key_display="?"),
        Binding("ctrl+p", "command_palette", "Commands", key_display="^p"),
        Binding("q,ctrl+c", "quit", "Quit", key_display="q"),
        Binding(
            "ctrl+z",
            "suspend_process",
            "Suspend",
            key_display="^z",
            show=False,
            tooltip="back to the shell; fg goes on",
        ),
    ]

    class Fresh(Message):
        """A snapshot lies ready."""

    def __init__(
        self,
        worker: Engine,
        *,
        screen: str = "overview",
        opens: str = "",
        theme: str | None = None,
        document: Callable[[Path], str] | None = None,
        sheet: Callable[[Snapshot, Path], str] | None = None,
    ) -> None:
        super().__init__(theme)
        self._sheet = sheet
        self._document = document
        self.worker = worker
        self.snapshot: Snapshot | None = None
        self._first, self._opens = screen, opens
        self._held = False
        self._heard: Heard | None = None
        self._speed: float | None = None
        """Asked for, until a snapshot has it: keys may come faster than snapshots."""

    # Snapshots ----------------------------------------------------------------------------------------------------

    def get_default_screen(self) -> OpeningScreen:
        """Return what is in front until the first snapshot."""
        return OpeningScreen(self._first, self._opens)

    def on_mount(self) -> None:
        """Start the worker once something is to be seen: both at once would only be later."""
        self.call_after_refresh(self.worker.start, self._deliver)

    def _deliver(self) -> None:
        """Wake the app from the worker's thread."""
        self.post_message(self.Fresh())

    def on_workbench_fresh(self) -> None:
        """Take the newest snapshot and give it to the screen in front."""
        snapshot = self.worker.take()
        if snapshot is None:
            return
        self.tell_new(snapshot.notices)
        self._ring(snapshot)
        if self._held and self.snapshot is not None and snapshot.source.live:
            snapshot = held_still(self.snapshot, snapshot)
        first, self.snapshot = self.snapshot is None, snapshot
        if snapshot.source.speed == self._speed:
            self._speed = None
        if first:
            self.set_timer(READY_S, lambda: self.run_worker(self._prepare()))
        front = self.front
        if front is not None:
            front.receive(snapshot)

    async def _prepare(self) -> None:
        """Load and mount the other screens, one at a time: the first visit to each would take long else."""
        await asyncio.to_thread(_get_ready)
        for name in SCREENS:
            while time.monotonic() - self._pressed_s < QUIET_S:
                await asyncio.sleep(QUIET_S)
            if self.is_running:
                await self._init_mode(name)

    def _ring(self, snapshot: Snapshot) -> None:
        """Let it be heard when a glitch came in the wiggle test, or something became faulty while frames come."""
        now, before = Heard.of(snapshot), self._heard
        self._heard = now
        if before is None or snapshot.source.phase not in ("playing", "listening"):
            return
        if now.faults - before.faults:
            self.sound.twice()
        elif now.glitches > before.glitches:
            self.sound.once()

    # Keys ---------------------------------------------------------------------------------------------------------

    def _leave_to_line(self) -> None:
        """Leave a key that asks for a line, before all others, to a line that is typed and to a dialog."""
        if self.screen.is_modal or isinstance(self.focused, Input):
            raise SkipAction

    def action_go(self, name: str) -> AwaitMount | None:
        """Go to a screen, and let the next key wait for it; before the first snapshot, choose the one it brings."""
        if isinstance(self.screen, OpeningScreen):
            self.screen.turn_to(name)
            return None
        return self.switch_mode(name)

    def go_to(self, name: str, key: object) -> None:
        """Go to a screen, to one of its rows."""
        self.switch_mode(name)
        front = self.front
        if front is not None:
            front.call_after_refresh(front.seek_row, key)

    def search_in(self, name: str, text: str) -> None:
        """Go to a screen and search its list."""
        self.switch_mode(name)
        front = self.front
        if front is not None:
            front.call_after_refresh(front.search_for, text)

    def action_play(self) -> None:
        """Play or pause a capture; hold or release what is shown of a live bus."""
        snapshot = self.snapshot
        if snapshot is None:
            return
        if snapshot.source.live:
            self._held = not self._held
            self.notify("the screen is held; receiving and recording go on" if self._held else "live again", timeout=3)
            if self._held:
                self.snapshot = replace(snapshot, source=replace(snapshot.source, phase="paused"))
                if self.front is not None:
                    self.front.receive(self.snapshot)
            self.post_message(self.Fresh())
        elif snapshot.source.phase == "playing":
            self.worker.pause()
        else:
            self.worker.play()

    def action_step(self, seconds: float) -> None:
        """Go on or back by seconds."""
        if self._replayed():
            self.worker.step(seconds=seconds)

    def action_frame(self, frames: int) -> None:
        """Go on or back by frames."""
        if self._replayed():
            self.worker.step(frames=frames)

    def action_speed(self, factor: float) -> None:
        """Change the speed of the replay."""
        if self._replayed() and self.snapshot is not None:
            speed = self.snapshot.source.speed if self._speed is None else self._speed
            speed = 1.0 if speed == float("inf") else speed
            self._speed = min(max(speed * factor, min(SLOWEST, speed)), max(FASTEST, speed))
            self.worker.set_speed(self._speed)

    def _replayed(self) -> bool:
        if self.snapshot is not None and self.snapshot.source.live:
            self.notify("space holds the screen; a live bus has no steps and no speed", timeout=4)
            return False
        return self.snapshot is not None

    def action_go_to_time(self) -> None:
        """Ask for a moment and go there."""
        self._leave_to_line()
        if self._replayed():
            hint = "10:00:08 or 10:00:08.5 as the screens show it, or seconds from the first frame: 8.5 or +8.5."
            self.push_screen(Prompt("Go to", hint, enter="goes there"), self._seek)

    def _seek(self, text: str | None) -> None:
        from buswright.errors import UserError
        from buswright.frames.table import Clock
        from buswright.frames.window import Moment

        if not text or self.snapshot is None or self.snapshot.source.first_ns is None:
            return
        source, first_ns, end_ns = self.snapshot.source, self.snapshot.source.first_ns, self.snapshot.source.end_ns
        try:
            clock = Clock("epoch" if source.epoch else "relative", "unknown", 1000, "")
            moment_ns = Moment.parse(text).on(first_ns, clock, end_ns)
            self.worker.seek(moment_ns)
            if end_ns is not None and not first_ns <= moment_ns <= end_ns:
                side = "begins after" if moment_ns < first_ns else "ends before"
                told = f"{text}: the capture {side}; it lasts {duration(end_ns - first_ns)}"
                self.notify(told, severity="warning", timeout=6)
        except UserError as fault:
            self.notify(str(fault), severity="warning", timeout=6)

    def action_mark(self) -> None:
        """Set a marker: on a live bus now, in a capture at the moment shown; its words are asked for afterwards."""
        self._leave_to_line()
        moment, hint = time.time_ns(), "What you did, for example: wiggled plug C12. Its time is that of the key press."
        if self.snapshot is not None and not self.snapshot.source.live:
            source = self.snapshot.source
            if source.now_ns is None:
                self.notify("no marker yet: there is no moment to mark", timeout=4)
                return
            moment = source.now_ns
            hint = f"What happened at {clock_text(moment, source)}. It is written beside the capture, not into it."
        self.push_screen(
            Prompt("Marker", hint),
            lambda text: None if text is None else self.worker.mark(text, moment),
        )

    def action_notices(self) -> None:
        """Show what the program had to say."""
        lines = [f"{'trouble' if each.level == 'trouble' else 'note':8}{each.text}" for each in self.notices]
        self.push_screen(HelpScreen("Notices", "\n".join(lines) or "No notices so far.", (), lined=True))

    def action_command_palette(self) -> None:
        """Search everything that has a name."""
        if not isinstance(self.screen, CommandPalette):
            words = "channel, identifier, finding or command: oil p, brake temp, marker…"
            self.push_screen(CommandPalette(placeholder=words, id="--command-palette"))

    def action_suspend_process(self) -> None:
        """Go back to the shell, unless that would cost frames of a recording."""
        if self.snapshot is not None and self.snapshot.recording_on:
            told = "a recording is running, and Ctrl-Z would stop it; end it first (screen 6, r)"
            self.notify(told, severity="warning", timeout=6)
        else:
            super().action_suspend_process()

    async def action_quit(self) -> None:
        """End; ask first if a recording runs."""
        if self.snapshot is not None and self.snapshot.recording_on:
            self.push_screen(
                Confirm("A recording is running.", "Stop it and quit? The file is kept."),
                lambda yes: self.exit() if yes else None,
            )
        else:
            self.exit()

    def get_system_commands(self, screen: Screen[None]) -> Iterable[SystemCommand]:  # noqa: ARG002  (Textual's)
        """Offer in the command palette, beside names, what the keys do."""
        for name, listed in SCREENS.items():
            yield SystemCommand(f"Go to {listed.title}", "a screen", lambda name=name: self.action_go(name))
        for name in () if self.snapshot is None else self.snapshot.modules:
            yield SystemCommand(
                f"Only {name}", "judges and shows one module alone", lambda name=name: self.narrow(name)
            )
        for bus in () if self.snapshot is None else self.snapshot.health.buses:
            yield SystemCommand(f"Capacity of {bus}", "what still fits on it", lambda bus=bus: self.show_room(bus))
        yield from self._keys_in_front()
        yield SystemCommand("Whole car", "judges and shows all modules", lambda: self.narrow(None))
        yield SystemCommand("Play or hold", "plays or pauses a capture, holds a live screen", self.action_play)
        yield SystemCommand("Go to time", "in a capture", self.action_go_to_time)
        yield SystemCommand("Marker", "marks this moment, with your words", self.action_mark)
        yield SystemCommand("Copy", "what this screen lists, as text", self.action_copy)
        yield SystemCommand("Export", "what this screen lists as text; what is plotted as CSV", self.action_export)
        yield SystemCommand("Help", "what this screen shows, and its keys", self.action_help)
        yield SystemCommand("Sound", "off, or on again: one ring a glitch, two a fault", self.action_sound)
        yield SystemCommand("Notices", "messages of the program so far", self.action_notices)
        yield SystemCommand("Save the layout document", "of the buses, as a page or Markdown", self.action_document)
        yield SystemCommand("Save the wiggle test", "its sheet, as a page or JSON", self.save_wiggle)
        yield SystemCommand("Save a picture", "of this screen, as SVG, in the current folder", self.action_picture)
        for theme in THEMES:
            yield SystemCommand(
                f"Colours: {theme.name}", _THEME_WORDS[theme.name], lambda name=theme.name: self._dress(name)
            )
        yield SystemCommand("Quit", "ends the program", self.action_quit)

    def _keys_in_front(self) -> Iterable[SystemCommand]:
        """Offer what the keys of the screen in front do, by their words."""
        front = self.front
        for node, binding, enabled, tooltip in () if front is None else front.active_bindings.values():
            if enabled and binding.description and node is not self and type(node).__module__.startswith("buswright."):
                about = f"{tooltip or 'on this screen'}; key {binding.key_display or self.get_key_display(binding)}"
                yield SystemCommand(binding.description, about, partial(self.run_action, binding.action, node))

    def narrow(self, module: str | None) -> None:
        """Judge and show one module alone, None: the whole car, and go to the screen for that."""
        self.worker.look_only_at(module)
        self.action_go("module" if module is not None else "overview")

    def show_room(self, bus: str) -> None:
        """Show what still fits on a bus."""
        from buswright.tui.screens.room_page import RoomScreen

        self.push_screen(RoomScreen(bus))

    def _dress(self, name: str) -> None:
        self.theme = name

    def action_document(self) -> None:
        """Ask where to write the layout document."""
        if self._document is None:
            told = "a live bus has no layout document yet: record it, then `buswright layout` the recording"
            self.notify(told, severity="warning", timeout=8)
            return
        hint = "A page to print (.html), or Markdown (.md). The capture is read once more for it."
        self._save("the layout document", hint, "layout.html", self._document)

    def save_wiggle(self) -> None:
        """Ask where to write the sheet of the wiggle test, as it stands now."""
        snapshot, write = self.snapshot, self._sheet
        if snapshot is None or snapshot.wiggle is None or write is None:
            place = list(SCREENS).index("wiggle") + 1
            self.notify(f"no wiggle test yet: screen {place} makes one", severity="warning", timeout=6)
            return
        hint = "A page to print (.html), or JSON (.json): each place, its glitches, and what follows."
        self._save("the wiggle test", hint, "wiggle.html", lambda path: write(snapshot, path))

    def action_picture(self) -> None:
        """Save a picture of the screen."""
        from buswright.tui.picture import written

        path = written(self, Path(f"buswright-{self.current_mode}.svg"))
        self.notify(f"saved as {path}", timeout=5)

    def on_sparing_gone(self) -> None:
        """Say in a recording what ended it."""
        self.worker.end_because("its terminal is gone")

    def on_unmount(self) -> None:
        """Let the worker finish."""
        self.worker.close()


_THEME_WORDS = {"dusk": "for dark rooms", "noon": "for daylight", "sixteen": "the terminal's own sixteen"}
