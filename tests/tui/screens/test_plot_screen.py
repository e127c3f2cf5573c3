"""The plot over time: its drawing, and every key."""

import asyncio
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.explained import explain
from buswright.channels.following.model import Plotted
from buswright.channels.samples.labels import Labels
from buswright.channels.session import Session
from buswright.simulate.run import simulate_run
from buswright.simulate.source import demo_car
from buswright.tui.app import Workbench
from buswright.tui.screens.plot.curves import curves_of, edges_of, gap_ns
from buswright.tui.screens.plot.drawing import AXIS, Look, beside, cell_of, nearest, picture
from buswright.tui.screens.plot.readings import rows_of
from buswright.tui.screens.plot.screen import PlotScreen
from buswright.tui.screens.plot.view import Scale, View
from buswright.tui.screens.plot.why import why_lines
from buswright.tui.widgets.canvas import ACROSS
from buswright.tui.widgets.rows import Rows
from buswright.tui.widgets.toned import Lines, width_of

from ..made import snapshot_of
from ..made_plots import NAMES, T0, PlottingWorker, plotted_of, series_of
from ..piloted import SIZES, opened, settled, text_of

S = 1_000_000_000
LIMITS = (("warning", "low", -8.0), ("caution", "high", 9.0), ("warning", "high", 500.0))


def source(**changes):
    return replace(snapshot_of().source, first_ns=T0, now_ns=T0 + 10 * S, **changes)


def drawn(*series, size=(80, 20), look=None, cursor=None, limits=(), edges=(T0, T0 + 10 * S)):
    plotted = [(place, Plotted(each, limits)) for place, each in enumerate(series)]
    made = picture(plotted, source(), edges, look or Look(), cursor, size, {each.name: "V" for each in series})
    assert len(made.lines) == size[1]
    assert {width_of(spans) for spans in made.lines} == {size[0]}
    return ["".join(span.text for span in spans) for spans in made.lines]


def wave(name="wave", scale=10.0, **named):
    return series_of(np.sin(np.arange(1000) / 50) * scale, name=name, **named)


def is_dots(sign):
    return "\u2801" <= sign <= "\u28ff"


# Drawing ----------------------------------------------------------------------------------------------------------


def test_why_writes_the_steps_from_the_raw_number_to_the_unit_in_place_of_the_curves():
    async def steps(app, pilot, worker, screen):
        before = text_of(app)
        await pilot.press("w")
        await settled(pilot)
        shown = text_of(app)
        await pilot.press("w")
        await settled(pilot)
        return before, shown, text_of(app)

    before, shown, after = plotting(steps)
    assert any("Why " in line or "The database alone makes" in line for line in shown), shown
    assert before == after


def test_the_steps_are_those_of_the_command_at_the_cursor_and_wrapped():
    car = demo_car(())
    session = Session(list(simulate_run(6.0, 2)), car)
    series, others = session["oil_pressure"], {"sensor_supply": session["sensor_supply"]}
    at = int(series.time_ns[40])
    lines = ["".join(span.text for span in line) for line in why_lines(car, series, at, others, source(), 70)]
    explained = explain(session, "oil_pressure", at)
    words = " ".join(" ".join(lines).split())
    assert all(" ".join(step.text.split()) in words for step in explained.steps)
    assert [step.name for step in explained.steps][:3] == ["frame", "raw", "database"]
    assert max(len(line) for line in lines) <= 110
    alone = " ".join("".join(span.text for span in line) for line in why_lines(car, series, at, {}, source(), 70))
    assert "sensor_supply, as it was at that time" in alone
    early = list(why_lines(car, series, int(series.time_ns[0]) - 1, {}, source(), 70))
    assert "had no sample by then" in early[0][0].text


@pytest.mark.parametrize("size", [(20, 3), (80, 13), (80, 20), (120, 30), (200, 50)])
@pytest.mark.parametrize("stacked", [False, True])
def test_every_size_is_filled_and_each_curve_has_its_letter(size, stacked):
    lines = drawn(wave("one"), wave("two", 3.0, unit="bar"), size=size, look=Look(stacked=stacked), limits=LIMITS)
    assert any(is_dots(sign) for line in lines for sign in line)
    if size[1] >= 13:
        ends = "".join(line[-4:] for line in lines)
        assert "A" in ends
        assert "B" in ends


