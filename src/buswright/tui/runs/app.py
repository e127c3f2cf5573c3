"""The program around stored runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.message import Message

from buswright.season.catalogue import Catalogue
from buswright.season.place.local import Place
from buswright.season.tables.stored import StoredRun
from buswright.tui.fronted import Fronted
from buswright.tui.runs.screens import ChannelsOfRuns, SeasonScreen
from buswright.worker.runs import StoredRuns
from buswright.worker.snapshot import Snapshot


class RunsBench(Fronted):
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

    def on_unmount(self) -> None:
        """End reading."""
        self.worker.close()
