"""The whole health of a capture against reading it, in the same run; and that memory doesn't grow with the run."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from buswright.frames.capture import open_capture
from buswright.frames.table import Frames
from buswright.health.model import BusHealth
from buswright.health.track import HealthTracker
from tests.benchmarks.big_capture import BigCapture, make

FRAMES = 2_000_000
MOST_TIMES_READING = 3.0


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> BigCapture:
    return make(Path(tmp_path_factory.mktemp("big")), FRAMES, kinds=("candump",))


def health_of(batches: list[Frames]) -> BusHealth:
    tracker = HealthTracker(bitrates={"*": 1_000_000})
    for frames in batches:
        tracker.update(frames)
    return tracker.result()


def test_health_of_two_million_frames(benchmark: Any, big: BigCapture) -> None:
    reading = np.inf
    for _ in range(3):
        start = time.perf_counter()
        batches = list(open_capture(big.candump))
        reading = min(reading, time.perf_counter() - start)
    health = benchmark.pedantic(health_of, args=(batches,), rounds=5, warmup_rounds=1)
    assert health.capture.frames == FRAMES
    times = (benchmark.stats.stats.min + reading) / reading
    benchmark.extra_info.update(reading_s=round(reading, 3), times_reading=round(times, 2))
    print(
        f"\nreading {reading:.2f} s, health of {FRAMES:,} frames {benchmark.stats.stats.min:.2f} s: "
        f"both are {times:.1f} times reading alone"
    )
    assert times < MOST_TIMES_READING


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