def test_a_spike_of_one_sample_reaches_the_top_line_whatever_the_size():
    value = np.zeros(1000)
    value[371] = 10.0
    for size in ((80, 20), (200, 50)):
        top = drawn(series_of(value), size=size)[0]
        assert sum(is_dots(sign) for sign in top) == 1


def test_limits_near_the_curve_are_drawn_with_their_names_and_far_ones_not():
    lines = drawn(wave(), limits=LIMITS)
    assert any("warn -8" in line[:AXIS] for line in lines), "no room on the line: among the labels of the axis"
    assert "500" not in "\n".join(lines)
    roomy = "\n".join(drawn(wave(), limits=LIMITS, edges=(T0 - 10 * S, T0 + 10 * S)))
    assert "warning below -8" in roomy
    assert "caution above 9" in roomy


def test_limits_in_one_row_are_both_named():
    close = (("warning", "high", 9.3), ("caution", "high", 9.2))
    lines = drawn(wave(), limits=close, edges=(T0 - 20 * S, T0 + 10 * S))
    assert any("caution above 9.2, warning above 9.3" in line for line in lines)


def test_limits_are_not_drawn_over_inputs_or_raw_numbers():
    series = wave(volts=np.sin(np.arange(1000) / 50) * 10)
    assert "warning" not in "\n".join(drawn(series, look=Look(shown="input"), limits=LIMITS))


def test_unusable_samples_are_marked_below_and_not_joined_to_the_curve():
    value = np.zeros(1000)
    value[500:520] = 90.0
    lines = drawn(series_of(value, bad=range(500, 520)))
    marks = lines[-2]
    assert marks.lstrip().startswith("bad")
    assert marks.count("×") in (1, 2)
    assert "90" not in "".join(lines), "an impossible value doesn't stretch the scale"
    curve_rows = [line for line in lines[:-2] if any(is_dots(sign) for sign in line[AXIS:-4])]
    assert len(curve_rows) == 2, "the flat curve, and the stray dots at the edge of the scale"


def test_bad_marks_of_several_curves_carry_their_letters():
    lines = drawn(wave("one", bad=[200]), wave("two", bad=[700, 200]))
    assert [sign for sign in lines[-2] if sign in "AB×"] == ["×", "B"]


def test_a_gap_breaks_the_curve_and_a_state_goes_on_as_it_was():
    time_ns = T0 + np.concatenate([np.arange(0, 300), np.arange(700, 1000)]).astype(np.int64) * 10_000_000
    for kind, period_s, whole in (("continuous", 0.01, False), ("state", 0.01, False), ("state", None, True)):
        series = replace(series_of(np.ones(600), time_ns=time_ns), kind=kind, period_s=period_s)
        row = next(line for line in drawn(series) if any(is_dots(sign) for sign in line))
        assert is_dots(row[AXIS + 32]) is whole, kind


def test_channels_of_one_unit_share_a_scale_unless_told_otherwise():
    plotted = [(0, Plotted(wave("one", 10.0), ())), (1, Plotted(wave("two", 1.0), ()))]
    edges = edges_of(T0, T0 + 10 * S, 100)
    one, two = curves_of(plotted, edges, electrical={})
    assert one.scale == two.scale
    one, two = curves_of(plotted, edges, electrical={}, shared=False)
    assert one.scale.top > 5 * two.scale.top
    held = curves_of(plotted, edges, electrical={}, fixed={"two": Scale(0.0, 7.0, 1.0)})
    assert held[1].scale.top == 7.0


def test_a_channel_without_an_input_has_no_curve_of_it():
    plotted = [(0, Plotted(wave("one"), ())), (1, Plotted(wave("two", volts=np.ones(1000)), ()))]
    found = curves_of(plotted, edges_of(T0, T0 + 10 * S, 100), shown="input", electrical={"two": "V"})
    assert [(curve.place, curve.unit) for curve in found] == [(1, "V")]


