"""The guided bench test on the terminal, driven with keys at three sizes."""

import asyncio
from dataclasses import replace

import pytest

from buswright.tui.guided.app import GuidedBench
from buswright.tui.screens.help_screen import HelpScreen

from ..worker.benched import Guided
from .piloted import SIZES, settled, text_of, told


class FakeGuide:
    """Hands out shots it was given; `asked` notes every call."""

    def __init__(self, guided, shot):
        self.car, self.title, self.shot, self.asked, self.closed = guided.bench.car, guided.guide.title, shot, [], False
        self._deliver = lambda: None

    def start(self, deliver):
        self._deliver = deliver
        deliver()

    def give(self, shot):
        self.shot = replace(shot, number=self.shot.number + 1)
        self._deliver()

    def take(self):
        return self.shot

    def close(self):
        self.closed = True

    def __getattr__(self, name):
        if name.startswith("_"):
            raise AttributeError(name)
        return lambda *words: self.asked.append((name, *words))


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    """What is shown in each phase of a test of a module whose first input sends four fifths."""
    one = Guided(tmp_path_factory.mktemp("guided"), "wrong-scale")
    found = {"asking": one.go()}
    one.guide.answer("x")
    found["wrong"] = one.go()
    one.guide.answer("60")
    one.go()
    one.accept()
    found["timing"] = one.go(1.0)
    one.until("shown")
    one.accept()
    found["happening"] = one.until("happening")
    found["shown"] = one.until("shown")
    one.accept()
    one.go()
    one.guide.skip("the plug is sealed")
    found["ended"] = one.until("ended")
    return one, found


def run(shots, phase, steps, size=(120, 40)):
    guided, found = shots
    guide = FakeGuide(guided, found[phase])

    async def go():
        app = GuidedBench(guide, theme="dusk")
        async with app.run_test(size=size) as pilot:
            await settled(pilot)
            result = await steps(app, pilot, guide)
            assert not app.notices, app.notices
            return result

    return asyncio.run(go())


async def words(app, pilot):
    await settled(pilot)
    return "\n".join(text_of(app))


def pressed(shots, phase, *keys):
    async def steps(app, pilot, guide):
        await pilot.press(*keys)
        await settled(pilot)
        return guide.asked, type(app.screen).__name__, "\n".join(text_of(app))

    return run(shots, phase, steps)


def test_every_phase_says_what_to_do_at_every_size(shots):
    wanted = {
        "asking": ("Read pair resistance in ohm and type it in.", "Type the reading", "SAFETY", "reading in ohm"),
        "wrong": ("'x' is no number",),
        "timing": ("Touch nothing for 1.5 s", "left"),
        "happening": ("Move only damper_fl", "It moves", "SAFETY Keep fingers clear", "0.25", "healthy"),
        "shown": ("damper_fl moves: done", "fail", "gain: Its gain is 0.8", "r does it again"),
        "ended": ("FAILED: ", "Sheet: sheet.html", "damper_fl open: the plug is sealed"),
    }

    async def steps(app, pilot, guide):
        found = {}
        for size in SIZES:
            await pilot.resize_terminal(*size)
            for phase in wanted:
                guide.give(shots[1][phase])
                text = found[size, phase] = await words(app, pilot)
                assert len(text.splitlines()) == size[1]
                assert "Quit" in text.splitlines()[-1]
                assert ("s Skip" in text.splitlines()[-1]) == (phase != "ended"), "a line for numbers takes no letters"
        return found

    for (size, phase), text in run(shots, "asking", steps).items():
        flat = " ".join(text.replace("┃", " ").split())
        for each in wanted[phase]:
            assert each in flat, (size, phase, each)
        assert ("▸" in text) is (size[0] >= 100 and phase != "ended")


def test_the_steps_beside_have_their_marks(shots):
    async def steps(app, pilot, guide):
        return await words(app, pilot)

    text = run(shots, "shown", steps)
    assert "✓  pair resistance" in text
    assert "✗ ▸damper_fl moves" in text
    assert "–  damper_fl open" in run(shots, "ended", steps)


def test_a_reading_is_typed_and_letters_stay_keys(shots):
    asked, _, _ = pressed(shots, "asking", *"59.8", "enter")
    assert asked == [("answer", "59.8")]
    _, screen, text = pressed(shots, "asking", *"59", "s")
    assert screen == "Prompt"
    assert "Leave out: pair resistance" in text


def test_keys_go_on_again_back_and_mark(shots):
    assert pressed(shots, "happening", "enter")[0] == [("accept", shots[1]["happening"].now)]
    assert pressed(shots, "happening", "r")[0] == [("retry",)]
    assert pressed(shots, "happening", "b")[0] == [("retry", "rest")]
    assert pressed(shots, "ended", "b")[0] == [("retry", "damper_fl open")]

    async def steps(app, pilot, guide):
        await pilot.press("b")
        await settled(pilot)
        return guide.asked, told(app)

    assert run(shots, "asking", steps) == ([], "this is the first step")


def test_a_step_is_left_out_with_a_reason(shots):
    asked, _, _ = pressed(shots, "happening", "s", *"no rig", "enter")
    assert asked == [("skip", "no rig")]
    assert pressed(shots, "happening", "s", "enter")[0] == []


def test_quitting_asks_while_steps_are_left(shots):
    _, screen, text = pressed(shots, "happening", "q")
    assert screen == "Confirm"
    assert "2 of 4 steps are done" in text
    assert "the same command goes on from there" in " ".join(text.replace("│", " ").split())

    async def unsaved(app, pilot, guide):
        guide.give(replace(guide.shot, saved=False))
        await settled(pilot)
        await pilot.press("q")
        return await words(app, pilot)

    assert "Nothing is saved. Quit?" in run(shots, "happening", unsaved)

    async def steps(app, pilot, guide):
        await pilot.press("q")
        await settled(pilot)
        return app.is_running

    assert not run(shots, "ended", steps)


def test_help_names_the_keys(shots):
    async def steps(app, pilot, guide):
        await pilot.press("question_mark")
        await settled(pilot)
        return isinstance(app.screen, HelpScreen), await words(app, pilot)

    there, text = run(shots, "timing", steps)
    assert there
    assert "s leaves the step out" in text


def test_a_plug_that_is_moved_is_named_by_its_digit(shots):
    one, found = shots
    step = replace(one.plan.steps[1], kind="wiggle", places=("plug C12", "plug C13"))
    wiggling = replace(found["timing"], now=replace(found["timing"].now, step=step))

    async def steps(app, pilot, guide):
        guide.give(wiggling)
        text = await words(app, pilot)
        await pilot.press("2", "0", "5")
        await settled(pilot)
        return text, guide.asked

    text, asked = run(shots, "timing", steps)
    assert "2 plug C13" in text
    assert asked == [("place", "plug C13"), ("place", "")]


def test_it_is_closed_in_the_end(shots):
    async def steps(app, pilot, guide):
        return guide

    assert run(shots, "asking", steps).closed
