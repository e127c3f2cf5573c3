"""A bus with certain streams on it: loads and bounds, at its bit rate and at others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from buswright.capacity.carried.plan import Plan
from buswright.capacity.carried.stream import Rates, Stream
from buswright.capacity.timing.bounds import Response, bounds_of, late_count, mean_load, worst_load
from buswright.channels.carfile.model import FrameName

_PEAK_NS = 100_000_000


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """A bus with certain streams on it.

    Attributes
    ----------
    mean, worst
        Load, 0..: on average (the exact bits of all that was recorded, and what did not come on top), and with every
        frame as long as it can be, as often as it can come.
    peak
        Busiest 100 ms: as measured, and what did not come on top of it; None without a capture.
    responses
        Bound of every stream, the highest priority first.
    """

    streams: tuple[Stream, ...]
    mean: float
    worst: float
    peak: float | None
    responses: Mapping[FrameName, Response]

    @property
    def late(self) -> tuple[Response, ...]:
        """Streams that may miss their deadline."""
        return tuple(response for response in self.responses.values() if response.late)


@dataclass(frozen=True, slots=True)
class AtRate:
    """The same streams at another bit rate; `late` counts those that may miss their deadline."""

    bits_per_s: int
    mean: float
    worst: float
    late: int


def state_of(plan: Plan, streams: tuple[Stream, ...], rates: Rates) -> State:
    """Return loads and bounds of a bus with certain streams: `plan.streams` for the bus as it is."""
    peak = plan.figures.peak_100ms if plan.figures else None
    top = None if peak is None else peak.load
    if top is not None:
        more = (stream for stream in streams if stream.origin != "capture")
        top += sum(-(-_PEAK_NS // stream.period_ns) * stream.longest_ns(rates) for stream in more) / _PEAK_NS
    bounds = bounds_of(streams, rates, other_ns=other_ns_of(plan, rates))
    return State(streams, _mean(plan, streams, rates), worst_load(streams, rates), top, bounds)


def other_ns_of(plan: Plan, rates: Rates) -> int:
    """Return the longest frame of what can't be planned with: one such may be in the way."""
    return max((rates.time_ns(*each.bits) for each in plan.unplanned), default=0)


def _mean(plan: Plan, streams: tuple[Stream, ...], rates: Rates) -> float:
    """Return the mean load: measured, and computed of what did not come."""
    figures = plan.figures
    if figures is None or not figures.seconds:
        return mean_load(streams, rates)
    if figures.load is not None and rates == plan.rates:
        measured = figures.load
    else:
        measured = rates.time_ns(figures.bits, figures.data_bits) / (figures.seconds * 1e9)
    return measured + mean_load((stream for stream in streams if stream.origin != "capture"), rates)


def at_rate(streams: tuple[Stream, ...], plan: Plan, bits_per_s: int) -> AtRate:
    """Return what the same streams make of another bit rate; the data bit rate of CAN FD is no slower than it."""
    given = plan.rates or Rates(bits_per_s)
    fast = given.data_bits_per_s
    rates = Rates(bits_per_s, max(fast, bits_per_s) if fast else None, given.form)
    late = late_count(bounds_of(streams, rates, other_ns=other_ns_of(plan, rates)))
    return AtRate(bits_per_s, _mean(plan, streams, rates), worst_load(streams, rates), late)
