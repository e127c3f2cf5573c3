"""The screen before the first snapshot."""

import asyncio
import subprocess
import sys

import pytest

from buswright.tui.app import Workbench
from tests.tui.made import FakeWorker, snapshot_of
from tests.tui.piloted import drawn, text_of

LOADED = """
import sys
from buswright.cli.commands.guided import watch
from buswright.tui.app import Workbench
from buswright.worker.opening import OpeningEngine

def opened():
    print([name for name in sys.argv[1:] if name in sys.modules])
    raise OSError

worker = OpeningEngine(opened)
app = Workbench(worker, opens="run.log")
worker.failed = lambda: app.post_message(app.Leave())
app.run(headless=True)
assert isinstance(worker.fault, OSError)
"""


class Late(FakeWorker):
    """Has no snapshot until it is given one."""

    def __init__(self):
        super().__init__(None)

    def start(self, deliver):
        self._deliver = deliver


def opening(steps, **options):
    """Run `await steps(app, pilot, worker)` with a workbench that has no snapshot yet."""

    async def run():
        worker = Late()
        app = Workbench(worker, theme="dusk", **options)
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            return await steps(app, pilot, worker)

    return asyncio.run(run())


def test_the_lines_around_every_screen_are_there_before_anything_is_opened():
    async def look(app, pilot, worker):
        return await drawn(app, pilot)

    lines = opening(look, opens="runs/run3.log", screen="channels")
    assert "waiting for the first frames" in lines[0]
    assert "[3 Channels]" in lines[1]
    assert "Opening runs/run3.log…" in "\n".join(lines)
    assert "q Quit" in lines[-1]
    assert "Waiting for the first frames" in "\n".join(opening(look))


def test_a_key_before_the_first_snapshot_chooses_the_screen_that_comes_with_it():
    async def steps(app, pilot, worker):
        await pilot.press("3", "4")
        before = "[4 Findings]" in text_of(app)[1], app.current_mode
        worker.give(snapshot_of())
        await drawn(app, pilot)
        return *before, app.current_mode

    assert opening(steps) == (True, "_default", "findings")


def test_a_dialog_over_it_stays_until_it_is_closed():
    async def steps(app, pilot, worker):
        await pilot.press("question_mark")
        worker.give(snapshot_of())
        await pilot.pause()
        before = app.current_mode
        await pilot.press("escape")
        await drawn(app, pilot)
        return before, app.current_mode

    assert opening(steps) == ("_default", "overview")


@pytest.mark.parametrize("key", ["space", "m", "g", "E", "C", "n", "slash", "comma", "ctrl+p"])
def test_no_key_harms_it(key):
    async def steps(app, pilot, worker):
        await pilot.press(key)
        await pilot.press("escape")
        worker.give(snapshot_of())
        await drawn(app, pilot)
        return app.current_mode, list(app.notices)

    assert opening(steps) == ("overview", [])


def test_it_loads_nothing_that_reads_or_judges():
    heavy = ("numpy", "cantools", "can", "pyarrow", "buswright.worker.engine", "buswright.channels", "buswright.health")
    done = subprocess.run([sys.executable, "-c", LOADED, *heavy], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stderr
