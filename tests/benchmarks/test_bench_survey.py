"""A survey of two million frames against reading them, in the same run; and that memory doesn't grow with the run."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.candump.writer import write_candump
from buswright.health.described import Described
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run
from buswright.survey.gather import SurveyFold
from buswright.survey.survey import survey

FRAMES = 2_000_000
MOST_TIMES_READING = 40.0
MOST_GROWTH = 1.5


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("drive") / "drive.log"
    with path.open("wb") as stream:
        write_candump(simulate_run(FRAMES / 1959.0), stream)
    return path


def surveyed(path: Path, most: int = 1 << 60) -> int:
    """Survey up to so many frames without a database; return how many were read."""
    fold, tracker, count = SurveyFold({}), HealthTracker(bitrates={"*": 1_000_000}), 0
    for frames in open_capture([path]):
        fold.update(frames)
        tracker.update(frames)
        count += len(frames)
        if count >= most:
            break
    found = survey(fold.result(), tracker.result(), Described(None, {}, {}), None)
    assert len(found.ids) > 20
    return count


def test_two_million_frames(drive: Path) -> None:
    started = time.perf_counter()
    count = sum(len(frames) for frames in open_capture([drive]))
    reading = time.perf_counter() - started
    started = time.perf_counter()
    assert surveyed(drive) == count
    whole = time.perf_counter() - started
    print(f"\n{count:,} frames: read {reading:.2f} s, surveyed {whole:.2f} s, {whole / reading:.1f} times reading")
    assert whole < MOST_TIMES_READING * reading


def test_memory_does_not_grow_with_the_run(drive: Path) -> None:
    peaks = []
    for most in (FRAMES // 2, FRAMES):
        tracemalloc.start()
        surveyed(drive, most)
        peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
        tracemalloc.stop()
    print(f"\npeak: {peaks[0]:.0f} MB for half of it, {peaks[1]:.0f} MB for all")
    assert peaks[1] < MOST_GROWTH * peaks[0]
