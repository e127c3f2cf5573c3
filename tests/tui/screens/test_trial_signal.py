"""Typing a trial signal on the page of an identifier, with keys at three sizes."""

from dataclasses import replace

import numpy as np

from buswright.messages.typed import typed_signal
from buswright.tui.screens.identifiers.page import IdDetailScreen
from buswright.worker.trials import TrialNow, with_trials

from ..made_detail import looked_at
from ..piloted import SIZES, piloted, settled, text_of, told


def with_trial(text, *, taken=True):
    """The page of an identifier that no database knows, with this trial signal."""
    snapshot = looked_at("chassis/1A0")
    detail, signal = snapshot.detail, typed_signal(text)
    value = np.linspace(0.5, 4.5, len(detail.time_ns))
    message = with_trials(None, detail.name, [signal], 8)
    return replace(
        snapshot, detail=replace(detail, message=message, signals=(), trials=(TrialNow(signal, taken, value, 7),))
    )


def page(steps, snapshot, size=(120, 40)):
    async def first(app, pilot, worker):
        app.push_screen(IdDetailScreen(snapshot.detail.name))
        await settled(pilot)
        found = await steps(app, pilot, worker)
        assert not app.notices, app.notices
        return found

    return piloted(first, snapshot=snapshot, screen="identifiers", size=size)


def test_what_is_typed_is_tried_at_once_and_taken_with_enter():
    snapshot = looked_at("chassis/1A0")

    async def steps(app, pilot, worker):
        await pilot.press("t", *"byte 2 m")
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            lines = text_of(app)
            assert any("byte 2 m" in each for each in lines)
            assert any("'m' is not understood" in each for each in lines)
        await pilot.press("backspace", *"as o", "enter")
        await settled(pilot)
        return text_of(app), worker.asked

    after, asked = page(steps, snapshot)
    name = snapshot.detail.name
    assert ("type_trial", name, typed_signal("byte 2")) in asked
    assert ("take_trial", name, typed_signal("byte 2 as o")) in asked
    assert not any("byte 2 as o" in each for each in after)


def test_escape_leaves_without_it_and_the_page_stays():
    snapshot = looked_at("chassis/1A0")

    async def steps(app, pilot, worker):
        await pilot.press("t", *"byte 2", "escape")
        await settled(pilot)
        return worker.asked, type(app.screen)

    asked, screen = page(steps, snapshot)
    assert asked[-1] == ("type_trial", snapshot.detail.name, None)
    assert screen is IdDetailScreen


def test_a_trial_is_drawn_with_its_letter_and_its_trace():
    async def steps(app, pilot, worker):
        return text_of(app)

    for taken in (True, False):
        lines = page(steps, with_trial("byte 2 in V as oil", taken=taken))
        grid = next(each for each in lines if each.startswith("  2  "))
        assert grid.count("A") >= 8
        said = next(each for each in lines if each.startswith("trial oil"))
        assert "0.5 to 4.5 V" in said
        assert ("being typed" in said) is not taken
        assert any("\u2800" < sign < "\u28ff" for sign in lines[lines.index(said) + 2])


def test_saving_asks_where_and_before_it_overwrites(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    snapshot = with_trial("byte 2 as oil")

    async def steps(app, pilot, worker):
        await pilot.press("s", "enter")
        await settled(pilot)
        first = list(worker.asked)
        (tmp_path / "trial_chassis.toml").write_text("mine")
        await pilot.press("s", "enter")
        await settled(pilot)
        question = text_of(app)
        await pilot.press("n", "s", "enter")
        await settled(pilot)
        refused = list(worker.asked)
        await pilot.press("y")
        await settled(pilot)
        return first, question, refused, list(worker.asked)

    first, question, refused, last = page(steps, snapshot)
    saved = [each for each in first if each[0] == "keep_trials"]
    assert [each[1] for each in saved] == ["chassis"]
    assert any("trial_chassis.toml: there already" in each for each in question)
    assert [each for each in refused if each[0] == "keep_trials"] == saved
    (_, overwritten) = (each for each in last if each[0] == "keep_trials")
    assert overwritten[-1] is True


def test_without_a_trial_there_is_nothing_to_save():
    async def steps(app, pilot, worker):
        await pilot.press("s")
        await settled(pilot)
        return told(app)

    assert "no trial signal yet" in page(steps, looked_at("chassis/1A0"))
