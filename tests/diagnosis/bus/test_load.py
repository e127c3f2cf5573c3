"""Overload as it is found in frames, wherever the seconds of the clock begin."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Severity
from buswright.frames.wire.bits import WireBits
from buswright.health.track import HealthTracker
from tests.diagnosis.made import bus, found, health
from tests.health.traffic import START, S, comb


@pytest.mark.parametrize("start_s", [1.0, 1.5, 1.7])
def test_a_second_of_full_bus_is_found_wherever_it_begins(start_s: float) -> None:
    """One second of frames of 100 bits end to end at 100 kbit/s, and hardly anything before and after it."""
    burst = comb(0x123, 1, 1.0, start=START + round(start_s * S))
    burst = dataclasses.replace(burst, id=(0x200 + np.arange(len(burst)) % 10).astype(np.uint32))
    tracker = HealthTracker(bitrates={"*": 100_000})
    for part in (comb(0x100, 100, 1), burst, comb(0x100, 100, 1, start=START + 4 * S)):
        tracker.update(part, WireBits(*(np.full(len(part), bits, np.int32) for bits in (100, 0, 0))))
    (found,) = (f for f in diagnose(tracker.result()) if f.fault == "bus-overload")
    assert found.severity is Severity.FAULT
    assert "100.0 %" in " ".join(found.evidence)


def test_the_load_is_told_by_the_second_and_by_the_tenth() -> None:
    seconds = [0.3] * 61
    seconds[20:25] = [0.95] * 5
    one = found(health(buses=[bus(load=seconds)]), "bus-overload")
    assert "The load on main was above 60 % in 5 seconds, at most 95.0 % at 20.000 s." in one.evidence[0]
    assert one.evidence[1] == "Over 100 ms the load was above 90 % in 50 windows, at most 95.0 % at 20.000 s."
