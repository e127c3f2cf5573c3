"""README is true: its commands run, and print what it shows."""

import itertools
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from buswright.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
SET_UP = [text.strip() for language, text in BLOCKS if language == "sh"]
ELISION = "…"
CLOSE = 0.02
"""Numbers of the simulated drive may differ by this part between machines' exp and sine."""


def steps():
    """Yield each command of the console blocks with the lines shown below it."""
    for language, text in BLOCKS:
        if language != "console":
            continue
        lines = text.splitlines()
        starts = [n for n, line in enumerate(lines) if line.startswith("$ ")]
        assert starts[0] == 0, text
        for start, end in itertools.pairwise([*starts, len(lines)]):
            yield lines[start][2:], lines[start + 1 : end]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("readme")
    for name in ("captures", "dbc_examples"):
        shutil.copytree(ROOT / name, where / name)
    command = where / "bin" / "buswright"
    command.parent.mkdir()
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m buswright "$@"\n')
    command.chmod(0o755)
    return where


def in_shell(line, folder):
    environment = {
        **os.environ,
        "PATH": f"{folder / 'bin'}{os.pathsep}{os.environ['PATH']}",
        "COLUMNS": "100",
        "PYTHONUTF8": "1",
    }
    return subprocess.run(
        ["sh", "-c", line], cwd=folder, env=environment, capture_output=True, text=True, encoding="utf-8"
    )


def same(shown, printed):
    """Whether two lines agree, word for word, numbers of the simulation nearly."""
    words, others = shown.split(), printed.split()
    return len(words) == len(others) and all(map(same_word, words, others))


def same_word(shown, printed):
    if shown == printed:
        return True
    try:
        return abs(float(shown) - float(printed)) <= CLOSE * max(1.0, abs(float(shown)))
    except ValueError:
        return False


def mismatch(shown, printed):
    """Return the first shown line that isn't printed in its place; None if all are."""
    at, anywhere = 0, False
    for line in shown:
        if line == ELISION:
            anywhere = True
            continue
        found = range(at, len(printed)) if anywhere else range(at, min(at + 1, len(printed)))
        place = next((n for n in found if same(line, printed[n])), None)
        if place is None:
            return line
        at, anywhere = place + 1, False
    return None if anywhere or at == len(printed) else f"(end, before {printed[at]!r})"


@pytest.mark.skipif(os.name == "nt", reason="the commands are written for a POSIX shell")
def test_every_command_runs_and_prints_what_is_shown(folder):
    for command, shown in steps():  # in order: a later one may use what an earlier one wrote
        done = in_shell(command, folder)
        assert done.returncode == 0, f"{command}\n{done.stderr}"
        assert done.stderr == "", command
        assert mismatch(shown, done.stdout.splitlines()) is None, command


def test_the_python_block_runs(folder):
    (text,) = (text for language, text in BLOCKS if language == "python")
    assert len([line for line in text.splitlines() if line]) <= 5
    done = subprocess.run([sys.executable, "-c", text], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("bar ")


def test_two_commands_set_everything_up():
    assert len(SET_UP) == 2
    for line, words in zip(SET_UP, ("buswright demo", "pytest -q -n auto"), strict=True):
        assert line.startswith("python3 -m venv .venv")
        assert line.endswith(words)
    assert SET_UP[1] in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_every_command_is_shown():
    shown = set(re.findall(r"(?:`|^\$ )buswright (\w+)", README, re.MULTILINE))
    assert set(COMMANDS) <= shown


def test_the_excerpt_is_from_the_example_car_file():
    (text,) = (text for language, text in BLOCKS if language == "toml")
    lines = (ROOT / "dbc_examples" / "wrenfell.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in text.splitlines() if line and line not in lines] == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_links_lead_to_files(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert "://" in target or (ROOT / target).exists(), target


def test_the_comparison_can_fail():
    printed = ["a 1.00 b", "x", "c"]
    assert mismatch(["a 1.01 b", "…", "c"], printed) is None
    assert mismatch(["a 1.10 b", "…"], printed) == "a 1.10 b"
    assert mismatch(["x"], printed) == "x"
    assert mismatch(["a 1.00 b"], printed) == "(end, before 'x')"
    assert mismatch(["…", "d"], printed) == "d"
