"""Behind the screens that show stored runs: reads channels from their tables, in a thread, and lays snapshots ready."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from buswright.channels.following.model import Plotted
from buswright.channels.samples.series import Series
from buswright.errors import UserError
from buswright.health.recent import Recent
from buswright.health.track import HealthTracker
from buswright.season.tables.stored import StoredRun
from buswright.worker.aligning import shift_to
from buswright.worker.notices import Notices
from buswright.worker.shelf import Shelf
from buswright.worker.snapshot import Snapshot, SourceNow

MOST_SAMPLES = 2_000_000
"""Of a longer channel the lowest and the highest sample of each stretch are shown."""


def split(name: str) -> tuple[int, str]:
    """Return number of the run and channel of what is plotted: "2 oil_pressure"."""
    number, _, channel = name.partition(" ")
    return int(number), channel


class StoredRuns:
    """One run, or two on one time axis: both begin at 0, the second moved by `shift_ns`.

    Methods may be called from the screens' thread and return at once; what is asked for comes as a snapshot.

    Parameters
    ----------
    runs
        One or two.
    """

    def __init__(self, runs: Sequence[StoredRun]) -> None:
        self.runs = tuple(runs)
        self.shift_ns = 0
        self._read: dict[str, Series] = {}
        self._names: tuple[str, ...] = ()
        self._shelf: Shelf[Snapshot] = Shelf()
        self._notices = Notices()
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="buswright-runs")
        self._number = 0
        self._aligned_at: tuple[str, int] | None = None

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels that any of the runs has or lacks a sample of, sorted."""
        runs = [each.run for each in self.runs]
        lacking = {name for run in runs for name in (*run.not_judged, *(one.channel for one in run.not_fine))}
        return tuple(sorted(lacking.union(*(run.tables for run in runs))))

    def names_of(self, channel: str) -> tuple[str, ...]:
        """Return what a channel is called in a plot, in each run that has it."""
        return tuple(f"{k} {channel}" for k, each in enumerate(self.runs, 1) if channel in each.run.tables)

    # As the workbench asks its worker ---------------------------------------------------------------------------------

    def start(self, deliver: Callable[[], None] = lambda: None) -> None:
        """Begin; `deliver` is called from another thread when a snapshot lies ready."""
        self._shelf.wake(deliver)
        self._lay()

    def take(self) -> Snapshot | None:
        """Return the newest snapshot and allow the next delivery."""
        return self._shelf.take()

    def end_because(self, why: str) -> None:
        """Nothing is recorded here."""

    def close(self) -> None:
        """End."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    def plot(self, names: Sequence[str], *, whole: int = 0) -> None:  # noqa: ARG002  (it is always the whole run)
        """Have snapshots carry these: "1 oil_pressure" is that channel of the first run."""
        self._names = tuple(names)
        self._thread.submit(self._load, self._names)

    def _load(self, names: tuple[str, ...]) -> None:
        from buswright.worker.composing.stretch import thinned

        for name in names:
            if name in self._read:
                continue
            number, channel = split(name)
            try:
                self._read[name] = thinned(self.runs[number - 1].series(channel, name), MOST_SAMPLES)
            except UserError as fault:
                self._notices.tell(str(fault), "trouble")
            except Exception as fault:  # noqa: BLE001  (told; the other channels are shown)
                self._notices.trouble(f"{channel} can't be read", fault)
        self._lay()

    # The second run's place on the time axis --------------------------------------------------------------------------

    def move(self, ns: int) -> None:
        """Move the second run, later for a positive number."""
        self.shift_ns += ns
        self._lay()

    def at_start(self) -> None:
        """Put the beginnings of both runs together."""
        self.shift_ns, self._aligned_at = 0, None
        self._lay()

    def align(self, channel: str, moment_ns: int) -> str | None:
        """Move the second run so that its edge of a channel like the first one's at a moment stands there.

        The same call once more takes the next such edge of the second run.

        Returns
        -------
        What was aligned, in words; None where there is no such edge.
        """
        first, second = self.shown(f"1 {channel}"), self.shown(f"2 {channel}")
        if first is None or second is None:
            return None
        again = self._aligned_at == (channel, moment_ns)
        found = shift_to(first, second, moment_ns, moment_ns + 1_000_000 if again else None)
        if found is None:
            return None
        self._aligned_at = channel, moment_ns
        self.move(found[0])
        return f"{channel} {found[1]}"

    def shown(self, name: str) -> Series | None:
        """Return a series as it stands on the common time axis; None while it isn't read."""
        series = self._read.get(name)
        if series is None or split(name)[0] == 1 or not self.shift_ns:
            return series
        return replace(series, time_ns=series.time_ns + self.shift_ns)

    def _lay(self) -> None:
        self._number += 1
        plotted = tuple(Plotted(each, ()) for each in map(self.shown, self._names) if each is not None)
        self._shelf.lay(_snapshot(self._number, plotted, self._notices))


_NONE: tuple[()] = ()


def _snapshot(number: int, plotted: tuple[Plotted, ...], notices: Notices) -> Snapshot:
    """Return what the plot draws from: samples on a clock that begins with the runs."""
    source = SourceNow(
        live=False, title="", phase="ended", speed=1.0, first_ns=0, now_ns=None, end_ns=None, epoch=False, read=None,
        receptions=_NONE, events=_NONE, load_start_ns=np.zeros(0, np.int64), load=np.zeros(0),
        problems=MappingProxyType({}),
    )  # fmt: skip
    return Snapshot(
        number, source, HealthTracker().result(), Recent(0, {}, {}), _NONE, _NONE, True, None, True, None, plotted,
        None, None, False, notices.latest(),
    )  # fmt: skip
