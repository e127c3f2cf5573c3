"""What capacity measures of a capture: the time per frame doesn't grow with the run."""

from __future__ import annotations

import time

import pytest

from buswright.capacity.assess import assess
from buswright.capacity.carried.plan import plan_of
from buswright.capacity.carried.traffic import TrafficFold
from buswright.health.described import Described
from buswright.health.track import HealthTracker
from buswright.simulate.run import simulate_run

SHORT, LONG = 100_000, 2_000_000
FRAMES_PER_S = 1959.0
MOST_GROWTH = 1.3


def seconds(frames: int) -> tuple[float, float]:
    """Measure so many frames of the invented car, plan each bus and play it through: (measuring, the rest)."""
    batches = list(simulate_run(frames / FRAMES_PER_S))
    best = float("inf")
    for _ in range(3):
        started = time.perf_counter()
        fold = TrafficFold({})
        for batch in batches:
            fold.update(batch)
        traffic = fold.result()
        best = min(best, time.perf_counter() - started)
    tracker = HealthTracker(bitrates={"*": 500_000})
    for batch in batches:
        tracker.update(batch)
    health, described = tracker.result(), Described(None, {}, {})
    started = time.perf_counter()
    for bus, figures in health.buses.items():
        assess(plan_of(bus, described, figures.bitrate, health=health, traffic=traffic), described, traffic=traffic)
    return best, time.perf_counter() - started


def test_the_time_per_frame_does_not_grow(capsys: pytest.CaptureFixture[str]) -> None:
    (short, planned), (long, planned_again) = seconds(SHORT), seconds(LONG)
    with capsys.disabled():
        print(
            f"\nmeasuring: {short / SHORT * 1e6:.3f} and {long / LONG * 1e6:.3f} µs a frame; planning {planned:.2f} s "
            f"and {planned_again:.2f} s"
        )
    assert long / LONG < MOST_GROWTH * short / SHORT
    assert planned_again < 3 * planned
