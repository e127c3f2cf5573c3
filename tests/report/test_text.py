"""Numbers in plain text."""

import math

import pytest

from buswright.report.text import told_apart


@pytest.mark.parametrize(
    ("low", "high", "shown"),
    [
        (1.0, 2.5, ("1.00", "2.50")),
        (-0.0021, -0.0018, ("-0.0021", "-0.0018")),
        (0.0004, 0.00041, ("0.0004", "0.00041")),
        (3.0, 3.0, ("3.00", "3.00")),
        (2000.1, 2000.2, ("2000.1", "2000.2")),
    ],
)
def test_two_ends_that_differ_read_differently(low, high, shown):
    assert told_apart(low, high) == shown


def test_the_next_number_is_told_apart_too():
    low, high = told_apart(0.1, math.nextafter(0.1, 1))
    assert low != high
