"""The overview, driven with keys at three sizes."""

from dataclasses import replace

import pytest

from buswright.findings import Layer
from buswright.tui.screens.help_screen import HelpScreen
from buswright.tui.screens.overview.screen import OverviewScreen
from buswright.tui.targets import key_of
from buswright.tui.widgets.bars import SearchLine
from buswright.tui.widgets.rows import Rows

from ..made import snapshot_of
from ..made_variants import (
    finding,
    live,
    many_buses,
    nothing,
    reception,
    with_bus,
    with_errors,
    without_car,
)
from ..piloted import SIZES, piloted, settled, text_of, told


def shown(snapshot=None, size=(120, 40), keys=()):
    async def steps(app, pilot, worker):
        for key in keys:
            await pilot.press(key)
        await settled(pilot)
        assert not app.notices, app.notices
        return text_of(app)

    return piloted(steps, snapshot=snapshot, size=size)


def at_sizes(snapshot=None):
    """What stands on the screen at each size, after one another."""

    async def steps(app, pilot, worker):
        found = []
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            found.append(text_of(app))
            assert [len(found[-1]), app.size.width] == [size[1], size[0]]
        assert not app.notices, app.notices
        return found

    return piloted(steps, snapshot=snapshot, size=(100, 30))


def line_of(lines, word):
    return next(each for each in lines if each.startswith(word))


def test_one_look_shows_buses_modules_and_what_to_look_at_first():
    for lines in at_sizes():
        assert "module-missing" in line_of(lines, "FAULT")
        assert "wheel_node" in line_of(lines, "FAULT")
        assert "19 %" in line_of(lines, "engine ")
        assert "20 % 10:00:00.7" in line_of(lines, "engine ")
        assert "11 %" in line_of(lines, "chassis")
        wheel = line_of(lines, "wheel_node")
        assert "×××××××" in wheel
        assert "0/3" in wheel
        assert "8.0 s" in wheel
        assert "MISSING since 10:00:05.9" in wheel
        for module in ("damper_node", "inertial_node", "engine_controller", "power_node"):
            assert "present" in line_of(lines, module)
        assert any("Check" in each and "Power at the module's plug first" in each for each in lines)
        text = "\n".join(lines)
        assert "load in order (<60 %, peaks <90 %)" in text
        assert "500 kbit/s (car file)" in text
        assert "no error frames" in text


def test_a_good_run_says_that_nothing_is_suspect_and_where_to_read_what_was_checked():
    text = "\n".join(shown(snapshot_of(False), (80, 24)))
    assert "nothing suspect so far" in text
    assert "Buses: nothing suspect in 27,066 frames in 14 s, the whole capture." in text
    assert "Channels: not judged yet." in text


def test_live_with_an_unproven_listener_drops_and_errors():
    receptions = (reception("engine", listening="not proven"), reception("chassis"))
    for lines in at_sizes(with_errors(live(receptions=receptions), "chassis")):
        text = "\n".join(lines)
        assert "listen-only NOT PROVEN: may acknowledge" in text
        assert "37 ERROR FRAMES, now 2.5/s" in text
        assert "controller error-passive" in text


def test_a_gone_adapter_is_told_of_the_bus_and_its_modules_are_not_called_missing():
    for lines in at_sizes(live(receptions=(reception("engine"), reception("chassis", connected=False)))):
        assert any("NOT CONNECTED" in each for each in lines)
        assert "not received" in line_of(lines, "damper_node")
        assert "MISSING" not in line_of(lines, "wheel_node")


def test_nothing_received_says_what_to_check():
    for lines in at_sizes(nothing()):
        text = "\n".join(lines)
        assert "Nothing has come yet from engine" in text
        for word in ("Power", "Bit rate", "Wires", "Termination", "Alone?", "Adapter", "54-66 ohm", "--find-bitrate"):
            assert word in text
        assert "nothing suspect" not in text


def test_an_empty_capture_and_one_that_is_being_read():
    text = "\n".join(shown(nothing(False, problems={"not a frame": 12}), (80, 24)))
    assert "holds no frames" in text
    assert "12 lines could not be read" in text
    text = "\n".join(shown(nothing(False, problems={"the file is empty": 1}), (80, 24)))
    assert "It is empty." in text
    assert "could not be read" not in text
    assert "Reading wrenfell_run.log" in "\n".join(shown(nothing(False, phase="reading", read=0.0)))


def test_without_a_car_file_identifiers_stand_for_themselves():
    for lines in at_sizes(without_car()):
        assert line_of(lines, "identifier")
        assert "MISSING" in line_of(lines, "110 ")
        assert "present, every 5 ms" in line_of(lines, "0A0 ")
    assert "No list of expected modules" in "\n".join(shown(without_car(False), (80, 24)))


