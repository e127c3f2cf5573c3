"""The workbench's frame: keys, snapshots, search, help, palette, and faults that must not end it."""

import asyncio
import logging
from dataclasses import replace
from typing import ClassVar

import pytest

from buswright.diagnosis.now.moment import Reception
from buswright.tui.app import Workbench
from buswright.tui.resilient import GIVE_UP
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.work_screen import WorkScreen
from buswright.tui.themes import THEMES
from buswright.tui.widgets.bars import TimeBar, TopBar, time_line
from buswright.tui.widgets.prompt import Confirm, Prompt
from buswright.tui.widgets.rows import Column, Rows
from buswright.worker.notices import Notice

from .made import FakeWorker, snapshot_of
from .piloted import SIZES, opened, settled, text_of, told


class ListScreen(WorkScreen):
    NAME = "overview"
    HELP = "A list of channels.\n\nNothing else."
    FIRST = "#list"

    def body(self):
        yield Rows([Column("channel", 16, grow=True), Column("value", 12, right=True)], id="list")

    def show(self, snapshot):
        values = {each.name: each.value for each in snapshot.channels if self.matches(each.name)}
        self.query_one(Rows).show(list(values), lambda key: (key, f"{values[key]:.2f}"))


class OtherScreen(ListScreen):
    NAME = "channels"


class Detail(WorkScreen):
    def show(self, snapshot):
        if snapshot.number % 2:
            raise ValueError("odd snapshots can't be drawn")


class Small(Workbench):
    MODES: ClassVar = {"overview": ListScreen, "channels": OtherScreen, "identifiers": OtherScreen}


def run(steps, *, snapshot=None, size=(80, 24), theme="dusk"):
    worker = FakeWorker(snapshot or snapshot_of())

    async def main():
        app = Small(worker, theme=theme)
        async with app.run_test(size=size) as pilot:
            await opened(app, pilot)
            return await steps(app, pilot, worker)

    return asyncio.run(main())


def live(**changes):
    snapshot = snapshot_of()
    receptions = (Reception("chassis", "live:socketcan/can1", True, "proven", "the interface says so", None),)
    return replace(
        snapshot,
        source=replace(snapshot.source, live=True, phase="listening", title="can1", receptions=receptions),
        **changes,
    )


@pytest.mark.parametrize("size", SIZES)
def test_the_bars_fit_every_window(size):
    async def steps(app, pilot, worker):
        return text_of(app)

    lines = run(steps, size=size)
    assert len(lines) == size[1]
    assert "wrenfell_run.log" in lines[0]
    assert "1 fault" in lines[0]
    assert "[1 Overview]" in lines[1]
    assert "6 Recording" in lines[1]
    assert "Quit" in lines[-1]
    assert lines[-2].strip().startswith("10:00:00")


def test_number_keys_go_to_screens():
    async def steps(app, pilot, worker):
        await pilot.press("3")
        await settled(pilot)
        return app.current_mode, text_of(app)

    mode, lines = run(steps)
    assert mode == "channels"
    assert "[3 Channels]" in lines[1]
    assert any("oil_pressure" in text or "engine_speed" in text for text in lines)


def test_the_newest_snapshot_reaches_the_screen_in_front():
    async def steps(app, pilot, worker):
        worker.give(source=replace(worker.snapshot.source, title="another.log"))
        await settled(pilot)
        return app.screen.query_one(TopBar).text, app.snapshot.number

    text, number = run(steps)
    assert "another.log" in text
    assert number == 2


def test_a_search_narrows_the_list_and_escape_takes_it_back():
    async def steps(app, pilot, worker):
        rows = app.screen.query_one(Rows)
        everything = len(rows.keys)
        await pilot.press("slash", *"damper_f")
        await settled(pilot)
        narrowed = rows.keys
        await pilot.press("enter", "down")
        await settled(pilot)
        kept = rows.keys, rows.has_focus
        await pilot.press("escape")
        await settled(pilot)
        return everything, narrowed, kept, len(rows.keys)

    everything, narrowed, (kept, focus), after = run(steps)
    assert narrowed
    assert all("damper_f" in key for key in narrowed)
    assert kept == narrowed
    assert focus
    assert after == everything


