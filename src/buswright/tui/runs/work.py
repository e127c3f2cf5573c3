"""What the screens of stored runs have in common: the app as they see it, the bar that names the runs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol, cast

from textual.widget import Widget

from buswright.season.catalogue import Catalogue
from buswright.season.run import Noted
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.times import SECOND
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.toned import SEVERITY_TONES, Line, Span, Tone, hanging, line
from buswright.worker.runs import StoredRuns
from buswright.worker.snapshot import Snapshot

TRUST_TONES: dict[str, Tone] = {"failed": "fault", "suspect": "suspect", "not judged": "dim", "fine": "good"}
_TONES = {severity.name.lower(): tone for severity, tone in SEVERITY_TONES.items()}
"""By the words of the catalogue."""


class Season(Protocol):
    """The app, as these screens see it."""

    @property
    def catalogue(self) -> Catalogue:
        """The season."""

    @property
    def worker(self) -> StoredRuns:
        """The runs that are open."""

    def open_runs(self, names: Sequence[str]) -> None:
        """Open one or two runs."""


class RunsWork(WorkScreen):
    """A screen of stored runs: its bars say which these are."""

    @property
    def season(self) -> Season:
        """The app."""
        return cast("Season", self.app)

    def above(self) -> Iterable[Widget]:
        """One bar with the runs."""
        yield Bar(id="runs")

    def below(self) -> Iterable[Widget]:
        """Nothing: a stored run has no moment that it stands at."""
        return ()

    def draw_bars(self, snapshot: Snapshot) -> None:  # noqa: ARG002  (what is shown is the worker's)
        """Say which runs are open, and by how much the second is moved."""
        worker = self.season.worker
        self.query_one("#runs", Bar).show(lambda width, _: [_runs_line(worker, width)])

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There are no screens with number keys."""
        return False if action == "list" else super().check_action(action, parameters)


def severity_span(found: Noted) -> Span:
    """Write how bad a finding is."""
    return Span(found.severity, _TONES.get(found.severity, "note"))


def finding_rows(found: Noted, words: str, width: int, start: Line = ()) -> Iterator[list[Span]]:
    """Say a finding behind a start, how bad it is before its words."""
    return hanging([*start, severity_span(found), Span(" ")], words, width)


def _runs_line(worker: StoredRuns, width: int) -> list[Span]:
    names = [each.run.name for each in worker.runs]
    state = ""
    if len(names) == 2:
        state = f"2 moved {worker.shift_ns / SECOND:+.3f} s" if worker.shift_ns else "both from their start"
        if len({name.partition("_")[0] for name in names}) == 1:  # the day needn't be said twice
            names = [name.partition("_")[2] or name for name in names]
    room = max((width - 10 - len(state) - 2) // max(len(names), 1) - 4, 8)
    spans = line(Span("Buswright ", "head"))
    for k, name in enumerate(names, 1):
        spans += [Span(f" {k} ", "accent"), Span(name if len(name) <= room else f"{name[: room - 1]}…", "strong")]
    return [*spans, Span(f"  {state}")]
