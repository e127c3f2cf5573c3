"""The list of screens: each can be made, goes by its own name, and stands in the manual with its key."""

import re
from importlib import resources
from pathlib import Path

import pytest

import buswright.tui.screens
from buswright.tui.app import Workbench
from buswright.tui.screen_list import SCREENS

from .pictures import SHOTS

MANUAL = (resources.files("buswright.cli") / "manual" / "workbench.md").read_text(encoding="utf-8")
WORDS = {"comma": ",", "full_stop": ".", "less_than_sign": "<", "greater_than_sign": ">", "minus": "-", "plus": "+"}
WORDS |= {"question_mark": "?", "ctrl+p": "Ctrl-P", "ctrl+z": "Ctrl-Z", "ctrl+c": "q"}  # Ctrl-C as everywhere


@pytest.mark.parametrize("name", SCREENS)
def test_a_screen_goes_by_its_name(name):
    screen = SCREENS[name].load()
    assert name == screen.NAME
    assert len(screen.HELP) > 200
    assert screen.FIRST


def test_every_screen_of_the_folder_is_in_the_list():
    folder = Path(buswright.tui.screens.__file__).parent
    there = {
        ".".join(path.relative_to(folder).with_suffix("").parts)
        for path in folder.rglob("*.py")
        if re.search(r'^    NAME = "', path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert there == {listed.module for listed in SCREENS.values()}, "its line in SCREENS of tui/screen_list.py"


@pytest.mark.parametrize("name", SCREENS)
def test_a_screen_has_its_test_and_its_picture(name):
    assert list((Path(__file__).parent / "screens").glob(f"test_{name}*.py")), "a test with keys in tests/tui/screens/"
    if name != "recording":  # its room on the disk is another one wherever it is drawn
        assert name in {shot.mode for shot in SHOTS}, "its picture in SHOTS of tests/tui/pictures.py"


def test_the_manual_lists_the_screens_by_their_keys():
    rows = re.findall(r"^\| `(\d)` \| (\w+) \|", MANUAL, re.MULTILINE)
    assert rows == [(str(number), listed.title) for number, listed in enumerate(SCREENS.values(), 1)]


def test_the_manual_names_every_key_that_works_everywhere():
    keys = {key for binding in Workbench.BINDINGS for key in binding.key.split(",")}
    missing = {key for key in keys if f"`{WORDS.get(key, key)}`" not in MANUAL}
    assert not missing
