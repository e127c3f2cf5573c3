"""Curves through points that never overshoot between them, and their inverses."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from buswright.channels.units import Floats

_MOST_STEPS = 100  # bisection alone needs 60 to exhaust a float64; Newton steps end it after about six


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A piecewise cubic through n points, going on beyond them in the line through the outer two.

    Attributes
    ----------
    x, y : float64[n]
        The points, x strictly rising.
    start : float64[n + 1]
        Where each piece begins to count from; the first and the last piece are the straight lines outside.
    coefficients : tuple of float64[n + 1]
        Of each piece in powers of the distance from `start`, the constant first; two of them if all is straight.
    """

    x: Floats
    y: Floats
    start: Floats
    coefficients: tuple[Floats, ...]

    def at(self, x: Floats) -> Floats:
        """Value at x; any shape, NaN gives NaN."""
        x = np.asarray(x, dtype=np.float64)
        piece = np.searchsorted(self.x, x, side="right")
        distance = x - self.start[piece]
        *lower, highest = self.coefficients
        value = highest[piece]
        for coefficient in reversed(lower):
            value = value * distance
            value += coefficient[piece]
        return value

    @property
    def rising(self) -> bool:
        """Whether y rises with x (flat parts allowed)."""
        return bool(self.y[-1] > self.y[0])

    def inverse(self, y: Floats) -> Floats:
        """X where the curve has this value; the start of a flat part, NaN where no x gives it.

        The curve must not turn.
        """
        y = np.asarray(y, dtype=np.float64)
        ys, wanted = (self.y, y) if self.rising else (-self.y, -y)
        piece = np.searchsorted(ys, wanted, side="left")
        result = np.full(y.shape, np.nan)
        outside = (piece == 0) | (piece == len(ys))
        line = [c[piece[outside]] for c in self.coefficients[:2]]
        with np.errstate(all="ignore"):
            distance = (y[outside] - line[0]) / line[1]
        distance[y[outside] == line[0]] = 0.0
        result[outside] = np.where(np.isfinite(distance), self.start[piece[outside]] + distance, np.nan)
        inside = ~outside
        at = piece[inside]
        sign = 1.0 if self.rising else -1.0

        def value_and_slope(distance: Floats) -> tuple[Floats, Floats]:
            value, slope = np.zeros_like(distance), np.zeros_like(distance)
            for coefficient in reversed(self.coefficients):
                slope = slope * distance + value
                value = value * distance + coefficient[at]
            return sign * value, sign * slope

        low = np.zeros(at.shape)
        high = self.x[at] - self.x[at - 1]
        result[inside] = self.start[at] + solve_rising(value_and_slope, wanted[inside], low, high)
        return result


def solve_rising(
    value_and_slope: Callable[[Floats], tuple[Floats, Floats]], wanted: Floats, low: Floats, high: Floats
) -> Floats:
    """Solve f(x) = wanted for a rising f, element by element, x between low and high.

    Newton's steps, and a halving of the bracket wherever one would leave it. Each element stops when it is found, so
    that what is beside it in a batch makes no difference to it.
    """
    x = 0.5 * (low + high)
    moving = np.ones(np.shape(x), dtype=np.bool_)
    with np.errstate(all="ignore"):
        for _ in range(_MOST_STEPS):
            value, slope = value_and_slope(x)
            error = value - wanted
            low = np.where(error < 0, x, low)
            high = np.where(error > 0, x, high)
            step = x - error / slope
            fits = (step >= low) & (step <= high)
            following = np.where(error == 0, x, np.where(fits, step, 0.5 * (low + high)))
            moved = np.abs(following - x)
            x = np.where(moving, following, x)
            moving &= moved > 4e-16 * (np.abs(low) + np.abs(high))
            if not moving.any():
                break
    return x


def straight(points: Sequence[tuple[float, float]]) -> Curve:
    """Straight lines from point to point; x must rise strictly."""
    x, y = np.array(points, dtype=np.float64).T
    return _curve(x, y, np.diff(y) / np.diff(x))


def smooth(points: Sequence[tuple[float, float]]) -> Curve:
    """Piecewise cubic Hermite curve that rises only where the points rise and falls only where they fall.

    Slopes are the weighted harmonic means of Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304, with
    the one-sided three-point ends of Moler, Numerical Computing with MATLAB (2004), section 3.6; the conditions for
    monotonicity are Fritsch and Carlson's, SIAM J. Numer. Anal. 17 (1980) 238-246.
    """
    x, y = np.array(points, dtype=np.float64).T
    width, secant = np.diff(x), np.diff(y) / np.diff(x)
    if len(x) == 2:
        return _curve(x, y, secant)
    before, after = width[:-1], width[1:]
    with np.errstate(all="ignore"):
        heavier_after, heavier_before = 2 * after + before, after + 2 * before
        inner = (heavier_after + heavier_before) / (heavier_after / secant[:-1] + heavier_before / secant[1:])
    inner = np.where(secant[:-1] * secant[1:] > 0, inner, 0.0)
    first = _end_slope(width[0], width[1], secant[0], secant[1])
    last = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    slope = np.concatenate([[first], inner, [last]])
    left, right = slope[:-1], slope[1:]
    return _curve(x, y, secant, left, (3 * secant - 2 * left - right) / width, (left + right - 2 * secant) / width**2)


def _end_slope(near: float, far: float, near_secant: float, far_secant: float) -> float:
    slope = ((2 * near + far) * near_secant - near * far_secant) / (near + far)
    if slope * near_secant <= 0:
        return 0.0
    if near_secant * far_secant < 0 and abs(slope) > 3 * abs(near_secant):
        return 3.0 * near_secant
    return slope


def _curve(x: Floats, y: Floats, secant: Floats, *powers: Floats) -> Curve:
    """Add the straight pieces outside to the n - 1 inside, which have these coefficients from the first power on.

    Outside it is the secant that goes on: a cubic may end level, and a level line would hide what lies beyond.
    """
    first, *higher = powers or (secant,)
    nothing = np.zeros(1)
    coefficients = (
        np.concatenate([y[:1], y]),
        np.concatenate([secant[:1], first, secant[-1:]]),
        *(np.concatenate([nothing, power, nothing]) for power in higher),
    )
    return Curve(x, y, np.concatenate([x[:1], x]), coefficients)
