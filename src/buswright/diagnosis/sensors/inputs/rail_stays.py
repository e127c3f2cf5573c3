"""Where the input of a channel stood at or beyond the end of its live band: how it got there, how quiet it was."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from buswright.channels.samples.series import Floats, Quality
from buswright.diagnosis.case import Case, Window
from buswright.diagnosis.sensors.wired import is_wired, kind_of
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.stretches import Stretches, stretches_of

Side = Literal["low", "high"]

NOMINAL_SUPPLY_V = 5.0
_NEAR = 0.6
"""A level is at the rail where no more than this part of the way from the band's end to the rail is left."""
_CLOSE_V = 0.1
"""So close to 0 V or the supply it is at the rail in any case."""
_HIGH = 0.25
"""A step so high, in parts of the band, is a jump where it is twice the largest of the steps that led to it."""
_STEEP = 4.0
"""Any other where it is so many times the largest."""
_SAME = 0.01
"""Samples within this part of the band are at the level."""
_WITHIN = 3.0
"""A level so many times its usual noise within the band's end is still at the end: noise dips below it."""
_LED = 12
"""Samples before a stay, which show how it was approached."""


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay beyond the live band.

    Attributes
    ----------
    each, side
        Whose, and at which end.
    first, stop
        Rows of it.
    window
        From its first sample to the one behind its last.
    before_ns
        The last sample before it; its own first one where the run, or a segment, begins with it.
    level
        Median of the quantity there.
    noise
        Of the quantity there, in its unit; None under 20 samples.
    wanders
        How far it moved there: 5th to 95th percentile, in the quantity's unit.
    from_start, to_end
        Whether it was there from the first sample on, and up to the last.
    jumped, jumped_back
        Whether it got there, and left, within two samples; None from the start, and to the end.
    filled
        Share of its samples that are beyond, but for noise: stays that were joined leave gaps.
    at_rail
        Whether the level is that of an open or a shorted wire, not only out of the band.
    """

    each: ChannelEvidence
    side: Side
    first: int
    stop: int
    window: Window
    before_ns: int
    level: float
    noise: float | None
    wanders: float
    from_start: bool
    to_end: bool
    jumped: bool | None
    jumped_back: bool | None
    filled: float
    at_rail: bool

    @property
    def samples(self) -> int:
        """How many."""
        return self.stop - self.first

    @property
    def seconds(self) -> float:
        """How long."""
        return (self.window.end_ns - self.window.start_ns) * 1e-9

    @property
    def is_smooth(self) -> bool:
        """Whether the quantity itself went there: it came and left along a curve, as far as that was seen."""
        return not self.jumped and not self.jumped_back and not (self.jumped is None and self.jumped_back is None)


def wired(case: Case) -> list[ChannelEvidence]:
    """Return the channels whose wires can be judged: with a sensor, a live band and a quantity of a wire."""
    return [
        each for each in case.decoded.values() if not each.computed and each.live_band is not None and is_wired(each)
    ]


def debounce_of(case: Case, each: ChannelEvidence) -> tuple[str, float]:
    """Return the name of the debounce that holds for a channel, and its seconds."""
    name = "debounce_slow_s" if kind_of(each) in ("thermistor", "rtd", "thermocouple") else "debounce_s"
    return name, case.limit(name, channel=each.name)


def stays_of(each: ChannelEvidence, join_s: float) -> Iterator[Stay]:
    """Find the stays of a channel beyond its live band, however short.

    Parameters
    ----------
    each
        A channel with a live band.
    join_s
        Stays at the same end that are apart by less are one.
    """
    if each.live_band is None:
        return
    for side, band in (("low", (each.live_band[0], np.inf)), ("high", (-np.inf, each.live_band[1]))):
        found = _joined(each, _unmarked(each, each.beyond(*band)), round(join_s * 1e9))
        for first, stop in zip(found.first.tolist(), found.stop.tolist(), strict=True):
            yield _stay(each, "low" if side == "low" else "high", first, stop)


def _unmarked(each: ChannelEvidence, found: Stretches) -> Stretches:
    """Leave out what the sender marked as invalid itself: that code is no voltage."""
    quality = each.series.quality
    if quality is None or not len(found):
        return found
    marked = (quality & np.uint16(Quality.SENDER_INVALID)) != 0
    return stretches_of(found.mask(len(each)) & ~marked, each.series.segments)


def _joined(each: ChannelEvidence, found: Stretches, join_ns: int) -> Stretches:
    """Join stretches of one segment that are close."""
    if len(found) < 2:
        return found
    times, segments = each.series.time_ns, each.series.segments
    between = times[found.first[1:]] - times[found.stop[:-1] - 1]
    same = np.searchsorted(segments, found.first[1:], side="right") == np.searchsorted(
        segments, found.first[:-1], side="right"
    )
    apart = ~((between < join_ns) & same)
    return Stretches(found.first[np.concatenate(([True], apart))], found.stop[np.concatenate((apart, [True]))])


def _stay(each: ChannelEvidence, side: Side, first: int, stop: int) -> Stay:
    assert each.live_band is not None
    series, quantity = each.series, each.quantity
    inside = quantity[first:stop][each.there[first:stop]]
    level = float(np.median(inside))
    segment = int(series.segments[np.searchsorted(series.segments, first, side="right") - 1])
    bounds = np.append(series.segments, len(series))
    segment_end = int(bounds[np.searchsorted(bounds, first, side="right")])
    to_end = stop >= segment_end
    start_ns, end_ns = int(series.time_ns[first]), int(series.time_ns[stop - 1 if to_end else stop])
    # Along a curve it passes the end of the band before it gets where it stays.
    size = {"width": each.live_band[1] - each.live_band[0], "step": each.step}
    there = np.flatnonzero(np.abs(quantity[first:stop] - level) <= _SAME * size["width"])
    came, left = (first + int(there[0]), first + int(there[-1]) + 1) if len(there) else (first, stop)
    core = quantity[came:left][each.there[came:left]]
    spread = np.quantile(core, [0.05, 0.95])
    allowed = _WITHIN * each.fast_noise if np.isfinite(each.fast_noise) else 0.0
    low, high = each.live_band[0] + allowed, each.live_band[1] - allowed
    return Stay(
        each,
        side,
        first,
        stop,
        Window(start_ns, end_ns),
        start_ns if first == segment else int(series.time_ns[first - 1]),
        level,
        noise_of(inside),
        float(spread[1] - spread[0]),
        from_start=first == segment,
        to_end=to_end,
        jumped=None if first == segment else jumps(quantity[max(segment, came - _LED) : came], level, **size),
        jumped_back=None if to_end else jumps(quantity[left : min(left + _LED, segment_end)][::-1], level, **size),
        filled=float(np.mean(inside <= low if side == "low" else inside >= high)),
        at_rail=_at_rail(each, side, level),
    )


def jumps(led: Floats, level: float, *, width: float, step: float) -> bool:
    """Whether a quantity got to a level within two samples, not along a curve that led there.

    Parameters
    ----------
    led : float64[n]
        What led there, the nearest sample last.
    level
        Where it got.
    width, step
        Of its live band or span, and of one raw step.
    """
    led = led[np.isfinite(led)]
    if len(led) < 2:
        return True
    # An input filter leaves one sample half way, so the one before it counts.
    height = abs(level - float(led[-2]))
    steps = np.abs(np.diff(led[:-1]))
    largest = float(steps.max()) if len(steps) else 0.0
    if height >= _HIGH * width:
        return height >= _STEEP / 2 * largest
    return height >= _STEEP * max(largest, step)


def _at_rail(each: ChannelEvidence, side: Side, level: float) -> bool:
    """Whether a level is well on the way from the band's end to the rail; without a known rail, beyond the band."""
    assert each.live_band is not None
    low, high = each.live_band
    if each.per_volt is None:
        return True
    close, supply = _CLOSE_V * each.per_volt, NOMINAL_SUPPLY_V * each.per_volt
    if side == "low":
        return level <= max(_NEAR * low, close)
    return level >= min(high + (1 - _NEAR) * max(0.0, supply - high), supply - close)
