"""What a new capture format needs beside its module: whatever is forgotten fails here, by name."""

import re
from importlib import import_module, resources
from pathlib import Path
from pkgutil import walk_packages

import buswright.frames.formats
from buswright.frames.captures.opening import FORMATS
from buswright.frames.formats.reading import Format

MANUAL = (resources.files("buswright.cli") / "manual" / "captures.md").read_text(encoding="utf-8")
TESTS = Path(__file__).parent.parent


def made():
    """Every format that a module of the folder joins, with the module's name."""
    folder = buswright.frames.formats
    for found in walk_packages(folder.__path__, f"{folder.__name__}."):
        for value in vars(import_module(found.name)).values():
            for each in value if isinstance(value, tuple) else (value,):
                if isinstance(each, Format):
                    yield each, found.name


def test_every_format_of_the_folder_is_asked():
    missing = {each.name: module for each, module in made() if each not in FORMATS}
    assert not missing, "its place in FORMATS of frames/captures/opening.py"
    assert {each for each, _ in made()} == set(FORMATS)


def test_the_manual_names_every_format():
    missing = [each.name for each in FORMATS if not re.search(rf"\b{each.name.split()[0]}\b", MANUAL)]
    assert not missing, "its row in cli/manual/captures.md"


def test_every_format_has_a_test():
    others = "".join(path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py") if path != Path(__file__))
    missing = [each.name for each in FORMATS if each.name.split()[0].lower() not in others.lower()]
    assert not missing, "a test on a recording that you didn't make, in tests/frames/"
