"""What is saved from the workbench, layout document and wiggle test: never over an older file unasked, and told."""

import asyncio
from dataclasses import replace

from buswright.errors import UserError
from buswright.tui.app import Workbench

from .made import FakeWorker, snapshot_of
from .piloted import opened, settled, text_of, told
from .screens.test_wiggle_screen import LIKELY


def saved(document, *keys):
    """Ask for the document and press these keys; return what the screen shows and what was told."""

    async def run():
        app = Workbench(FakeWorker(snapshot_of()), theme="dusk", document=document)
        async with app.run_test(size=(100, 30)) as pilot:
            await opened(app, pilot)
            app.action_document()
            await settled(pilot)
            await pilot.press(*keys)
            await app.workers.wait_for_complete()
            await settled(pilot)
            return "\n".join(text_of(app)), told(app)

    return asyncio.run(run())


def test_it_is_written_where_the_user_says_and_told(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def write(path):
        path.write_text("made", encoding="utf-8")
        return f"saved as {path}: 2 buses"

    _, said = saved(write, "enter")
    assert "saved as layout.html: 2 buses" in said
    (tmp_path / "layout.html").write_text("mine", encoding="utf-8")
    asked, _ = saved(write, "enter")
    assert "layout.html is there already" in asked
    saved(write, "enter", "n")
    assert (tmp_path / "layout.html").read_text(encoding="utf-8") == "mine"
    saved(write, "enter", "y")
    assert (tmp_path / "layout.html").read_text(encoding="utf-8") == "made"


def test_what_hinders_it_is_told(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def write(path):
        raise UserError("the disk is full")

    _, said = saved(write, "enter")
    assert "the layout document could not be written: the disk is full" in said


def test_a_live_bus_has_none_yet():
    shown, said = saved(None)
    assert "record it" in said
    assert "Save the layout document as" not in shown


# A wiggle test ----------------------------------------------------------------------------------------------------


def wiggled(wiggle, *keys, by_palette=False):
    """Save a wiggle test by these keys; return what the screen shows and what was told."""

    def write(snapshot, path):
        path.write_text(snapshot.wiggle.places[1].place, encoding="utf-8")
        return f"wiggle test saved as {path}"

    async def run():
        snapshot = replace(snapshot_of(), wiggle=wiggle)
        app = Workbench(FakeWorker(snapshot), screen="wiggle", theme="dusk", sheet=write)
        async with app.run_test(size=(100, 30)) as pilot:
            await opened(app, pilot)
            if by_palette:
                commands = {each.title: each.callback for each in app.get_system_commands(app.screen)}
                commands["Save the wiggle test"]()
                await settled(pilot)
            await pilot.press(*keys)
            await app.workers.wait_for_complete()
            await settled(pilot)
            return "\n".join(text_of(app)), told(app)

    return asyncio.run(run())


def test_a_wiggle_test_is_saved_by_key_and_never_over_a_file_unasked(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    _, said = wiggled(LIKELY, "f", "enter")
    assert "wiggle test saved as wiggle.html" in said
    (tmp_path / "wiggle.html").write_text("mine", encoding="utf-8")
    asked, _ = wiggled(LIKELY, "f", "enter")
    assert "wiggle.html is there already" in asked
    wiggled(LIKELY, "f", "enter", "n")
    assert (tmp_path / "wiggle.html").read_text(encoding="utf-8") == "mine"
    wiggled(replace(LIKELY, running=False), "enter", "y", by_palette=True)
    assert (tmp_path / "wiggle.html").read_text(encoding="utf-8") == "plug C12"


def test_without_a_wiggle_test_it_says_where_one_is_made():
    shown, said = wiggled(None, by_palette=True)
    assert "no wiggle test yet: screen 5 makes one" in said
    assert "Save the wiggle test as" not in shown
