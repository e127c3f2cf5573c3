"""Text from strangers' files on every screen: shown as what it is, obeyed by no terminal, and no end to a picture."""

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from buswright.channels.carfile.model import Wiring
from buswright.frames.table import Event
from buswright.tui.picture import svg_of
from buswright.tui.screen_list import SCREENS
from buswright.tui.search import fits

from .made import snapshot_of
from .made_plots import plotted_of
from .made_variants import live, reception
from .piloted import piloted, settled, text_of
from .screens.test_wiggle_screen import place, wiggle

NASTY = "\x1b]0;owned\x07[@click=app.quit]\u202eevil\x9b2J\n"


def hostile():
    """The car with a line of trouble in every text that comes from a file."""
    base = snapshot_of()
    wiring = Wiring(*(f"{name}{NASTY}" for name in "abcde"))
    channels = tuple(
        replace(each, name=each.name + NASTY, unit=NASTY, module=NASTY, text=NASTY, formula="", wiring=wiring)
        for each in base.channels
    )
    findings = tuple(
        replace(each, subject=f"channel:{NASTY}", evidence=(NASTY,), next_check=NASTY, caution=NASTY)
        for each in base.findings
    )
    ids = {
        name: replace(each, message=f"{each.message}{NASTY}", module=f"{each.module}{NASTY}")
        for name, each in base.health.ids.items()
    }
    base = live(
        replace(base, health=replace(base.health, ids=ids)),
        receptions=(reception(NASTY, source=NASTY, connected=False), reception("engine")),
    )
    events = (Event(base.source.now_ns, None, "marker", {"number": NASTY}, NASTY),)
    source = replace(base.source, title=NASTY, events=events)
    return replace(base, source=source, channels=channels, findings=findings)


def steering(text):
    """What a terminal would obey."""
    return [sign for sign in text if not sign.isprintable()]


@pytest.mark.parametrize("screen", SCREENS)
def test_nothing_on_a_screen_steers_the_terminal(screen):
    async def steps(app, pilot, worker):
        for key in ("down", "tab", "down", "enter"):
            await pilot.press(key)
            await settled(pilot)
            assert not steering("".join(text_of(app)))
        ElementTree.fromstring(svg_of(app))
        return "".join(text_of(app))

    assert r"\x1b]0;" in piloted(steps, snapshot=hostile(), screen=screen, size=(160, 45))


def test_a_test_and_a_plot_of_such_channels():
    snapshot = hostile()
    name = snapshot.channels[0].name
    plotted = replace(plotted_of("damper_fl")[0].series, name=name, unit=NASTY)
    snapshot = replace(
        snapshot,
        wiggle=replace(wiggle(place=NASTY, places=(place(NASTY, 12.0, (3, 0, 0), 3, 0.1),)), channels=(name,)),
        plotted=(replace(plotted_of("damper_fl")[0], series=plotted),),
    )

    async def steps(app, pilot, worker):
        for keys in (("5",), ("w",), ("escape", "escape", "3", "enter")):
            for key in keys:
                await pilot.press(key)
            await settled(pilot)
            assert not steering("".join(text_of(app)))
        return "".join(text_of(app))

    assert r"\x1b]0;" in piloted(steps, snapshot=snapshot, size=(160, 45))


def test_what_is_told_is_neither_obeyed_nor_taken_for_markup():
    async def steps(app, pilot, worker):
        app.screen.notify(NASTY)
        await settled(pilot)
        return [(each.message, each.markup) for each in app._notifications]

    assert piloted(steps) == [("\\x1b]0;owned\\x07[@click=app.quit]\\u202eevil\\x9b2J\n", False)]


def test_the_palette_offers_such_names_by_what_is_shown():
    async def steps(app, pilot, worker):
        await pilot.press("ctrl+p")
        await pilot.press(*"damper_fl")
        await pilot.pause(0.5)
        await settled(pilot)
        return "".join(text_of(app))

    said = piloted(steps, snapshot=hostile(), size=(160, 45))
    assert not steering(said)
    assert r"damper_fl\x1b" in said


def test_a_search_finds_what_is_shown():
    assert fits(r"\x1b]0;", f"damper{NASTY}")
