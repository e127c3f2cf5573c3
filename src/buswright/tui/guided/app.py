"""The guided bench test: one screen with one instruction, what is read meanwhile, and all steps."""

from __future__ import annotations

from typing import ClassVar, cast

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.screen import Screen
from textual.widgets import Digits, Input

from buswright.tui.bench import Guarded
from buswright.tui.guided.lines import big_text, end_lines, head_line, list_lines, step_lines
from buswright.tui.resilient import Resilient
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.key_bar import KeyBar
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.tui.widgets.toned import Lines, Plain
from buswright.worker.guiding import BenchShot, Guide

_NUMBERS = "-+0123456789.,"
BESIDE = 100
"""From this width on the steps are listed beside the instruction."""
TALL = 30
"""From this height on the reading is written large."""
HELP = (
    "Do what the frame says. The program notices that it happened, waits until it is still, measures, and shows what "
    "it found. Enter goes on to the next step.\n\n"
    "Enter before that measures at once, whatever was noticed. r does the step again. b goes back to the step before. "
    "s leaves the step out: say why, it stands on the sheet. space marks the very moment of a jump, or in which power "
    "is back. In a wiggle step a digit names the plug that you move; 0 is quiet.\n\n"
    "It rings once when a step is done and at a glitch, twice when a check failed. B turns that off.\n\n"
    "Readings of a meter are typed: 59.8, then Enter.\n\n"
    "q ends the program. What was done is saved after each step; the same command goes on from there. When all steps "
    "are done or left out, the sheet is written, and the screen says where."
)


class Reading(Input):
    """Where the reading of a meter is typed: a number, so that letters stay keys of the screen."""

    def check_consume_key(self, key: str, character: str | None) -> bool:  # noqa: ARG002  (Textual's)
        """Take what numbers are written with."""
        return character is not None and character in _NUMBERS


