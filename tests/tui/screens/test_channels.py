"""The list of channels, driven by its keys."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from textual.widgets import Footer

from buswright.channels.samples.series import Quality, describe_quality
from buswright.tui.screens.channels import rows as channel_rows
from buswright.tui.screens.channels.screen import ChannelsScreen
from buswright.tui.screens.plot.screen import PlotScreen
from buswright.tui.widgets.bars import Bar
from buswright.tui.widgets.rows import Heading, Rows
from buswright.tui.widgets.toned import Lines

from ..made import snapshot_of
from ..piloted import SIZES, piloted, settled, text_of, told


@lru_cache(maxsize=1)
def troubled():
    """The car with a broken wire, a crossed limit and a silent module."""
    bits = int(Quality.ELECTRICAL_RAIL)
    changed = {
        "damper_fr": {"usable": False, "quality": bits, "quality_words": describe_quality(bits), "bad_samples": 40},
        "oil_pressure": {"level": "warning", "side": "low", "limit": 1.1, "value": 0.8},
        "coolant_temperature": {"level": "caution", "side": "high", "limit": 105.0},
    }
    channels = []
    for each in snapshot_of().channels:
        change = dict(changed.get(each.name, {"silent_ns": 20_000_000_000} if each.module == "wheel_node" else {}))
        if each.name == "damper_fr":
            wrong = np.zeros(len(each.trace.low), dtype=np.bool_)
            wrong[-3:] = True
            change["trace"] = replace(each.trace, bad=wrong)
        channels.append(replace(each, **change))
    return replace(snapshot_of(), channels=tuple(channels))


def keys(app):
    return [key for key in app.screen.query_one(Rows).keys if not isinstance(key, Heading)]


def settings(app):
    return app.screen.query_one("#settings", Bar).text


def about(app):
    return app.screen.query_one("#about", Lines).text


@pytest.mark.parametrize("size", SIZES)
def test_a_row_says_state_value_unit_input_and_the_panel_the_rest(size):
    async def steps(app, pilot, worker):
        assert app.screen.query_one(Rows).go_to("damper_fr")
        await settled(pilot)
        return text_of(app), " ".join(app.screen.query_one("#about", Lines).text.split())

    text, whole = piloted(steps, snapshot=troubled(), screen="channels", size=size)
    assert len(text) == size[1]
    row = next(each for each in text if "damper_fr" in each and "mm" in each)
    for word in ("BAD", "-0.98", "mm", "2.469 V", "×"):
        assert word in row
    assert any("Last minute" in each for each in text) is (size[0] >= 160)
    assert "input at or beyond its healthy volts: wiring fault" in whole
    assert "plug C12" in whole
    assert "warning below -35" in whole
    if size[0] >= 120:
        assert "electrical end" in row
        assert "200" in row
        assert "-11.20" in row
    if size[0] >= 200:
        assert "2469" in row


def test_the_last_minute_is_plotted_in_a_panel():
    channel = next(each for each in snapshot_of().channels if each.name == "engine_speed")
    lines = ["".join(span.text for span in each) for each in channel_rows.page(channel, "EngineSpeed", {}, None, 60)]
    title = next(at for at, each in enumerate(lines) if each.startswith("Last minute"))
    assert len(lines) == title + 1 + channel_rows.PLOT_LINES
    first, last = (float(lines[at].split()[0]) for at in (title + 1, -1))
    known = channel.trace.low[channel.trace.low <= channel.trace.high]
    assert (first, last) == (pytest.approx(channel.trace.high.max(), rel=0.01), pytest.approx(known.min(), abs=1))


def test_order_goes_from_the_file_to_worst_to_names():
    async def steps(app, pilot, worker):
        seen = [(keys(app)[0], settings(app))]
        for _ in range(3):
            await pilot.press("s")
            await settled(pilot)
            seen.append((keys(app)[0], settings(app)))
        return seen

    seen = piloted(steps, snapshot=troubled(), screen="channels")
    assert [key for key, _ in seen] == ["engine_speed", "wheel_speed_fl", "accel_lat", "engine_speed"]
    for (_, text), words in zip(
        seen, ("as in the car file", "worst first", "by name", "as in the car file"), strict=True
    ):
        assert words in text


def test_groups_go_round():
    async def steps(app, pilot, worker):
        seen = []
        for _ in range(6):
            await pilot.press("b")
            await settled(pilot)
            titles = [key.title for key in app.screen.query_one(Rows).keys if isinstance(key, Heading)]
            seen.append((titles[0] if titles else "", settings(app)))
        return seen

    seen = piloted(steps, snapshot=troubled(), screen="channels")
    firsts = [title.split("  ")[0] for title, _ in seen]
    assert firsts == ["module engine_controller", "plug C12", "supply 5V-A", "ground G2", "bus engine", ""]
    assert "by plug" in seen[1][1]
    assert "not grouped" in seen[5][1]


def test_filter_shows_what_needs_a_look():
    async def steps(app, pilot, worker):
        await pilot.press("f")
        await settled(pilot)
        some = keys(app), settings(app)
        await pilot.press("f")
        await settled(pilot)
        return some, keys(app)

    (some, text), every = piloted(steps, snapshot=troubled(), screen="channels")
    assert {"damper_fr", "oil_pressure", "coolant_temperature", "wheel_speed_fl"} <= set(some)
    assert "damper_fl" not in some
    assert f"need a look: {len(some)} of 91" in text
    assert len(every) == 91


def test_nothing_needs_a_look_says_so():
    clean = replace(
        snapshot_of(), channels=tuple(each for each in snapshot_of().channels if each.name in ("throttle", "pedal"))
    )

    async def steps(app, pilot, worker):
        await pilot.press("f")
        await settled(pilot)
        return "\n".join(text_of(app))

    assert "no channel needs a look; f shows all" in piloted(steps, snapshot=clean, screen="channels")


def test_reset_is_asked_for():
    async def steps(app, pilot, worker):
        await pilot.press("z")
        await settled(pilot)
        return worker.asked

    assert ("reset_extremes",) in piloted(steps, screen="channels")


def test_search_follows_what_is_typed_and_says_when_nothing_fits():
    async def steps(app, pilot, worker):
        await pilot.press("slash", *"c12")
        await settled(pilot)
        found = keys(app)
        await pilot.press(*"zzz")
        await settled(pilot)
        none = "\n".join(text_of(app))
        await pilot.press("escape")
        await settled(pilot)
        return found, none, len(keys(app))

    found, none, count = piloted(steps, screen="channels")
    assert found == ["damper_fl", "damper_fr"]
    assert 'nothing fits "c12zzz"' in none
    assert count == 91


def test_picks_get_letters_and_enter_plots_them():
    async def steps(app, pilot, worker):
        await pilot.press("x", "down", "down", "x")
        await settled(pilot)
        text = text_of(app)
        line = settings(app)
        await pilot.press("enter")
        await settled(pilot)
        asked = [each for each in worker.asked if each[0] == "plot"]
        opened = type(app.screen), app.screen.names
        await pilot.press("escape")
        await settled(pilot)
        back = type(app.screen)
        await pilot.press("x")
        await settled(pilot)
        return text, line, asked, opened, back, app.screen.picks, worker.asked[-1]

    text, line, asked, opened, back, picks, last = piloted(steps, screen="channels")
    names = ("engine_speed", "manifold_pressure")
    assert "Enter plots A engine_speed, B manifold_pressure" in line
    assert any(each.startswith("A engine_speed") for each in text)
    assert any(each.startswith("B manifold_pressure") for each in text)
    assert asked == [("plot", names)]
    assert opened == (PlotScreen, names)
    assert back is ChannelsScreen
    assert picks == ["engine_speed"]
    assert last == ("plot", ())


def test_enter_without_picks_plots_the_channel_under_the_cursor():
    async def steps(app, pilot, worker):
        await pilot.press("down", "enter")
        await settled(pilot)
        return app.screen.names

    assert piloted(steps, screen="channels") == ("throttle",)


def test_a_seventh_pick_is_refused_with_a_word():
    async def steps(app, pilot, worker):
        for _ in range(7):
            await pilot.press("x", "down")
        await settled(pilot)
        return app.screen.picks, told(app)

    picks, said = piloted(steps, screen="channels")
    assert len(picks) == 6
    assert any("six" in each or "6" in each for each in said)


def test_going_to_a_channel_by_name_shows_it_although_a_filter_hides_it():
    async def steps(app, pilot, worker):
        await pilot.press("f")
        await settled(pilot)
        app.go_to("channels", "throttle")
        await settled(pilot)
        return app.screen.query_one(Rows).key, about(app)

    key, text = piloted(steps, snapshot=troubled(), screen="channels")
    assert key == "throttle"
    assert "throttle" in text


def test_the_cursor_stays_on_its_channel_while_snapshots_come():
    async def steps(app, pilot, worker):
        await pilot.press("down", "down")
        worker.give(channels=tuple(reversed(worker.snapshot.channels)))
        await settled(pilot)
        return app.screen.query_one(Rows).key, keys(app)[:3]

    key, first = piloted(steps, screen="channels")
    assert key == "manifold_pressure"
    assert first == ["engine_speed", "throttle", "manifold_pressure"]


def test_a_database_alone_lists_its_signals_by_message():
    channels = tuple(
        replace(each, name=f"{each.bus}/{each.message}/{each.name}", wiring=None)
        for each in snapshot_of().channels
        if each.message
    )

    async def steps(app, pilot, worker):
        first, text = app.screen.query_one(Rows).keys[0], text_of(app)
        await pilot.press("b")
        await settled(pilot)
        return first, text, settings(app)

    first, text, after = piloted(steps, snapshot=replace(snapshot_of(), car=None, channels=channels), screen="channels")
    assert first == Heading("message engine/ENGINE_1  3 channels")
    assert any(each.startswith("  engine_speed ") for each in text)
    assert any("as in the database" in each for each in text)
    assert "by module" in after


@pytest.mark.parametrize("size", SIZES)
def test_without_database_and_car_file_it_says_what_to_give(size):
    async def steps(app, pilot, worker):
        return " ".join(" ".join(text_of(app)).replace("│", " ").split())

    nothing = replace(snapshot_of(), car=None, database=False, channels=())
    text = piloted(steps, snapshot=nothing, screen="channels", size=size)
    for words in ("--dbc FILE", "--car FILE", "buswright draft", "Screen 2 shows the frames."):
        assert words in text


@pytest.mark.parametrize("theme", ["dusk", "noon", "sixteen"])
def test_all_themes_draw_the_same_words(theme):
    async def steps(app, pilot, worker):
        return text_of(app)[2:-3]

    assert piloted(steps, snapshot=troubled(), screen="channels", theme=theme) == piloted(
        steps, snapshot=troubled(), screen="channels"
    )


def test_every_key_is_explained_and_the_main_ones_are_in_the_footer():
    for binding in ChannelsScreen.BINDINGS:
        assert binding.description
        assert binding.tooltip

    async def steps(app, pilot, worker):
        footer = text_of(app)[-1]
        await pilot.press("question_mark")
        await settled(pilot)
        return footer, app.screen.query_one(Lines).text, len(app.query(Footer))

    footer, text, _ = piloted(steps, screen="channels", size=(120, 60))
    for word in ("s Order", "b Group", "f Filter", "x Pick", "z Reset"):
        assert word in footer
    for binding in ChannelsScreen.BINDINGS:
        assert binding.tooltip.split(",")[0][:30] in text


def test_a_resize_storm_leaves_a_whole_screen():
    async def steps(app, pilot, worker):
        for size in ((200, 60), (50, 12), (81, 25), (30, 6), (140, 45), (80, 24)):
            await pilot.resize_terminal(*size)
            worker.give()
        await settled(pilot)
        return text_of(app), list(app.notices)

    text, notices = piloted(steps, snapshot=troubled(), screen="channels")
    assert notices == []
    assert len(text) == 24
    assert any("throttle" in each for each in text)
