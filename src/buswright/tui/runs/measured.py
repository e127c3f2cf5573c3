"""What was found in stored runs, and what their buses and identifiers were like: from the season, not from captures."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import zip_longest
from typing import ClassVar

from textual.widget import Widget

from buswright.errors import UserError
from buswright.health.baseline.baseline import Baseline, IdBaseline
from buswright.season.run import Noted
from buswright.tui.digits import NOTHING
from buswright.tui.runs.work import RunsWork, finding_rows, severity_span
from buswright.tui.widgets.rows import Cell, Column, Key, Rows
from buswright.tui.widgets.toned import Lines, Span, hanging
from buswright.wording import bit_rate, listed, percent, plural
from buswright.worker.snapshot import Snapshot

_NOTHING_FOUND = "nothing was found in what was looked at"


class RunFindings(RunsWork):
    """What was wrong in one or two runs."""

    FIRST = "#findings"
    TITLE = "findings of runs"
    HELP = """
    Each row is one finding of a run, the gravest first. With two runs, 1 and 2 say which run it is of.

    The panel below says it whole, and what else the season keeps of the run. Evidence, limits and the next check are on the trust page, whose place stands there too.

    An empty list says that nothing was found in what was looked at. How many channels were not judged stands in the panel.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    DEFAULT_CSS = """
    RunFindings #about { height: 11; border-top: solid $border; }
    """
    COLUMNS: ClassVar[tuple[Column, ...]] = (
        Column("", 1),
        Column("severity", 8),
        Column("fault", 20, grow=True),
        Column("of", 28, grow=True),
        Column("times", 6, right=True, rank=1),
    )

    def __init__(self) -> None:
        super().__init__()
        self._found: dict[Key, Noted] = {}  # by number of the run, and place among its findings

    def body(self) -> Iterable[Widget]:
        """Put the list over what is known of the runs."""
        yield Rows(self.COLUMNS, empty=_NOTHING_FOUND, id="findings")
        yield Lines(id="about")

    def show(self, snapshot: Snapshot) -> None:  # noqa: ARG002
        """Fill the list."""
        runs = self.season.worker.runs
        self._found = {(n, k): each for n, one in enumerate(runs, 1) for k, each in enumerate(one.run.findings)}
        keys = [key for key, each in self._found.items() if self.matches(each.fault, each.subject, each.words)]
        rows = self.query_one(Rows)
        rows.empty = self.why_empty(_NOTHING_FOUND)
        rows.show(keys, self._cells)
        self._about(rows.key)

    def _cells(self, key: Key) -> Sequence[Cell]:
        each = self._found[key]
        number = str(key[0]) if isinstance(key, tuple) and len(self.season.worker.runs) > 1 else ""
        return Span(number, "accent"), severity_span(each), each.fault, each.subject, str(each.count)

    def _about(self, key: Key | None) -> None:
        chosen = self._found.get(key) if key is not None else None
        runs = self.season.worker.runs

        def lines(width: int, _: int) -> list[list[Span]]:
            said: list[list[Span]] = []
            if chosen is not None:
                said += [*finding_rows(chosen, chosen.words, width), []]
            for number, one in enumerate(runs, 1):
                run = one.run
                start = [Span(f"{number} " if len(runs) > 1 else "")]
                known = [run.verdict]
                known += [f"{plural(run.bad_lines, 'line')} of the capture could not be read."] if run.bad_lines else []
                if run.restarts:
                    restarts = listed([f"{name} {count}" for name, count in run.restarts.items()], 5)
                    known.append(f"Modules that restarted: {restarts}.")
                known.append(f"Evidence and next checks: {one.page}")
                said += [row for text in known for row in hanging(start, text, width)]
            return said

        self.query_one("#about", Lines).show(lines)

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Say it whole."""
        self._about(event.key)


class RunIdentifiers(RunsWork):
    """The buses and identifiers of one or two runs, as they were remembered."""

    FIRST = "#ids"
    TITLE = "identifiers of runs"
    HELP = """
    Each row is one identifier as it was measured over the whole run. With two runs, 1 and 2 say which run a number is of; a dash says that the identifier did not come.

    These are measurements and no verdicts: what is wrong stands in the findings (f on the list of channels). "wrong" counts checksums that did not fit. The payloads are not kept: buswright watch CAPTURE shows them.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    DEFAULT_CSS = """
    RunIdentifiers #buses { border-bottom: solid $border; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._runs: list[Baseline | None] = []
        self._ids: dict[Key, list[IdBaseline | None]] = {}
        self._unread: list[str] = []

    def body(self) -> Iterable[Widget]:
        """Put the buses over the list."""
        for each in self.season.worker.runs:
            try:
                self._runs.append(each.remembered())
            except UserError as fault:
                self._runs.append(None)
                self._unread.append(str(fault))
        told = [{} if run is None else _by_key(run) for run in self._runs]
        self._ids = {key: [ids.get(key) for ids in told] for key in sorted(set().union(*told))}
        yield Lines(id="buses")
        yield Rows(self._columns(), empty="no identifier", id="ids")

    def on_mount(self) -> None:
        """Say what could not be read."""
        super().on_mount()
        for each in self._unread:
            self.notify(each, severity="warning", timeout=8)

    def _columns(self) -> list[Column]:
        numbers = (" 1", " 2") if len(self._runs) > 1 else ("",)
        head = [Column("bus", 10), Column("id", 8), Column("message", 18, rank=1, grow=True)]
        told = (("period ms", 11, 0), ("missing", 9, 0), ("jitter ms", 11, 2), ("frames", 9, 3), ("wrong", 7, 4))
        head += [Column(f"{title}{n}", width, right=True, rank=rank) for title, width, rank in told for n in numbers]
        return [*head, Column("module", 14, rank=5)]

    def show(self, snapshot: Snapshot) -> None:  # noqa: ARG002
        """Fill the list."""
        keys = [key for key, told in self._ids.items() if self.matches(*_texts(key, told))]
        rows = self.query_one(Rows)
        rows.empty = self.why_empty("no identifier")
        rows.show(keys, self._cells)
        buses = self.query_one("#buses", Lines)
        wanted = len(self._buses(self.size.width, 0)) + 1  # and its border
        buses.styles.height = min(wanted, max(5, self.size.height // 2))
        buses.show(self._buses)

    def on_resize(self) -> None:
        """Give the buses the lines that they need in this window."""
        self.again()

    def _buses(self, width: int, _: int) -> list[list[Span]]:
        """Say what each bus was like; with two runs, one after the other."""
        said: list[list[Span]] = []
        for number, run in enumerate(self._runs, 1):
            for name, bus in run.buses.items() if run is not None else ():
                rate = f"{bit_rate(bus.bitrate)} ({bus.bitrate_source})" if bus.bitrate else "bit rate unknown"
                load, peak = (NOTHING if each is None else percent(each) for each in (bus.load, bus.load_peak))
                errors = plural(bus.errors, "error frame")
                words = f"{rate}, load {load}, busiest second {peak}, {errors}, {bus.seconds:.0f} s"
                start = [Span(f"{number} ", "accent")] if len(self._runs) > 1 else []
                said += hanging([*start, Span(f"{name} ", "strong")], words, width)
        return said

    def _cells(self, key: Key) -> Sequence[Cell]:
        told = self._ids[key]
        some = next(each for each in told if each is not None)
        assert isinstance(key, tuple)
        columns = [_numbers(each) for each in told]
        pairs = [cell for cells in zip_longest(*columns) for cell in cells]
        return [key[0], key[1], some.message or NOTHING, *pairs, Span(some.module or NOTHING, "dim")]


def _texts(key: Key, told: Sequence[IdBaseline | None]) -> list[str]:
    """Return what a search looks at."""
    known = [each for each in told if each is not None]
    return [str(key), *(each.message or "" for each in known), *(each.module or "" for each in known)]


def _by_key(run: Baseline) -> dict[tuple[str, str], IdBaseline]:
    return {(name, identifier): each for name, bus in run.buses.items() for identifier, each in bus.ids.items()}


def _numbers(each: IdBaseline | None) -> list[Cell]:
    """Return period, missing frames, jitter, frames and checksums that did not fit."""
    if each is None:
        return [NOTHING] * 5
    period, jitter = (NOTHING if ms is None else f"{ms:.3f}" for ms in (each.period_ms, each.jitter_ms))
    missing = Span(f"{each.missing:,}", "strong" if each.missing else "dim")
    wrong = NOTHING if each.checksum is None else f"{each.checksum.wrong:,}"
    return [period, missing, jitter, f"{each.frames:,}", wrong]