def test_help_lists_the_keys_and_closes():
    async def steps(app, pilot, worker):
        await pilot.press("question_mark")
        await settled(pilot)
        shown = isinstance(app.screen, HelpScreen), "\n".join(text_of(app))
        await pilot.press("pagedown", "down", "up", "pageup", "escape")
        await settled(pilot)
        return *shown, isinstance(app.screen, HelpScreen)

    opened, text, still = run(steps, size=(120, 60))
    assert "scroll · Escape closes" in text
    assert opened
    assert "A list of channels." in text
    for what in ("Search", "Marker", "Go to time", "Half speed", "Quit", "open the row"):
        assert what in text
    assert not still


def test_the_palette_finds_channels_identifiers_and_findings():
    async def steps(app, pilot, worker):
        from buswright.tui.search import places

        found = list(places(app.snapshot))
        app.go_to("channels", "oil_pressure")
        await settled(pilot)
        await settled(pilot)
        return {each.what for each in found}, app.current_mode, app.screen.query_one(Rows).key

    kinds, mode, key = run(steps)
    assert {each.split()[0] for each in kinds} == {"channel", "identifier", "finding"}
    assert (mode, key) == ("channels", "oil_pressure")


@pytest.mark.parametrize(
    ("typed", "found"),
    [("oil p", "oil_pressure"), ("brk tmp", "brake_temperature_fl"), ("marker", "marks this moment"),
     ("pause", "Play or hold"), ("csv", "Export"), ("1a0", "1A0")],
)  # fmt: skip
def test_the_palette_finds_what_a_person_types(typed, found):
    async def steps(app, pilot, worker):
        await pilot.press("ctrl+p")
        await settled(pilot)
        asked = "\n".join(text_of(app))
        await pilot.press(*typed)
        for _ in range(100):
            await pilot.pause(0.02)
            if found in "\n".join(text_of(app)):
                return asked
        return None

    asked = run(steps, size=(120, 40))
    assert asked is not None, f"{typed} finds no {found}"
    assert "channel, identifier, finding or command" in asked


def test_the_palette_goes_where_it_is_told():
    async def steps(app, pilot, worker):
        await pilot.press("ctrl+p")
        await pilot.pause()
        await pilot.press(*"oil_press")
        for _ in range(100):
            await pilot.pause(0.02)
            if "oil_pressure" in "\n".join(text_of(app)):
                break
        await pilot.press("enter")
        for _ in range(100):
            await pilot.pause(0.02)
            if app.current_mode == "channels":
                break
        await settled(pilot)
        return app.current_mode

    assert run(steps) == "channels"


@pytest.mark.parametrize(
    ("key", "asked"),
    [
        ("comma", ("step", -1.0)),
        ("full_stop", ("step", 1.0)),
        ("less_than_sign", ("step", -1)),
        ("greater_than_sign", ("step", 1)),
        ("minus", ("set_speed", 0.5)),
        ("plus", ("set_speed", 2.0)),
        ("space", ("play",)),
    ],
)
def test_keys_of_the_replay(key, asked):
    async def steps(app, pilot, worker):
        await pilot.press(key)
        return worker.asked

    assert run(steps) == [asked]


def test_space_pauses_what_plays():
    async def steps(app, pilot, worker):
        await pilot.press("space")
        return worker.asked

    snapshot = snapshot_of()
    playing = replace(snapshot, source=replace(snapshot.source, phase="playing"))
    assert run(steps, snapshot=playing) == [("pause",)]


def test_going_to_a_time():
    async def steps(app, pilot, worker):
        await pilot.press("g", *"6.5", "enter")
        await settled(pilot)
        for text in ("10:00:08", "10:00:08.5", "+8"):
            await pilot.press("g", *text, "enter")
            await settled(pilot)
        await pilot.press("g", *"soon", "enter")
        await settled(pilot)
        told = len(app._notifications)
        await pilot.press("g", *"100", "enter")
        await settled(pilot)
        return worker.asked, app.snapshot.source.first_ns, [each.message for each in app._notifications][told:]

    asked, first, told = run(steps)
    day = first - first % (86_400 * 10**9)
    clock = day + 36_008 * 10**9
    assert [at for _, at in asked] == [
        first + 6_500_000_000, clock, clock + 500_000_000, first + 8_000_000_000, first + 100_000_000_000
    ]  # fmt: skip
    assert told == ["100: the capture ends before; it lasts 13.9 s"]


