"""A live screen that is held: measurements stand still, what the user does goes on."""

from dataclasses import replace

from buswright.frames.table import Event
from buswright.tui.app import held_still
from buswright.tui.widgets.prompt import Confirm
from buswright.worker.notices import Notice

from .made import snapshot_of
from .made_detail import looked_at
from .made_plots import plotted_of
from .piloted import piloted, settled


def live():
    snapshot = snapshot_of()
    return replace(snapshot, source=replace(snapshot.source, live=True, phase="listening"))


def test_measurements_stand_still():
    held = live()
    newest = replace(live(), number=9, source=replace(held.source, title="another"), findings=(), channels=())
    shown = held_still(held, newest)
    assert shown.channels is held.channels
    assert shown.findings is held.findings
    assert shown.health is held.health
    assert (shown.source.title, shown.source.phase) == (held.source.title, "paused")


def test_what_is_opened_meanwhile_gets_the_newest_once():
    held = live()
    opened = replace(held, detail=looked_at("chassis/1A0").detail, plotted=plotted_of("damper_fl"))
    once = held_still(held, opened)
    assert once.detail is opened.detail
    assert once.plotted is opened.plotted
    later = replace(held, detail=replace(opened.detail, signals=()), plotted=plotted_of("damper_fl"))
    again = held_still(once, later)
    assert again.detail is opened.detail
    assert again.plotted is opened.plotted
    other = replace(held, detail=looked_at("engine/0A0").detail, plotted=plotted_of("oil_pressure"))
    assert held_still(again, other).detail is other.detail
    assert held_still(again, other).plotted is other.plotted
    closed = held_still(again, held)
    assert (closed.detail, closed.plotted) == (None, ())


def test_the_detail_of_an_identifier_comes_with_the_health_that_it_speaks_of():
    held = live()
    newest = replace(held, detail=looked_at("chassis/1A0").detail, health=replace(held.health), findings=())
    once = held_still(held, newest)
    assert once.health is newest.health
    assert once.source.phase == "paused"
    later = replace(newest, health=replace(held.health))
    assert held_still(once, later).health is once.health


def test_recording_and_markers_and_notices_go_on():
    notice, event = Notice(1, "trouble", "the recording had to end"), Event(5, None, "marker", {}, "wiggled C12")

    async def steps(app, pilot, worker):
        await pilot.press("space")
        source = replace(worker.snapshot.source, events=(event,))
        worker.give(source=source, recording_on=True, notices=(notice,), channels=())
        await settled(pilot)
        shown = app.snapshot
        await pilot.press("q")
        await settled(pilot)
        return list(app.notices), shown, isinstance(app.screen, Confirm)

    notices, shown, asks = piloted(steps, snapshot=live())
    assert notices == [notice]
    assert shown.source.events == (event,)
    assert shown.channels
    assert asks