def test_four_buses_and_all_modules_fit():
    for lines in at_sizes(many_buses(live())):
        for bus in ("engine ", "chassis", "body", "pit"):
            assert "%" in line_of(lines, bus)
        for module in ("wheel_node", "damper_node", "inertial_node", "engine_controller", "power_node"):
            assert line_of(lines, module)
        assert any("Check" in each for each in lines)


def test_what_is_wrong_now_comes_first_before_any_finding_tells_of_it():
    early = finding("capture-drop", Layer.CAPTURE, subject="capture")
    snapshot = replace(live(), findings=(early,), findings_whole=False)

    async def steps(app, pilot, worker):
        keys = app.screen.query_one("#first", Rows).keys
        first = text_of(app)
        about = app.screen.query_one("#about").text
        await pilot.press("enter")
        await settled(pilot)
        went = app.current_mode, app.screen.sought
        worker.give(live(snapshot_of(False)))
        app.switch_mode("overview")
        await settled(pilot)
        return keys, first, about, went, text_of(app)

    keys, first, about, went, after = piloted(steps, snapshot=snapshot)
    assert keys == ("module:wheel_node", key_of(early))
    assert line_of(first, "FAULT now").split()[2:5] == ["module-missing", "wheel_node", "10:00:05"]
    assert "Power at the module's plug first" in about
    assert "None of its 3 identifiers comes." in about
    assert went == ("identifiers", "wheel_node")
    assert not any(each.startswith("FAULT now") for each in after)


def test_enter_on_what_is_wrong_now_opens_its_finding_and_lists_it_once():
    async def steps(app, pilot, worker):
        rows = app.screen.query_one("#first", Rows)
        assert rows.keys == ("module:wheel_node",)
        await pilot.press("enter")
        await settled(pilot)
        return app.current_mode, app.screen.query_one("#list", Rows).key == key_of(app.snapshot.findings[0])

    assert piloted(steps) == ("findings", True)


def test_in_a_wide_window_the_evidence_stands_beside_the_lists():
    lines = shown(size=(200, 60))
    top = "\n".join(lines[:24])
    for words in ("FAULT  module-missing", "identifiers of wheel_node went", "Check next Power at"):
        assert words in top
    below = shown(size=(149, 40))
    assert "Seen" not in "\n".join(below[:12])


def test_in_a_high_window_identifiers_stand_under_their_modules():
    lines = shown(size=(200, 60), keys=("tab", "down", "down"))
    at = next(k for k, each in enumerate(lines) if each.startswith("wheel_node"))
    assert [each.split()[0] for each in lines[at : at + 5]] == ["wheel_node", "110", "111", "112", "damper_node"]
    assert "×××××××" in lines[at + 1]
    assert "every 5 ms" in line_of(lines, "  1A0 DAMPERS_A")
    assert "111 BRAKES on chassis: MISSING" in "\n".join(lines)
    assert not any(each.startswith("  110") for each in shown(size=(120, 40)))


def test_an_identifier_under_its_module_is_gone_to():
    async def steps(app, pilot, worker):
        await pilot.press("tab", "down", "down", "enter")
        await settled(pilot)
        return app.current_mode, str(app.screen.query_one(Rows).key)

    assert piloted(steps, size=(200, 60)) == ("identifiers", "chassis/111")


def test_numbers_keep_their_places_when_they_change():
    async def steps(app, pilot, worker):
        places = set()
        for load in (0.0, 0.04, 0.5, 1.0):
            worker.give(with_bus(snapshot_of(), "engine", now=load))
            await settled(pilot)
            lines = text_of(app)
            assert f"{load * 100:3.0f} %" in line_of(lines, "engine ")
            places.add((line_of(lines, "engine ").index("10:00:00.7"), line_of(lines, "wheel_node").index("MISSING")))
        assert len(places) == 1

    piloted(steps, size=(80, 24))


def test_the_cursor_goes_through_both_lists_and_the_lines_below_tell_of_its_row():
    async def steps(app, pilot, worker):
        assert app.screen.query_one("#first").has_focus
        about = app.screen.query_one("#about").text
        assert "Power at the module's plug" in about
        assert "Unplug only with the engine off" in about
        await pilot.press("down")
        await settled(pilot)
        assert app.screen.query_one("#modules").has_focus
        assert app.screen.query_one("#about").text.startswith("wheel_node on chassis: MISSING since")
        assert sum("‹" in each for each in text_of(app)) == 1
        await pilot.press("down")
        await settled(pilot)
        assert app.screen.query_one("#about").text.startswith("damper_node on chassis: present")
        await pilot.press("up", "up")
        await settled(pilot)
        assert app.screen.query_one("#first").has_focus
        await pilot.press("tab")
        assert app.screen.query_one("#modules").has_focus
        await pilot.press("shift+tab")
        assert app.screen.query_one("#first").has_focus

    piloted(steps)


