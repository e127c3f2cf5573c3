"""Throughput of the simulated car: physics, payloads, exact lengths and arbitration of both buses."""

import time

import pytest

from buswright.simulate.run import simulate_run

SECONDS = 480.0
LEAST = 300_000
"""Frames per second, so that hours of driving can be tested."""


@pytest.mark.parametrize("fd", [False, True])
def test_frames_per_second(fd: bool):
    rates = []
    for _ in range(3):
        start = time.perf_counter()
        frames = sum(len(batch) for batch in simulate_run(SECONDS, fd=fd))
        rates.append(frames / (time.perf_counter() - start))
    name, speed = "CAN FD" if fd else "classic", max(rates) * SECONDS / frames
    print(f"\n{name}: {max(rates):,.0f} frames/s, {speed:,.0f} x real time")
    assert max(rates) > LEAST