def test_labels_tell_value_unit_and_time():
    lines = drawn(wave(), size=(120, 30))
    assert lines[0].strip().startswith("10 mm")
    assert "10 s" in lines[-1][:AXIS]
    assert "╵22:13:24" in lines[-1]  # 1,700,000,000 s is 2023-11-14 22:13:20 UTC


def test_the_cursor_is_a_line_where_no_curve_is_and_an_arrow_when_out_of_view():
    lines = drawn(wave(), cursor=T0 + 5 * S)
    x = AXIS + cell_of(T0 + 5 * S, (T0, T0 + 10 * S), 80 - AXIS - 4)
    column = [line[x] for line in lines[:-1]]
    assert column.count("│") > len(column) // 2
    assert all(sign == "│" or is_dots(sign) for sign in column)
    assert "◂ cursor" in drawn(wave(), cursor=T0 - S)[0]


def test_letters_on_the_curves_hide_no_dot_that_is_off_the_line():
    """A letter may stand only where its curve is flat within the cell, alone."""
    value = np.zeros(1000)
    value[::37] = 0.5  # a small spike in nearly every cell
    other = series_of(np.full(1000, 50.0), name="other", unit="bar")
    lines = drawn(series_of(value), other, size=(200, 50))
    letters = [x for line in lines for x, sign in enumerate(line[:-4]) if x >= AXIS and sign in "AB"]
    assert len(letters) > 4
    assert not [x for x in letters if is_dots(lines[0][x])], "no letter in the column of a spike"
    assert sum(is_dots(sign) for sign in lines[0]) >= len(value[::37])


def test_edges_divide_the_time_and_hold_the_last_moment():
    edges = edges_of(T0, T0 + S, 10 * ACROSS)
    assert edges[0] == T0
    assert edges[-1] == T0 + S + 1
    assert (np.diff(edges) > 0).all()


def test_the_sample_nearest_to_the_cursor_and_its_neighbours():
    series = series_of(np.arange(100.0))
    assert nearest(series, None) == 99
    assert nearest(series, T0 + 104_000_000) == 10
    assert beside(series, T0 + 104_000_000, 1) == T0 + 110_000_000
    assert beside(series, T0, -1) == T0
    empty = series_of([])
    assert nearest(empty, T0) is None
    assert beside(empty, T0, 1) is None


def test_a_period_that_nobody_gives_is_measured_for_gaps():
    series = replace(series_of(np.zeros(500)), period_s=None)
    assert 30e6 <= gap_ns(series) <= 36e6
    assert gap_ns(replace(series, kind="state")) == float("inf")


# Driven by keys ---------------------------------------------------------------------------------------------------


def plotting(steps, names=NAMES[:3], size=(120, 40), theme="dusk", snapshot=None):
    """Run `await steps(app, pilot, worker, screen)` with the plot open."""
    worker = PlottingWorker(snapshot or snapshot_of())

    async def run():
        app = Workbench(worker, screen="channels", theme=theme)
        async with app.run_test(size=size) as pilot:
            await opened(app, pilot)
            app.push_screen(PlotScreen(names))
            await settled(pilot)
            return await steps(app, pilot, worker, app.screen)

    return asyncio.run(run())


def readings(screen):
    return screen.query_one("#readings", Lines).text.splitlines()


def curves(screen):
    return screen.query_one("#curves", Lines).text


@pytest.mark.parametrize("size", SIZES)
def test_it_shows_readings_and_curves_of_all_channels(size):
    async def steps(app, pilot, worker, screen):
        return text_of(app), readings(screen), [each.text for each in app.notices]

    text, table, notices = plotting(steps, names=NAMES, size=size)
    assert notices == []
    assert len(text) == size[1]
    assert "10:00:13" in table[0]
    assert "newest" in table[0]
    for letter, name, row in zip("ABCDEF", NAMES, table[1:], strict=True):
        assert row.strip().startswith(letter)
        assert name in row
    assert "-1.59 mm" in table[1]
    assert "raw 2463" in table[1]
    assert "2.463 V" in table[1]
    assert "first" in table[5], "the label of the gear"
    for word in ("Cursor", "Zoom", "Pan", "All"):
        assert word in text[-1]


