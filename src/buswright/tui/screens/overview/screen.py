"""The overview: what needs a look first, how the buses are, and whether every module is there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from textwrap import wrap
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Container, Vertical
from textual.widget import Widget

from buswright.diagnosis.now.modules import Sender
from buswright.diagnosis.now.moment import id_text
from buswright.diagnosis.now.seconds import ALL, NONE, SOME, marks
from buswright.diagnosis.now.wrong_now import WrongNow
from buswright.findings import Finding
from buswright.tui.screens.findings.lines import (
    NOT_JUDGED_YET,
    channels_text,
    evidence_lines,
    extent_text,
    severity_span,
    size_text,
    subject_words,
    when_text,
)
from buswright.tui.screens.overview.bus_lines import bus_lines
from buswright.tui.screens.overview.lines import identifiers_of_sender, mark_spans, nothing_lines, words_of
from buswright.tui.screens.work_screen import BARS, WorkScreen
from buswright.tui.targets import FindingKey, Target, go, identifiers_of, key_of
from buswright.tui.times import age_text, clock_text
from buswright.tui.widgets.rows import Cell, Column, Key, Part, Rows
from buswright.tui.widgets.toned import Line, Plain, Span, hanging, line, sender_tone
from buswright.wording import plural
from buswright.worker.snapshot import Snapshot

FIRST_COLUMNS = (
    Column("look at", 9),
    Column("what", 15),
    Column("where", 17),
    Column("since", 8),
    Column("check next", 20, grow=True),
)
BESIDE = 150
"""From this width on, what is known of the row under the cursor stands beside the lists, not under them."""
CAUTION = 10
"""Where not all that is known of a finding fits: from so many lines on, its caution does."""
LISTS_SHARE = 0.68
"""Of that width the lists take so much."""


class NowKey(str):
    """Tells a row of what is wrong now from a finding's: the subject."""


class Linked(Part):
    """One of the two lists: the cursor goes on from one to the other."""

    def action_move(self, rows: int) -> None:
        """Move the cursor; at the end of this list, on into the other one."""
        keys = self.keys
        if rows > 0 and (not keys or self.key == keys[-1]) and self.id == "first":
            self.screen.query_one("#modules").focus()
        elif rows < 0 and (not keys or self.key == keys[0]) and self.id == "modules" and not self.held:
            self.screen.query_one("#first").focus()
        else:
            super().action_move(rows)

    def on_focus(self) -> None:
        """Have told what is known of its row."""
        self.post_message(self.Moved(self, self.key))


