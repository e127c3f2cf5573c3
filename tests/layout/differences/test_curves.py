"""Curves are compared by what they make of an input."""

import pytest

from buswright.channels.calibration.registry import read_calibration
from buswright.layout.differences.curves import curve_change

LINE = {"kind": "linear", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar"}


def change(before, after, band=None):
    return curve_change(read_calibration(before), read_calibration(after), band)


@pytest.mark.parametrize(
    ("other", "says", "size"),
    [
        ({"points": [[0.5, 0.0], [4.5, 10.4]]}, "another curve: up to 0.4 bar apart, at 4.5 V (10 → 10.4 bar)", 0.4),
        ({"points": [[0.5, 0.0], [4.5, 9.0]]}, "another curve: up to 1 bar apart, at 4.5 V (10 → 9 bar)", -1.0),
        ({"clamp": True}, "another curve: the same between its outer points, not beyond them", None),
        ({"points": [[0.5, 0.0], [2.5, 5.0]]}, "the same curve over another range: 0.5 to 4.5 V → 0.5 to 2.5 V", None),
        ({"electrical": "mA", "points": [[4.0, 0.0], [20.0, 10.0]]}, "takes mA, not V", None),
        ({"unit": "degC"}, "gives °C, not bar", None),
        ({"unit": "kPa"}, "another curve: up to 9.9 bar apart, at 4.5 V (10 → 0.1 bar)", -9.9),
    ],
)
def test_how_another_curve_differs(other, says, size):
    found = change(LINE, LINE | other)
    assert found.text == says
    assert found.change == (pytest.approx(size) if size else None)


@pytest.mark.parametrize(
    "other",
    [
        LINE,
        {"kind": "table", "points": [[0.5, 0.0], [1.7, 3.0], [4.5, 10.0]], "unit": "bar"},
        {"kind": "linear", "points": [[0.5, 0.0], [4.5, 1000.0]], "unit": "kPa"},
        {"kind": "linear", "electrical": "mV", "points": [[500, 0.0], [4500, 10.0]], "unit": "bar"},
        {"kind": "linear", "points": [[0.5, 0.0], [4.5, 145.03773773020923]], "unit": "psi"},
    ],
)
def test_what_makes_the_same_of_every_input_is_the_same(other):
    assert change(LINE, other) is None
    assert change(other, LINE) is None


def test_another_reference_is_said_where_the_curve_is_the_same():
    one = {"kind": "ratiometric", "points": [[0.5, 0.0], [4.5, 10.0]], "unit": "bar", "reference": "supply_a"}
    assert (
        change(one, one | {"reference": "supply_b"}).text == "the same curve, but it refers to supply_b, not supply_a"
    )
    alone = {key: value for key, value in one.items() if key != "reference"}
    assert change(one, alone).text == "the same curve, but it refers to nominal values, not supply_a"


def test_lines_without_outer_points_are_compared_over_the_healthy_band():
    one = {"kind": "linear", "slope": 2.0, "offset": 0.0, "unit": "bar"}
    found = change(one, one | {"slope": 2.5}, (0.0, 10.0))
    assert found.text == "another curve: up to 5 bar apart, at 10 V (20 → 25 bar)"
