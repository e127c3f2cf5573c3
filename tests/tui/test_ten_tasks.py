"""What is asked of the workbench in a garage, each with the keys that the manual gives: none takes more than ten."""

import re
from importlib import resources

from buswright.diagnosis.wiggle.model import WiggleNow

from .made import SECONDS
from .made_plots import PlottingWorker
from .made_variants import live
from .piloted import drawn, piloted, settled, told

MANUAL = (resources.files("buswright.cli") / "manual" / "workbench.md").read_text(encoding="utf-8")
NAMED = {"Ctrl-P": "ctrl+p", "Enter": "enter", "↓": "down", "←": "left"}
SPELLED = {" ": "space", ":": "colon"}
MOST = 10


def tasks():
    """The table: keys and how many, by task."""
    part = MANUAL.partition("## Ten tasks and their keys")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (.+?) \| (`.+`) \| (\d+) \|$", part, re.MULTILINE)
    return {what: (keys, int(count)) for what, keys, count in rows}


def pressed(keys):
    """The keys of a cell of the table, one by one."""
    every = []
    for span in re.findall("`(.+?)`", keys):
        every += [NAMED[span]] if span in NAMED else [SPELLED.get(each, each) for each in span]
    return every


def test_the_manual_counts_them_right_and_none_takes_more_than_ten():
    assert len(tasks()) == 10
    for what, (keys, count) in tasks().items():
        ways = [pressed(way) for way in keys.split(" or ")]
        assert max(map(len, ways)) == count <= MOST, what


class Worker(PlottingWorker):
    """Runs a wiggle test, as far as the screen sees."""

    def start_wiggle(self, names):
        self.asked.append(("start_wiggle", *names))
        quiet = tuple((name, 0) for name in names)
        self.give(wiggle=WiggleNow(tuple(names), True, "", 30.0, quiet, (), (), 0, "Leave it alone."))


class Done:
    """Tasks done one after the other, each begun on the overview."""

    def __init__(self, app, pilot, worker):
        self.app, self.pilot, self.worker = app, pilot, worker
        self.text = self.told = ""
        self.asked = []

    async def do(self, *words, way=-1):
        """Press the keys of the task that has these words; look at what is shown then, told, and asked."""
        (keys,) = (keys for what, (keys, _) in tasks().items() if all(word in what for word in words))
        self.worker.asked.clear()
        for key in pressed(keys.split(" or ")[way]):
            await self.pilot.press(key)
            await settled(self.pilot)
        await settled(self.pilot)
        lines = await drawn(self.app, self.pilot)
        self.text, self.told, self.asked = "\n".join(lines), told(self.app), list(self.worker.asked)
        await self.pilot.press("escape", "escape", "1")


def test_tasks_in_a_capture(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("tests.tui.piloted.FakeWorker", Worker)

    async def steps(app, pilot, worker):
        one = Done(app, pilot, worker)
        await one.do("What is missing")
        assert re.search(r"wheel_node .* MISSING since 10:00:0\d", one.text)
        await one.do("live value")
        row = next(line for line in one.text.splitlines() if re.match(r"[ >]*oil_pressure ", line))
        assert re.search(r"\d bar +\d\.\d+ V", row)
        assert re.search(r"oil_pressure  ok .* bar .* raw \d+", one.text)
        await one.do("Jump")
        assert "[3 Channels]" in one.text
        assert re.search(r"^oil_temperature  ", one.text, re.MULTILINE), "the panel is about it"
        await one.do("The unit")
        assert re.search(r"brake_temperature_\w+[\s\S]*channel °C", one.text)
        await one.do("What happened")
        (seek,) = (each for each in one.asked if each[0] == "seek")
        assert seek[1] % (60 * 10**9) == 8 * 10**9 < SECONDS * 10**9
        await one.do("Copy", way=0)
        assert "copied" in one.told
        await one.do("Copy", way=1)
        assert "saved as" in one.told
        await one.do("Plot two channels")
        names = next(each[1] for each in reversed(one.asked) if each[0] == "plot" and each[1])
        assert len(names) == 2
        assert all(re.search(rf"{name} +-?[\d.]+ \S+", one.text) for name in names)
        assert " cursor" in one.text.splitlines()[2], "it stands at a moment"
        await one.do("Wiggle test")
        asked = [each for each, *_ in one.asked]
        assert (asked[0], asked.count("move_to"), asked[-1]) == ("start_wiggle", 3, "stop_wiggle")

    piloted(steps)


def test_tasks_on_live_buses():
    async def steps(app, pilot, worker):
        one = Done(app, pilot, worker)
        await one.do("only listen")
        assert "listen-only proven" in one.text
        await one.do("Record")
        assert [each for each, *_ in one.asked if each in ("start_recording", "mark")] == ["start_recording", "mark"]

    piloted(steps, snapshot=live())
