"""Readings off samples made for it, by markers."""

from __future__ import annotations

from typing import cast

import numpy as np
import pytest

from buswright.channels.fits.spots import Reader, Wanted, readings_marked
from buswright.channels.samples.series import Series
from buswright.channels.session import Session

WANTED = Wanted("brake", "", "bar", 4.0, (), {}, hold_s=2.0)


def reader(values):
    """Samples at 100 Hz, of a session that holds nothing else."""
    time_ns = np.arange(len(values), dtype=np.int64) * 10_000_000
    return Reader(cast("Session", {"brake": Series("brake", "V", time_ns, np.array(values))}), WANTED)


def test_the_last_marker_counts_up_to_the_last_sample():
    values = [2.0 + 0.001 * (row % 2) for row in range(100)]
    values[-1] = 2.5
    (read,) = readings_marked(reader(values), [(0, "20 bar")], WANTED)
    assert read.value == 20.0
    assert read.electrical == pytest.approx(np.mean(values), rel=1e-12)
