"""200 runs taken into a season by calls that are killed again and again: `pytest -m acceptance -k season_adding -s`."""

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from buswright.cli.main import status_of
from buswright.frames.formats.candump.writer import write_candump
from buswright.season.catalogue import RUNS, read_catalogue, verify
from buswright.season.place.opening import open_place
from buswright.simulate.run import simulate_run
from tests.season.test_season import CAR, RUN

CAPTURES, KILLS = 200, 50
SECONDS, MOST_HZ = 600.0, 11
"""Ten minutes, of which only what comes at most so often is kept."""
DAY_NS = 86_400_000_000_000

pytestmark = [pytest.mark.acceptance, pytest.mark.skipif(os.name != "posix", reason="kills groups of processes")]


@pytest.fixture(scope="module")
def captures(tmp_path_factory):
    """The same drive on 200 days, each a day and a microsecond later."""
    folder = tmp_path_factory.mktemp("card")
    batches = list(simulate_run(SECONDS))
    often = sum((Counter(batch.id.tolist()) for batch in batches), Counter())
    slow = [identifier for identifier, count in often.items() if count < MOST_HZ * SECONDS]
    batches = [batch.take(np.isin(batch.id, slow)) for batch in batches]
    for k in range(CAPTURES):
        with (folder / f"run_{k:03d}.log").open("wb") as stream:
            write_candump((replace(batch, time_ns=batch.time_ns + k * (DAY_NS + 1000)) for batch in batches), stream)
    return folder


def begin(captures, season, jobs):
    words = ["season", "add", str(captures), "--car", str(CAR), "--season", str(season), "--jobs", str(jobs)]
    return subprocess.Popen(
        [sys.executable, "-m", "buswright", *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        start_new_session=True, text=True,
    )  # fmt: skip


def there(season):
    """Names of what lies in the folder of the runs, also of what is being written."""
    return {path.name for path in (season / RUNS).iterdir()} if (season / RUNS).exists() else set()


def readable(season):
    """Hold the season against its hashes; return its number of runs, and how many folders were left over."""
    place = open_place(str(season))
    catalogue = read_catalogue(place, needed=False)
    faults = list(verify(place, catalogue))
    assert [fault for fault in faults if fault.what != "left over"] == []
    return len(catalogue.runs), len(faults)


def test_200_runs_are_complete_after_50_kills(captures, tmp_path, capsys):
    chance = random.Random(os.urandom(8))
    season, progress, left, alone = tmp_path / "season", [], 0, 0
    began = time.monotonic()
    while len(progress) < KILLS:
        before, started = there(season), time.monotonic()
        calls = [begin(captures, season, chance.choice((1, 2))) for _ in range(2 if len(progress) % 5 == 0 else 1)]
        while there(season) <= before and all(call.poll() is None for call in calls):
            time.sleep(0.01)  # until it writes
        time.sleep(chance.uniform(0.0, 0.5 * (time.monotonic() - started)))  # at the machine's pace
        for call in calls:
            assert call.poll() is None, f"it was at its end after {len(progress)} kills: {call.communicate()[0]}"
            whole = chance.random() < 0.5
            alone += not whole
            os.killpg(call.pid, signal.SIGKILL) if whole else os.kill(call.pid, signal.SIGKILL)
            call.stdout.close()
            call.wait()
        runs, over = readable(season)
        progress.append(runs)
        left = max(left, over)
    assert progress == sorted(progress)
    last = begin(captures, season, 2)
    said = last.communicate()[0]
    assert last.returncode == 0, said
    with capsys.disabled():
        print(f"\n{KILLS} kills ({alone} of the calling process alone), runs after each: {progress}")
        print(f"left over at most {left}; all in {time.monotonic() - began:.0f} s; last call: {said.splitlines()[-1]}")
    assert status_of(["season", "check", "--season", str(season), "--fail-on", "note"]) == 0
    place = open_place(str(season))
    runs = read_catalogue(place).runs
    assert sorted(run.capture for run in runs) == sorted(path.name for path in captures.iterdir())
    assert len(place.names(RUNS)) == CAPTURES
    # What killed calls wrote is what one writes that nobody disturbs.
    some = [captures / f"run_{k:03d}.log" for k in chance.sample(range(CAPTURES), 5)]
    words = ["season", "add", *map(str, some), "--car", str(CAR), "--season", str(tmp_path / "calm"), "--jobs", "1"]
    assert status_of(words) == 0
    killed = {run.name: run for run in runs}
    for run in read_catalogue(open_place(str(tmp_path / "calm"))).runs:
        assert killed[run.name] == run


def test_disk_full_while_adding_is_said_and_nothing_is_lost(captures, tmp_path, capsys):
    """On a small file system of its own, which only root can have."""
    disk = tmp_path / "disk"
    disk.mkdir()
    size = "1500k"
    if subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(disk)], check=False).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        some = [str(captures / f"run_{k:03d}.log") for k in range(8)]
        words = ["season", "add", *some, "--car", str(CAR), "--season", str(disk / "season"), "--jobs", "1"]
        assert status_of(words) == 2
        said = capsys.readouterr().err
        assert "not all added" in said
        assert "the disk is full: make room" in said
        with capsys.disabled():
            print(f"\n{size} of room: {said}")
        runs, over = readable(disk / "season")
        assert 0 < runs < len(some)
        assert over == 0
        subprocess.run(["mount", "-o", "remount,size=100m", str(disk)], check=True)
        assert status_of(words) == 0
        assert readable(disk / "season") == (len(some), 0)
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_the_page_of_a_quarter_of_an_hour_lies_there_within_a_minute(tmp_path, capsys):
    """Of a capture that is copied into a folder that is followed; on a machine that does nothing else."""
    card, season = tmp_path / "card", tmp_path / "season"
    card.mkdir()
    with (tmp_path / "stint.log").open("wb") as stream:
        write_candump(simulate_run(900.0), stream)
    words = ["season", "add", "--follow", str(card), "--car", str(CAR), "--season", str(season)]
    follower = subprocess.Popen(
        [sys.executable, "-m", "buswright", *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    said = follower.stdout.readline()
    assert said.startswith("Following")
    with (card / "stint.log").open("wb") as stream:
        content = (tmp_path / "stint.log").read_bytes()
        for start in range(0, len(content), 4 << 20):
            stream.write(content[start : start + (4 << 20)])
            stream.flush()
            time.sleep(0.2)
    began = time.monotonic()
    said = follower.stdout.readline()
    took = time.monotonic() - began
    follower.send_signal(signal.SIGTERM)
    follower.communicate()
    with capsys.disabled():
        print(f"\n{len(content) / 1e6:.0f} MB: the page lay there {took:.1f} s after the copy ended: {said}")
    assert follower.returncode == 0
    assert Path(said.strip().rpartition("Page: ")[2]).is_file()
    assert took < 60


def test_a_season_is_the_same_with_one_job_and_with_two(tmp_path, capsys):
    lines = RUN.read_bytes().splitlines(keepends=True)
    for k in range(3):
        (tmp_path / f"run_{k}.log").write_bytes(b"".join(lines[400 * k : 400 * k + 400]))
    found = []
    for jobs in ("1", "2"):
        words = ["season", "add", str(tmp_path), "--car", str(CAR), "--season", str(tmp_path / jobs / "s")]
        assert status_of([*words, "--jobs", jobs]) == 0
        files = (path for path in (tmp_path / jobs).rglob("*") if path.is_file())
        found.append({str(path.relative_to(tmp_path / jobs)): path.read_bytes() for path in files})
    assert found[0] == found[1]
    assert len([name for name in found[0] if name.startswith("s/catalogue")]) == 3
