"""Weighted least squares: straight where the curve is linear in its constants, else by Gauss and Newton's steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from buswright.channels.calibration.kind import CalibrationError, Floats

_MOST_STEPS = 200
_CLOSE = 1e-13
"""Part of themselves by which the constants may still change in the last step."""
_SINGULAR = 1e-13
"""Share of the largest diagonal of R below which the readings can't tell two constants apart."""


@dataclass(frozen=True, slots=True)
class Solution:
    """Constants that fit best.

    Attributes
    ----------
    constants
        float64[p].
    spread
        float64[p, p]: times the variance of a reading of weight 1 it is the covariance of the constants.
    """

    constants: Floats
    spread: Floats


def least_squares(
    value: Callable[[Floats], Floats],
    slopes: Callable[[Floats], Floats],
    wanted: Floats,
    weights: Floats,
    start: Floats,
) -> Solution:
    """Find the constants with the smallest sum of weight × (value - wanted)².

    Each step solves the linearised problem by a QR decomposition of columns scaled to one length; a step that makes
    things worse is halved. A curve that is linear in its constants is found by the first step, and the second one
    refines it.

    Parameters
    ----------
    value
        Constants to float64[n].
    slopes
        Constants to float64[n, p], the derivatives of `value`.
    wanted, weights
        float64[n].
    start
        float64[p].

    Raises
    ------
    CalibrationError
        The readings can't tell the constants apart, or no constants fit.
    """
    root = np.sqrt(weights)
    constants = np.array(start, dtype=np.float64)
    error = (wanted - value(constants)) * root
    for _ in range(_MOST_STEPS):
        step, _ = _step(slopes(constants) * root[:, None], error)
        share = 1.0
        while share > 1e-6:
            tried = constants + share * step
            after = (wanted - value(tried)) * root
            if np.all(np.isfinite(after)) and after @ after <= (error @ error) * (1.0 + 1e-12):
                break
            share *= 0.5
        else:
            break
        done = np.all(np.abs(tried - constants) <= _CLOSE * (np.abs(tried) + _CLOSE))
        constants, error = tried, after
        if done:
            break
    _, spread = _step(slopes(constants) * root[:, None], error)
    return Solution(constants, spread)


def _step(design: Floats, error: Floats) -> tuple[Floats, Floats]:
    """Solve a linear problem; return the step and the spread of the constants."""
    lengths = np.linalg.norm(design, axis=0)
    if not np.all(np.isfinite(lengths)):
        raise CalibrationError("no curve of this kind goes through these readings", hint="are input and value swapped?")
    lengths[lengths == 0] = 1.0
    q, r = np.linalg.qr(design / lengths)
    diagonal = np.abs(np.diag(r))
    if len(error) < design.shape[1] or diagonal.min() <= _SINGULAR * diagonal.max():
        raise CalibrationError(
            "the readings can't tell the constants of this curve apart",
            hint="readings at more, and more different, inputs",
        )
    inverse = np.linalg.inv(r) / lengths[:, None]
    step: Floats = inverse @ (q.T @ error)
    return step, inverse @ inverse.T


def numeric_slopes(value: Callable[[Floats], Floats], constants: Floats) -> Floats:
    """Return the derivatives of a function of p constants by central differences: float64[..., p]."""
    columns = []
    for index, constant in enumerate(constants):
        reach = 6e-6 * (abs(constant) or 1.0)  # the cube root of the resolution of float64
        up, down = constants.copy(), constants.copy()
        up[index] += reach
        down[index] -= reach
        columns.append((value(up) - value(down)) / (up[index] - down[index]))
    return np.stack(columns, axis=-1)
