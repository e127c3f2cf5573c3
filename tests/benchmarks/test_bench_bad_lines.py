"""What a run costs that has bad lines, against the same run without."""

from __future__ import annotations

import random
import shutil
import time
from pathlib import Path

import pytest

from buswright.cli.main import status_of
from buswright.frames.formats.candump.writer import write_candump
from buswright.simulate.run import simulate_run
from tests.season.test_season import CAR

SECONDS, SHARE = 300.0, 0.01
MOST = 1.5


def damaged(line: bytes, chance: random.Random) -> bytes:
    """Cut a line off, put something before it, or change one of its characters."""
    deed = chance.randrange(4)
    if deed == 0:
        return line[: chance.randrange(1, len(line) - 1)] + b"\n"
    if deed == 1:
        return b"garbage " + line
    if deed == 2:
        return line.replace(b"#", b"#X", 1)
    return bytes(chance.choices(range(32, 256), k=40)) + b"\n"


@pytest.mark.parametrize(
    "words",
    [
        ("season", "add", "{run}", "--season", "{out}"),
        ("decode", "{run}", "--out", "{out}/"),
        ("health", "{run}", "--fail-on", "never"),
    ],
    ids=lambda words: words[0],
)
def test_one_percent_of_bad_lines(words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs = tmp_path / "clean.log", tmp_path / "bad.log"
    with runs[0].open("wb") as stream:
        write_candump(simulate_run(SECONDS), stream)
    chance = random.Random(3)
    lines = runs[0].read_bytes().splitlines(keepends=True)
    runs[1].write_bytes(b"".join(damaged(each, chance) if chance.random() < SHARE else each for each in lines))
    best = {run: float("inf") for run in runs}
    for run in runs * 3:
        call = [word.format(run=run, out=tmp_path / "out") for word in words]
        start = time.process_time()
        assert status_of([*call, "--car", str(CAR), "--jobs", "1"]) == 0
        best[run] = min(best[run], time.process_time() - start)
        shutil.rmtree(tmp_path / "out", ignore_errors=True)
    capsys.readouterr()
    clean, bad = best.values()
    with capsys.disabled():
        said = f"{clean:.2f} s, with 1 % bad lines {bad:.2f} s: {bad / clean:.2f} times"
        print(f"\n{words[0]}: {len(lines):,} frames {said}")
    assert bad / clean < MOST
