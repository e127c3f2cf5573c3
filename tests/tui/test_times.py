"""Moments and ages in words."""

from dataclasses import replace

import pytest

from buswright.tui.times import age_text, clock_text, moment_text

from .made import snapshot_of

S = 1_000_000_000


@pytest.mark.parametrize(
    ("ns", "text"),
    [(0, "<0.1 s"), (99e6, "<0.1 s"), (1.2e8, "0.1 s"), (99.9e9, "99.9 s"), (100e9, "2 min"), (7.2e12, "2 h")],
)
def test_ages_are_calm(ns, text):
    assert age_text(ns) == text
    assert len(age_text(ns)) <= 6


def test_moments_are_times_of_day_or_seconds_from_the_first_frame():
    source = snapshot_of().source
    assert moment_text(3_723 * S + 250_000_000, source, 2) == "01:02:03.25"
    assert clock_text(3_723 * S + 999_000_000, source) == "01:02:03.9", "a moment that has not come is not written"
    assert clock_text(3_723 * S + 999_000_000, source, tenths=False) == "01:02:03"
    relative = replace(source, epoch=False, first_ns=100 * S)
    assert moment_text(112 * S + 500_000_000, relative, 1) == clock_text(112 * S + 500_000_000, relative) == "12.5 s"
    assert clock_text(None, source) == "--:--:--"
