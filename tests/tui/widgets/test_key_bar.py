"""The line of keys: what is left out where there is no room, and what never is."""

import pytest

from buswright.tui.widgets.key_bar import KeyBar

from ..piloted import piloted, settled


@pytest.mark.parametrize("screen", ["overview", "channels", "wiggle"])
def test_help_and_the_way_out_stand_at_the_end_however_narrow_it_is(screen):
    async def steps(app, pilot, worker):
        shown = []
        for width in (160, 80, 40, 20):
            await pilot.resize_terminal(width, 24)
            await settled(pilot)
            shown.append(app.screen.query_one(KeyBar).text)
        return shown

    shown = piloted(steps, screen=screen)
    assert all(text.endswith("? Help  q Quit") for text in shown)
    assert [len(text) for text in shown] == sorted((len(text) for text in shown), reverse=True)
    assert all(word in shown[0] for word in ("/ Search", "m Marker", "^p Commands"))
    assert shown[-1].strip() == "? Help  q Quit"


def test_letters_that_are_typed_do_not_stand_there_as_keys():
    async def steps(app, pilot, worker):
        await pilot.press("slash")
        await settled(pilot)
        return app.screen.query_one(KeyBar).text

    text = piloted(steps)
    assert "^p Commands" in text
    assert "Marker" not in text
    assert "Search" not in text
