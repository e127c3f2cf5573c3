"""What channels say of each other: one quantity, measured or computed in several ways.

Everything is in SI units on the grid of 100 ms, axes as in ISO 8855 (x forward, y left, z up; a turn to the left has a
positive yaw rate and a positive lateral acceleration). A relation is a *law* where physics fixes its factor, as the
yaw rate times the speed is the lateral acceleration of a car that doesn't slide; else the car's geometry decides the
factor and only shape and sign can be judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools, Floats
from buswright.health.channels.evidence import ChannelEvidence, Channels
from buswright.health.channels.grid import FINE_NS

GRAVITY = 9.80665
"""Standard gravity, m/s2 (ISO 80000-3)."""
SMOOTH = 5
"""Windows of the grid that are averaged: kerbs and filters count less."""
SLOPE_SPAN = 11
"""Windows over which a speed's slope is taken."""
LAGS = 4
"""Windows by which two channels may lag: filters, and receivers of satellites."""
LEAST_S = 15.0
"""Seconds of movement that a relation is judged on, at least."""
CLEAR_R = 0.6
"""Correlation from which two ways to know a quantity agree, or contradict each other (common practice, no source)."""
STEADY_MS2 = 2.5
"""Acceleration under which wheels hardly slip, m/s2 (common practice, no source)."""
FAST_MS = 5.0
"""Speed from which on a car's turning is judged, m/s."""
CORNERS = f"Drive corners both ways, faster than {3.6 * FAST_MS:.0f} km/h, for {LEAST_S:.0f} s at least."
STRAIGHTS = f"Accelerate and brake firmly a few times, {LEAST_S:.0f} s in all."
"""What settles which way channels go."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One way to know a quantity.

    Attributes
    ----------
    words
        What it is, for a sentence.
    value : float64[k]
        In SI units on the grid; NaN where it says nothing.
    sources
        Channels that it comes from; the first is the one that would be at fault.
    """

    words: str
    value: Floats
    sources: tuple[ChannelEvidence, ...]

    @property
    def first(self) -> ChannelEvidence:
        """The channel that would be at fault."""
        return self.sources[0]


@dataclass(frozen=True, slots=True)
class Fit:
    """How one view follows another: y = slope * x + offset.

    Attributes
    ----------
    r
        Correlation at the best lag, the sign kept.
    slope
        Ratio of the standard deviations with the sign of r: no side is taken for free of errors.
    offset
        Mean of y less slope times mean of x.
    seconds
        Of common movement.
    lag_s
        By how much y comes later.
    """

    r: float
    slope: float
    offset: float
    seconds: float
    lag_s: float


def fit(y: Floats, x: Floats, where: Bools | None = None, *, lags: int = LAGS) -> Fit | None:
    """Fit y by x where both are known; None under `LEAST_S` or where one of them stands still.

    Parameters
    ----------
    y, x : float64[k]
        On one grid.
    where : bool[k]
        Windows that count; None: all.
    lags
        Windows by which either may come later.
    """
    best: Fit | None = None
    lags = min(lags, len(y) - 1)
    for lag in range(-lags, lags + 1):
        later, sooner = (y[lag:], x[: len(x) - lag]) if lag >= 0 else (y[:lag], x[-lag:])
        known = np.isfinite(later) & np.isfinite(sooner)
        if where is not None:
            known &= where[lag:] if lag >= 0 else where[:lag]
        if known.sum() * FINE_NS * 1e-9 < LEAST_S:
            continue
        a, b = later[known], sooner[known]
        deviation_a, deviation_b = float(a.std()), float(b.std())
        if not (deviation_a > 0 and deviation_b > 0):
            continue
        r = float(np.mean((a - a.mean()) * (b - b.mean())) / deviation_a / deviation_b)
        if best is None or abs(r) > abs(best.r) + 1e-6:
            slope = np.copysign(deviation_a / deviation_b, r)
            offset = float(a.mean() - slope * b.mean())
            best = Fit(r, float(slope), offset, float(known.sum()) * FINE_NS * 1e-9, lag * FINE_NS * 1e-9)
    return best


def smooth(values: Floats, width: int = SMOOTH) -> Floats:
    """Average over `width` windows, those without a value left out; float64[k]."""
    known = np.isfinite(values)
    kernel = np.ones(width)
    total = _folded(np.where(known, values, 0.0), kernel)
    count = _folded(known.astype(float), kernel)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count >= (width + 1) // 2, total / count, np.nan)


def slope_of(values: Floats) -> Floats:
    """Slope per second, from straight lines over `SLOPE_SPAN` windows; float64[k], NaN where one is missing."""
    half = SLOPE_SPAN // 2
    weights = np.arange(-half, half + 1, dtype=np.float64)
    weights /= (weights**2).sum() * FINE_NS * 1e-9
    return _folded(values, weights[::-1])


def _folded(values: Floats, kernel: Floats) -> Floats:
    """Fold values with a kernel of odd length around each; float64[k], also where the run is the shorter one."""
    half = len(kernel) // 2
    return np.convolve(values, kernel)[half : half + len(values)] if len(values) else values


