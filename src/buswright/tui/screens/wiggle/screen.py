"""The wiggle test: move one plug after the other, and see which one makes glitches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widget import Widget

from buswright.channels.carfile.model import CarFile
from buswright.channels.following.model import ChannelNow
from buswright.channels.glitches import Glitch
from buswright.diagnosis.now.channels import judge_channel
from buswright.diagnosis.wiggle.model import WiggleNow
from buswright.diagnosis.words import WIGGLE
from buswright.tui.digits import decimals_of
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.wiggle import lines as wiggle_lines
from buswright.tui.screens.work_screen import BARS, WorkScreen
from buswright.tui.widgets.bars import Bar, Tabs
from buswright.tui.widgets.prompt import Prompt
from buswright.tui.widgets.rows import Cell, Column, Heading, Key, Part, Rows
from buswright.tui.widgets.toned import Plain, Span, line, severity_tone
from buswright.worker.snapshot import Snapshot

_OTHER = "no module known"


class WiggleScreen(WorkScreen):
    """Choose channels, then move places."""

    NAME = "wiggle"
    FIRST = "#choice"
    HELP = f"""
    The wiggle test finds a loose contact. Key on, engine off, car standing. Pick the channels that misbehave (x), or all of a module (a). Enter starts.

    First touch nothing, for as long as you will move a place. Then name a place (1 or w) and move it: a plug, a piece of loom, a ground stud. Name it before you move it. A digit goes back to its place, 0 is quiet again. It rings at each glitch, so you need not look (B turns that off). f saves what was found as a sheet.

    SAFETY: {WIGGLE}

    LIKELY: this place makes glitches. With many places one can look likely by accident, so move it again to be sure.

    A glitch is one of three. The sensor touches the end of its range. A spike: more than 8 robust standard deviations off the median of the last half second, for less than 0.1 s. A silence of more than 3 periods and 50 ms. Several channels within 20 ms count once: they share a plug, a ground or a supply.

    "Expected" is the number of glitches the quiet time predicts. "By chance" is the probability of at least so many glitches if moving the place made no difference. Under 1 % the place is LIKELY. That takes seven glitches against none in equal times.
    """  # noqa: E501  (one line a paragraph: it is wrapped for the window)
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("x", "pick", "Pick", tooltip="pick the channel, or drop it"),
        Binding("a", "module", "All of module", tooltip="pick all channels of the module, or drop them"),
        Binding("s", "start", "Start", tooltip="start; touch nothing at first (Enter does the same)"),
        *(Binding(f"{number}", f"place({number})", f"Place {number}", show=False) for number in range(1, 10)),
        Binding("0", "quiet", "Quiet: nothing is moved", show=False),
        Binding("w", "name", "New place", tooltip="name a place, then move it"),
        Binding("d", "advice", "What to do", tooltip="all of the advice"),
        Binding("f", "save", "Save", tooltip="save the test as a sheet: a page to print, or JSON"),
        Binding("e", "end", "End", tooltip="end the test; the result stays"),
        Binding("c", "choose", "Choose", tooltip="choose channels for a new test"),
    ]
    DEFAULT_CSS = """
    WiggleScreen #words { height: 1; }
    WiggleScreen #choice { height: 1fr; }
    WiggleScreen #counter { height: 7; padding: 1 1; overflow-y: hidden; }
    WiggleScreen #advice { height: 2; padding: 0 1; overflow-y: hidden; }
    WiggleScreen #places { height: 1fr; border-top: solid $border; }
    WiggleScreen #latest { height: 1fr; border-top: solid $border; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.picks: dict[str, None] = {}
        self._choosing = False
        self._was: bool | None = None
        self._channels: dict[str, ChannelNow] = {}
        self._car: CarFile | None = None
        self._decimals: dict[str, int] = {}

    @property
    def test(self) -> WiggleNow | None:
        """The test that is shown; None while channels are chosen."""
        test = self.snapshot.wiggle if self.snapshot is not None else None
        return None if test is None or (self._choosing and not test.running) else test

    @property
    def running(self) -> bool:
        """Whether a test goes on."""
        return self.test is not None and self.test.running

    # Drawing ------------------------------------------------------------------------------------------------------

    def body(self) -> Iterable[Widget]:
        """Both halves; one of them is shown."""
        yield Bar(id="keys")
        yield Bar(id="words")
        yield Rows(choice_columns(80), id="choice")
        yield Plain(id="counter")
        yield Plain(id="advice")
        yield Part(wiggle_lines.PLACE_COLUMNS, id="places")
        yield Part(wiggle_lines.LATEST_COLUMNS, empty="no glitch so far", id="latest")

    def on_resize(self) -> None:
        """Fit the halves to the window."""
        self.query_one("#choice", Rows).set_columns(choice_columns(self.size.width))
        self.again()

    def show(self, snapshot: Snapshot) -> None:
        """Fill the half that is shown."""
        if snapshot.car is not self._car:
            self._car = snapshot.car
            self._decimals = decimals_of(snapshot.car)
        self._channels = {each.name: each for each in snapshot.channels}
        test = self.test
        self._lay_out(test)
        if test is None:
            self._show_choice()
        else:
            self._show_test(test, snapshot)

    def _lay_out(self, test: WiggleNow | None) -> None:
        for name in ("#words", "#choice"):
            self.query_one(name).display = test is None
        for name in ("#counter", "#advice", "#places", "#latest"):
            self.query_one(name).display = test is not None
        # While a test runs the digits are places: then they stand where the screens' digits stand otherwise.
        self.query_one("#keys").display = self.running
        self.query_one(Tabs).display = not self.running
        state = None if test is None else test.running
        if state != self._was:
            self._was = state
            self.refresh_bindings()
            self.query_one("#choice" if test is None else "#places").focus()

    # Choosing -----------------------------------------------------------------------------------------------------

    def _show_choice(self) -> None:
        wired = [each for each in self._channels.values() if not each.formula]
        self.picks = {name: None for name in self.picks if name in self._channels}
        modules: dict[str, list[str]] = {}
        for each in wired:
            if self.matches(each.name, each.module, *_wires(each)):
                modules.setdefault(each.module or each.bus or _OTHER, []).append(each.name)
        keys: list[Key] = []
        for module, names in modules.items():
            keys += [Heading(module), *names]
        rows = self.query_one("#choice", Rows)
        rows.empty = self.why_empty("") if wired else _NOTHING
        rows.show(keys, self._choice_cells)
        chosen = f"{len(self.picks)} picked" if self.picks else "none picked; Enter takes the one under the cursor"
        words = "Which channels misbehave?" if self.size.width < 90 else "Wiggle test: which channels misbehave?"
        self.query_one("#words", Bar).show([line(Span(f" {words}  ", "strong"), Span(chosen, "dim"))])

    def _choice_cells(self, key: Key) -> Sequence[Cell]:
        channel = self._channels[str(key)]
        wiring, state = channel.wiring, judge_channel(channel)
        return (
            Span("[x]" if channel.name in self.picks else "[ ]", "accent"),
            Span(channel.name, "strong" if channel.name in self.picks else "plain"),
            wiring.plug if wiring else "",
            wiring.supply if wiring else "",
            wiring.ground if wiring else "",
            wiggle_lines.now_text(channel, self._decimals),
            Span(state.word, severity_tone(state.severity)),
        )

    def action_pick(self) -> None:
        """Pick the channel under the cursor, or take it back."""
        key = self.query_one("#choice", Rows).key
        if isinstance(key, str):
            self._toggle([key])

    def action_module(self) -> None:
        """Pick all channels of the module under the cursor, or take them back."""
        here = self._channels.get(str(self.query_one("#choice", Rows).key))
        if here is not None:
            home = here.module or here.bus
            self._toggle(
                [
                    each.name
                    for each in self._channels.values()
                    if not each.formula and (each.module or each.bus) == home
                ]
            )

    def _toggle(self, names: Sequence[str]) -> None:
        if all(name in self.picks for name in names):
            self.picks = {name: None for name in self.picks if name not in names}
        else:
            self.picks |= dict.fromkeys(names)
        self.again()

    def action_start(self) -> None:
        """Start with a quiet stretch, of what was picked, else of the channel under the cursor."""
        key = self.query_one("#choice", Rows).key
        names = [name for name in self._channels if name in self.picks] or ([key] if isinstance(key, str) else [])
        if names:
            self._choosing = False
            self.forget_search()  # what found the channels would hide the places
            self.bench.worker.start_wiggle(names)
            source = None if self.snapshot is None else self.snapshot.source
            if source is not None and source.phase == "ended" and not source.grows:
                told = "nothing comes: this capture is at its end. Press space to play it, then s again"
                self.notify(told, severity="warning", timeout=8)
            else:
                self.notify("touch nothing now", timeout=4)

    # A test -------------------------------------------------------------------------------------------------------

    def _show_test(self, test: WiggleNow, snapshot: Snapshot) -> None:
        width, height = self.size.width, self.size.height
        size = 2 if height >= 45 and width >= 120 else 1
        counter, advice = self.query_one("#counter", Plain), self.query_one("#advice", Plain)
        tight = height < 30
        counter.styles.height = 5 * size + (0 if tight else 2)
        counter.styles.padding = (0, 1) if tight else (1, 1)
        counter.show(wiggle_lines.counter_lines(test, size=size, sound=self.bench.hears, width=width - 2))
        names = ["", *(place.place for place in test.places)]
        places = self.query_one("#places", Rows)
        left = height - BARS - 5 * size - (0 if tight else 2)
        # The places come first, then what to do; of the latest glitches there is at least one.
        places.styles.height = min(len(names) + 2, max(4, left - 5))
        room = max(2, left - min(len(names) + 2, max(4, left - 5)) - 3)
        said = wiggle_lines.advice_lines(test, width - 3, room)
        advice.styles.height = len(said)
        advice.show(said)
        places.show(
            [name for name in names if not name or self.matches(name)],
            lambda key: wiggle_lines.place_cells(test, str(key)),
        )
        found: dict[Key, tuple[Glitch, str]] = {
            (one.channel, one.kind, one.time_ns): (one, place) for one, place in test.latest
        }
        shown = [key for key, (one, place) in found.items() if self.matches(one.channel, one.kind, place)]
        self.query_one("#latest", Rows).show(shown, lambda key: self._glitch_cells(*found[key], snapshot))
        self.query_one("#keys", Bar).show([wiggle_lines.key_line(test, width)])

    def _glitch_cells(self, glitch: Glitch, place: str, snapshot: Snapshot) -> Sequence[Cell]:
        channel = self._channels.get(glitch.channel)
        return wiggle_lines.glitch_cells(glitch, place, snapshot.source, channel, self._decimals)

    def action_place(self, number: int) -> None:
        """Move a place from now on; name it first if there are fewer."""
        test = self.test
        if test is not None and number <= len(test.places):
            self.bench.worker.move_to(test.places[number - 1].place)
        else:
            self.action_name()

    def action_name(self) -> None:
        """Name a place and move it."""
        test = self.test
        channels, moved = (test.channels, {each.place for each in test.places}) if test is not None else ((), set())
        wires = dict.fromkeys(word for name in channels for word in _wires(self._channels.get(name)))
        free = sorted((each for each in wires if each not in moved), key=lambda each: not each.startswith("plug"))
        proposed, *others = free or [f"place {len(moved) + 1}"]
        hint = f"or type another one, e.g. {', '.join(others[:3]) or 'plug at the sensor, loom behind the seat'}"
        prompt = Prompt("What do you move now?", f"Enter alone: {proposed}; {hint}.", enter="starts it, then move it")
        self.app.push_screen(prompt, lambda name: None if name is None else self._move_to(name or proposed))

    def _move_to(self, name: str) -> None:
        self.bench.worker.move_to(name)

    def action_quiet(self) -> None:
        """Nothing is being moved."""
        self.bench.worker.move_to("")

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """Start, or move the place under the cursor."""
        event.stop()
        if event.rows.id == "choice":
            self.action_start()
        elif event.rows.id == "places" and self.running:
            self.bench.worker.move_to(str(event.key))

    def action_advice(self) -> None:
        """Show all of the advice."""
        if self.test is not None:
            self.app.push_screen(HelpScreen("What to do", self.test.advice.replace(". ", ".\n\n"), ()))

    def action_end(self) -> None:
        """End the test; its result stays."""
        self.bench.worker.stop_wiggle()

    def action_save(self) -> None:
        """Save the test, as it stands now, as a sheet."""
        self.bench.save_wiggle()

    def action_choose(self) -> None:
        """Choose channels for a new test."""
        self._choosing = True
        self.again()

    def action_back(self) -> None:
        """Take back the search; else leave a running test to itself, whose digits are places."""
        if self.running and not self.sought:
            self.app.switch_mode("overview")
        elif self.test is None and self._choosing and not self.sought:
            self._choosing = False
            self.again()
        else:
            super().action_back()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002  (Textual's)
        """Offer only what can be done now."""
        if action in ("place", "quiet", "name", "end"):
            return self.running
        if action in ("pick", "module", "start"):
            return self.test is None
        if action == "choose":
            return self.test is not None and not self.running
        if action in ("advice", "save"):
            return self.test is not None
        return True


def choice_columns(width: int) -> tuple[Column, ...]:
    """Return the columns of the channels to choose from: names and values stand near each other in any window."""
    return (
        Column("", 3),
        Column("channel", 22 if width < 100 else 44),
        Column("plug", 8, rank=2),
        Column("supply", 8, rank=4),
        Column("ground", 8, rank=3),
        Column("input now", 15, right=True),
        Column("state", 8, grow=True),
    )


_NOTHING = "no channels: add a database (--dbc) or a car file (--car)"


def _wires(channel: ChannelNow | None) -> list[str]:
    """Name what a channel's wire goes through, as a person would."""
    wiring = channel.wiring if channel is not None else None
    if wiring is None:
        return []
    parts = (("plug", wiring.plug), ("ground", wiring.ground), ("supply", wiring.supply))
    return [f"{kind} {name}" for kind, name in parts if name]
