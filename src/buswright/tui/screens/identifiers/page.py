"""One identifier looked at closely: bits, signals, timing, counter, checksum, gaps."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels.carfile.model import FrameName
from buswright.messages.model import Signal
from buswright.messages.typed import EXAMPLE, typed_words
from buswright.survey.draft import inferred
from buswright.survey.look import Field
from buswright.tui.screens.identifiers.page_lines import page, wrapped
from buswright.tui.screens.identifiers.readings import fields_of
from buswright.tui.screens.identifiers.rows import rows_of, tone_of
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.widgets.paging import PAGING, Paged
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.tui.widgets.toned import Lines, Span, line
from buswright.tui.widgets.trial_line import TrialLine
from buswright.worker.snapshot import IdDetail, Snapshot


class IdDetailScreen(Paged, WorkScreen):
    """The page of one identifier; the worker is asked for it while the screen is in front.

    Parameters
    ----------
    name
        Which.
    """

    TITLE = "One identifier"
    FIRST = "#id-page"
    HELP = (
        "The first lines say who the identifier is, how it is judged and why, and what its latest frame carried.\n\n"
        "Bits: a line for each byte, bit 7 left, bit 0 right. Each cell has the letter of the signal that the bit "
        "belongs to, the bit itself, and how often it changed from frame to frame over the last five seconds: "
        "blank never, then higher and higher blocks for under 1 %, under 10 %, under half of the frames, more. "
        "The lowest bits of a measured value move most: a bit that moves more than the next lower one of its "
        "signal hints at a wrong place or byte order. ? marks a bit that moves although no signal of the database "
        "is there. & marks a bit of several signals, - what the frame was too short for.\n\n"
        "Signals: the letter, the raw number as it was sent, and the value in its unit, or why there is none "
        "(another selection of a multiplexed message, the frame too short).\n\n"
        "Timing: how much the spacing of frames varies, and the spacings of the latest frames as a plot with the "
        "period T and the line over which a frame is late.\n\n"
        "Gaps: each silence with what must have happened: frames that were sent and lost make a counter jump, "
        "frames never sent leave it going on by one, a module that restarted comes back off its earlier timing.\n\n"
        "Trial signals: t types one, in the words of a data sheet and in any order, for example: "
        f"{EXAMPLE}. What is left out is little-endian, unsigned, times 1, plus 0. While you type, its bits get a "
        "letter, and its value and trace are shown. Enter takes it, so that you can try another one; d drops the "
        "latest. Move the quantity that you know: the right signal follows it. s saves the trials of this bus in a "
        "draft database and a draft car file.\n\n"
        "Survey: what the bits that no database explains seem to hold, from the frames in memory: rhythm, counter, "
        'checksum, multiplexer, and where signals begin and end, in which byte order, with a sign or without. "sure" '
        "is how sure a field's place is. It is made anew while frames come. f looks at the next field and F at the one "
        "before (>): its bits get a letter, and its trace stands beside them. a takes it as a trial (+); t opens its "
        "words, so that you can try another order, sign, factor or name. A likely field is no calibration: hold it "
        "against a gauge.\n\n"
        "The search looks for signals by name."
    )

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("t", "trial", "Try a signal", tooltip="types a signal, shown live beside the bits"),
        Binding("f", "field(1)", "Next field", tooltip="looks at the next field of the survey, with its trace"),
        Binding("F", "field(-1)", "Field before", show=False, tooltip="looks at the field before"),
        Binding("a", "take", "Take it", tooltip="takes the field as a trial signal"),
        Binding("d", "drop", "Drop", show=False, tooltip="drops the latest trial signal"),
        Binding("s", "keep", "Save", show=False, tooltip="saves trial signals in a draft database and car file"),
        *PAGING,
    ]

    DEFAULT_CSS = """
    IdDetailScreen #id-page { overflow-y: scroll; }
    IdDetailScreen TrialLine { dock: bottom; }
    """

    def __init__(self, name: FrameName) -> None:
        super().__init__()
        self.identifier = name
        self._detail: IdDetail | None = None
        self._field: Field | None = None
        self._words_of: Field | None = None

    def body(self) -> Iterable[Widget]:
        """One page that scrolls."""
        yield Lines(id="id-page")
        yield TrialLine()

    def on_screen_resume(self) -> None:
        """Ask for the identifier when the screen comes to the front."""
        self.bench.worker.look_at(self.identifier)

    def on_screen_suspend(self) -> None:
        """Ask for it no longer."""
        self._leave_field()
        self.bench.worker.look_at(None)

    def show(self, snapshot: Snapshot) -> None:
        """Fill the page; what was shown stays while a snapshot comes without it."""
        if snapshot.detail is not None and snapshot.detail.name == self.identifier:
            self._detail = snapshot.detail
        detail = self._detail
        if detail is None or detail.name not in snapshot.verdicts.ids:
            self.query_one("#id-page", Lines).show(lambda width, _: self._nothing(snapshot, width))
        else:
            self.query_one("#id-page", Lines).show(
                lambda width, _: page(snapshot, detail, matches=self.matches, width=width)
            )

    def _nothing(self, snapshot: Snapshot, width: int) -> Iterable[list[Span]]:
        yield line(Span(str(self.identifier), "head"))
        if self.identifier in snapshot.verdicts.ids:
            yield line(Span("looking…", "dim"))
            return
        if self.identifier in snapshot.health.ids and snapshot.scope is not None:
            yield from wrapped(f"Only {snapshot.scope.module} is looked at, and this is not its own.", width, "dim")
            return
        for row in rows_of(snapshot):
            if row.key == self.identifier:
                yield line(Span(row.state.word, tone_of(row.state)), Span(f"  {row.message}  {row.module}"))
                yield from wrapped(row.state.why, width)
                return
        yield from wrapped("It has not come up to the moment shown.", width, "dim")

    # Trial signals ------------------------------------------------------------------------------------------------

    def action_trial(self) -> None:
        """Type a signal, or change the words of the field looked at; its bits, value and trace follow."""
        self._words_of, self._field = self._field, None
        self.query_one(TrialLine).ask("" if self._words_of is None else typed_words(self._words_of.signal()))

    def on_trial_line_typed(self, event: TrialLine.Typed) -> None:
        """Show the signal while it is typed."""
        signal = event.signal
        self.bench.worker.type_trial(self.identifier, *((None,) if signal is None else self._selected(signal)))

    def on_trial_line_taken(self, event: TrialLine.Taken) -> None:
        """Go on showing it."""
        self.bench.worker.take_trial(self.identifier, *self._selected(event.signal))
        self.notify("t tries another one; s saves them in a draft database and car file", timeout=4)

    def on_trial_line_closed(self) -> None:
        """Give the focus back."""
        self._words_of = None
        self.query_one(self.FIRST).focus()

    def _selected(self, signal: Signal) -> tuple[Signal, ...]:
        """Return a signal, as the field is selected whose words were changed; then its multiplexer."""
        if self._words_of is None:
            return (signal,)
        own, *selector = self._inferred(self._words_of)
        return replace(signal, multiplexer=own.multiplexer, mux_values=own.mux_values), *selector

    def _inferred(self, field: Field) -> tuple[Signal, ...]:
        """Return a field as a signal, and the multiplexer that selects it."""
        survey = self._detail.survey if self._detail is not None else None
        selector = survey.layout.selector if survey is not None else None
        own = inferred(field, selector)
        return (own,) if own.multiplexer is None or selector is None else (own, inferred(selector, selector))

    def action_field(self, step: int) -> None:
        """Look at the next field of the survey, or the one before; behind the last at none."""
        fields = fields_of(self._detail)
        if not fields:
            self.notify("the survey has found no field in these frames: move something, or wait", timeout=4)
            return
        names = [each.name for each in fields]
        here = self._field.name if self._field is not None else ""
        at = names.index(here) + step if here in names else 0 if step > 0 else len(fields) - 1
        if not 0 <= at < len(fields):
            self._leave_field()
            return
        self._field = fields[at]
        self.bench.worker.type_trial(self.identifier, *self._inferred(fields[at]))

    def _leave_field(self) -> None:
        if self._field is not None:
            self._field = None
            self.bench.worker.type_trial(self.identifier, None)

    def action_take(self) -> None:
        """Take the field that is looked at as a trial signal."""
        if self._field is None:
            self.notify("f looks at a field first", timeout=4)
            return
        field, self._field = self._field, None
        self.bench.worker.take_trial(self.identifier, *self._inferred(field))
        self.notify(f"{field.name} is taken; s saves it in a draft database and car file", timeout=4)

    def action_drop(self) -> None:
        """Drop the latest trial signal."""
        self.bench.worker.drop_trial(self.identifier)

    def action_keep(self) -> None:
        """Ask where to keep the trial signals of this bus."""
        if self._detail is None or not any(each.taken for each in self._detail.trials):
            self.notify("there is no trial signal yet: t types one, Enter takes it", timeout=4)
            return
        bus = self.identifier.bus
        hint = "A draft database (.dbc), and beside it a draft car file (.toml) with the signals as channels."
        self.app.push_screen(Prompt(f"Save the trial signals of {bus} as", hint, f"trial_{bus}.dbc"), self._keep)

    def _keep(self, text: str | None) -> None:
        if not text:
            return
        path, bus = Path(text).expanduser(), self.identifier.bus
        there = [each for each in (path.with_suffix(".dbc"), path.with_suffix(".toml")) if each.exists()]
        if not there:
            self.bench.worker.keep_trials(bus, path)
            return
        names = " and ".join(each.name for each in there)
        self.app.push_screen(
            Confirm(f"{names}: there already.", "Overwrite?"),
            lambda yes: self.bench.worker.keep_trials(bus, path, force=True) if yes else None,
        )
