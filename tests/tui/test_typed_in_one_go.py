"""What is typed or pasted in one go behind a key that asks for a line gets into that line."""

import pytest
from textual import events

from buswright.tui import keys_in_order
from buswright.tui.widgets.prompt import Prompt

from .made import snapshot_of
from .piloted import drawn, piloted, settled

NAMES = {" ": "space", "/": "slash", ":": "colon", "\r": "enter", "2": "2"}


def typed(app, text):
    """Let keys come as a terminal sends them: the next before the last was answered."""
    for sign in text:
        app.post_message(events.Key(NAMES.get(sign, sign), None if sign == "\r" else sign))


@pytest.mark.parametrize("name", ["overview", "identifiers", "channels", "findings"])
def test_a_search_typed_in_one_go(name):
    async def steps(app, pilot, _):
        typed(app, "/oil p")
        await settled(pilot)
        first = app.screen.sought
        typed(app, "/2")
        await settled(pilot)
        return first, app.screen.sought, app.screen.NAME

    assert piloted(steps, screen=name) == ("oil p", "oil p/2", name)


def test_a_moment_and_a_marker_typed_in_one_go():
    async def steps(app, pilot, worker):
        typed(app, "mloose\r")
        await settled(pilot)
        typed(app, "g8\r")
        await settled(pilot)
        return worker.asked

    asked = piloted(steps)
    marked, sought_ns = (each for each in asked if each[0] in ("mark", "seek"))
    assert marked[1] == "loose"
    assert sought_ns[1] == snapshot_of().source.first_ns + 8_000_000_000


@pytest.mark.parametrize("text", ["oil p", "/oil p", "oil p\nq"])
def test_what_is_pasted_is_searched_for(text):
    async def steps(app, pilot, _):
        app.post_message(events.Paste(text))
        await settled(pilot)
        return app.screen.sought

    assert piloted(steps, screen="channels") == "oil p"


def test_a_paste_into_the_open_line_loses_the_slash_that_opens_it():
    async def steps(app, pilot, _):
        await pilot.press("slash")
        app.post_message(events.Paste("/oil p"))
        await settled(pilot)
        first = app.screen.sought
        app.post_message(events.Paste("/2"))
        await settled(pilot)
        return first, app.screen.sought

    assert piloted(steps, screen="channels") == ("oil p", "oil p/2")


def test_keys_before_the_slash_come_before_it():
    async def steps(app, pilot, _):
        typed(app, "2/oil")
        await settled(pilot)
        return app.screen.NAME, app.screen.sought

    assert piloted(steps) == ("identifiers", "oil")


def test_a_key_that_is_never_answered_holds_the_next_ones_up_no_longer_than_a_moment(monkeypatch):
    monkeypatch.setattr(keys_in_order, "PATIENCE_S", 600.0)  # this test says when the moment is over

    async def steps(app, pilot, _):
        app._followed = app.Answered()
        typed(app, "2/oil")
        await pilot.pause()
        wait, held = app._patience, len(app._early)
        wait._callback()
        await settled(pilot)
        return wait._interval, held, app.screen.NAME, app.screen.sought, app._patience

    assert piloted(steps) == (600.0, 5, "identifiers", "oil", None)


@pytest.mark.parametrize("words", ["Marker", "Go to time"])
def test_the_palette_asks_for_a_line_too(words):
    async def steps(app, pilot, _):
        await pilot.press("ctrl+p")
        await pilot.press(*words.replace(" ", ""), "enter")
        await drawn(app, pilot)
        return isinstance(app.screen, Prompt)

    assert piloted(steps)