def test_it_asks_for_its_samples_and_gives_them_back():
    async def steps(app, pilot, worker, screen):
        await pilot.press("escape")
        await settled(pilot)
        return worker.asked, worker.snapshot.plotted

    asked, plotted = plotting(steps)
    assert asked == [("plot", NAMES[:3]), ("plot", ())]
    assert plotted == ()


@pytest.mark.parametrize("by_name", [False, True])
def test_the_list_is_a_key_away_and_so_is_a_channel_by_name(by_name):
    async def steps(app, pilot, worker, screen):
        if by_name:
            app.go_to("channels", "throttle")
        else:
            await pilot.press("3")
        await settled(pilot)
        await settled(pilot)
        return app.screen.NAME, app.screen.query_one(Rows).key

    assert plotting(steps) == ("channels", "throttle" if by_name else "engine_speed")


def test_the_cursor_moves_by_cells_and_by_samples_and_reads_there():
    async def steps(app, pilot, worker, screen):
        seen = []
        for keys in (["left"], ["left"], ["right"], ["shift+left"], ["shift+right"]):
            await pilot.press(*keys)
            await settled(pilot)
            seen.append((screen.cursor_ns, readings(screen)[:2]))
        return seen, screen.extent

    seen, extent = plotting(steps, names=("damper_fl",))
    moments = [moment for moment, _ in seen]
    assert moments[0] == extent.last_ns
    cell = (extent.last_ns - extent.first_ns) // (120 - AXIS - 4)
    assert moments[1] == moments[0] - cell
    assert moments[2] == moments[0]
    series = plotted_of("damper_fl")[0].series
    assert moments[3] == series.time_ns[-2]
    assert moments[4] == series.time_ns[-1]
    assert f"{series.value[-2]:.2f} mm" in seen[3][1][1]
    assert f"raw {series.raw[-2]}" in seen[3][1][1]
    assert f"{series.volts[-2]:.3f} V" in seen[3][1][1]
    assert "cursor, newest -0.005 s" in seen[3][1][0]


def test_a_channel_that_was_silent_at_the_cursor_says_how_far_its_sample_is():
    async def steps(app, pilot, worker, screen):
        await pilot.press("left")
        await settled(pilot)
        return readings(screen)

    assert "s earlier" in plotting(steps, names=("damper_fl", "wheel_speed_fl"))[2]


def test_zoom_pan_all_first_and_newest():
    async def steps(app, pilot, worker, screen):
        extent, seen = screen.extent, []
        for key in ("up", "up", "h", "l", "l", "home", "down", "a", "end"):
            await pilot.press(key)
            await settled(pilot)
            start, stop = screen.view.edges(extent)
            seen.append((key, start - extent.first_ns, stop - start, screen.view.stop_ns is None))
        return extent.span_ns, seen, screen.cursor_ns

    whole, seen, cursor = plotting(steps)
    by_key = {key: rest for key, *rest in seen}
    assert seen[0][2] == pytest.approx(whole / 2, rel=1e-6)
    assert seen[1][2] == pytest.approx(whole / 4, rel=1e-6)
    assert seen[1][3], "without a cursor it goes on following"
    assert not by_key["h"][2]
    assert seen[4][3], "back at the newest"
    assert by_key["home"][0] == 0
    assert by_key["down"][1] == pytest.approx(whole / 2, rel=1e-6)
    assert by_key["a"][1] == whole
    assert cursor is None