class OverviewScreen(WorkScreen):
    """The first screen."""

    NAME = "overview"
    FIRST = "#first"
    HELP = """
    Read from the top: what to look at first, then the buses, then the modules.

    Look at: what is wrong now comes first, within two seconds. Then the findings, worst first, each with its next
    check. A finding is judged over everything so far, so it appears later and may be over. Enter opens one.

    Buses: the filled part of a meter is the load of the last two seconds. Its ticks are the limits: take a look from
    60 %, a fault from 80 % over one second, unless the car file has others. Beside it is the busiest tenth of a second
    and its time: take a look from 90 %. The small blocks are the last minutes, each as high as its busiest second of
    the clock; the busiest tenth may begin anywhere, so it can be higher. Error frames are bits that
    went wrong on the wire. This program or the recorder lost the frames under Drops: they
    say nothing about the car.

    Modules: one mark a second, the newest at the right. ▆: every frame came. ▂: some were missing. ×: none came. ·: not
    measured. "IDs": identifiers that arrive now, of all that should. MISSING: all identifiers of a module are silent,
    for over a second and ten periods, unless the car file has other limits. Without a car file or a database the
    modules are unknown, so each identifier has a line of its own. Enter shows the identifiers. In a high window they
    are listed under their modules.

    The lines at the bottom, or beside the lists in a wide window, tell more about the row under the cursor.
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("tab", "other", "Modules", key_display="Tab", tooltip="from the findings to the modules, and back"),
        Binding("shift+tab", "other", "Back", show=False, tooltip="the same"),
        Binding("i", "identifiers", "IDs", tooltip="identifiers of the row under the cursor"),
        Binding("c", "room", "Capacity", show=False, tooltip="what still fits on the bus of the module"),
        Binding("a", "alone", "Alone", show=False, tooltip="looks at the module under the cursor alone; 7 shows it"),
    ]
    DEFAULT_CSS = """
    OverviewScreen #both { layout: vertical; height: 1fr; }
    OverviewScreen #lists { height: 1fr; }
    OverviewScreen #first { height: 4; scrollbar-size-vertical: 1; }
    OverviewScreen #buses { height: auto; margin-top: 1; }
    OverviewScreen #modules { height: 1fr; margin-top: 1; }
    OverviewScreen #about { height: 2; background: $surface; padding: 0 1; }
    OverviewScreen #both.-beside { layout: horizontal; }
    OverviewScreen #both.-beside #about { width: 1fr; height: 1fr; padding: 0 1 0 2; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._senders: dict[Key, Sender] = {}
        self._now: dict[Key, WrongNow] = {}
        self._findings: dict[Key, Finding] = {}
        self._seconds = 0
        self._unfolded = False

    def body(self) -> Iterable[Widget]:
        """Make the parts."""
        lists = Vertical(
            Linked(FIRST_COLUMNS, empty="", opens="Open", id="first"),
            Plain(id="buses"),
            Linked((), empty="", opens="Its IDs", id="modules"),
            id="lists",
        )
        yield Container(lists, Plain(id="about"), id="both")

    # Filling it -----------------------------------------------------------------------------------------------------

    def show(self, snapshot: Snapshot) -> None:
        """Fill the parts."""
        width, height = self.size.width, self.size.height - BARS
        beside = width >= BESIDE
        self.query_one("#both").set_class(beside, "-beside")
        width = int(width * LISTS_SHARE) if beside else width
        self.query_one("#lists").styles.width = width if beside else "100%"
        modules = snapshot.verdicts.senders
        self._now = {NowKey(each.subject): each for each in snapshot.verdicts.wrong_now}
        told = {key_of(each.finding) for each in self._now.values() if each.finding is not None}
        self._findings = {key: each for each in snapshot.findings if (key := key_of(each)) not in told}
        lines = self._lay_out(snapshot, modules, width, height, beside=beside)
        self._show_first()
        self._show_modules(snapshot, modules, width)
        self.query_one("#buses", Plain).show(lines)
        self._tell()

    def _show_first(self) -> None:
        first = self.query_one("#first", Linked)
        first.empty = self.why_empty("nothing suspect so far")
        shown = [key for key, each in self._now.items() if self.matches(each.what, each.subject, each.check, each.seen)]
        for key, each in self._findings.items():
            if self.matches(each.fault, each.subject, each.next_check, *each.evidence):
                shown.append(key)
        first.show(shown, self._first_cells)

    def _show_modules(self, snapshot: Snapshot, found: Sequence[Sender], width: int) -> None:
        self._senders = {}
        for each in found:
            self._senders[each.key] = each
            if self._unfolded and each.module is not None:
                own = identifiers_of_sender(snapshot, each)
                self._senders |= {(each.bus, str(one.ids[0])): replace(one, name=f"  {one.name}") for one in own}
        modules = self.query_one("#modules", Linked)
        modules.empty = self.why_empty("no module and no identifier is known yet")
        self._seconds = 21 if width < 110 else 40 if width < 170 else 60
        title = "module" if snapshot.health.modules else "identifier"
        columns = _module_columns(title, 30 if self._unfolded else 17, self._seconds)
        if columns != modules.columns:
            modules.set_columns(columns)
            modules.action_reorder()
        modules.show(
            [
                key
                for key, each in self._senders.items()
                if self.matches(each.bus, each.name, each.state, words_of(each, snapshot.source))
            ],
            self._sender_cells,
        )

    def _lay_out(
        self, snapshot: Snapshot, found: Sequence[Sender], width: int, height: int, *, beside: bool
    ) -> list[Line]:
        """Share the lines out, the buses' being returned: they take what they need, the modules what is left."""
        first, about, modules = self.query_one("#first"), self.query_one("#about"), self.query_one("#modules")
        buses = self.query_one("#buses", Plain)
        nothing = not snapshot.health.capture.frames
        for each in (first, about, modules):
            each.display = not nothing
        if nothing:
            buses.styles.height, buses.styles.margin = "1fr", (1, 0, 0, 0)
            return list(nothing_lines(snapshot, width))
        tall = height >= 30
        told = 0 if beside else 4 if tall else 2
        listed = min(max(len(self._findings) + len(self._now) + 1, 3), 9 if height >= 50 else 7 if tall else 4)
        left = height - listed - told
        wanted = min(len(found), 5) + 1  # lines of modules that must be seen without scrolling
        lines: list[Line] = []
        for most in (3, 2, 1):
            lines = bus_lines(snapshot, width, most)
            if len(lines) + wanted <= left:
                break
        spare = left - len(lines) - len(found) - 1
        below = sum(len(each.ids) for each in found if each.module is not None)
        self._unfolded = 0 < below <= spare - 2
        roomy = not self._unfolded and not beside and spare > 2
        first.styles.height = listed
        modules.styles.height = len(found) + 1 if roomy else "1fr"
        self.query_one("#lists").styles.height = "auto" if roomy else "1fr"
        about.styles.height = "1fr" if beside or roomy else told
        about.styles.margin = (1 if roomy else 0, 0, 0, 0)
        buses.styles.height = min(len(lines), max(left - 4, 3))
        buses.styles.margin = (1 if spare >= 1 else 0, 0, 0, 0)
        modules.styles.margin = (1 if spare >= 2 else 0, 0, 0, 0)
        return lines

    def _first_cells(self, key: Key) -> Sequence[Cell]:
        return self._now_cells(self._now[key]) if key in self._now else self._finding_cells(key)

    def _now_cells(self, one: WrongNow) -> Sequence[Cell]:
        assert self.snapshot is not None
        since = "" if one.since_ns is None else clock_text(one.since_ns, self.snapshot.source, tenths=False)
        where = subject_words(one.subject)
        return (Span("FAULT now", "fault"), Span(one.what, "strong"), where, since, Span(one.check, "accent"))

    def _finding_cells(self, key: Key) -> Sequence[Cell]:
        finding = self._findings[key]
        assert self.snapshot is not None
        return (
            severity_span(finding),
            Span(finding.fault, "strong"),
            subject_words(finding.subject),
            when_text(finding, self.snapshot, tenths=False),
            Span(finding.next_check, "accent"),
        )

    def _sender_cells(self, key: Key) -> Sequence[Cell]:
        sender = self._senders[key]
        assert self.snapshot is not None
        age = "never" if sender.last_ns is None else age_text(max(self.snapshot.moment.heard_ns - sender.last_ns, 0))
        return (
            Span(sender.name, "strong"),
            Span(sender.bus, "dim"),
            mark_spans(marks(self.snapshot.moment, sender, self._seconds)),
            f"{sender.coming}/{sender.total}",
            age,
            (Span(sender.state, sender_tone(sender)), Span(words_of(sender, self.snapshot.source))),
        )

    # About the row under the cursor ---------------------------------------------------------------------------------

    def on_rows_moved(self, event: Rows.Moved) -> None:
        """Tell about the row that the cursor came to."""
        event.stop()
        self._tell()

    def _tell(self) -> None:
        if self.snapshot is not None:
            self.query_one("#about", Plain).show(self._about)

    def _about(self, width: int, height: int) -> list[Line]:
        snapshot = self.snapshot
        if snapshot is None or not snapshot.health.capture.frames:
            return []
        modules = self.query_one("#modules", Linked)
        if modules.has_focus and modules.key in self._senders:
            lines = list(_about_sender(snapshot, self._senders[modules.key], width, height))
        else:
            lines = list(self._about_first(snapshot, width, height))
        return lines[:height]

    def _about_first(self, snapshot: Snapshot, width: int, height: int) -> Iterator[Line]:
        key = self.query_one("#first", Linked).key
        now = self._now.get(key)
        finding = now.finding if now is not None else self._findings.get(key)
        if finding is not None:
            page = list(evidence_lines(finding, snapshot, width))
            return iter(page) if len(page) <= height else _about_finding(finding, width, height)
        if now is not None:
            return _about_now(now, width)
        hidden = len(self._now) + len(self._findings)
        if hidden:  # by the search
            words = "Escape clears the search; ^p searches channels and identifiers too."
            return iter([line(Span(f"{plural(hidden, 'finding')} not shown. ", "suspect"), words)])
        return _about_nothing(snapshot)

    # Keys -----------------------------------------------------------------------------------------------------------

    def action_other(self) -> None:
        """Go from one list to the other."""
        here = self.query_one("#first").has_focus
        self.query_one("#modules" if here else "#first").focus()

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Open a finding, or the identifiers of a module."""
        event.stop()
        now = self._now.get(event.key)
        if now is not None and now.finding is not None:
            self.bench.go_to("findings", key_of(now.finding))
        elif now is not None:
            self.action_identifiers()
        elif isinstance(event.key, FindingKey):
            self.bench.go_to("findings", event.key)
        elif event.key in self._senders:
            self._open(self._senders[event.key])

    def action_identifiers(self) -> None:
        """Show the identifiers of the row under the cursor."""
        modules, first = self.query_one("#modules", Linked), self.query_one("#first", Linked)
        if modules.has_focus and modules.key in self._senders:
            self._open(self._senders[modules.key])
            return
        row = self._now.get(first.key) or self._findings.get(first.key)
        target = identifiers_of(row.subject, self.snapshot) if row and self.snapshot else None
        if target is None:
            self.notify("this row concerns no identifier", timeout=3)
        else:
            go(self.bench, target)

    def action_alone(self) -> None:
        """Look at the module under the cursor alone."""
        sender = self._senders.get(self.query_one("#modules", Linked).key)
        if sender is None or sender.module is None:
            self.notify("put the cursor on a module (Tab), then a", timeout=4)
        else:
            self.bench.narrow(sender.module)

    def action_room(self) -> None:
        """Show what still fits on the bus of the row under the cursor."""
        from buswright.tui.screens.room_page import RoomScreen

        if self.snapshot is None or not self.snapshot.health.buses:
            self.notify("nothing has come on any bus yet", timeout=3)
            return
        sender = self._senders.get(self.query_one("#modules", Linked).key)
        first = next(iter(self.snapshot.health.buses))
        self.app.push_screen(RoomScreen(first if sender is None else sender.bus))

    def _open(self, sender: Sender) -> None:
        if sender.module is None:
            go(self.bench, Target("identifiers", sender.ids[0]))
        else:
            go(self.bench, Target("identifiers", sought=sender.module))

    def on_resize(self) -> None:
        """Lay out anew."""
        self.again()


def _module_columns(who: str, wide: int, seconds: int) -> tuple[Column, ...]:
    short = f"{ALL}all {SOME}some {NONE}none"
    title = short if seconds < 40 else f"each second: {ALL} all, {SOME} some, {NONE} no frames"
    return (
        Column(who, wide),
        Column("bus", 9, rank=1),
        Column(title, seconds),
        Column("IDs", 5, right=True),
        Column("last", 6, right=True),
        Column("state", 22, grow=True),
    )


def _about_nothing(snapshot: Snapshot) -> Iterator[Line]:
    """Say how much was looked at, and who says what should be there."""
    channels = channels_text(snapshot)
    yield [
        Span("Buses: nothing suspect", "good"),
        Span(f" in {size_text(snapshot)}, {extent_text(snapshot)}. [4: what was checked]"),
    ]
    if channels:
        yield [Span("Channels: nothing suspect", "good"), Span(f" in {channels}.")]
    elif snapshot.database:
        yield [Span(NOT_JUDGED_YET, "dim")]
    if not snapshot.health.modules:
        yield [Span("No list of expected modules: add --car or --dbc.", "dim")]


def _about_finding(finding: Finding, width: int, height: int) -> Iterator[Line]:
    """Say the next check before everything else, and what was seen where there is room."""
    more = "Enter: evidence and caution" if finding.caution else "Enter: evidence"
    said = wrap(f"{finding.next_check} [{more}]", width - 7, break_on_hyphens=False)
    if len(said) > height:
        more = f" … [{more}]"
        said[height - 1] = said[height - 1][: width - 7 - len(more)].rstrip() + more
    for number, text in enumerate(said[:height]):
        yield [Span("Check: " if not number else "       ", "accent"), Span(text)]
    if finding.caution and height >= CAUTION:
        yield from hanging([Span("SAFETY ", "suspect")], finding.caution, width)
    for number, text in enumerate(wrap(" ".join(finding.evidence), width - 7, break_on_hyphens=False)):
        yield [Span("Seen:  " if not number else "       ", "strong"), Span(text)]


def _about_now(one: WrongNow, width: int) -> Iterator[Line]:
    """Say what to do now, and what is seen."""
    yield from hanging([Span("Check: ", "accent")], f"{one.check} [i: identifiers]", width)
    yield from hanging([Span("Seen:  ", "strong")], one.seen, width)


def _about_sender(snapshot: Snapshot, sender: Sender, width: int, height: int) -> Iterator[Line]:
    """Say a module's state, and when each of its identifiers last came: one a line where there is room."""
    said = []
    for name in sender.ids:
        figures = snapshot.health.ids[name]
        last = snapshot.moment.last_ns(figures)
        words = " ".join(each for each in (id_text(name), figures.message) if each)
        said.append(f"{words} ({clock_text(last, snapshot.source)})")
    said += [f"{each} (never)" for each in sender.absent]
    yield from hanging(
        [Span(f"{sender.name.strip()} on {sender.bus}: ", "strong"), Span(sender.state, sender_tone(sender))],
        f"{words_of(sender, snapshot.source)} [Enter: identifiers]",
        width,
    )
    if len(said) + 2 <= height:
        yield [Span("Latest frames:")]
        yield from ([Span(f"  {each}")] for each in said)
    else:
        yield from ([Span(each)] for each in wrap(f"Latest frames: {', '.join(said)}", width))
