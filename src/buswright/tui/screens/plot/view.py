"""The stretch of time and the scales that a plot shows: frozen values that keys turn into others."""

from __future__ import annotations

import math
from dataclasses import dataclass

from buswright.tui.times import SECOND

FIRST_SPAN_NS = 60 * SECOND
"""A plot begins with the last minute, as the list's traces do."""
SHORTEST_NS = 2_000_000
"""Two milliseconds across: a few frames of a full bus."""


@dataclass(frozen=True, slots=True)
class Extent:
    """First and last moment that there may be samples of."""

    first_ns: int
    last_ns: int

    @property
    def span_ns(self) -> int:
        """Time between them."""
        return max(self.last_ns - self.first_ns, SHORTEST_NS)


@dataclass(frozen=True, slots=True)
class View:
    """What is in view.

    Attributes
    ----------
    span_ns
        Time from the left edge to the right one.
    stop_ns
        The right edge; None: the newest moment, whichever it is.
    """

    span_ns: int = FIRST_SPAN_NS
    stop_ns: int | None = None

    def edges(self, extent: Extent) -> tuple[int, int]:
        """Left and right edge; not wider than the samples reach, and not outside it."""
        span = min(self.span_ns, extent.span_ns)
        stop = (
            extent.last_ns if self.stop_ns is None else min(max(self.stop_ns, extent.first_ns + span), extent.last_ns)
        )
        return stop - span, stop

    def zoomed(self, factor: float, about_ns: int | None, extent: Extent) -> View:
        """Return a view of `factor` times the time, in which a moment keeps its place; None: the right edge does."""
        start, stop = self.edges(extent)
        span = round(min(max((stop - start) * factor, SHORTEST_NS), extent.span_ns))
        if about_ns is None or not start <= about_ns <= stop:
            return self.placed(stop, span, extent) if self.stop_ns is not None else View(span)
        share = (stop - about_ns) / (stop - start)
        return self.placed(about_ns + round(share * span), span, extent)

    def moved(self, part: float, extent: Extent) -> View:
        """Return the view moved by part of its own width, later for a positive one."""
        start, stop = self.edges(extent)
        return self.placed(stop + round(part * (stop - start)), stop - start, extent)

    def showing(self, moment_ns: int, extent: Extent) -> View:
        """Return the view, moved if need be so that a moment is in it."""
        start, stop = self.edges(extent)
        if start <= moment_ns <= stop:
            return self
        span = stop - start
        return self.placed(moment_ns + (span // 10 if moment_ns > stop else span - span // 10), span, extent)

    @staticmethod
    def placed(stop_ns: int, span_ns: int, extent: Extent) -> View:
        """Return a view with this right edge; one that touches the newest moment follows it."""
        return View(span_ns) if stop_ns >= extent.last_ns else View(span_ns, max(stop_ns, extent.first_ns + span_ns))


@dataclass(frozen=True, slots=True)
class Scale:
    """Bottom and top of the vertical axis, and the distance of its labels; all on round numbers."""

    bottom: float
    top: float
    step: float

    @property
    def ticks(self) -> list[float]:
        """Labels from the bottom up."""
        count = round((self.top - self.bottom) / self.step)
        return [self.bottom + at * self.step for at in range(count + 1)]

    @property
    def decimals(self) -> int:
        """Decimals that tell the labels apart."""
        return min(max(-math.floor(math.log10(self.step) + 1e-9), 0), 9)

    def label(self, value: float) -> str:
        """Write a label."""
        if max(abs(self.bottom), abs(self.top)) >= 1e7:
            return f"{value:.3g}"
        return f"{value:.{self.decimals}f}" if round(value, self.decimals) else f"{0:.{self.decimals}f}"


def scale_for(low: float, high: float, labels: int = 5) -> Scale:
    """Return a scale that holds low and high, with about so many labels; something sensible for NaN or one value."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return Scale(0.0, 1.0, 1.0)
    size = max(abs(low), abs(high))
    smallest = max(size * 0.02, _LEAST) if size else 1.0
    if high - low < smallest:
        middle = (low + high) / 2
        low, high = middle - smallest / 2, middle + smallest / 2
    step = round_step((high - low) / max(labels - 1, 1))
    bottom, top = math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step
    return Scale(bottom, top if top > bottom else bottom + step, step)


_LEAST = 1e-6
"""No scale spans less: beyond it labels would not be told apart."""


def round_step(least: float) -> float:
    """Return the smallest of 1, 2 and 5 times a power of ten that isn't below `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(times * power for times in (1, 2, 5, 10) if times * power >= least * (1 - 1e-9))


_TIME_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600)


@dataclass(frozen=True, slots=True)
class TimeTicks:
    """Moments with a label on the time axis, and how they are written."""

    moments: tuple[int, ...]
    decimals: int


def time_ticks(start_ns: int, stop_ns: int, room: int, origin_ns: int) -> TimeTicks:
    """Return labelled moments on round times counted from `origin_ns`, at most `room` of them."""
    least_s = (stop_ns - start_ns) / SECOND / max(room, 1)
    step_s = next((each for each in _TIME_STEPS_S if each >= least_s), None) if least_s > 0.5 else None
    step = step_s * SECOND if step_s else max(round(round_step(least_s) * SECOND), 1)
    first = -(-(start_ns - origin_ns) // step) * step + origin_ns
    decimals = 0 if step % SECOND == 0 else min(max(math.ceil(-math.log10(step / SECOND) - 1e-9), 1), 6)
    return TimeTicks(tuple(range(first, stop_ns + 1, step)), decimals)
