"""Damaged and hostile files of every format: no fault of the program, no good line lost, within bounds."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from buswright.cli.main import COMMANDS
from tests.fuzz import formats, hostile
from tests.fuzz.seeds import SEEDS

ROOT = Path(__file__).parent.parent.parent

SHORT = dict.fromkeys(formats.CHECKS, 30) | {"layout": 12}
LONG = dict.fromkeys(("BLF", "TRC", "SQLite", "CSV", "DBC"), 1000) | {
    "candump": 6000,
    "ASC": 5000,
    "sidecar": 3000,
    "baseline": 800,
    "car file": 1200,
    "pack": 1000,
    "layout": 500,
}
"""Files of each format: 22,500 in all."""
_AT_ONCE = 250


def tried(form, first, last, folder):
    """Try files in a process of its own; return what went wrong, by number."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), *filter(None, sys.path)])}
    with subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.fuzz.runner", str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=environment,
    ) as runner:
        out, err = runner.communicate(json.dumps([form, first, last]) + "\n")
    if not out:
        return [[first, f"its process ended with {runner.returncode}: {err[-2000:]}"]]
    return json.loads(out)


needs_bounds = pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="bounds as Linux has them")


@needs_bounds
@pytest.mark.parametrize("form", SHORT)
def test_some_files(form, tmp_path):
    start = hostile.count(form)
    wrong = tried(form, start, start + SHORT[form], tmp_path)
    assert not wrong, "\n\n".join(f"{form} {number}: {said}" for number, said in wrong)


@needs_bounds
@pytest.mark.acceptance
@pytest.mark.parametrize("form", LONG)
def test_many_files(form, tmp_path):
    wrong = []
    for first in range(0, LONG[form], _AT_ONCE):
        wrong += tried(form, first, min(first + _AT_ONCE, LONG[form]), tmp_path)
    print(f"{form}: {LONG[form]} files, {len(wrong)} failures")
    assert not wrong, "\n\n".join(f"{form} {number}: {said}" for number, said in wrong[:10])


def test_every_command_that_reads_files_is_tried():
    used = {words[0] for each in formats.COMMANDS.values() for words in each}
    assert used | set(formats.READ_NO_FILE) == set(COMMANDS), "add it to COMMANDS in tests/fuzz/formats.py"
    assert not used & set(formats.READ_NO_FILE)


def test_each_format_has_seeds_hostile_files_a_check_and_commands():
    assert set(SEEDS) == set(hostile.HOSTILE) == set(formats.CHECKS) == set(formats.COMMANDS) == set(SHORT) == set(LONG)