def test_a_live_screen_is_held_and_released_and_never_stepped():
    async def steps(app, pilot, worker):
        await pilot.press("full_stop", "plus", "g")
        before = text_of(app)
        await pilot.press("space")
        worker.give(source=replace(worker.snapshot.source, title="held back"), findings=())
        await settled(pilot)
        held = text_of(app), app.snapshot.findings
        await pilot.press("space")
        await settled(pilot)
        return worker.asked, before, held, text_of(app)

    asked, before, (held, findings), after = run(steps, snapshot=live())
    assert asked == []
    assert "can1  live" in before[0]
    assert "space Hold" in before[-1]
    assert "can1  HELD" in held[0]
    assert "space Go on" in held[-1]
    assert findings
    assert "held back  live" in after[0]


def test_speed_keys_that_come_faster_than_snapshots_all_count():
    async def steps(app, pilot, worker):
        await pilot.press(*["plus"] * 8)
        await settled(pilot)
        worker.give(source=replace(worker.snapshot.source, speed=64.0))
        await settled(pilot)
        worker.give(source=replace(worker.snapshot.source, speed=1.0))
        await settled(pilot)
        await pilot.press("minus")
        await settled(pilot)
        return [speed for _, speed in worker.asked]

    assert run(steps) == [2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 64.0, 64.0, 0.5]


@pytest.mark.parametrize(
    ("speed", "key", "asked"), [(1000.0, "plus", 1000.0), (1000.0, "minus", 500.0), (0.01, "minus", 0.01)]
)
def test_no_speed_key_jumps_back_from_what_was_asked_at_the_start(speed, key, asked):
    async def steps(app, pilot, worker):
        worker.give(source=replace(worker.snapshot.source, speed=speed))
        await settled(pilot)
        await pilot.press(key)
        await settled(pilot)
        return worker.asked

    assert run(steps) == [("set_speed", asked)]


def test_a_marker_gets_the_moment_of_the_key(monkeypatch):
    moments = iter(range(1000, 2000))
    monkeypatch.setattr("buswright.tui.app.time.time_ns", lambda: next(moments))

    async def steps(app, pilot, worker):
        await pilot.press("m")
        await settled(pilot)
        assert isinstance(app.screen, Prompt)
        await pilot.press(*"wiggled C12", "enter")
        await settled(pilot)
        await pilot.press("m", "escape")
        await settled(pilot)
        return worker.asked

    assert run(steps, snapshot=live()) == [("mark", "wiggled C12", 1000)]


def test_a_capture_is_marked_at_the_moment_shown():
    async def steps(app, pilot, worker):
        await pilot.press("m", *"bang", "enter")
        await settled(pilot)
        return worker.asked

    assert run(steps) == [("mark", "bang", snapshot_of().source.now_ns)]


def test_ctrl_c_loses_no_recording_and_ctrl_z_stops_none(monkeypatch):
    stopped = []
    monkeypatch.setattr("textual.app.App.action_suspend_process", lambda _: stopped.append(1))

    async def steps(app, pilot, worker):
        await pilot.press("ctrl+z")
        await settled(pilot)
        said = told(app)
        await pilot.press("ctrl+c")
        await settled(pilot)
        asked = isinstance(app.screen, Confirm)
        await pilot.press("ctrl+c", "ctrl+c")
        await settled(pilot)
        return said, asked, app.is_running, worker.asked

    said, asked, goes_on, commands = run(steps, snapshot=live(recording_on=True))
    assert "a recording is running" in said
    assert (asked, goes_on, commands, stopped) == (True, True, [], [])
    said, asked, *_ = run(steps)
    assert (said, asked, len(stopped)) == ("", False, 1)


def test_closing_asks_only_if_a_recording_runs():
    async def steps(app, pilot, worker):
        await pilot.press("q")
        await settled(pilot)
        asked = isinstance(app.screen, Confirm)
        if asked:
            await pilot.press("n")
            await settled(pilot)
            assert not isinstance(app.screen, Confirm)
            assert app.is_running
            await pilot.press("q")
            await settled(pilot)
            await pilot.press("y")
        return asked, worker

    asked, worker = run(steps, snapshot=live(recording_on=True))
    assert asked
    assert worker.closed
    asked, worker = run(steps)
    assert not asked
    assert worker.closed


def test_a_fault_of_a_screen_is_a_notice_and_the_next_snapshot_is_shown(caplog):
    async def steps(app, pilot, worker):
        app.push_screen(Detail())
        await settled(pilot)
        with caplog.at_level(logging.ERROR, "buswright.watch"):
            app.front.receive(replace(worker.snapshot, number=3))
        await settled(pilot)
        told = [each.text for each in app.notices]
        worker.give(source=replace(worker.snapshot.source, title="goes on"))
        await settled(pilot)
        return told, app.front.query_one(TopBar).text

    told, text = run(steps)
    assert any("odd snapshots can't be drawn" in each for each in told)
    assert "odd snapshots" in caplog.text
    assert "goes on" in text


