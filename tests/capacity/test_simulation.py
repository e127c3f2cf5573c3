"""The bus played through against the bound: never above it, and up to it within a frame on some."""

from __future__ import annotations

import pytest

from buswright.capacity.timing.bounds import bounds_of
from buswright.capacity.timing.simulation import simulate
from tests.capacity.sets import random_set


def held_against_its_bound(seed: int, *, fd: bool) -> int:
    """Play a random set through; return how many of its bounds were reached to within one frame."""
    streams, rates = random_set(seed, fd=fd)
    found, played = bounds_of(streams, rates), simulate(streams, rates, seed=seed, rounds=3)
    longest = max(each.longest_ns(rates) for each in streams)
    reached = 0
    for name, response in found.items():
        if response.worst_ns is None:
            continue
        worst = played.streams[name].worst_ns
        assert worst <= response.worst_ns, (seed, fd, str(name))
        reached += worst >= response.worst_ns - longest
    return reached


@pytest.mark.parametrize("fd", [False, True])
def test_no_delay_exceeds_its_bound(fd):
    reached = sum(held_against_its_bound(seed, fd=fd) for seed in range(15))
    assert reached > 30


@pytest.mark.acceptance
@pytest.mark.parametrize("fd", [False, True])
def test_no_delay_of_five_hundred_sets_exceeds_its_bound(fd):
    reached = sum(held_against_its_bound(seed, fd=fd) for seed in range(1000, 1250))
    print(f"CAN FD {fd}: {reached} bounds reached to within one frame")
    assert reached > 500