class Views:
    """All ways in which a run's channels tell quantities of the car.

    Parameters
    ----------
    channels
        Of the run.
    """

    def __init__(self, channels: Channels) -> None:
        self.channels = channels

    def column(self, evidence: ChannelEvidence, unit: str) -> Floats | None:
        """Return a channel's usable values in a unit on the grid, smoothed; None where the unit doesn't fit."""
        if not len(evidence.value_grid) or not units.compatible(evidence.series.unit, unit):
            return None
        held = evidence.value_grid.held(self.channels.number, most=5)
        return smooth(np.asarray(units.convert(held, evidence.series.unit, unit), dtype=np.float64))

    def only(self, role: str, unit: str, words: str) -> View | None:
        """Return the one channel of a role as a view; None where there is none, or several without a position."""
        found = [each for each in self.channels.with_role(role) if len(each)]
        if len(found) != 1:
            return None
        value = self.column(found[0], unit)
        return None if value is None else View(words, value, (found[0],))

    def at(self, role: str, unit: str) -> dict[str, View]:
        """Return the channels of a role by position."""
        found = {}
        for each in self.channels.with_role(role):
            value = self.column(each, unit)
            if value is not None and each.position:
                found[each.position] = View(each.name, value, (each,))
        return found

    @cached_property
    def wheels(self) -> dict[str, View]:
        """Wheel speeds by position, m/s."""
        return self.at("wheel_speed", "m/s")

    @cached_property
    def dampers(self) -> dict[str, View]:
        """Damper travels by position, m."""
        return self.at("damper_travel", "m")

    @cached_property
    def speed(self) -> View | None:
        """Speed of the car, m/s: the channel of that role, else the median of the wheels."""
        own = self.only("vehicle_speed", "m/s", "vehicle speed")
        if own is not None or len(self.wheels) < 2:
            return own
        stacked = np.vstack([each.value for each in self.wheels.values()])
        known = np.isfinite(stacked).sum(axis=0) >= 2
        value = np.full(stacked.shape[1], np.nan)
        value[known] = np.nanmedian(stacked[:, known], axis=0)
        return View("wheel speeds", value, tuple(view.first for view in self.wheels.values()))

    @cached_property
    def yaw(self) -> View | None:
        """Yaw rate, rad/s."""
        return self.only("yaw_rate", "rad/s", "yaw rate")

    @cached_property
    def fast(self) -> Bools:
        """Windows in which the car is fast enough to judge its turning; bool[k]."""
        speed = self.speed
        if speed is None:
            return np.zeros(len(self.channels.number), dtype=np.bool_)
        with np.errstate(invalid="ignore"):
            quick: Bools = speed.value > FAST_MS
        return quick

    @cached_property
    def steady(self) -> Bools:
        """Windows in which it hardly brakes or accelerates, so that no wheel slips; bool[k]."""
        along = [way for way in self.along if way.first.role != "accel_long"]
        with np.errstate(invalid="ignore"):
            calm: Bools = np.abs(along[0].value) < STEADY_MS2 if along else np.ones(len(self.fast), dtype=np.bool_)
        return calm

    @cached_property
    def turning(self) -> tuple[View, ...]:
        """Ways to know the lateral acceleration, m/s2, the factor of the last ones unknown."""
        found = []
        own, speed, yaw = self.only("accel_lat", "m/s2", "lateral acceleration"), self.speed, self.yaw
        steering = self.only("steering_angle", "rad", "steering angle")
        if own is not None:
            found.append(own)
        if yaw is not None and speed is not None:
            found.append(View("yaw rate times speed", yaw.value * speed.value, (*yaw.sources, *speed.sources)))
        if steering is not None and speed is not None:
            value = steering.value * np.square(np.minimum(speed.value, 30.0))
            found.append(View("steering angle at that speed", value, (*steering.sources, *speed.sources)))
        wheels = list(self.axles(self.wheels))
        if wheels and speed is not None:
            apart = np.mean([right.value - left.value for left, right in wheels], axis=0)
            sources = tuple(view.first for pair in wheels for view in pair)
            found.append(View("difference of the wheel speeds", apart * speed.value, sources))
        return tuple(found)

    @cached_property
    def along(self) -> tuple[View, ...]:
        """Ways to know the longitudinal acceleration, m/s2: the channel, and the slope of the speed."""
        found = []
        own, speed = self.only("accel_long", "m/s2", "longitudinal acceleration"), self.speed
        if own is not None:
            found.append(View(own.words, smooth(own.value, SLOPE_SPAN), own.sources))
        if speed is not None:
            found.append(View("slope of the speed", slope_of(speed.value), speed.sources))
        return tuple(found)

    def axles(self, views: dict[str, View]) -> Iterator[tuple[View, View]]:
        """Yield left and right of each axle."""
        for end in ("front", "rear"):
            if f"{end}-left" in views and f"{end}-right" in views:
                yield views[f"{end}-left"], views[f"{end}-right"]