def test_a_view_that_follows_moves_with_new_samples_and_another_stands_still():
    async def steps(app, pilot, worker, screen):
        await pilot.press("up", "up")
        await settled(pilot)
        before = curves(screen)
        shorter = tuple(replace(each, series=each.series.take(each.series.time_ns < cut)) for each in full)
        worker.give(plotted=shorter)
        await settled(pilot)
        moved = curves(screen)
        worker.give(plotted=full)
        await pilot.press("h", "h")
        await settled(pilot)
        still = screen.view.edges(screen.extent)
        worker.give(plotted=shorter)
        await settled(pilot)
        return before, moved, still, screen.view.edges(screen.extent)

    full = plotted_of("damper_fl")
    cut = int(full[0].series.time_ns[-1]) - S // 2
    before, moved, still, after = plotting(steps, names=("damper_fl",))
    assert before != moved
    assert still == after


def test_values_inputs_and_raw_numbers_go_round():
    async def steps(app, pilot, worker, screen):
        seen = [(readings(screen)[0], curves(screen))]
        for _ in range(3):
            await pilot.press("v")
            await settled(pilot)
            seen.append((readings(screen)[0], curves(screen)))
        return seen

    seen = plotting(steps, names=("damper_fl",))
    for (head, _), word in zip(seen, ("values", "inputs", "raw numbers", "values"), strict=True):
        assert word in head
    assert " mm┤" in seen[0][1]
    assert " V┤" in seen[1][1]
    assert seen[0][1] == seen[3][1]


def test_strips_scales_and_the_leading_channel():
    async def steps(app, pilot, worker, screen):
        seen = {}
        for key in ("tab", "u", "u", "y", "y", "k"):
            await pilot.press(key)
            await settled(pilot)
            seen.setdefault(key, []).append((readings(screen), curves(screen), screen.look))
        return seen

    seen = plotting(steps)
    assert "▸damper_fr" in seen["tab"][0][0][2].replace(" ", "")
    assert [look.shared for *_, look in seen["u"]] == [False, True]
    assert "own for each" in seen["u"][0][0][0]
    assert set(seen["y"][0][2].fixed) == set(NAMES[:3])
    assert "held" in seen["y"][0][0][0]
    assert seen["y"][1][2].fixed == {}
    text = seen["k"][0][1].splitlines()
    assert [line[0] for line in text if line[:1] in ("A", "B", "C")] == ["A", "B", "C"]
    assert " bar┤" in seen["k"][0][1]


def test_a_held_scale_stays_when_the_view_changes():
    async def steps(app, pilot, worker, screen):
        await pilot.press("y", "up", "up", "up")
        await settled(pilot)
        held = dict(screen._picture.scales)
        await pilot.press("y")
        await settled(pilot)
        return held, dict(screen._picture.scales)

    held, fitted = plotting(steps, names=("oil_pressure",))
    assert held["oil_pressure"].bottom < 0
    assert fitted["oil_pressure"].bottom > 0


def test_without_samples_it_says_what_it_waits_for():
    async def steps(app, pilot, worker, screen):
        worker.plot = lambda *names, **whole: None
        worker.give(plotted=())
        await settled(pilot)
        await pilot.press("left", "up", "h", "a", "home", "end", "shift+left", "y", "k", "tab", "v", "u")
        await settled(pilot)
        waiting = "\n".join(text_of(app))
        empty = replace(plotted_of("throttle")[0], series=plotted_of("throttle")[0].series.take(np.zeros(0, np.intp)))
        worker.give(plotted=(empty,))
        await settled(pilot)
        return waiting, "\n".join(text_of(app)), [each.text for each in app.notices]

    waiting, none, notices = plotting(steps, names=("throttle",))
    assert "Waiting for samples" in waiting
    assert "These channels had no sample" in none
    assert notices == []


def test_a_silence_is_seen_at_the_right_edge():
    async def steps(app, pilot, worker, screen):
        return screen.extent.last_ns

    assert plotting(steps, names=("wheel_speed_fl",)) == snapshot_of().source.now_ns


@pytest.mark.parametrize("theme", ["noon", "sixteen"])
def test_all_themes_draw_the_same_signs(theme):
    async def steps(app, pilot, worker, screen):
        return text_of(app)

    assert plotting(steps, theme=theme) == plotting(steps)


