"""The pictures of the screens at three sizes are what the workbench shows."""

import asyncio
import re
from pathlib import Path

import pytest
import textual

from .pictures import HELD, MADE_WITH, SHOTS, SHOWN, SIZES, path_of, stands, taken, words

ROOT = Path(__file__).parents[2]
NAMES = [(shot.name, size) for size in SIZES for shot in SHOTS]
AGAIN = "look at what changed, then run python -m tests.tui.pictures"


def test_every_picture_is_held_and_no_other():
    held = {*SHOWN.glob("*.svg"), *HELD.glob("*.svg")}
    assert held == {path_of(*name) for name in NAMES}


def test_the_screens_look_as_in_their_pictures():
    """All in one test: with one a picture, every process of a parallel run would take all of them."""

    async def gathered():
        return {(name, size): svg async for name, size, svg in taken()}

    compared = stands if textual.__version__ == MADE_WITH else words
    made, other = asyncio.run(gathered()), {}
    for name in NAMES:
        now, held = compared(made[name]), compared(path_of(*name).read_text(encoding="utf-8"))
        if now != held:
            other["-".join(name)] = [each for each in now if each not in held][:5]
    assert not other, AGAIN


@pytest.mark.parametrize("path", sorted({*SHOWN.glob("*.svg"), *HELD.glob("*.svg")}), ids=lambda path: path.stem)
def test_a_picture_opens_without_a_network(path):
    svg = path.read_text(encoding="utf-8")
    assert re.findall(r"https?://(?!www\.w3\.org|www\.textualize\.io)[^\s\"<]+", svg) == []
    assert "@font-face" not in svg


def test_the_readme_shows_pictures_that_are_there():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"\(\.pictures/([\w-]+\.svg)\)", readme)
    assert "overview.svg" in shown
    for name in shown:
        assert (SHOWN / name).is_file()
