"""Which identifiers keep one phase: those that one module sends, because one crystal times them.

Two crystals differ by some ten parts per million, and a straight line through a minute of arrivals gives an
identifier's period to better than one. So identifiers whose periods stand in a ratio of small whole numbers, to
that precision, are timed by one clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from buswright.channels.carfile.model import FrameName
from buswright.channels.expectation import name_of
from buswright.frames.table import Flag, Frames, Int64s
from buswright.messages.match import Kind, Matcher

Float64s = npt.NDArray[np.float64]

WINDOW_NS = 5_000_000_000
"""Arrivals are summed up over windows of the grid, so that memory grows by a few numbers an identifier and window."""

LEAST_NS = 20_000_000_000
"""Below this time of steady arrivals the periods are not known well enough to tell crystals apart."""

_LARGEST_DENOMINATOR = 12
"""Ratios like 5/2 or 40/3; with this few fractions a chance hit within 2 ppm has a probability under 0.0002."""
_LEAST_ERROR = 3e-7
"""Relative error that no fit is trusted beyond: the load of the bus shifts arrivals a little."""
_FEW_POINTS = 9.0
"""A standard error from few points may be small by chance: 4 of them are to mean what they mean for many. (The
quantile of Student's t for one in a thousand is at 3 degrees of freedom 3.9, at 10 1.4 times that of many.)"""
_WELL_KNOWN = 1e-6
"""Relative error up to which a period can found a group: crystals lie some 10 ppm apart."""
_KNOWN = 4e-6
"""Up to which it can join one."""
_SIGMAS = 3.5
_WHOLE = 0.5
"""Share of windows without a missing frame below which the spacings themselves aren't known well enough."""


@dataclass(frozen=True, slots=True)
class ClockFit:
    """The period of one identifier by a straight line through its arrivals.

    Attributes
    ----------
    period_ns
        Slope, on the clock of the capture.
    error
        Its relative standard error; 1e-6 is one part per million.
    """

    period_ns: float
    error: float


@dataclass(frozen=True, slots=True)
class PhaseGroup:
    """Identifiers of one bus that are timed by one clock, in order of identifier."""

    bus: str
    ids: tuple[FrameName, ...]


@dataclass(frozen=True, slots=True)
class Phases:
    """What is known about the clocks behind the identifiers.

    Attributes
    ----------
    fits
        Period of each identifier that came steadily for long enough.
    groups
        Two or more identifiers on one clock, by bus and first identifier.
    """

    fits: Mapping[FrameName, ClockFit]
    groups: tuple[PhaseGroup, ...]


@dataclass(slots=True)
class _Arrivals:
    """Sums over the windows of one identifier: number of the window, first, last, count, sum of (t - first)."""

    rows: list[tuple[int, int, int, int, int]] = field(default_factory=list)

    def add(self, window: int, first: int, last: int, count: int, total: int) -> None:
        if self.rows:
            at, begin, end, before, so_far = self.rows[-1]
            if at == window and first >= end:  # a batch ended inside the window
                self.rows[-1] = (at, begin, last, before + count, so_far + total + count * (first - begin))
                return
        self.rows.append((window, first, last, count, total))


class PhaseTracker:
    """Collects arrivals; any cutting into batches gives the same result.

    Parameters
    ----------
    bus_names
        Interface names to bus names.
    """

    def __init__(self, bus_names: Mapping[str, str] | None = None) -> None:
        # With no database every identifier of every bus is a group of its own.
        self._matcher = Matcher({}, bus_names=bus_names)
        self._seen: dict[FrameName, _Arrivals] = {}

    def update(self, frames: Frames) -> None:
        """Take in a batch."""
        frames = frames.take(~frames.has(Flag.UNTIMED | Flag.ERROR | Flag.REMOTE))
        if not len(frames):
            return
        key = self._matcher.match(frames)
        order = np.argsort(key, kind="stable")
        key, time_ns = key[order], frames.time_ns[order]
        window = time_ns // WINDOW_NS
        new = (key[1:] != key[:-1]) | (window[1:] != window[:-1]) | (time_ns[1:] < time_ns[:-1])
        starts = np.concatenate(([0], np.flatnonzero(new) + 1))
        stops = np.append(starts[1:], len(key))
        counts = stops - starts
        totals = np.add.reduceat(time_ns - np.repeat(time_ns[starts], counts), starts)
        columns = (key[starts], window[starts], time_ns[starts], time_ns[stops - 1], counts, totals)
        for code, at, first, last, count, total in zip(*(column.tolist() for column in columns), strict=True):
            group = self._matcher.groups[code]
            if group.kind is Kind.UNMATCHED:
                self._seen.setdefault(name_of(group), _Arrivals()).add(at, first, last, count, total)

    def result(self) -> Phases:
        """Fit a line through the arrivals of each identifier, and put those on one clock together."""
        fits: dict[FrameName, ClockFit] = {}
        for name in sorted(self._seen):
            fit = _fit(np.array(self._seen[name].rows, dtype=np.int64))
            if fit is not None:
                fits[name] = fit
        groups: list[PhaseGroup] = []
        for bus in dict.fromkeys(name.bus for name in fits):
            on_bus = {name: fit for name, fit in fits.items() if name.bus == bus}
            groups += (PhaseGroup(bus, ids) for ids in _together(on_bus) if len(ids) > 1)
        return Phases(fits, tuple(groups))


def _fit(rows: Int64s) -> ClockFit | None:
    """Fit a line through the longest stretch without a restart or a jump of the clock; None if too short."""
    several = rows[rows[:, 3] > 1]
    if not len(several):
        return None
    steps = (several[:, 2] - several[:, 1]) / (several[:, 3] - 1)
    period = float(np.median(steps))
    if not period > 0:
        return None
    count = rows[:, 3]
    # Of a window in which frames are missing only the first one has a known number.
    whole = np.abs((rows[:, 2] - rows[:, 1]) / period - (count - 1)) < 0.25
    between = (rows[1:, 1] - rows[:-1, 2]) / period
    numbers = np.rint(between)
    broken = (np.abs(between - numbers) > 0.25) | (numbers < 1)
    inside = np.where(whole, count - 1, np.rint((rows[:, 2] - rows[:, 1]) / period)).astype(np.int64)
    first = np.concatenate(([0], np.cumsum(inside[:-1] + numbers.astype(np.int64))))
    cuts = np.concatenate(([0], np.flatnonzero(broken) + 1, [len(rows)]))
    spans = [int(rows[stop - 1, 2] - rows[start, 1]) for start, stop in pairwise(cuts.tolist())]
    longest = int(np.argmax(spans))
    part = slice(int(cuts[longest]), int(cuts[longest + 1]))
    if spans[longest] < LEAST_NS:
        return None
    rows, whole = rows[part], whole[part]
    if whole.mean() < _WHOLE:
        return None
    weight = np.where(whole, rows[:, 3], 1).astype(np.float64)
    time_ns = (rows[:, 1] - rows[0, 1]) + np.where(whole, rows[:, 4] / rows[:, 3], 0.0)
    return _line(first[part] + (weight - 1) / 2, time_ns, weight)


def _line(number: Float64s, time_ns: Float64s, weight: Float64s) -> ClockFit | None:
    """Fit a line through mean arrivals, each weighted by the arrivals in it."""
    if len(number) < 4:
        return None
    number_mean, time_mean = np.average(number, weights=weight), np.average(time_ns, weights=weight)
    spread = float(np.sum(weight * (number - number_mean) ** 2))
    slope = float(np.sum(weight * (number - number_mean) * (time_ns - time_mean))) / spread
    residual = time_ns - time_mean - slope * (number - number_mean)
    variance = float(np.sum(weight * residual**2)) / (len(number) - 2)
    error = (variance / spread) ** 0.5 / slope * (1 + _FEW_POINTS / (len(number) - 2))
    return ClockFit(slope, max(error, _LEAST_ERROR))


def _together(fits: Mapping[FrameName, ClockFit]) -> list[tuple[FrameName, ...]]:
    """Join identifiers on one clock, those known best first.

    What is known well must agree with every member of a group, so that small differences don't add up along a
    chain. What is known less well joins the one group that it agrees with, and none if there are several.
    """
    groups: list[list[FrameName]] = []
    for name in sorted(fits, key=lambda name: (fits[name].error, name)):
        fit = fits[name]
        if fit.error <= _WELL_KNOWN:
            homes = [group for group in groups if all(_apart(fits[other], fit) < _SIGMAS for other in group)]
            home = min(homes, key=lambda group: _apart(fits[group[0]], fit), default=None)
            if home is None:
                groups.append([name])
            else:
                home.append(name)
        elif fit.error <= _KNOWN:
            homes = [group for group in groups if _apart(fits[group[0]], fit) < _SIGMAS]
            if len(homes) == 1:
                homes[0].append(name)
    return sorted(tuple(sorted(group)) for group in groups)


def _apart(a: ClockFit, b: ClockFit) -> float:
    """How many standard errors the ratio of two periods is from the nearest one of small whole numbers."""
    ratio = max(a.period_ns, b.period_ns) / min(a.period_ns, b.period_ns)
    simple = float(Fraction(ratio).limit_denominator(_LARGEST_DENOMINATOR))
    return float(abs(ratio / simple - 1) / (a.error**2 + b.error**2) ** 0.5)