def test_looks_follow_a_change_of_theme():
    async def steps(app, pilot, worker, screen):
        lines = screen.query_one("#curves", Lines)
        before = lines.style_of("curve1"), lines.style_of("curve2"), lines.style_of("plain")
        app.theme = "noon"
        await settled(pilot)
        return before, (lines.style_of("curve1"), lines.style_of("curve2"), lines.style_of("plain"))

    before, after = plotting(steps)
    assert len({str(each) for each in (*before, *after)}) == 6


def test_every_key_is_explained():
    for binding in PlotScreen.BINDINGS:
        assert binding.description
        assert binding.tooltip

    async def steps(app, pilot, worker, screen):
        await pilot.press("question_mark")
        await settled(pilot)
        return app.screen.query_one(Lines).text

    text = plotting(steps, size=(120, 60))
    for binding in PlotScreen.BINDINGS:
        assert binding.tooltip[:30] in text


def test_a_resize_storm_leaves_a_whole_screen():
    async def steps(app, pilot, worker, screen):
        for size in ((200, 60), (50, 12), (81, 25), (30, 6), (140, 45), (80, 24)):
            await pilot.resize_terminal(*size)
            worker.give()
        await settled(pilot)
        return text_of(app), [each.text for each in app.notices], screen.view

    text, notices, view = plotting(steps, names=NAMES)
    assert notices == []
    assert len(text) == 24
    assert view == View()


def test_a_state_is_read_by_its_name():
    series = replace(series_of(np.array([0.0, 3.0]), name=NAMES[0]), labels=Labels({3.0: "third"}))
    (row,) = rows_of(
        NAMES[:1],
        {NAMES[0]: Plotted(series, ())},
        {},
        cursor_ns=None,
        lead=NAMES[0],
        decimals={},
        scales={},
        width=120,
    )
    assert "third" in "".join(span.text for span in row)


def test_a_sample_that_is_no_number_is_not_called_good():
    series = series_of([1.0, float("nan")], name="made")
    for cursor_ns, said in ((None, "no number"), (int(series.time_ns[0]), "good")):
        (row,) = rows_of(
            ["made"],
            {"made": Plotted(series, ())},
            {},
            cursor_ns=cursor_ns,
            lead="made",
            decimals={},
            scales={},
            width=100,
        )
        assert row[-1].text == said


def test_the_mouse_puts_the_cursor_where_it_points_and_pages_move_it():
    async def steps(app, pilot, worker, screen):
        await pilot.press("up", "up", "home")
        first = screen.cursor_ns
        edges = screen.view.edges(screen.extent)
        await pilot.press("pagedown")
        paged = screen.cursor_ns
        await pilot.press("pageup")
        back = screen.cursor_ns
        region = screen.query_one("#curves", Lines).region
        cells = screen._picture.cells
        await pilot.click(offset=(region.x + AXIS + cells // 2, region.y + 3))
        middle = screen.cursor_ns
        await pilot.click(offset=(region.x + 2, region.y + 3))
        return first, paged - first, back, edges, middle, screen.cursor_ns, screen.extent

    first, page, back, edges, middle, beside, extent = plotting(steps)
    width = edges[1] - edges[0]
    assert first == back == extent.first_ns
    assert page == width
    assert abs(middle - (edges[0] + width // 2)) < width / 50
    assert beside == middle, "a click beside the curves sets no cursor"


def test_all_means_all_of_the_capture_and_home_its_first_sample():
    async def steps(app, pilot, worker, screen):
        begun = screen.extent.first_ns
        await pilot.press("home")
        await settled(pilot)
        plotted = worker.snapshot.plotted
        early = [replace(each, series=replace(each.series, time_ns=each.series.time_ns - 300 * S)) for each in plotted]
        worker.give(plotted=tuple(early))
        await settled(pilot)
        first = screen.cursor_ns
        await pilot.press("a")
        await settled(pilot)
        return worker.asked, begun - first, screen.view.edges(screen.extent), screen.extent

    asked, before, edges, extent = plotting(steps)
    assert [each[2:] for each in asked[:2]] == [(), (2_000_000,)]
    assert before == 300 * S
    assert edges == (extent.first_ns, extent.last_ns)