def test_a_fault_of_a_key_is_a_notice():
    async def steps(app, pilot, worker):
        worker.set_speed = None  # so that the key raises
        await pilot.press("plus", "3")
        await settled(pilot)
        return [each.text for each in app.notices], app.current_mode

    notices, mode = run(steps)
    assert len(notices) == 1
    assert "not callable" in notices[0]
    assert mode == "channels"


def test_a_row_that_cannot_be_made_costs_no_other_and_is_told_once():
    async def steps(app, pilot, worker):
        rows = app.screen.query_one(Rows)

        def cells(key):
            if key == "b":
                raise ZeroDivisionError("no rate")
            return (key, "1.0")

        for _ in range(3):
            rows.show(["a", "b", "c"], cells)
            await settled(pilot)
        return text_of(app)[2:6], [each.text for each in app.notices]

    lines, told = run(steps)
    assert [text.split()[0] for text in lines] == ["channel", "a", "b:", "c"]
    assert told == ["the row of b could not be made: no rate. It is in the log."]


def test_faults_without_end_end_it(caplog):
    async def steps(app, pilot, worker):
        for number in range(GIVE_UP + 1):
            app._handle_exception(ValueError(f"fault {number}"))
        await pilot.pause()

    with pytest.raises(ValueError, match="fault"):
        run(steps)
    assert "giving up" in caplog.text


def test_notices_of_the_worker_are_told_once_and_kept():
    async def steps(app, pilot, worker):
        worker.give(notices=(Notice(1, "trouble", "the disk is full"),))
        await settled(pilot)
        worker.give()
        await settled(pilot)
        await pilot.press("n")
        await settled(pilot)
        return len(app.notices), "\n".join(text_of(app))

    count, text = run(steps)
    assert count == 1
    assert "the disk is full" in text


def test_an_adapter_that_is_gone_stands_at_the_top():
    snapshot = live()
    gone = (replace(snapshot.source.receptions[0], connected=False),)

    async def steps(app, pilot, worker):
        return app.screen.query_one(TopBar).text

    text = run(steps, snapshot=replace(snapshot, source=replace(snapshot.source, receptions=gone)))
    assert "chassis NOT RECEIVED" in text


def test_the_time_line_marks_findings_markers_and_the_moment():
    snapshot = snapshot_of()
    spans = time_line(snapshot, 80)
    text = "".join(span.text for span in spans)
    assert len(text) == 80
    start, end = snapshot.source.first_ns, snapshot.source.end_ns
    room = 80 - len(" 10:00:00 ") * 2
    fault = snapshot.findings[0].start_ns
    assert text.index("!") == 10 + (fault - start) * room // (end - start)
    assert text.index("^") == 10 + (end - 3_000_000_000 - start) * room // (end - start)
    assert text[10 + room - 1] == "│"


def test_the_time_line_of_a_capture_without_time_is_empty():
    snapshot = snapshot_of()
    source = replace(snapshot.source, first_ns=None, now_ns=None, end_ns=None)
    text = "".join(span.text for span in time_line(replace(snapshot, source=source), 80))
    assert text.strip() == "--:--:--"


@pytest.mark.parametrize("theme", [each.name for each in THEMES])
def test_every_theme_shows_the_same_words(theme):
    async def steps(app, pilot, worker):
        return text_of(app)

    assert run(steps, theme=theme) == run(steps)


def test_without_colour_the_words_are_the_same(monkeypatch):
    async def steps(app, pilot, worker):
        return text_of(app), app.no_color

    coloured, _ = run(steps)
    monkeypatch.setenv("NO_COLOR", "1")
    plain, no_color = run(steps)
    assert no_color
    assert plain == coloured


def test_a_storm_of_resizes():
    sizes = [(80, 24), (40, 10), (200, 60), (20, 5), (1, 1), (300, 90), (81, 25), (50, 12)]

    async def steps(app, pilot, worker):
        for size in sizes * 4:
            await pilot.resize_terminal(*size)
            worker.give()
        await pilot.resize_terminal(80, 24)
        await settled(pilot)
        return text_of(app), list(app.notices), app.screen.query_one(TimeBar).text

    lines, notices, bar = run(steps)
    assert notices == []
    assert "wrenfell_run.log" in lines[0]
    assert len(bar) <= 80
