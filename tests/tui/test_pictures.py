"""The pictures of the screens at three sizes are what the workbench shows."""

import asyncio
import re
from pathlib import Path

import pytest

from .pictures import HELD, SHOTS, SHOWN, SIZES, path_of, stands, taken, words

ROOT = Path(__file__).parents[2]
NAMES = [(shot.name, size) for size in SIZES for shot in SHOTS]
AGAIN = "look at what changed, then run python -m tests.tui.pictures"


@pytest.fixture(scope="module")
def pictures():
    async def gathered():
        return {(name, size): svg async for name, size, svg in taken()}

    return asyncio.run(gathered())


def test_every_picture_is_held_and_no_other():
    held = {*SHOWN.glob("*.svg"), *HELD.glob("*.svg")}
    assert held == {path_of(*name) for name in NAMES}


@pytest.mark.parametrize(("name", "size"), NAMES)
def test_a_screen_looks_as_in_its_picture(pictures, name, size):
    committed = path_of(name, size).read_text(encoding="utf-8")
    made = pictures[name, size]
    assert [text for *_, text in words(made)] == [text for *_, text in words(committed)], AGAIN
    assert stands(made) == stands(committed), AGAIN


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
