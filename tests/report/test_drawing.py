"""Axes of drawings: round values that can be told apart, and places that fit them."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from buswright.report.drawing import WIDTH, Axes, roomy

NUMBERS = st.floats(-1e6, 1e6).map(lambda value: float(f"{value:.6g}"))


def _texts(drawn: str) -> list[str]:
    return re.findall(r">([^<]*)</text>", drawn)


@given(NUMBERS, st.floats(1e-6, 1e6), st.integers(120, 400))
def test_an_axis_has_two_values_or_more_and_no_two_are_written_alike(low: float, wide: float, height: int) -> None:
    axes = Axes(height, (low, low + wide), (low, low + wide))
    *values, label = _texts("".join(axes.axes("seconds")))
    assert label == "seconds"
    across = re.findall(r'x="([\d.-]+)" y="[\d.-]+" text-anchor="middle">', "".join(axes.axes("seconds")))
    assert 2 <= len(across) - 1 <= 16
    assert all(0 <= float(x) <= WIDTH for x in across)
    if wide > 1e-3 * abs(low):
        assert len(set(values[: len(across) - 1])) == len(across) - 1


def test_values_are_round_and_stand_where_they_belong() -> None:
    axes = Axes(140, (0.0, 6.0), roomy(14.96, 15.08))
    drawn = "".join(axes.axes("seconds of the step"))
    texts = _texts(drawn)
    assert texts[:7] == ["0", "1", "2", "3", "4", "5", "6"]
    assert {"15.00", "15.05"} <= set(texts)
    assert axes.x(0.0) == axes.left
    assert axes.x(6.0) == axes.right
    assert roomy(2.0, 2.0)[0] < 2.0 < roomy(2.0, 2.0)[1]


def test_names_stand_in_place_of_values_and_are_harmless() -> None:
    drawn = "".join(Axes(140, (0.0, 1.0), (0.0, 1.0)).axes("runs", splits=[(0.0, "<b>"), (1.0, "2026-04-11")]))
    assert _texts(drawn)[:2] == ["&lt;b&gt;", "2026-04-11"]
