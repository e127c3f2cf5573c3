"""How a case says when something was, and what it refuses of a detector."""

from __future__ import annotations

import pytest

from buswright.diagnosis.case import SECOND, Case, Window, sighting
from buswright.findings import Severity

from .made import health


def test_times_are_said_by_time_whatever_order_they_were_found_in() -> None:
    windows = [Window(at * SECOND, (at + 1) * SECOND) for at in (20, 19, 22)]
    assert Case(health()).spans(windows) == (
        "3 times: 19.000-20.000 s, 20.000-21.000 s and 22.000-23.000 s (3 s in total)"
    )


@pytest.mark.parametrize("confidence", [-0.2, 1.2])
@pytest.mark.parametrize("fault", ["late-start", "echo"])
def test_a_detector_can_not_be_surer_than_sure(fault: str, confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        sighting(fault, Severity.NOTE, "capture", confidence=confidence, evidence=(), threshold="", next_check="")
