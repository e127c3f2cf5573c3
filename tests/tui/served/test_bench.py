"""The workbench of one viewer."""

import asyncio

from buswright.tui.served.bench import ServedWorkbench
from buswright.worker.across import READ_ONLY

from ..made import FakeWorker, snapshot_of
from ..piloted import opened, settled, told


def served(steps, *, control):
    async def run():
        worker = FakeWorker(snapshot_of())
        app = ServedWorkbench(worker, control=control, document=lambda path: f"saved as {path}")
        async with app.run_test(size=(65, 40)) as pilot:
            await opened(app, pilot)
            return await steps(app, pilot, worker)

    return asyncio.run(run())


def test_what_writes_files_is_refused_to_one_that_only_looks():
    async def steps(app, pilot, worker):
        app.action_document()
        await settled(pilot)
        return told(app)

    assert READ_ONLY in served(steps, control=False)
    assert READ_ONLY not in served(steps, control=True)


def test_a_picture_goes_to_the_browser(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    async def steps(app, pilot, worker):
        given = []
        monkeypatch.setattr(app, "deliver_text", lambda text, **more: given.append((text.read()[:4], more)))
        app.action_picture()
        return given

    [(begin, more)] = served(steps, control=False)
    assert begin == "<svg"
    assert more["save_filename"] == "buswright-overview.svg"
    assert list(tmp_path.iterdir()) == []


def test_a_viewer_is_told_why_it_can_only_look():
    async def steps(app, pilot, worker):
        worker.refused(READ_ONLY)
        await settled(pilot)
        return told(app)

    assert READ_ONLY in served(steps, control=False)


def test_leaving_stops_nothing_even_while_a_recording_runs():
    async def steps(app, pilot, worker):
        await pilot.press("q")
        await settled(pilot)
        return app.is_running, worker.asked if hasattr(worker, "asked") else []

    running, _ = served(steps, control=True)
    assert not running


def test_copies_and_exports_go_to_the_browser_and_leave_nothing_here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    async def steps(app, pilot, worker):
        given = []
        monkeypatch.setattr(app, "deliver_text", lambda text, **more: given.append((text.read(), more)))
        await pilot.press("C", "E")
        await settled(pilot)
        return given

    copied, exported = served(steps, control=False)
    assert copied[0].startswith("Buswright wrenfell_run.log")
    assert exported[0].strip() == copied[0]
    assert [more["save_filename"] for _, more in (copied, exported)] == ["buswright-overview.txt", "overview.txt"]
    assert list(tmp_path.iterdir()) == []
