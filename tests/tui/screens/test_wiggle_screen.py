"""The wiggle screen: choosing, quiet, places by digits, the bell, and what is said, at every size."""

from dataclasses import replace

import pytest

from buswright.channels.glitches import Glitch
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.tui.screens.wiggle.lines import big, key_line
from buswright.tui.widgets.bars import Tabs
from buswright.tui.widgets.rows import Rows

from ..made import snapshot_of
from ..piloted import SIZES, drawn, piloted, settled, text_of

CHANNELS = ("damper_fl", "damper_fr", "steering_angle")
NAN = float("nan")


def place(name, seconds, counts, total, chance, expected=0.0):
    return PlaceNow(
        name, seconds, tuple(zip(CHANNELS, counts, strict=True)), total, expected, chance, likely=chance < 0.01
    )


SEAT = place("seat loom", 12.0, (1, 0, 0), 1, 0.29)
PLUG = place("plug C12", 10.0, (9, 8, 0), 9, 0.0004)
STUD = place("ground stud", 3.0, (0, 0, 0), 0, 1.0)


def moment(seconds):
    return snapshot_of().source.now_ns + round(seconds * 1e9)


def wiggle(
    *, place="", places=(), quiet=(0, 0, 0), total=None, running=True, advice="Leave everything alone.", latest=()
):
    return WiggleNow(
        channels=CHANNELS,
        running=running,
        place=place,
        quiet_s=30.0,
        quiet=tuple(zip(CHANNELS, quiet, strict=True)),
        places=places,
        latest=latest,
        total=sum(each.total for each in places) if total is None else total,
        advice=advice,
    )


LATEST = (
    (Glitch("damper_fl", "rail", moment(-0.4), 5_000_000, 4.99), "plug C12"),
    (Glitch("damper_fr", "spike", moment(-2.0), 15_000_000, 3.25), "plug C12"),
    (Glitch("steering_angle", "gap", moment(-20.0), 12_000_000_000, NAN), ""),
)
LIKELY = wiggle(
    place="plug C12",
    places=(SEAT, PLUG, STUD),
    advice="Moving plug C12 makes glitches. Power off: look for pins that are "
    "pushed back, loose, green or black, then measure under 1 ohm from end to end while it is moved. "
    + "Key off, battery isolated, and some minutes for the modules to power down. "
    * 5,
    latest=LATEST,
)


def shown(steps, test, size=(120, 40)):
    return piloted(steps, snapshot=replace(snapshot_of(), wiggle=test), screen="wiggle", size=size)


# Choosing ---------------------------------------------------------------------------------------------------------


def test_channels_are_listed_by_module_without_the_computed_ones():
    async def steps(app, pilot, worker):
        assert app.screen.focused.id == "choice"
        car = worker.snapshot.car
        listed = [key for key in app.screen.query_one("#choice", Rows).keys if isinstance(key, str)]
        assert listed
        assert set(listed) == {name for name, each in car.channels.items() if each.formula is None}
        return "\n".join(await drawn(app, pilot))

    text = piloted(steps, screen="wiggle")
    assert "which channels misbehave?" in text
    assert "engine_controller" in text
    assert "none picked; Enter takes the one under the cursor" in text
    assert "x Pick" in text
    assert "a All of module" in text


def test_values_have_the_digits_that_their_channels_are_known_to():
    async def steps(app, pilot, worker):
        return await drawn(app, pilot)

    lines = shown(steps, None, size=(200, 60))
    by_name = {each.split()[2]: each for each in lines if each.startswith("[ ]")}
    now = {each.name: each for each in snapshot_of().channels}
    assert f" {now['engine_speed'].value:.1f} rpm" in by_name["engine_speed"]  # steps of 0.25
    assert f" {now['lambda_collector'].value:.4f} lambda" in by_name["lambda_collector"]
    assert f" {now['gear'].value:.0f} gear" in by_name["gear"]
    assert f" {now['gear_drum'].volts:.3f} V" in by_name["gear_drum"]
    peak = Glitch("lambda_collector", "spike", moment(-0.4), 5_000_000, 1.23456), "plug C12"
    unknown = Glitch("gone", "spike", moment(-0.5), 5_000_000, 1234.5678), ""
    lines = shown(steps, wiggle(latest=(peak, unknown)))
    assert "1.2346 lambda" in next(each for each in lines if "lambda_collector" in each)
    assert "1235" in next(each for each in lines if " gone " in each)


