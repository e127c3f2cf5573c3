"""The whole health of a capture against reading it, in the same run; and that memory doesn't grow with the run."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.frames.captures.opening import open_capture
from buswright.frames.formats.candump.writer import write_candump
from buswright.frames.table import Clock, Flag, Frames, Problems
from buswright.health.spacings import SpacingColumns
from buswright.health.track import HealthTracker
from buswright.report.health.page import render_html
from buswright.report.health.report import HealthReport
from buswright.report.health.text import render_text
from buswright.simulate.run import simulate_run
from tests.benchmarks.big_capture import BigCapture, make

FRAMES = 2_000_000
MOST_TIMES_READING = 3.0


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> BigCapture:
    return make(Path(tmp_path_factory.mktemp("big")), FRAMES, kinds=("candump",))


@pytest.fixture(scope="module")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seventeen minutes of the simulated car: 2 million frames that come by the clock, as a car's do."""
    path = tmp_path_factory.mktemp("drive") / "drive.log"
    with path.open("wb") as stream:
        write_candump(simulate_run(FRAMES / 1959.0), stream)
    return path


def page_of(batches: list[Frames], *, html: bool) -> int:
    """From frames to the page: measure, find, render; returns its size in characters."""
    tracker, spacings = HealthTracker(bitrates={"*": 1_000_000}), SpacingColumns()
    for frames in batches:
        tracker.update(frames)
        if html:
            spacings.update(frames)
    health = tracker.result()
    report = HealthReport(health, diagnose(health), ("run",), "candump", Clock(), Problems(), "", False)
    return len(render_html(report, spacings.result()) if html else render_text(report))


@pytest.mark.parametrize("html", [False, True], ids=["text", "html"])
@pytest.mark.parametrize("kind", ["car", "random spacings"])
def test_the_whole_page_of_two_million_frames(kind: str, html: bool, big: BigCapture, drive: Path) -> None:
    path = drive if kind == "car" else big.candump
    reading = page = np.inf
    for _ in range(4):
        start = time.process_time()
        batches = list(open_capture(path))
        reading = min(reading, time.process_time() - start)
        start = time.process_time()
        assert page_of(batches, html=html) > 1000
        page = min(page, time.process_time() - start)
    frames = sum(map(len, batches))
    times = (page + reading) / reading
    what = "HTML" if html else "text"
    print(
        f"\n{kind}: reading {frames:,} frames {reading:.2f} s, their health as {what} {page:.2f} s more: "
        f"{times:.1f} times reading alone"
    )
    # Random spacings hold a gap every few frames, each of which is kept and judged: a car's do not.
    assert times < (MOST_TIMES_READING if kind == "car" else 4.0)


def test_figures_follow_what_changed() -> None:
    """Of two thousand identifiers one in a hundred has something new: asking again costs a small part of the first."""
    many, step = 2_000, 100_000_000
    ids = np.tile(np.arange(many, dtype=np.uint32), 200)
    rows = np.arange(len(ids))

    def batch(chosen: npt.NDArray[np.bool_], start_ns: int) -> Frames:
        n = int(chosen.sum())
        payload = np.random.default_rng(1).integers(0, 256, (n, 8), dtype=np.uint8)
        time_ns = start_ns + (rows // many * step + rows % many * (step // many))[chosen]
        eight = np.full(n, 8, np.uint8)
        flags = np.full(n, int(Flag.EXTENDED), np.uint8)
        return Frames(time_ns, np.zeros(n, np.uint8), ids[chosen], flags, eight, eight, payload, ("can0",))

    tracker = HealthTracker(bitrates={"*": 1_000_000})
    seconds = []
    for number in range(2):
        tracker.update(batch(ids < (many if number == 0 else many // 100), number * 30_000_000_000))
        start = time.process_time()
        tracker.result()
        seconds.append(time.process_time() - start)
    print(f"\nfigures of {many} identifiers {seconds[0]:.2f} s, again with one in a hundred changed {seconds[1]:.2f} s")
    assert seconds[1] < seconds[0] / 10


def test_memory_is_that_of_the_windows(big: BigCapture) -> None:
    """Fed the same batch over and over, ever later: what stays grows only by windows and strips."""
    batch = next(iter(open_capture(big.candump)))
    span = int(batch.time_ns[-1] - batch.time_ns[0]) + 1_000_000
    tracker = HealthTracker(bitrates={"*": 1_000_000})

    def feed(first: int, rounds: int) -> None:
        for number in range(first, first + rounds):
            later = {name: getattr(batch, name) for name in Frames.__dataclass_fields__}
            later["time_ns"] = batch.time_ns + number * span
            tracker.update(Frames(**later))

    tracemalloc.start()
    feed(0, 8)
    before = tracemalloc.get_traced_memory()[0]
    feed(8, 24)
    grown = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    seconds = 24 * span / 1e9
    print(f"\n{grown / 1e6:.2f} MB for {seconds:.0f} s and {24 * len(batch):,} frames")
    # Two buses with 32 bytes for each 100 ms, a hundred identifiers with 48 bytes and some for each 10 s.
    assert grown < 2_000_000 + seconds * (2 * 10 * 32 + 100 * 100 / 10)