class GuidedScreen(Guarded, Screen[None]):
    """The screen; the app gives it every shot."""

    BINDINGS: ClassVar[list[BindingType]] = [
        # First in line: a reading that is typed holds digits only, so letters are keys there too.
        Binding("enter", "accept", "Go on", key_display="Enter"),
        Binding("r", "retry", "Again", priority=True),
        Binding("s", "skip", "Skip", priority=True),
        Binding("b", "back", "Back", priority=True),
        Binding("space", "moment", "Now!", priority=True),
        Binding("question_mark", "help", "Help", key_display="?", priority=True),
        Binding("B", "app.sound", "Sound off or on", show=False),
        Binding("q,ctrl+c", "quit", "Quit", key_display="q", priority=True),
        *(Binding(str(digit), f"place({digit})", show=False) for digit in range(10)),
    ]
    DEFAULT_CSS = """
    GuidedScreen { layout: vertical; background: $background; color: $foreground; }
    GuidedScreen #guided-both { height: 1fr; }
    GuidedScreen #guided-work { width: 1fr; padding: 0 1; }
    GuidedScreen #guided-step { height: 1fr; }
    GuidedScreen #guided-big { height: 3; width: auto; color: $foreground; margin: 0 0 0 2; }
    GuidedScreen #guided-list { width: 34; padding: 1 1; background: $surface; }
    GuidedScreen Input { height: 1; border: none; padding: 0 1; background: $panel; }
    GuidedScreen Input:focus { border: none; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.shot: BenchShot | None = None

    @property
    def guide(self) -> Guide:
        """The worker."""
        return cast("GuidedBench", self.app).guide

    def compose(self) -> ComposeResult:
        """Put the step beside the list of all, the keys below."""
        yield Bar(id="guided-top")
        with Horizontal(id="guided-both"):
            with Vertical(id="guided-work"):
                yield Lines(id="guided-step")
                yield Digits("", id="guided-big")
                yield Reading(id="guided-typed", restrict=f"[{_NUMBERS}]*")
            yield Plain(id="guided-list")
        yield KeyBar()

    def on_mount(self) -> None:
        """Wait for the first shot."""
        self.query_one("#guided-typed").display = False
        self.query_one("#guided-big").display = False
        self.query_one("#guided-step").focus()

    def on_resize(self) -> None:
        """Lay out anew."""
        if self.shot is not None:
            self.receive(self.shot)

    def receive(self, shot: BenchShot) -> None:
        """Draw a shot."""
        self.shot = shot
        now, guide = shot.now, self.guide
        self.query_one("#guided-top", Bar).show(lambda width, _: [head_line(shot, guide.title, width)])
        page = self.query_one("#guided-step", Lines)
        result = shot.result
        if result is not None:
            page.show(lambda width, _: end_lines(result, shot.written, width))
        else:
            page.show(lambda width, _: step_lines(shot, guide.car, width))
        steps = self.query_one("#guided-list", Plain)
        steps.display = self.size.width >= BESIDE
        steps.show(lambda _, height: list_lines(now, height))
        big, text = self.query_one("#guided-big", Digits), big_text(now)
        big.display = bool(text) and self.size.height >= TALL
        big.update(text)
        page.styles.height = len(page.text.splitlines()) + 1 if big.display else "1fr"
        typed = self.query_one("#guided-typed", Input)
        if typed.display != (now.phase == "asking"):
            typed.display = now.phase == "asking"
            typed.value = ""
            typed.placeholder = f"reading in {now.step.unit}" if now.step is not None and now.step.unit else "reading"
            (typed if typed.display else page).focus()
        self.query_one(KeyBar).draw()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:  # noqa: ARG002  (Textual's)
        """Offer only keys that do something now."""
        now = self.shot.now if self.shot is not None else None
        if now is None or now.step is None:
            return action not in ("accept", "retry", "skip", "moment")
        return action != "moment" or now.step.kind in ("jump", "dip")

    # Keys -----------------------------------------------------------------------------------------------------------

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Give a meter reading; one that is wrong stays to be corrected."""
        self.guide.answer(event.value)

    def action_accept(self) -> None:
        """Measure now, or go on."""
        if self.shot is not None:
            self.guide.accept(self.shot.now)

    def action_retry(self) -> None:
        """Do the step again."""
        self.guide.retry()

    def action_back(self) -> None:
        """Go back to the step before."""
        if self.shot is None:
            return
        now = self.shot.now
        at = now.of if now.phase == "ended" else now.number - 1
        if at < 1:
            self.notify("this is the first step", timeout=3)
        else:
            self.guide.retry(now.lines[at - 1].step)

    def action_skip(self) -> None:
        """Ask why the step is left out."""
        if self.shot is None or self.shot.now.step is None:
            return
        hint = "Why? It stands on the sheet, for example: no spare sensor."
        self.app.push_screen(
            Prompt(f"Leave out: {self.shot.now.step.name}", hint, enter="leaves it out"),
            lambda reason: self.guide.skip(reason) if reason else None,
        )

    def action_moment(self) -> None:
        """Mark this moment."""
        self.guide.mark()
        self.notify("marked", timeout=2)

    def action_place(self, digit: int) -> None:
        """Say which plug is being moved; 0: none."""
        step = self.shot.now.step if self.shot is not None else None
        if step is not None and step.kind == "wiggle" and digit <= len(step.places):
            self.guide.place(step.places[digit - 1] if digit else "")

    def action_help(self) -> None:
        """Explain the screen."""
        self.app.push_screen(HelpScreen("Bench test", HELP, ()))

    def action_quit(self) -> None:
        """End; ask first while steps are left."""
        left = 0 if self.shot is None else sum(each.state == "open" for each in self.shot.now.lines)
        if not left or self.shot is None or self.shot.now.phase == "ended":
            self.app.exit()
            return
        done = len(self.shot.now.lines) - left
        what = f"{done} of {len(self.shot.now.lines)} steps are done."
        saved = "They are saved: the same command goes on from there." if self.shot.saved else "Nothing is saved."
        kept = f"{saved} Quit?" if done else "Quit?"
        self.app.push_screen(Confirm(what, kept), lambda yes: self.app.exit() if yes else None)


class GuidedBench(Resilient):
    """The app.

    Parameters
    ----------
    guide
        The worker; started when the app is, closed when it ends.
    theme
        A name of `themes.THEMES`; None: by what the terminal can show.
    """

    TITLE = "Buswright bench"
    ENABLE_COMMAND_PALETTE = False

    class Fresh(Message):
        """A shot lies ready."""

    def __init__(self, guide: Guide, *, theme: str | None = None) -> None:
        super().__init__(theme)
        self.guide = guide
        self.shot: BenchShot | None = None

    def on_mount(self) -> None:
        """Show the screen and start the worker."""
        self.push_screen(GuidedScreen())
        self.guide.start(self._deliver)

    def _deliver(self) -> None:
        """Wake the app from the worker's thread."""
        self.post_message(self.Fresh())

    def on_guided_bench_fresh(self) -> None:
        """Take the newest shot and draw it."""
        shot = self.guide.take()
        if shot is None:
            return
        self._ring(shot)
        self.shot = shot
        self.tell_new(shot.notices)
        screen = next((each for each in self.screen_stack if isinstance(each, GuidedScreen)), None)
        if screen is not None and screen.is_mounted:
            screen.receive(shot)

    def _ring(self, shot: BenchShot) -> None:
        """Let it be heard when a step is done, whether it passed or failed, and when a glitch came."""
        before, now = self.shot.now if self.shot is not None else None, shot.now
        if before is None:
            return
        if now.phase == "shown" and before.phase != "shown":
            failed = any(each.verdict == "fail" for each in now.checks)
            (self.sound.twice if failed else self.sound.once)()
        elif now.glitches > before.glitches and now.step == before.step:
            self.sound.once()

    def on_unmount(self) -> None:
        """Save what was done, and close the buses."""
        self.guide.close()
