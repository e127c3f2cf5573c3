import shutil
from pathlib import Path

import pytest

from buswright.cli.main import status_of

ROOT = Path(__file__).parent.parent.parent
CAR = ROOT / "dbc_examples" / "wrenfell.toml"
RUN = ROOT / "captures" / "wrenfell_run.log"


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """A season of two runs, its captures, and its car file."""
    folder = tmp_path_factory.mktemp("season")
    lines = RUN.read_bytes().splitlines(keepends=True)
    for name, part in (("one", lines[:3000]), ("two", lines[3000:6000])):
        (folder / f"{name}.log").write_bytes(b"".join(part))
    shutil.copytree(ROOT / "dbc_examples", folder / "car")
    words = ["season", "add", str(folder / "one.log"), str(folder / "two.log")]
    words += ["--jobs", "1", "--car", str(folder / "car" / CAR.name), "--season", str(folder / "season")]
    assert status_of(words) == 0
    return folder


@pytest.fixture
def season(made, tmp_path):
    """A copy of it, to be changed."""
    shutil.copytree(made, tmp_path / "s")
    return tmp_path / "s"