def test_enter_starts_with_the_channel_under_the_cursor():
    async def steps(app, pilot, worker):
        await pilot.press("down", "enter")
        await settled(pilot)
        return worker.asked

    assert piloted(steps, screen="wiggle") == [("start_wiggle", ["throttle"])]


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ({"phase": "ended"}, "press space to play it"),
        ({"phase": "ended", "grows": True}, "touch nothing now"),
        ({"phase": "playing"}, "touch nothing now"),
    ],
)
def test_at_the_end_of_a_capture_it_says_that_nothing_comes(source, says):
    async def steps(app, pilot, worker):
        await pilot.press("s")
        await settled(pilot)
        return [each.message.lower() for each in app._notifications]

    snapshot = snapshot_of()
    snapshot = replace(snapshot, source=replace(snapshot.source, **source))
    assert says in " ".join(piloted(steps, snapshot=snapshot, screen="wiggle"))


def test_what_found_the_channels_does_not_hide_the_places():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"throttle", "enter", "s")
        worker.give(wiggle=LIKELY)
        await settled(pilot)
        return app.screen.sought, "\n".join(await drawn(app, pilot))

    sought, text = piloted(steps, screen="wiggle")
    assert sought == ""
    assert "1 seat loom" in text
    assert "f Save" in text


def test_picks_and_whole_modules_start_in_the_order_of_the_car_file():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"r_fr", "enter", "x")
        await settled(pilot)
        assert "1 picked" in "\n".join(text_of(app))
        await pilot.press("escape", "slash", *"r_fl", "enter", "x", "x", "x", "s")
        await settled(pilot)
        return worker.asked

    assert piloted(steps, screen="wiggle") == [("start_wiggle", ["damper_fl", "damper_fr"])]


def test_a_module_is_picked_and_taken_back_whole():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"r_fl", "enter", "a", "escape")
        await settled(pilot)
        picked = set(app.screen.picks)
        await pilot.press("slash", *"r_fl", "enter", "a")
        await settled(pilot)
        return picked, set(app.screen.picks)

    picked, after = piloted(steps, screen="wiggle")
    assert {"damper_fl", "damper_rr", "oil_pressure"} <= picked
    assert "engine_speed" not in picked
    assert after == set()


def test_without_channels_it_says_what_is_missing():
    async def steps(app, pilot, worker):
        await pilot.press("enter", "x", "a", "s")
        await settled(pilot)
        return worker.asked, "\n".join(text_of(app))

    bare = replace(snapshot_of(), channels=(), car=None, database=False)
    asked, text = piloted(steps, snapshot=bare, screen="wiggle")
    assert asked == []
    assert "add a database (--dbc) or a car file (--car)" in text


# A test -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", SIZES)
def test_everything_stands_there_at_every_size(size):
    async def steps(app, pilot, worker):
        return await drawn(app, pilot)

    lines = shown(steps, LIKELY, size)
    text = "\n".join(lines)
    assert len(lines) == size[1]
    assert all(len(each) <= size[0] for each in lines)
    for words in (
        "MOVING plug C12  for    10 s",
        "quiet for    30 s in total, with 0 glitches",
        "damper_fl, damper_fr, steering_angle",
        "Moving plug C12 makes glitches",
        "LIKELY (under 1 %)",
        "unsure (over 1 %",
        "0.04 %",
        "no glitch",
        "to compare with",
        "end of range",
        "4.990 V",
        "1 seat loom",
        "[plug C12]",
        "0 quiet",
        "w New place",
        "e End",
    ):
        assert words in text, words
    assert "1 Overview" not in text  # the digits are places now
    if size[0] >= 120:
        assert "damper_fl 9  damper_fr 8" in text
        assert "spike" in text
        assert "12 s" in text


def test_the_counter_is_drawn_big_and_keeps_its_room():
    async def steps(app, pilot, worker):
        rows = []
        for total in (9, 10, 1234):
            worker.give(wiggle=replace(LIKELY, total=total))
            await settled(pilot)
            (row,) = (each for each in text_of(app) if "MOVING" in each)
            rows.append(row)
        return rows

    rows = shown(steps, LIKELY)
    assert len({row.index("MOVING") for row in rows}) == 1
    assert [row.count("█") > 0 for row in rows] == [True] * 3


def test_digits_are_three_by_five():
    assert big(7, digits=1) == ["██████", "    ██", "    ██", "  ██  ", "  ██  "]
    assert big(12, digits=3)[0] == "        " + "  ██    " + "██████"
    assert len({len(row) for row in big(907, digits=4, size=2)}) == 1
    assert len(big(907, digits=4, size=2)) == 10


def test_digits_move_places_and_zero_is_quiet():
    async def steps(app, pilot, worker):
        await pilot.press("2", "1", "0")
        await settled(pilot)
        assert app.current_mode == "wiggle"
        return worker.asked

    assert shown(steps, LIKELY) == [("move_to", "plug C12"), ("move_to", "seat loom"), ("move_to", "")]


