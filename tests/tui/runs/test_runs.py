"""One run and two side by side, from a season whose captures are gone."""

import asyncio
import shutil
from dataclasses import replace

import numpy as np
import pytest

from buswright.cli.main import status_of
from buswright.errors import UserError
from buswright.notebook.opening import open_session
from buswright.season.catalogue import read_catalogue
from buswright.season.place.opening import open_place
from buswright.season.run import Noted, NotFine
from buswright.season.tables.stored import StoredRun, run_called
from buswright.tui.runs.app import RunsBench
from buswright.tui.runs.screens import PlotOfRuns
from buswright.tui.runs.work import finding_rows
from buswright.tui.widgets.toned import Span
from tests.season.conftest import CAR, RUN

from ..piloted import drawn, told

FIRST, SECOND = "2026-04-11_one", "2026-04-11_two"


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A season of two parts of one drive, the second cut out of it a little later; the captures are removed."""
    folder = tmp_path_factory.mktemp("stored")
    lines = RUN.read_bytes().splitlines(keepends=True)
    captures = folder / "captures"
    captures.mkdir()
    for name, part in (("one", lines[14000:20000]), ("two", lines[15000:21000])):
        (captures / f"{name}.log").write_bytes(b"".join(part))
    assert (
        status_of(
            ["season", "add", str(captures), "--jobs", "1", "--car", str(CAR), "--season", str(folder / "season")]
        )
        == 0
    )
    sessions = [open_session(captures / f"{name}.log", CAR) for name in ("one", "two")]
    series = [session["throttle"] for session in sessions]
    shutil.rmtree(captures)
    return open_place(str(folder / "season")), series


def run(stored, steps, size=(120, 40), **asked):
    """Run `await steps(app, pilot)` over the season."""
    place, _ = stored
    catalogue = asked.pop("catalogue", None) or read_catalogue(place)
    asked["runs"] = [run_called(catalogue, name).name for name in asked.get("runs", ())]

    async def go():
        app = RunsBench(place, catalogue, theme="dusk", **asked)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return await steps(app, pilot)

    return asyncio.run(go())


async def plotted(app, pilot, count):
    """Wait until so many curves are read."""
    for _ in range(200):
        if isinstance(app.screen, PlotOfRuns) and len(app.screen.plotted()) == count:
            return
        await pilot.pause(0.02)
    pytest.fail("nothing was read")


def test_a_stored_channel_is_what_the_capture_held(stored):
    place, sessions = stored
    for stored_run, wanted in zip(read_catalogue(place).runs, sessions, strict=True):
        read = StoredRun.of(place, stored_run).series("throttle")
        assert np.array_equal(read.value, wanted.value)
        assert np.array_equal(read.raw, wanted.raw)
        assert (read.unit, read.kind, len(read)) == (wanted.unit, wanted.kind, len(wanted))
        assert np.array_equal(np.diff(read.time_ns), np.diff(wanted.time_ns))
        assert 0 <= read.time_ns[0] < 1_000_000_000
    gear = StoredRun.of(place, read_catalogue(place).runs[0]).series("gear")
    assert gear.kind == "state"
    assert gear.label(0)
    damper = StoredRun.of(place, read_catalogue(place).runs[0]).series("damper_fl")
    assert damper.volts is not None
    with pytest.raises(UserError, match="no such channel"):
        StoredRun.of(place, read_catalogue(place).runs[0]).series("nix")


def test_a_run_is_called_by_its_name_a_part_of_it_or_last(stored):
    catalogue = read_catalogue(stored[0])
    names = [each.name for each in catalogue.runs]
    assert [run_called(catalogue, each).name for each in (names[0], "one", "last")] == [names[0], names[0], names[1]]
    with pytest.raises(UserError, match="2 runs are called so"):
        run_called(catalogue, "2026")
    with pytest.raises(UserError, match="no such run"):
        run_called(catalogue, "three")
    capture = catalogue.runs[0].capture.partition(".")[0]
    with pytest.raises(UserError) as caught:
        run_called(catalogue, f"{capture}x")
    assert caught.value.hint == f"did you mean {capture}?"


@pytest.mark.parametrize("size", [(60, 20), (200, 60)])
def test_two_runs_are_picked_listed_and_plotted_side_by_side(stored, size):
    async def steps(app, pilot):
        lines = await drawn(app, pilot)
        assert "2 runs" in lines[0]
        await pilot.press("x", "down", "x", "enter")
        lines = await drawn(app, pilot)
        assert any("mean 1" in each and "mean 2" in each for each in lines)
        await pilot.press("slash", *"throttle", "enter", "enter")
        await plotted(app, pilot, 2)
        lines = await drawn(app, pilot)
        assert "both from their start" in lines[0]
        assert "1 throttle" in lines[2]
        assert "2 throttle" in lines[3]
        assert "Align" in lines[-1]
        await pilot.press("question_mark")
        assert "[ and ] move" in " ".join("\n".join(await drawn(app, pilot)).split()) or size[1] < 40
        await pilot.press("escape", "escape", "escape", "escape")
        assert "2 runs" in (await drawn(app, pilot))[0]

    run(stored, steps, size)


def test_the_second_run_is_moved_by_keys_and_put_back(stored):
    async def steps(app, pilot):
        await plotted(app, pilot, 2)
        before = [each.series.time_ns[0] for each in app.screen.plotted()]
        await pilot.press("right_square_bracket")
        lines = await drawn(app, pilot)
        moved = app.worker.shift_ns
        assert moved > 0
        assert f"2 moved {moved / 1e9:+.3f} s" in lines[0]
        after = [each.series.time_ns[0] for each in app.screen.plotted()]
        assert (after[0] - before[0], after[1] - before[1]) == (0, moved)
        await pilot.press("left_curly_bracket")
        await drawn(app, pilot)
        assert app.worker.shift_ns < 0
        await pilot.press("s")
        assert "both from their start" in (await drawn(app, pilot))[0]
        assert app.worker.shift_ns == 0

    run(stored, steps, runs=["one", "two"], channels=["throttle"])


def test_an_event_of_both_runs_is_put_together(stored):
    async def steps(app, pilot):
        await plotted(app, pilot, 2)
        await pilot.press("e")
        assert "set the cursor" in told(app)
        first = app.worker.shown("1 throttle")
        behind = first.time_ns >= first.time_ns[-1] // 2
        steepest = int(np.argmax(np.where(behind[1:], np.abs(np.diff(first.value)), 0)))
        app.screen.cursor_ns = int(first.time_ns[steepest])
        await pilot.press("e")
        await drawn(app, pilot)
        assert "aligned where throttle" in told(app)
        early, late = (each.start_ns for each in app.catalogue.runs)  # on the clock of the drive that both are cut from
        assert app.worker.shift_ns == pytest.approx(late - early, abs=20_000_000)
        app.screen.cursor_ns = int(first.time_ns[0]) - 10**9
        await pilot.press("e")
        assert "no edge at the cursor" in told(app)

    run(stored, steps, runs=["one", "two"], channels=["throttle"])


def test_one_run_alone_has_no_keys_of_two(stored):
    async def steps(app, pilot):
        await plotted(app, pilot, 2)
        lines = await drawn(app, pilot)
        assert "Align" not in lines[-1]
        await pilot.press("right_square_bracket", "e", "s")
        assert app.worker.shift_ns == 0
        assert "1 damper_fl" in lines[3]

    run(stored, steps, runs=["one"], channels=["throttle", "damper_fl"])


def test_a_table_that_is_damaged_is_told_and_the_other_run_is_shown(stored, tmp_path):
    place, _ = stored
    shutil.copytree(place.title, tmp_path / "season")
    catalogue = read_catalogue(place)
    table = tmp_path / "season" / "runs" / catalogue.runs[1].folder / catalogue.runs[1].tables["throttle"]
    table.write_bytes(table.read_bytes()[:100])

    async def steps(app, pilot):
        await plotted(app, pilot, 1)
        await drawn(app, pilot)
        assert "season check" in told(app)

    run((open_place(str(tmp_path / "season")), None), steps, runs=["one", "two"], channels=["throttle"])


def test_channels_that_a_plot_has_no_room_for_are_named(stored):
    async def steps(app, pilot):
        await plotted(app, pilot, 6)
        assert "not shown: gear" in told(app)

    run(stored, steps, runs=["one", "two"], channels=["throttle", "pedal", "oil_pressure", "gear"])


def with_trouble(stored):
    """The catalogue as if the second run had a bad throttle, a clutch that never came, and a module that restarted."""
    catalogue = read_catalogue(stored[0])
    first, second = catalogue.runs
    bad = NotFine("throttle", "failed", "it is stuck."), NotFine("never_came", "failed", "no sample came.")
    found = (
        Noted("stuck", "channel:throttle", "fault", 2, "throttle is stuck"),
        Noted("id-late", "id:chassis/1A0", "suspect", 7, "1A0 comes late"),
    )
    second = replace(second, findings=found, not_fine=bad, restarts={"damper_node": 3})
    return replace(catalogue, runs=(first, second))


@pytest.mark.parametrize("size", [(60, 20), (120, 40), (200, 60)])
def test_trust_and_findings_of_two_runs_stand_side_by_side(stored, size):
    async def steps(app, pilot):
        lines = await drawn(app, pilot)
        listed = [each.split() for each in lines]
        assert [each[0] for each in listed[3:5]] == ["never_came", "throttle"], "what is not to be trusted comes first"
        if size[0] >= 120:
            assert listed[3].count("failed") == listed[4].count("failed") == 1
            assert "not judged failed" in lines[4]
        await pilot.press("down")
        panel = "\n".join((await drawn(app, pilot))[-6:])
        for words in ("1 not judged: it rests for", "2 failed: it is stuck.", "2 fault throttle is stuck"):
            assert words in panel
        await pilot.press("up", "enter")
        assert "never_came: no sample came" in told(app)
        await pilot.press("f")
        lines = await drawn(app, pilot)
        assert lines[2].split()[:3] == ["2", "fault", "stuck"]
        assert lines[3].split()[:3] == ["2", "suspect", "id-late"]
        text = " ".join(app.screen.query_one("#about").text.split())
        assert "fault throttle is stuck" in text
        assert "Modules that restarted: damper_node 3." in text.replace("2 M", "M")
        assert "trust.html" in text.replace(" ", "")
        await pilot.press("down")
        assert "1A0 comes late" in app.screen.query_one("#about").text

    run(stored, steps, size, runs=["one", "two"], catalogue=with_trouble(stored))


@pytest.mark.parametrize(
    ("severity", "tone"), [("fault", "fault"), ("suspect", "suspect"), ("note", "note"), ("?", "note")]
)
def test_a_stored_finding_says_how_bad_it_is_before_its_words(severity, tone):
    found = Noted("stuck", "channel:a", severity, 1, "a stood")
    (row,) = finding_rows(found, found.words, 40, [Span("1 ")])
    assert "".join(each.text for each in row) == f"1 {severity} a stood"
    assert row[1].tone == tone


def test_an_entry_that_does_not_know_which_channels_were_judged_calls_none_fine(stored):
    first = read_catalogue(stored[0]).runs[0]
    fine = next(each for each in first.tables if first.trust_of(each)[0] == "fine")
    unjudged = next(iter(first.not_judged))
    assert first.trust_of(unjudged)[0] == "not judged"
    assert len(first.not_judged) == first.states["not judged"]
    older = replace(first, not_judged={})
    assert {older.trust_of(each) for each in older.tables} == {("", "")}
    assert replace(older, states={"fine": len(older.tables)}).trust_of(fine)[0] == "fine"

    async def steps(app, pilot):
        lines = await drawn(app, pilot)
        assert "fine" not in "".join(lines)
        assert any("is on the trust page only" in each for each in lines)

    catalogue = read_catalogue(stored[0])
    run(stored, steps, runs=["one"], catalogue=replace(catalogue, runs=(older, catalogue.runs[1])))


@pytest.mark.parametrize("size", [(60, 20), (200, 60)])
def test_identifiers_of_runs_are_what_was_measured_then(stored, size):
    remembered = StoredRun.of(stored[0], read_catalogue(stored[0]).runs[1]).remembered()
    wanted = remembered.buses["chassis"].ids["1A0"]

    async def steps(app, pilot):
        await pilot.press("i")
        lines = await drawn(app, pilot)
        assert "chassis 1 Mbit/s (car file), load" in " ".join(app.screen.query_one("#buses").text.split())
        await pilot.press("slash", *"1A0", "enter")
        (row,) = [each for each in await drawn(app, pilot) if each.startswith("chassis") and " 1A0 " in each]
        assert f"{wanted.period_ms:.3f}" in row
        assert size[0] < 200 or f"{wanted.frames:,}" in row
        assert any("missing 2" in each for each in lines) == (size[0] >= 200)

    run(stored, steps, size, runs=["one", "two"])


def test_the_buses_of_both_runs_are_seen_whole(stored):
    async def steps(app, pilot):
        await pilot.press("i")
        lines = await drawn(app, pilot)
        buses = app.screen.query_one("#buses").text.splitlines()
        assert len(buses) > 4
        assert [each for each in buses if each not in lines] == []
        assert [each[:1] for each in buses if not each.startswith(" ")] == ["1", "1", "2", "2"]
        assert sum(each.startswith("chassis ") for each in lines) >= 8, "the list keeps its room"

    run(stored, steps, (80, 24), runs=["one", "two"])


def test_identifiers_that_can_not_be_read_are_told(stored, tmp_path):
    shutil.copytree(stored[0].title, tmp_path / "season")
    first = read_catalogue(stored[0]).runs[0]
    (tmp_path / "season" / "runs" / first.folder / "baseline.json").write_text("{", encoding="utf-8")

    async def steps(app, pilot):
        await pilot.press("i")
        lines = await drawn(app, pilot)
        assert "baseline.json" in told(app)
        assert any("DAMPERS_A" in each for each in lines), "the other run is shown"

    run((open_place(str(tmp_path / "season")), None), steps, runs=["one", "two"])


def test_the_command_says_what_is_missing(stored, capsys):
    place = ["--season", stored[0].title]
    assert status_of(["season", "open", "one", *place]) == 2
    assert "needs a terminal" in capsys.readouterr().err
    assert status_of(["season", "open", "one", "two", "last", *place]) == 2
    assert status_of(["season", "open", "one", "--channel", "nix", *place]) == 2
    assert "no such channel" in capsys.readouterr().err
    assert status_of(["season", "open", "three", *place]) == 2
    assert "buswright season list" in capsys.readouterr().err
