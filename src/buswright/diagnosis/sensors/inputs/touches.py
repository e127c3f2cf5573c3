"""Moments at which an input was somewhere else for a short time: where a contact opens, or a wire touches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from buswright.channels.samples.series import Bools, Floats, Int64s, Quality
from buswright.diagnosis.case import SECOND, Case, Window, merged
from buswright.diagnosis.sensors.inputs.rail_stays import jumps, stays_of
from buswright.diagnosis.sensors.inputs.rate_limits import fastest, too_fast
from buswright.diagnosis.sensors.wired import is_wired
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.stretches import stretches_of

LONGEST_S = 5.0
"""What stands at a rail for longer is an open or a shorted wire, not a contact that chatters."""
_MINUTE_NS = 60 * SECOND
_HALF_WAY = 0.2
"""Where nobody knows how fast a quantity can change, a touch is this part of the span high."""
_BEFORE = 12
_MOST = 20_000
"""More of them are noise; the others aren't looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class Touches:
    """The touches of one channel; columns over m touches, ascending.

    Attributes
    ----------
    each
        Whose.
    start_ns, end_ns : int64[m]
        First sample away, and first one back.
    up : bool[m]
        Whether it went to higher volts.
    peak : float64[m]
        The quantity furthest away.
    railed : bool[m]
        Whether it got to the end of the live band, or beyond.
    """

    each: ChannelEvidence
    start_ns: Int64s
    end_ns: Int64s
    up: Bools
    peak: Floats
    railed: Bools

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def side(self) -> str:
        """Where most of them went."""
        return "high" if 2 * int(self.up.sum()) > len(self) else "low"

    @property
    def one_way(self) -> float:
        """Share that went there."""
        ups = int(self.up.sum())
        return max(ups, len(self) - ups) / len(self)

    @property
    def windows(self) -> tuple[Window, ...]:
        """When they were."""
        return merged(Window(a, b) for a, b in zip(self.start_ns.tolist(), self.end_ns.tolist(), strict=True))

    def most_a_minute(self) -> int:
        """Count those of the busiest minute."""
        until = np.searchsorted(self.start_ns, self.start_ns + _MINUTE_NS, side="right")
        return int((until - np.arange(len(self))).max()) if len(self) else 0

    def take(self, which: Bools) -> Touches:
        """Keep some."""
        return Touches(
            self.each, self.start_ns[which], self.end_ns[which], self.up[which], self.peak[which], self.railed[which]
        )


def touches_of(case: Case, each: ChannelEvidence) -> Touches:
    """Find the short departures of an input that no real change explains.

    They go to the rail, or part of the way where an input filter rounds them, and come back; they are faster than
    the quantity can be. What the sender marked as invalid itself is none.
    """
    limit = {
        name: case.limit(name, channel=each.name) for name in ("spike_sd", "spike_steps", "spike_s", "spike_return")
    }
    period_s = _period_s(each)
    found = each.excursions(
        sds=limit["spike_sd"],
        steps=limit["spike_steps"],
        of_span=limit["spike_return"],
        longest_s=max(limit["spike_s"], 1.6 * period_s),
    )
    inside = np.zeros(len(each), dtype=np.bool_)
    if 0 < len(found) <= _MOST:
        inside = found.take(_is_unreal(each, found.first, found.stop)).mask(len(each))
    for stay in stays_of(each, 0.0):
        if stay.from_start or stay.to_end or stay.seconds > LONGEST_S or stay.is_smooth:
            continue
        inside[stay.first : stay.stop] = True
    if each.series.quality is not None:
        inside &= (each.series.quality & np.uint16(Quality.SENDER_INVALID)) == 0
    return _described(each, inside)


def _described(each: ChannelEvidence, inside: Bools) -> Touches:
    series, quantity = each.series, each.quantity
    found = stretches_of(inside, series.segments)
    found = found.take(found.first > 0)
    first, stop = found.first, found.stop
    base = quantity[first - 1]
    edges = np.stack((first, stop), axis=1).ravel() if len(first) else first
    padded = np.append(quantity, quantity[-1:])
    highs = np.maximum.reduceat(padded, edges)[::2] if len(first) else quantity[:0]
    lows = np.minimum.reduceat(padded, edges)[::2] if len(first) else quantity[:0]
    up: Bools = highs - base > base - lows
    peak = np.where(up, highs, lows)
    railed = np.zeros(len(first), dtype=np.bool_)
    if each.live_band is not None:
        railed = (highs >= each.live_band[1]) | (lows <= each.live_band[0])
    back = np.minimum(stop, len(series) - 1)
    return Touches(
        each, series.time_ns[first], np.maximum(series.time_ns[back], series.time_ns[first]), up, peak, railed
    )


def _is_unreal(each: ChannelEvidence, first: Int64s, stop: Int64s) -> Bools:
    """Tell which departures are faster than the quantity can be, on their way there or back; bool[m]."""
    known = fastest(each)
    if known is not None:
        fast = too_fast(each, known[0])
        back = np.minimum(stop, len(each) - 1)
        unreal: Bools = fast[first] | fast[np.minimum(first + 1, len(each) - 1)] | fast[back]
        return unreal
    span = each.span
    if not each.electrical or not span or not is_wired(each):
        return np.zeros(len(first), dtype=np.bool_)
    quantity = each.quantity
    far = np.abs(quantity[first] - quantity[first - 1]) >= _HALF_WAY * span
    return far & np.array(
        [
            jumps(quantity[max(0, at - _BEFORE) : at], float(quantity[at]), width=span, step=each.step)
            for at in first.tolist()
        ],
        dtype=np.bool_,
    )


def _period_s(each: ChannelEvidence) -> float:
    """Seconds between samples, from its first thousands."""
    steps = np.diff(each.series.time_ns[:4000])
    steps = steps[steps > 0]
    return float(np.median(steps)) * 1e-9 if len(steps) else 0.0
