"""Least squares against normal equations solved by hand, and against certified results of a curved model."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.calibration.kind import CalibrationError
from buswright.channels.fits.solving import least_squares, numeric_slopes

MISRA1A = np.array(
    [
        *((77.6, 10.07), (114.9, 14.73), (141.1, 17.94), (190.8, 23.93), (239.9, 29.61), (289.0, 35.18)),
        *((332.8, 40.02), (378.4, 44.82), (434.8, 50.76), (477.3, 55.05), (536.8, 61.01), (593.1, 66.40)),
        *((689.1, 75.47), (760.0, 81.78)),
    ]
)
"""NIST StRD, nonlinear regression, Misra1a: x and y."""


def test_a_weighted_line_is_that_of_the_normal_equations():
    """x = 0, 1, 2; y = 0, 1, 4; weights 1, 1, 2: sums 4, 5, 9 and 9, 17, of determinant 11."""
    design = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]])
    found = least_squares(
        lambda c: design @ c, lambda _: design, np.array([0.0, 1.0, 4.0]), np.array([1.0, 1.0, 2.0]), np.zeros(2)
    )
    np.testing.assert_allclose(found.constants, [-4 / 11, 23 / 11], rtol=1e-14)
    np.testing.assert_allclose(found.spread, np.array([[9.0, -5.0], [-5.0, 4.0]]) / 11.0, rtol=1e-14)


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_a_curve_is_found_from_both_certified_starts(start):
    """y = b1 (1 - exp(-b2 x)); estimates, standard deviations and residual as NIST certifies them."""
    x, y = MISRA1A.T
    found = least_squares(
        lambda b: b[0] * (1.0 - np.exp(-b[1] * x)),
        lambda b: np.stack([1.0 - np.exp(-b[1] * x), b[0] * x * np.exp(-b[1] * x)], axis=-1),
        y,
        np.ones(14),
        np.array(start),
    )
    np.testing.assert_allclose(found.constants, [2.3894212918e2, 5.5015643181e-4], rtol=1e-9)
    left = y - found.constants[0] * (1.0 - np.exp(-found.constants[1] * x))
    deviation = np.sqrt(left @ left / 12)
    assert deviation == pytest.approx(1.0187876330e-1, rel=1e-8)
    np.testing.assert_allclose(deviation * np.sqrt(np.diag(found.spread)), [2.7070075241, 7.2668688436e-6], rtol=1e-6)


def test_a_step_that_makes_things_worse_is_halved():
    """Newton's steps on the inverse tangent run away from 3: -9.5, then 125 (any textbook)."""
    found = least_squares(np.arctan, lambda c: 1.0 / (1.0 + c[:, None] ** 2), np.zeros(1), np.ones(1), np.array([3.0]))
    assert found.constants[0] == pytest.approx(0.0, abs=1e-9)


def test_a_step_that_leaves_what_the_curve_knows_is_halved():
    """The logarithm that is ln 4, from 30: 30 + 30 (ln 4 - ln 30) is below 0, where there is none."""
    with np.errstate(invalid="ignore"):
        found = least_squares(np.log, lambda c: 1.0 / c[:, None], np.log([4.0]), np.ones(1), np.array([30.0]))
    assert found.constants[0] == pytest.approx(4.0, rel=1e-12)


@pytest.mark.parametrize(
    ("design", "says"),
    [
        ([[1.0, 2.0]], "can't tell the constants"),
        ([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], "can't tell the constants"),
        ([[1.0, 0.0], [2.0, 0.0], [3.0, 0.0]], "can't tell the constants"),
        ([[1.0, np.inf], [1.0, 2.0], [1.0, 3.0]], "no curve of this kind"),
    ],
)
def test_what_has_no_one_solution_is_refused(design, says):
    design = np.array(design)
    with pytest.raises(CalibrationError, match=says) as caught:
        least_squares(
            lambda _: np.zeros(len(design)), lambda _: design, np.ones(len(design)), np.ones(len(design)), np.zeros(2)
        )
    assert caught.value.hint


def test_columns_of_very_different_size_are_told_apart():
    design = np.array([[1e-9, 1e9], [2e-9, 1e9], [3e-9, 1e9]])
    found = least_squares(lambda c: design @ c, lambda _: design, design @ [3e9, 5e-9], np.ones(3), np.zeros(2))
    np.testing.assert_allclose(found.constants, [3e9, 5e-9], rtol=1e-9)


def test_slopes_by_differences_are_the_derivatives():
    """Of c0 c1, c1^3 and 5, at c0 = 2 and c1 = 0 or -3."""
    for at in (0.0, -3.0):
        found = numeric_slopes(lambda c: np.array([c[0] * c[1], c[1] ** 3, 5.0]), np.array([2.0, at]))
        np.testing.assert_allclose(found, [[at, 2.0], [0.0, 3 * at**2], [0.0, 0.0]], rtol=1e-8, atol=1e-9)
