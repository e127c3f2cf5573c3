"""Findings, worst first, and beside them the evidence of the one under the cursor."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Container
from textual.widget import Widget

from buswright.findings import Finding
from buswright.report.findings import tally
from buswright.tui.screens.findings.lines import (
    channels_text,
    checked_lines,
    evidence_lines,
    extent_text,
    severity_span,
    size_text,
    subject_words,
    when_text,
)
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.targets import Target, channels_of, go, identifiers_of, key_of
from buswright.tui.times import age_text, clock_text
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Cell, Column, Key, Rows
from buswright.tui.widgets.toned import Line, Lines, Span, line
from buswright.wording import capital, plural
from buswright.worker.snapshot import Snapshot

COLUMNS = (
    Column("how bad", 7),
    Column("what", 16),
    Column("where", 14, grow=True),
    Column("since", 10),
    Column("times", 6, right=True, rank=2),
    Column("sure", 5, right=True, rank=1),
    Column("layer", 11, rank=3),
)
BEFORE_NS = 2_000_000_000
"""A jump goes so far before a finding begins, so that its beginning is seen."""
Place = Callable[[str, Snapshot], Target | None]
WIDE = 110
"""From this width on the evidence stands beside the list."""


class FindingsScreen(WorkScreen):
    """The list and the page."""

    NAME = "findings"
    FIRST = "#list"
    HELP = """
    Worst first. FAULT: something is broken. SUSPECT: take a look. A note only explains. One fault often causes
    others: these are listed under "Explains" and have no row of their own.

    The page is about the row under the cursor. Do "Check next" first and read SAFETY before you touch the car. Then
    come what was seen, other causes that don't fit, and the limits that were used. "Sure" is how well the evidence
    tells this cause from others. Below about 70 %, check before you change a part.

    Since: when it was first seen. In a capture, Enter goes to two seconds before; space plays on. A live bus can't
    go back; its recording can.

    "So far": up to the moment shown. Once a capture is read to its end, the findings are about all of it. No finding
    does not prove that the car is well.
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "moment", "Moment", tooltip="go to the start of it, in a capture (Enter does too)"),
        Binding("i", "identifier", "IDs", tooltip="its identifiers"),
        Binding("c", "channel", "Channels", tooltip="its channels"),
        Binding(
            "right_square_bracket,shift+down",
            "page(3)",
            "Page",
            key_display="]",
            tooltip="more of the page; Shift+Down too",
        ),
        Binding(
            "left_square_bracket,shift+up",
            "page(-3)",
            "Page back",
            key_display="[",
            show=False,
            tooltip="back on the page; Shift+Up too",
        ),
    ]
    DEFAULT_CSS = """
    FindingsScreen #both { layout: vertical; height: 1fr; }
    FindingsScreen #both.-wide { layout: horizontal; }
    FindingsScreen #list { height: 8; width: 1fr; }
    FindingsScreen #page { height: 1fr; padding: 0 1; border-top: solid $border; overflow-y: scroll; }
    FindingsScreen #both.-wide #list { height: 1fr; width: 50%; }
    FindingsScreen #both.-wide #page { height: 1fr; width: 50%; border-top: none; border-left: solid $border; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._findings: dict[Key, Finding] = {}
        self._shown: Key | None = None

    def body(self) -> Iterable[Widget]:
        """Make the headline, the list and the page."""
        yield Bar(id="headline")
        with_list = Rows(COLUMNS, empty="no findings", opens="Go to it", id="list")
        yield Container(with_list, Lines(id="page"), id="both")

    def show(self, snapshot: Snapshot) -> None:
        """Fill them."""
        self._findings = {key_of(each): each for each in snapshot.findings}
        shown = [
            key
            for key, each in self._findings.items()
            if self.matches(each.fault, each.subject, each.severity.name, each.layer.name, *each.evidence)
        ]
        wide = self.size.width >= WIDE
        both, rows = self.query_one("#both"), self.query_one("#list", Rows)
        both.set_class(wide, "-wide")
        if not wide:
            rows.styles.height = min(max(len(shown) + 1, 3), max((self.size.height - 6) * 2 // 5, 4))
        else:
            rows.styles.height = "1fr"
        self.query_one("#headline", Bar).show([headline(snapshot, len(shown))])
        rows.empty = self._empty(snapshot)
        rows.show(shown, self._cells)
        self._tell()

    def _empty(self, snapshot: Snapshot) -> str:
        if self.sought and snapshot.findings:
            return self.why_empty("")
        return "no findings" if snapshot.judged_health.capture.frames else "no frame so far"

    def _cells(self, key: Key) -> Sequence[Cell]:
        finding = self._findings[key]
        assert self.snapshot is not None
        return (
            severity_span(finding),
            Span(finding.fault, "strong"),
            subject_words(finding.subject),
            when_text(finding, self.snapshot),
            f"{finding.count:,}" if finding.count < 100_000 else f"{finding.count // 1000:,}k",
            f"{finding.confidence * 100:.0f} %",
            finding.layer.name.lower(),
        )

    # The page -------------------------------------------------------------------------------------------------------

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Show the page of the row that the cursor came to."""
        event.stop()
        self._tell()

    def _tell(self) -> None:
        page, rows = self.query_one("#page", Lines), self.query_one("#list", Rows)
        page.show(self._page)
        if rows.key != self._shown:
            self._shown = rows.key
            page.scroll_to(y=0, animate=False)

    def _page(self, width: int, height: int) -> list[Line]:  # noqa: ARG002  (it scrolls)
        finding = self._current()
        if self.snapshot is None:
            return []
        if finding is None:
            return list(checked_lines(self.snapshot, width)) if not self._findings else []
        return list(evidence_lines(finding, self.snapshot, width))

    def _current(self) -> Finding | None:
        return self._findings.get(self.query_one("#list", Rows).key)

    # Keys -----------------------------------------------------------------------------------------------------------

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Go to its moment."""
        event.stop()
        self.action_moment()

    def action_page(self, lines: int) -> None:
        """Scroll the page."""
        self.query_one("#page", Lines).scroll_relative(y=lines, animate=False)

    def action_moment(self) -> None:
        """Go to the moment in which it begins; of a live bus say when that was."""
        finding, snapshot = self._current(), self.snapshot
        if finding is None or snapshot is None:
            self.notify("no finding is selected", timeout=3)
            return
        source = snapshot.source
        if finding.start_ns is None:
            self.notify(
                f"{finding.fault} has no single moment; it is about all of {subject_words(finding.subject)}", timeout=4
            )
            return
        when = clock_text(finding.start_ns, source)
        if source.live:
            ago = age_text(max((source.now_ns or finding.start_ns) - finding.start_ns, 0))
            self.notify(
                f"Record it (6) and watch the recording; a live bus can't go back. It began at {when}, {ago} ago.",
                timeout=6,
            )
            return
        target = max(finding.start_ns - BEFORE_NS, source.first_ns or 0)
        self.bench.worker.seek(target)
        self.notify(f"space plays from {clock_text(target, source)}; {finding.fault} begins at {when}", timeout=5)

    def action_identifier(self) -> None:
        """Go to the identifiers that it concerns."""
        self._go(identifiers_of, "identifier")

    def action_channel(self) -> None:
        """Go to the channels that it concerns."""
        self._go(channels_of, "channel")

    def _go(self, place: Place, what: str) -> None:
        finding = self._current()
        if finding is None or self.snapshot is None:
            self.notify("no finding is selected", timeout=3)
            return
        target = place(finding.subject, self.snapshot)
        if target is None:
            self.notify(f"no {what} is known for {subject_words(finding.subject)}", timeout=4)
        else:
            go(self.bench, target)

    def on_resize(self) -> None:
        """Put the page beside the list or below it."""
        self.again()


def headline(snapshot: Snapshot, shown: int) -> Line:
    """Say how many there are, of how much, and whether that is all of the capture."""
    if not snapshot.judged_health.capture.frames:
        return [Span(" no frame received yet", "dim")]
    found = snapshot.findings
    hidden = f", {plural(len(found) - shown, 'other')} hidden by the search" if shown < len(found) else ""
    channels = channels_text(snapshot)
    said = tally(found) if found else "no findings" if channels else "buses: no findings"
    if snapshot.misfit is not None:
        said = f"{capital(snapshot.misfit.text)}. {capital(said)}"
    parts = [size_text(snapshot), extent_text(snapshot), *([channels] if channels else [])]
    return line(Span(f" {said}", "strong"), Span(f" · {' · '.join(parts)}{hidden}", "dim"))
