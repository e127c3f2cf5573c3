"""What leaves the workbench by a key: text to the clipboard, files where the user says."""

import asyncio

import pytest
from textual.widgets import Input

from buswright.tui.app import Workbench
from buswright.tui.screens.plot.screen import PlotScreen

from .made import snapshot_of
from .piloted import opened, piloted, settled, told
from .screens.test_plot_screen import NAMES, PlottingWorker


async def named(app, pilot, path):
    """Answer with a path; typing each letter of it would take long."""
    await settled(pilot)
    app.screen.query_one(Input).value = str(path)
    await pilot.press("enter")
    await settled(pilot)


async def written(app, pilot):
    await app.workers.wait_for_complete()
    await settled(pilot)


@pytest.mark.parametrize("screen", ["overview", "identifiers", "channels", "findings", "wiggle", "recording", "module"])
def test_every_screen_is_copied_with_its_source_and_all_rows(screen):
    async def steps(app, pilot, worker):
        await pilot.press("C")
        await settled(pilot)
        return app.clipboard, told(app), [each.text for each in app.notices]

    text, said, notices = piloted(steps, screen=screen, size=(80, 24))
    assert text.startswith("Buswright wrenfell_run.log")
    assert f"copied {text.count(chr(10)) + 1} lines" in said
    assert notices == []
    if screen == "channels":
        rows = [each.split("\t") for each in text.splitlines()]
        assert {"oil_pressure", "throttle"} <= {cell for row in rows for cell in row}, "rows that are out of sight too"


def test_a_list_is_exported_as_text_and_an_old_file_only_replaced_if_the_user_says_so(tmp_path):
    path = tmp_path / "list.txt"

    async def steps(app, pilot, worker):
        await pilot.press("E")
        await named(app, pilot, path)
        await written(app, pilot)
        first = path.read_text()
        path.write_text("mine")
        await pilot.press("E")
        await named(app, pilot, path)
        await pilot.press("n")
        await written(app, pilot)
        return first, told(app)

    text, said = piloted(steps, screen="identifiers")
    assert "\n1A0" in text or "1A0\t" in text
    assert f"saved as {path}" in said
    assert path.read_text() == "mine"


def test_what_is_plotted_is_exported_as_decode_writes_it_and_only_what_is_in_view(tmp_path):
    async def run():
        app = Workbench(PlottingWorker(snapshot_of()), screen="channels", theme="dusk")
        async with app.run_test(size=(120, 40)) as pilot:
            await opened(app, pilot)
            app.push_screen(PlotScreen(NAMES[:2]))
            await settled(pilot)
            await pilot.press("C")
            copied = app.clipboard
            counts = []
            for at, keys in enumerate(([], ["up"])):
                await pilot.press(*keys, "E")
                await named(app, pilot, tmp_path / f"{at}.csv")
                await written(app, pilot)
                counts.append((tmp_path / f"{at}.csv").read_text().splitlines())
            await pilot.press("E")
            await named(app, pilot, tmp_path / "plot.doc")
            await written(app, pilot)
            return copied, counts, [len(each.series) for each in app.snapshot.plotted], told(app)

    copied, (whole, half), samples, said = asyncio.run(run())
    assert [row.split("\t")[1] for row in copied.splitlines()] == ["channel", *NAMES[:2]]
    assert whole[0].replace('"', "") == "time_ns,bus,message,channel,raw,volts,value,unit,quality"
    assert len(whole) - 1 == sum(samples)
    assert 0.4 < (len(half) - 1) / sum(samples) < 0.6
    assert "end it in .csv or .parquet" in said
    assert not (tmp_path / "plot.doc").exists()
