"""The room on a bus, with keys at three sizes."""

from dataclasses import replace
from functools import lru_cache

from buswright.health.described import Described
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.tui.screens.room_page import RoomScreen
from buswright.worker.composing.room import room_of
from buswright.worker.snapshot import Room

from ..made import snapshot_of
from ..piloted import SIZES, piloted, settled, text_of, told


@lru_cache(maxsize=4)
def room(proposed="", bus="chassis"):
    car, capture = demo_car(), SimulatedCapture(4.0)
    names = {each: one.name for one in car.buses.values() for each in one.interfaces}
    health = snapshot_of(False).health
    return room_of(bus, proposed, health, capture, described=Described(car, {}, names), bus_names=names)


def page(steps, shown, size=(120, 40)):
    async def first(app, pilot, worker):
        app.push_screen(RoomScreen("chassis"))
        await settled(pilot)
        found = await steps(app, pilot, worker)
        assert not app.notices, app.notices
        return found

    return piloted(first, snapshot=replace(snapshot_of(False), room=shown), size=size)


def test_the_page_says_what_the_command_says_at_every_size():
    async def steps(app, pilot, worker):
        found = []
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            found.append(text_of(app))
        return found, worker.asked

    found, asked = page(steps, room())
    assert ("work_out_room", "chassis", "") in asked
    for lines, (width, height) in zip(found, SIZES, strict=True):
        assert len(lines) == height
        assert all(len(each) <= width for each in lines)
        assert any(each.startswith("chassis: ROOM as it is") for each in lines)
        assert any("mean load" in each for each in lines)


def test_something_new_is_proposed_and_worked_out():
    async def steps(app, pilot, worker):
        await pilot.press("a", *"1 frame", "enter")
        await settled(pilot)
        waiting = text_of(app)
        worker.give(room=Room("chassis", "1 frame", None, "what is meant?"))
        await settled(pilot)
        return waiting, text_of(app), worker.asked

    waiting, refused, asked = page(steps, room())
    assert ("work_out_room", "chassis", "1 frame") in asked
    assert any("working it out" in each for each in waiting)
    assert any("chassis: what is meant?" in each for each in refused)


def test_an_addition_is_judged():
    found = room("4 channels of 16 bit at 200 Hz")
    assert [each.label for each in found.found.new]
    assert "no bus" not in found.why_not
    assert room("4 cannels of nothing").why_not
    assert room("", "nowhere").why_not == "nothing has come on this bus yet"


def test_the_next_bus_and_the_way_there_from_the_overview():
    async def steps(app, pilot, worker):
        await pilot.press("escape", "tab", "c")
        await settled(pilot)
        first = app.screen.bus
        await pilot.press("b")
        await settled(pilot)
        return type(app.screen), first, app.screen.bus, worker.asked, told(app)

    screen, first, other, asked, _ = page(steps, room())
    assert screen is RoomScreen
    assert {first, other} == {"engine", "chassis"}
    assert asked[-1] == ("work_out_room", other, "")
