"""The recording screen: begin and end, what is lost, markers; and that a capture isn't recorded."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import Input

from buswright.frames.live.capture import Drops
from buswright.frames.recording.recorder import RecordingError, Space
from buswright.frames.recording.run import Recording
from buswright.frames.table import Event
from buswright.tui.screens.recording import screen as recording_screen
from buswright.tui.screens.recording.lines import default_name, refusal, size_text, state_lines

from .. import made_variants
from ..made import snapshot_of
from ..piloted import SIZES, drawn, piloted, settled, text_of

NAME = "wrenfell-3_2026-04-11_1000.log"


def recorded(**changes):
    whole = Recording(
        paths=(Path("runs/wrenfell.log"),),
        frames=1_234_567,
        seconds=3725.4,
        size=56_789_012,
        drops={"engine": Drops(0, {"socket": 0}), "chassis": Drops(12, {"socket": 3})},
        connected={"engine": True, "chassis": True},
        gaps=0,
        markers=2,
        problems={},
        notes=(),
        losses={},
        why="",
    )
    return replace(whole, **changes)


def live(*, recording=None, on=False, events=()):
    snapshot = made_variants.live(recording=recording, recording_on=on)
    return replace(snapshot, source=replace(snapshot.source, events=tuple(events)))


def marker(number, seconds, text, kind="marker"):
    return Event(snapshot_of().source.now_ns + round(seconds * 1e9), None, kind, {"number": number}, text)


@pytest.fixture(autouse=True)
def room(monkeypatch):
    asked = []

    def space_for(path, buses):
        asked.append((path, buses))
        return Space(250_000_000_000, 40_000.0)

    monkeypatch.setattr(recording_screen, "space_for", space_for)
    return asked


@pytest.fixture(autouse=True)
def folder(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def shown(snapshot, steps=None, size=(120, 40)):
    async def read(app, pilot, worker):
        return "\n".join(await drawn(app, pilot))

    return piloted(steps or read, snapshot=snapshot, screen="recording", size=size)


def test_a_capture_is_not_recorded_but_shows_its_markers():
    async def steps(app, pilot, worker):
        text = "\n".join(text_of(app))
        await pilot.press("r")
        await settled(pilot)
        told = "\n".join(text_of(app))
        await pilot.press("enter")
        await settled(pilot)
        return text, told, worker.asked

    text, told, asked = shown(snapshot_of(), steps)
    assert "Only live buses can be recorded" in text
    assert "wiggled plug C12" in text
    assert "Record to" not in told
    assert asked == [("seek", snapshot_of().source.now_ns - 3_000_000_000)]


def test_it_says_how_to_begin_and_how_much_room_there_is(room):
    text = shown(live())
    assert "Not recording. r starts." in text
    assert "250.00 GB free, at least 11:06:40" in text
    assert "no marker yet; m sets one" in text
    assert "r Record/stop" in text
    assert room[0][1] == 2


def test_r_proposes_a_name_and_begins():
    async def steps(app, pilot, worker):
        await pilot.press("r")
        await settled(pilot)
        text = app.screen.query_one(Input).value
        await pilot.press("enter")
        await settled(pilot)
        return text, worker.asked

    text, asked = shown(live(), steps)
    assert text == NAME
    assert asked == [("start_recording", Path(NAME))]


def test_nothing_is_overwritten(folder):
    (folder / NAME).write_text("precious")

    async def steps(app, pilot, worker):
        await pilot.press("r", "enter")
        await settled(pilot)
        text = "\n".join(text_of(app))
        await pilot.press("home", "x", "enter")
        await settled(pilot)
        return text, worker.asked

    text, asked = shown(live(), steps)
    assert "choose another name" in text
    assert asked == [("start_recording", Path("x" + NAME))]


def test_refusals_say_what_to_try(folder):
    assert refusal(Path("run.log")) == ""
    assert refusal(Path("run.asc.gz")) == ""
    assert "end it in .log" in refusal(Path("run.txt"))
    assert "make the folder" in refusal(Path("nowhere/run.log"))
    Path("run.log.events.jsonl").touch()
    assert "run.log.events.jsonl is there already" in refusal(Path("run.log"))


@pytest.mark.parametrize("size", SIZES)
def test_a_running_one_tells_everything(size):
    recording = recorded(paths=(Path("runs/wrenfell-001.log"), Path("runs/wrenfell-002.log")), gaps=1)
    text = shown(live(recording=recording, on=True, events=(marker(1, -60, "engine started"),)), size=size)
    for words in (
        "● RECORDING 1:02:05",
        "runs/wrenfell-002.log",
        "1,234,567 frames",
        "56.79 MB",
        "part 2",
        "250.00 GB free",
        "none dropped",
        "15 dropped",
        "1 time without listening",
        "engine started",
        "markers     2",
    ):
        assert words in text, words


def test_what_is_wrong_is_said():
    recording = recorded(
        connected={"engine": True, "chassis": False},
        problems={"a length above 8": 4},
        losses={"remote frames of unknown length": 2},
        notes=("run.log was moved away: it goes on in run-2.log",),
    )
    text = shown(live(recording=recording, on=True))
    assert "NOT CONNECTED" in text
    assert "4 × a length above 8" in text
    assert "run.log was moved away" in text
    assert "2 × remote frames of unknown length" in text


def test_a_full_disk_is_said(monkeypatch):
    def full(path, buses):
        raise RecordingError("/runs: only 1,000 bytes are free", hint="make room")

    monkeypatch.setattr(recording_screen, "space_for", full)
    assert "only 1,000 bytes are free: make room" in shown(live())


def test_ending_asks_first():
    async def steps(app, pilot, worker):
        await pilot.press("r", "n")
        await settled(pilot)
        asked = list(worker.asked)
        await pilot.press("r", "y")
        await settled(pilot)
        return asked, worker.asked

    assert shown(live(recording=recorded(), on=True), steps) == ([], [("stop_recording",)])


def test_ended_it_says_why():
    text = shown(live(recording=recorded(why="the disk is full")))
    assert re.search(r"Stopped after \d+:\d\d:\d\d: the disk is full   r starts a new one", text)
    assert "1,234,567 frames" in text


def test_markers_and_notes_are_listed_latest_first_and_searched():
    events = (
        marker(1, -60, "engine started"),
        marker(2, -30, "wiggled plug C12"),
        marker("", -10, "raining", kind="note"),
        Event(1, "engine", "error-frames", {}, "bus warning"),
    )

    async def steps(app, pilot, worker):
        text = text_of(app)
        await pilot.press("slash", *"c1", "enter")
        await settled(pilot)
        return text, "\n".join(text_of(app))

    text, found = shown(live(events=events), steps)
    at = {words: next(row for row, each in enumerate(text) if words in each) for words in ("raining", "C12", "started")}
    assert at["raining"] < at["C12"] < at["started"]
    assert "bus warning" not in "\n".join(text)
    assert "wiggled plug C12" in found
    assert "engine started" not in found


def test_the_disk_is_asked_now_and_then_only(room):
    async def steps(app, pilot, worker):
        now = [0.0]
        app.screen.clock = lambda: now[0]
        app.screen._asked = 0.0
        room.clear()
        for now[0] in (1.0, 4.0, 6.0, 7.0):
            worker.give()
            await settled(pilot)
        return len(room)

    assert shown(live(), steps) == 1


def test_names_are_of_the_car_and_the_minute():
    now = 1_775_902_359_000_000_000  # 2026-04-11 10:12:39 UTC
    assert default_name(snapshot_of(), now) == "wrenfell-3_2026-04-11_1012.log"
    assert default_name(replace(snapshot_of(), car=None), now) == "recording_2026-04-11_1012.log"


def test_sizes_keep_their_width():
    assert {len(size_text(size)) for size in (0, 5_000_000, 999_000_000, 12_000_000_000)} == {11}


def test_lines_have_the_tones_of_the_verdicts():
    full = list(state_lines(live(recording=recorded(gaps=1), on=True), Space(1, 60.0), 100))
    tones = {spans[0].text.strip(): spans[1].tone for spans in full if len(spans) == 2}
    assert (tones["room"], tones["engine"], tones["chassis"], tones["gaps"]) == ("suspect", "plain", "fault", "suspect")


def test_a_wide_window_has_buses_findings_and_other_events_beside_the_markers():
    snapshot = snapshot_of()
    gap = Event(snapshot.source.now_ns, "engine", "gap", {}, "not listened for 2 s")
    snapshot = replace(snapshot, source=replace(snapshot.source, events=(gap, marker(1, 0, "wiggled C12"))))

    async def steps(app, pilot, worker):
        await settled(pilot)
        return "\n".join(text_of(app))

    for size in SIZES:
        text = piloted(steps, snapshot=snapshot, screen="recording", size=size)
        assert "wiggled C12" in text
        for words in ("mean load", "module-missing", "engine: not listened for 2 s"):
            assert (words in text) is (size[0] >= 140), (words, size)
