"""The monotone curve against scipy's, and its inverse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from buswright.channels.calibration.monotone import smooth, straight


def points_of(steps, rises):
    x = np.cumsum([0.5, *steps])
    y = np.cumsum([0.0, *rises])
    return list(zip(x.tolist(), y.tolist(), strict=True))


def some_points(low_rise):
    return st.integers(1, 12).flatmap(
        lambda n: st.tuples(
            st.lists(st.floats(0.01, 10.0), min_size=n, max_size=n),
            # To three decimals, as a person writes them: scipy's own slopes overflow on steps of 1e-300.
            st.lists(st.floats(low_rise, 50.0).map(lambda rise: round(rise, 3)), min_size=n, max_size=n),
        )
    )


@given(some_points(-50.0))
def test_smooth_equals_scipys_pchip(drawn):
    points = points_of(*drawn)
    x, y = np.array(points).T
    at = np.linspace(x[0], x[-1], 301)
    scale = np.abs(y).max() + 1.0
    np.testing.assert_allclose(smooth(points).at(at), PchipInterpolator(x, y)(at), rtol=0, atol=1e-10 * scale)


@given(some_points(-50.0))
def test_straight_equals_numpys_interpolation(drawn):
    points = points_of(*drawn)
    x, y = np.array(points).T
    at = np.linspace(x[0], x[-1], 301)
    np.testing.assert_allclose(straight(points).at(at), np.interp(at, x, y), rtol=0, atol=1e-10 * (np.abs(y).max() + 1))


@pytest.mark.parametrize("make", [smooth, straight])
@given(drawn=some_points(0.01), falling=st.booleans())
def test_inverse_and_never_turning(make, drawn, falling):
    points = [(x, -y if falling else y) for x, y in points_of(*drawn)]
    curve = make(points)
    x = np.linspace(points[0][0], points[-1][0], 97)
    y = curve.at(x)
    steps = np.diff(y) * (-1 if falling else 1)
    assert np.all(steps >= -1e-12 * np.abs(y).max())
    np.testing.assert_allclose(curve.at(curve.inverse(y)), y, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(
        curve.at(np.array([p[0] for p in points])), [p[1] for p in points], rtol=1e-12, atol=1e-12
    )


@pytest.mark.parametrize("make", [smooth, straight])
def test_beyond_the_points_it_goes_on_through_the_outer_two(make):
    # The cubic's own slope at the first point is 0: going on with that would be a clamp in disguise.
    curve = make([(0.0, 0.0), (1.0, 1.0), (2.0, 4.0), (3.0, 9.0)])
    beyond = np.array([-5.0, -1.0, 0.0, 3.0, 4.0, 8.0])
    np.testing.assert_allclose(curve.at(beyond), [-5.0, -1.0, 0.0, 9.0, 14.0, 34.0], rtol=0, atol=1e-12)
    np.testing.assert_allclose(curve.inverse(curve.at(beyond)), beyond, rtol=0, atol=1e-12)


def test_a_flat_part_inverts_to_its_start_and_a_flat_end_to_nan():
    curve = straight([(0.0, 0.0), (1.0, 5.0), (2.0, 5.0)])
    assert curve.inverse(np.array([5.0]))[0] == pytest.approx(1.0)
    assert np.isnan(curve.inverse(np.array([6.0]))[0])


def test_nan_and_infinity():
    curve = smooth([(0.0, 0.0), (1.0, 1.0), (2.0, 4.0)])
    with np.errstate(all="ignore"):
        assert np.isnan(curve.at(np.array([np.nan])))[0]
        assert np.isnan(curve.inverse(np.array([np.nan])))[0]
