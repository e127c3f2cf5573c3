"""A short drive of the Wrenfell in a folder of its own, its layout, and what a changed car is like beside it."""

import argparse
import shutil
from pathlib import Path

from buswright.channels.carfile.load import load_car_file
from buswright.cli import options as shared
from buswright.cli.reading.documenting import measured_layout
from buswright.layout.document.file import settled

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "dbc_examples"
RUN = ROOT / "captures" / "wrenfell_run.log"
FRAMES = 9_000
"""Some four and a half seconds: key on, the engine starts, the car drives off."""


def drive(folder, lines=None):
    """Put the capture, the car file and its databases into a folder."""
    folder.mkdir(exist_ok=True)
    for path in (EXAMPLES / "wrenfell.toml", *EXAMPLES.glob("*.dbc")):
        shutil.copy(path, folder)
    lines = lines if lines is not None else frames()
    (folder / "run.log").write_text("".join(lines), encoding="utf-8")
    return folder


def frames():
    """Return the lines of the capture."""
    return RUN.read_text(encoding="utf-8").splitlines(keepends=True)[:FRAMES]


def edit(path, *pairs):
    """Change a file; what is to be changed must be there, once."""
    data = path.read_bytes()
    for old, new in pairs:
        assert data.count(old.encode()) == 1, (old, data.count(old.encode()))
        data = data.replace(old.encode(), new.encode())
    path.write_bytes(data)


def layout_of(capture, *words, car=None, date=""):
    """Make the layout of a capture as the commands do, ready to be compared."""
    parser = argparse.ArgumentParser()
    shared.add_source(parser)
    shared.add(parser, "window", "car", "databases", "bitrate")
    parser.add_argument("--baseline")
    parser.add_argument("--sheet", action="append", default=[])
    options = parser.parse_args([str(capture), *words])
    return settled(measured_layout(options, load_car_file(car) if car is not None else None, date=date))


def documented(folder):
    """Return the layout of what lies in a folder, and its car file."""
    car = folder / "wrenfell.toml"
    return layout_of(folder / "run.log", car=car), load_car_file(car)
