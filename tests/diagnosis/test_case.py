"""How a case says when something was."""

from __future__ import annotations

from buswright.diagnosis.case import SECOND, Case, Window

from .made import health


def test_times_are_said_by_time_whatever_order_they_were_found_in() -> None:
    windows = [Window(at * SECOND, (at + 1) * SECOND) for at in (20, 19, 22)]
    assert Case(health()).spans(windows) == (
        "3 times: 19.000-20.000 s, 20.000-21.000 s and 22.000-23.000 s (3 s in total)"
    )
