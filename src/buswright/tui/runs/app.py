"""The program around stored runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from buswright.season.catalogue import Catalogue
from buswright.season.place import Place
from buswright.season.stored import StoredRun
from buswright.tui.exporting import Exporting
from buswright.tui.runs.screens import ChannelsOfRuns, SeasonScreen
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.work_screen import WorkScreen
from buswright.worker.runs import StoredRuns
from buswright.worker.snapshot import Snapshot


class RunsBench(Exporting):
    """Shows the runs of a season.

    Parameters
    ----------
    place, catalogue
        The season.
    runs
        One or two to begin with; none: the list of runs.
    channels
        Channels of these to plot at once.
    theme
        A name of `themes.THEMES`; None: by what the terminal can show.
    """

    TITLE = "Buswright"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("C", "copy", "Copy", show=False, tooltip="copy what this screen lists, as text"),
        Binding("E", "export", "Export", show=False, tooltip="save what this screen lists; what is plotted as CSV"),
        Binding("question_mark", "help", "Help", key_display="?"),
        Binding("q,ctrl+c", "quit", "Quit", key_display="q"),
        Binding("ctrl+z", "suspend_process", "Suspend", key_display="^z", show=False, tooltip="back to the shell"),
    ]

    class Fresh(Message):
        """A snapshot lies ready."""

    def __init__(
        self,
        place: Place,
        catalogue: Catalogue,
        *,
        runs: Sequence[str] = (),
        channels: Sequence[str] = (),
        theme: str | None = None,
    ) -> None:
        super().__init__(theme)
        self.catalogue = catalogue
        self.worker = StoredRuns(())
        self.snapshot: Snapshot | None = None
        self._place = place
        self._first, self._channels = tuple(runs), tuple(channels)

    def on_mount(self) -> None:
        """Show the list, and what was asked for over it."""
        self.worker.start(self._deliver)
        self.push_screen(SeasonScreen())
        if self._first:
            self.open_runs(self._first, self._channels)

    def open_runs(self, names: Sequence[str], channels: Sequence[str] = ()) -> None:
        """Open one or two runs."""
        known = {run.name: run for run in self.catalogue.runs}
        self.worker.close()
        self.worker = StoredRuns([StoredRun.of(self._place, known[name]) for name in names])
        self.worker.start(self._deliver)
        self.push_screen(ChannelsOfRuns(channels))

    def _deliver(self) -> None:
        self.post_message(self.Fresh())

    def on_runs_bench_fresh(self) -> None:
        """Give the newest snapshot to the screen in front."""
        snapshot = self.worker.take()
        if snapshot is None:
            return
        self.snapshot = snapshot
        self.tell_new(snapshot.notices)
        if self.front is not None:
            self.front.receive(snapshot)

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

    def on_unmount(self) -> None:
        """End reading."""
        self.worker.close()
