"""The list of what there is to watch."""

import asyncio
import os

from buswright.frames.live.adapters import Adapter, Adapters
from buswright.frames.live.listen_only import Listening, Proof
from buswright.tui.screens import start
from buswright.tui.screens.start import Start, captures_in
from buswright.tui.widgets.rows import Heading, Rows

from ..piloted import settled, text_of

CAN0 = Adapter("can0", "live:socketcan/can0", "can, up, 500,000 bit/s", Proof(Listening.PROVEN, "its flags"))
PORT = Adapter("/dev/ttyACM0", "live:slcan//dev/ttyACM0?bitrate=500000", "a serial port", None)
BOTH = Adapters((CAN0, PORT), ())
FRAME = "(1700000000.000000) can0 123#1122\n"


def run(folder, steps, adapters=BOTH, size=(100, 30)):
    async def main():
        app = Start(folder, find=lambda: adapters, theme="dusk")
        async with app.run_test(size=size) as pilot:
            await app.workers.wait_for_complete()
            await settled(pilot)
            return await steps(app, pilot)

    return asyncio.run(main())


def test_captures_are_told_by_their_content_the_newest_first(tmp_path):
    for number, name in enumerate(("old.log", "new.txt", "notes.md", ".hidden.log", "empty.log")):
        (tmp_path / name).write_text(
            FRAME if name not in ("notes.md", "empty.log") else "" if "empty" in name else "no"
        )
        os.utime(tmp_path / name, (1_700_000_000 + number,) * 2)
    offers = captures_in(tmp_path)
    assert [each.title for each in offers] == ["new.txt", "old.log"]
    assert all(each.about.startswith("candump") for each in offers)


def test_of_a_folder_of_thousands_only_the_newest_are_looked_at(tmp_path, monkeypatch):
    monkeypatch.setattr(start, "FILES_LOOKED_AT", 2)
    for number in range(4):
        (tmp_path / f"{number}.log").write_text(FRAME)
        os.utime(tmp_path / f"{number}.log", (1_700_000_000 + number,) * 2)
    assert [each.title for each in captures_in(tmp_path)] == ["3.log", "2.log"]


def test_everything_there_is_stands_in_the_list(tmp_path):
    (tmp_path / "run.log").write_text(FRAME)

    async def steps(app, pilot):
        return [key for key in app.query_one(Rows).keys if not isinstance(key, Heading)], "\n".join(text_of(app))

    keys, text = run(tmp_path, steps)
    assert keys == ["demo", str(tmp_path / "run.log"), CAN0.live, PORT.live]
    assert "listening only: proven" in text
    assert "listening only: not known" in text


def test_enter_watches_and_q_leaves(tmp_path):
    (tmp_path / "run.log").write_text(FRAME)

    async def choose(app, pilot):
        await pilot.press("down", "enter")
        await settled(pilot)
        return app.return_value

    async def leave(app, pilot):
        await pilot.press("q")
        await settled(pilot)
        return app.return_value

    assert run(tmp_path, choose) == str(tmp_path / "run.log")
    assert run(tmp_path, leave) is None


def test_what_is_plugged_in_later_is_found_by_looking_again(tmp_path):
    adapters = [Adapters((), ("python-can's own search failed: no driver",))]

    async def main():
        app = Start(tmp_path, find=lambda: adapters[0], theme="dusk")
        async with app.run_test(size=(100, 30)) as pilot:
            await app.workers.wait_for_complete()
            await settled(pilot)
            before = "\n".join(text_of(app))
            adapters[0] = Adapters((CAN0,), ())
            await pilot.press("r")
            await app.workers.wait_for_complete()
            await settled(pilot)
            return before, "\n".join(text_of(app))

    before, after = asyncio.run(main())
    assert "no adapter found" in before
    assert "no driver" in before
    assert "can0" in after


def test_title_words_and_the_key_to_press_fit_every_window(tmp_path):
    (tmp_path / "run.log").write_text(FRAME)

    async def steps(app, pilot):
        return text_of(app)

    for size in ((80, 24), (120, 40), (200, 60)):
        lines = run(tmp_path, steps, Adapters((CAN0,), ("no driver " * 12,)), size)
        assert lines[0] == "Buswright what do you want to watch?"
        assert lines[1].startswith("what to watch")
        assert "bytes, written" in next(each for each in lines if each.startswith("run.log"))
        text = " ".join(" ".join(lines).split())
        assert "it asks you first." in text
        assert text.count("no driver") == 12
        assert lines[-1].strip().startswith("Enter Watch it")
        assert "q Quit" in lines[-1]


def test_a_question_mark_explains_the_list(tmp_path):
    async def steps(app, pilot):
        await pilot.press("question_mark")
        await settled(pilot)
        shown = "\n".join(text_of(app))
        await pilot.press("escape")
        await settled(pilot)
        return shown, "\n".join(text_of(app))

    for size in ((80, 24), (200, 60)):
        shown, after = run(tmp_path, steps, Adapters((CAN0,), ()), size)
        assert "What to watch" in shown
        assert "Choose what to watch and press Enter." in shown
        assert "? Help" in after