def test_a_place_is_named_by_the_next_digit_or_w():
    async def steps(app, pilot, worker):
        await pilot.press("4")
        await settled(pilot)
        hint = "\n".join(text_of(app))
        await pilot.press(*"C13", "enter")
        await settled(pilot)
        await pilot.press("w", "escape", "w", "enter")
        await settled(pilot)
        return hint, worker.asked

    hint, asked = shown(steps, LIKELY)
    assert "What do you move now?" in hint
    assert "Enter alone: plug C11; or type another one" in hint, "plug C12 is a place already"
    assert asked == [("move_to", "C13"), ("move_to", "plug C11")]


def test_enter_moves_the_place_under_the_cursor():
    async def steps(app, pilot, worker):
        assert app.screen.focused.id == "places"
        await pilot.press("down", "down", "enter", "home", "enter")
        await settled(pilot)
        return worker.asked

    assert shown(steps, LIKELY) == [("move_to", "plug C12"), ("move_to", "")]


def test_escape_leaves_it_running_and_digits_are_screens_again_elsewhere():
    async def steps(app, pilot, worker):
        await pilot.press("escape")
        await settled(pilot)
        mode = app.current_mode
        await pilot.press("6")
        await settled(pilot)
        return mode, app.current_mode, worker.asked

    assert shown(steps, LIKELY) == ("overview", "recording", [])


def test_ended_it_keeps_its_result_and_another_can_be_chosen():
    async def steps(app, pilot, worker):
        await pilot.press("e")
        await settled(pilot)
        worker.give(wiggle=replace(LIKELY, running=False, place=""))
        await settled(pilot)
        text = "\n".join(await drawn(app, pilot))
        assert app.screen.query_one(Tabs).display
        await pilot.press("c")
        await settled(pilot)
        focus, chosen = app.screen.focused.id, "\n".join(text_of(app))
        await pilot.press("escape")
        await settled(pilot)
        back = "\n".join(text_of(app))
        await pilot.press("1")
        await settled(pilot)
        return worker.asked, text, focus, chosen, back, app.current_mode

    asked, text, focus, chosen, back, mode = shown(steps, LIKELY)
    assert asked == [("stop_wiggle",)]
    assert "ENDED" in text
    assert "LIKELY" in text
    assert focus == "choice"
    assert "which channels misbehave?" in chosen
    assert "ENDED" in back
    assert mode == "overview"


def test_it_rings_at_glitches_at_most_twice_a_second_until_it_is_turned_off():
    async def steps(app, pilot, worker):
        rung, now = [], [100.0]
        app.bell = lambda: rung.append(now[0])
        app.sound.clock = lambda: now[0]

        async def glitches(total, at):
            now[0] = at
            worker.give(wiggle=replace(LIKELY, total=total), phase="listening")
            await settled(pilot)

        await glitches(10, 100.0)
        assert rung == []
        assert "sound on" in "\n".join(text_of(app))
        await glitches(11, 101.0)
        await glitches(12, 101.2)
        await glitches(13, 101.4)
        await glitches(14, 101.5)
        await glitches(14, 103.0)
        await pilot.press("B")
        await settled(pilot)
        assert "sound off" in "\n".join(text_of(app))
        await glitches(15, 104.0)
        return rung


def test_all_of_the_advice_is_a_key_away():
    async def steps(app, pilot, worker):
        before = "\n".join(text_of(app))
        await pilot.press("d")
        await settled(pilot)
        return before, "\n".join(text_of(app))

    before, after = shown(steps, LIKELY, (80, 24))
    assert "d: all of it" in before
    assert "What to do" in after
    assert "measure under 1 ohm" in after


def test_a_quiet_stretch_says_so():
    async def steps(app, pilot, worker):
        return "\n".join(await drawn(app, pilot))

    text = shown(steps, wiggle(quiet=(2, 0, 0), total=2))
    assert "QUIET  touch nothing" in text
    assert "quiet for    30 s in total, with 2 glitches" in text
    assert "1 name a place" in text
    assert "no glitch so far" in text


def test_many_places_keep_one_line():
    places = tuple(place(f"a rather long place name {at}", 1.0, (0, 0, 0), 0, 1.0) for at in range(9))
    for width, _ in SIZES:
        spans = key_line(wiggle(places=places), width)
        text = "".join(span.text for span in spans)
        assert "9 " in text
        assert len(text) <= max(width, 113)


def test_only_what_can_be_done_is_offered():
    async def steps(app, pilot, worker):
        offered = {name: app.screen.check_action(name, ()) for name in ("pick", "place", "end", "choose", "advice")}
        worker.give(wiggle=None)
        await settled(pilot)
        return offered, {name: app.screen.check_action(name, ()) for name in offered}

    during, before = shown(steps, LIKELY)
    assert during == {"pick": False, "place": True, "end": True, "choose": False, "advice": True}
    assert before == {"pick": True, "place": False, "end": False, "choose": False, "advice": False}