def test_enter_opens_a_finding():
    async def steps(app, pilot, worker):
        await pilot.press("enter")
        await settled(pilot)
        assert app.current_mode == "findings"
        assert app.screen.query_one("#list", Rows).key == key_of(app.snapshot.findings[0])

    piloted(steps)


def test_enter_on_a_module_and_i_show_its_identifiers():
    async def steps(app, pilot, worker):
        for keys in (("tab", "enter"), ("i",)):
            app.switch_mode("overview")
            await settled(pilot)
            app.screen.query_one("#first").focus()
            await settled(pilot)
            await pilot.press(*keys)
            await settled(pilot)
            assert app.current_mode == "identifiers"
            assert app.screen.sought == "wheel_node"
            assert app.screen.query_one(SearchLine).value == "wheel_node"
            assert {str(key) for key in app.screen.query_one(Rows).keys} == {
                "chassis/110",
                "chassis/111",
                "chassis/112",
            }

    piloted(steps)


def test_enter_on_an_identifier_without_a_module_goes_to_it():
    async def steps(app, pilot, worker):
        await pilot.press("tab", "enter")
        await settled(pilot)
        assert app.current_mode == "identifiers"
        assert str(app.screen.query_one(Rows).key) == "can1/110"

    piloted(steps, snapshot=without_car())


def test_i_on_a_finding_about_the_capture_says_that_it_has_no_identifier():
    one = finding("clock-jump", Layer.CAPTURE, subject="capture")

    async def steps(app, pilot, worker):
        await pilot.press("i")
        await settled(pilot)
        assert app.current_mode == "overview"
        assert "no identifier" in told(app)

    piloted(steps, snapshot=replace(snapshot_of(False), findings=(one,)))


def test_search_leaves_what_contains_it_in_both_lists():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"damper")
        await settled(pilot)
        assert [key[1] for key in app.screen.query_one("#modules", Rows).keys] == ["damper_node"]
        assert app.screen.query_one("#first", Rows).keys == ()
        await pilot.press("escape")
        await settled(pilot)
        assert len(app.screen.query_one("#modules", Rows).keys) == 5

    piloted(steps)


def test_new_snapshots_keep_the_cursor_on_its_row():
    async def steps(app, pilot, worker):
        await pilot.press("tab", "down", "down")
        await settled(pilot)
        modules = app.screen.query_one("#modules", Rows)
        key = modules.key
        worker.give(snapshot_of(False))
        await settled(pilot)
        assert modules.key == key
        assert modules.has_focus
        worker.give(nothing())
        await settled(pilot)
        worker.give(many_buses(live()))
        await settled(pilot)
        assert not app.notices

    piloted(steps)


def test_resizing_draws_anew():
    async def steps(app, pilot, worker):
        for size in ((50, 12), (200, 60), (80, 24), (120, 40), (60, 15)):
            await pilot.resize_terminal(*size)
            await settled(pilot)
            assert len(text_of(app)) == size[1]
        assert not app.notices
        await pilot.resize_terminal(120, 40)
        await settled(pilot)
        assert "each second" in "\n".join(text_of(app))

    piloted(steps)


def test_help_explains_the_marks_and_every_key_has_words():
    async def steps(app, pilot, worker):
        await pilot.press("question_mark")
        await settled(pilot)
        assert isinstance(app.screen, HelpScreen)
        text = app.screen.query_one("Lines").text
        assert "one mark a second" in text
        for key in ("Tab", "i "):
            assert any(each.strip().startswith(key) for each in text.splitlines())

    piloted(steps, size=(120, 60))
    assert all(binding.description for binding in OverviewScreen.BINDINGS)


@pytest.mark.parametrize("theme", ["noon", "sixteen"])
def test_other_colours_say_the_same(theme):
    async def steps(app, pilot, worker):
        return text_of(app)

    assert piloted(steps, theme=theme) == piloted(steps)


def test_a_search_that_fits_no_finding_does_not_say_that_there_is_none():
    text = "\n".join(shown(keys=("slash", *"zzz")))
    assert "nothing suspect" not in text
    assert 'nothing fits "zzz"' in text
    assert "finding not shown" in text or "findings not shown" in text
