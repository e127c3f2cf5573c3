"""Student's t against printed tables."""

from __future__ import annotations

import math

import pytest

from buswright.channels.fits.student import half_width, quantile


@pytest.mark.parametrize(
    ("freedom", "printed"),
    [(1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (20, 2.086), (30, 2.042), (100, 1.984)],
)
def test_half_widths_are_those_of_the_table(freedom, printed):
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, column 0.975."""
    assert half_width(freedom) == pytest.approx(printed, abs=5e-4)


def test_without_freedom_an_interval_has_no_end():
    assert half_width(0) == half_width(-1) == math.inf


@pytest.mark.parametrize(("share", "printed"), [(0.9, 3.078), (0.95, 6.314), (0.99, 31.821), (0.999, 318.313)])
def test_one_degree_of_freedom_has_the_longest_tail(share, printed):
    """The same table; of one degree it is the tangent of 180 degrees times (share - 1/2)."""
    assert quantile(share, 1) == pytest.approx(printed, abs=6e-3)
    assert quantile(share, 1) == pytest.approx(math.tan(math.pi * (share - 0.5)), rel=1e-9)
