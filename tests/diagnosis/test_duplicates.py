"""Two senders of one identifier: what they destroy stands below them, what they don't beside them."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.diagnosis.detect import diagnose
from buswright.findings import Finding
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.run import simulate_run

from . import broken as b
from .made import S, bus, errors, identifier
from .made import health as made_health
from .matrix import SECONDS, measured, wrenfell


def roots(frames_of: str, ppm: float, seed: int) -> tuple[Finding, ...]:
    tracker = HealthTracker(car=wrenfell())
    for frames in simulate_run(40.0, seed, faults=(Fault("duplicate-id", frames_of, 10.0, None, ppm, seed=seed),)):
        tracker.update(frames)
    return diagnose(tracker.result(), car=wrenfell())


@pytest.mark.parametrize("ppm", [200.0, 1000.0])
def test_two_senders_explain_the_frames_that_they_destroy(ppm: float) -> None:
    (one,) = roots("id:engine/0A0", ppm, 1)
    assert (one.fault, one.subject) == ("duplicate-id", "id:engine/0A0")
    assert "bus-errors" in {each.fault for each in one.explains}
    assert any("error frames it was sent again" in sentence for sentence in one.evidence)


def test_errors_that_hit_everybody_are_not_those_of_two_senders() -> None:
    frames = b.two_senders(b.clean(SECONDS, 1), b.CHASSIS, 0x0F0, 0.5, 60.0, 17.3, 99.0)
    found = diagnose(measured(b.with_errors(frames, b.CHASSIS, 3.0, 17.3, 40.0, 1)), car=wrenfell())
    assert [one.fault for one in found] == ["bus-errors", "duplicate-id"]


def test_errors_without_a_second_sender_stay_what_they_are() -> None:
    struck = errors(np.arange(20) * S, followed_by={(0x100, False): 20})
    found = diagnose(made_health([identifier(0x100)], [bus(errors=struck)]))
    assert [one.fault for one in found] == ["bus-errors"]
