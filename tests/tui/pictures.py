"""Pictures of the screens over a capture with something wrong in it: those of the README, and those held by a test.

`python -m tests.tui.pictures` writes them anew: look at each before it is committed.
"""

import asyncio
import re
from pathlib import Path
from typing import NamedTuple

from buswright.channels.carfile.load import load_car_file
from buswright.frames.captures.opening import open_capture
from buswright.tui.app import Workbench
from buswright.tui.picture import svg_of
from buswright.worker.composing.folds import Known
from buswright.worker.engine import Engine

ROOT = Path(__file__).parents[2]
CAPTURE = ROOT / "captures" / "wrenfell_flaky.log"
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
SHOWN = ROOT / ".pictures"
"""120x40: README shows these."""
HELD = Path(__file__).parent / "pictures"
MADE_WITH = "8.2.8"
"""Textual of the held pictures: another one may colour otherwise, and only words are compared then."""
SIZES = {"80x24": (80, 24), "120x40": (120, 40), "200x60": (200, 60)}


class Shot(NamedTuple):
    """A screen, the keys pressed there before the picture is taken, and the keys that lead back."""

    name: str
    mode: str
    keys: tuple[str, ...] = ()
    back: tuple[str, ...] = ()


DAMPERS = ("slash", *"damper_f", "enter", "x", "down", "x", "escape")
SHOTS = (
    Shot("overview", "overview"),
    Shot("identifiers", "identifiers"),
    Shot("identifier", "identifiers", ("enter",), ("escape",)),
    Shot("channels", "channels"),
    Shot("plot", "channels", (*DAMPERS, "enter"), ("escape",)),
    Shot("findings", "findings"),
    Shot("wiggle", "wiggle"),
    Shot("module", "module", ("enter",), ("w",)),
    Shot("help", "overview", ("question_mark",), ("escape",)),
)


def path_of(name, size):
    return (SHOWN if size == "120x40" else HELD) / (f"{name}.svg" if size == "120x40" else f"{name}-{size}.svg")


async def settled(app, pilot):
    """Let the worker answer what was asked, and the screen draw it."""
    for _ in range(2):  # what is drawn may ask for more
        await pilot.pause()
        number = app.snapshot.number
        app.worker.pause()  # it stands already; the answer comes behind those of what was asked before
        while app.snapshot.number == number:
            await asyncio.sleep(0.01)
    await pilot.pause()
    await pilot.pause()


async def taken():
    """Yield (name, size, SVG) of every picture."""
    engine = Engine(open_capture(CAPTURE), Known(load_car_file(CAR)))
    app = Workbench(engine, theme="dusk")
    async with app.run_test(size=SIZES["120x40"]) as pilot:
        while app.snapshot is None or app.snapshot.source.phase == "reading":
            await asyncio.sleep(0.05)
        for size, (columns, lines) in SIZES.items():
            await pilot.resize_terminal(columns, lines)
            for shot in SHOTS:
                app.action_go(shot.mode)
                await pilot.pause()
                if shot.name == "plot" and size != "80x24":  # picked already
                    await pilot.press("enter")
                else:
                    await pilot.press(*shot.keys)
                await settled(app, pilot)
                yield shot.name, size, svg_of(app)
                await pilot.press(*shot.back)
                await pilot.pause()


_STYLE = re.compile(r"\.terminal-\d+-(r\d+) \{ (.*?) \}")
_TEXT = re.compile(r'<text class="terminal-\d+-(r\d+)" x="([\d.]+)" y="([\d.]+)"[^>]*>(.*?)</text>')


def stands(svg):
    """What stands in a picture: (y, x, look, text) of every piece, without the names Rich gives to styles."""
    looks = dict(_STYLE.findall(svg))
    return sorted((float(y), float(x), looks[style], text) for style, x, y, text in _TEXT.findall(svg))


def words(svg):
    """Only the texts, in order of place: for another version of Textual, which may colour otherwise."""
    return [(y, x, text) for y, x, _, text in stands(svg)]


async def write():
    """Write all of them."""
    async for name, size, svg in taken():
        path = path_of(name, size)
        path.parent.mkdir(exist_ok=True)
        path.write_text(svg, encoding="utf-8")
        print(path.relative_to(ROOT))


if __name__ == "__main__":
    asyncio.run(write())
