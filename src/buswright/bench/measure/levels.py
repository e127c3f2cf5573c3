"""Levels, movements and step responses of channels: pure functions over the samples of one step."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from buswright.bench.measure.noticing import ends_visited
from buswright.bench.measure.samples import Sampled
from buswright.bench.result import Level, Move, Response, Trace
from buswright.channels.samples.series import Floats

MOST_BINS = 200
"""A trace keeps the lowest and the highest sample of so many stretches."""
_FEW = 4


def level_of(sampled: Sampled, start_ns: int, stop_ns: int) -> Level | None:
    """Measure a channel over a stretch; None without a sample."""
    rows = sampled.between(start_ns, stop_ns)
    quantity, value = sampled.quantity[rows], sampled.value[rows]
    if not len(quantity):
        return None
    known = value[np.isfinite(value)]
    evidence = sampled.evidence
    return Level(
        samples=len(quantity),
        mean=float(quantity.mean()),
        sd=float(quantity.std()),
        low=float(quantity.min()),
        high=float(quantity.max()),
        value=float(known.mean()) if len(known) else None,
        step=evidence.step,
        span=evidence.span,
        unit=evidence.quantity_unit,
        value_unit=evidence.series.unit,
        electrical=evidence.electrical,
        railed=float(sampled.railed[rows].mean()),
    )


def levels_of(samples: Mapping[str, Sampled], start_ns: int, stop_ns: int) -> dict[str, Level]:
    """Measure all channels over a stretch; those without a sample are left out."""
    found = {name: level_of(each, start_ns, stop_ns) for name, each in samples.items()}
    return {name: level for name, level in found.items() if level is not None}


def moves_of(samples: Mapping[str, Sampled], start_ns: int, stop_ns: int, moved: float) -> dict[str, Move]:
    """Measure what every channel did while one input was moved.

    The channel that went furthest over its span is the one that was moved; every other one is held against it: the
    slope of its samples, as a share of its span, against those of the moved one at the same time.

    Parameters
    ----------
    moved
        Share of its span that a channel must go to have moved.
    """
    shares = {name: _share(each, start_ns, stop_ns) for name, each in samples.items()}
    travels = {name: float(np.ptp(share[1])) for name, share in shares.items() if len(share[1])}
    most = max(travels, key=lambda name: travels[name], default="")
    if not most:
        return {}
    reference = shares[most] if travels[most] >= moved else None
    found = {}
    for name, travel in travels.items():
        time, share = shares[name]
        copied, alike = (None, None) if reference is None else _against(time, share, *reference)
        rows = samples[name].between(start_ns, stop_ns)
        value = samples[name].value[rows]
        known = value[np.isfinite(value)]
        found[name] = Move(
            low=float(known.min()) if len(known) else math.nan,
            high=float(known.max()) if len(known) else math.nan,
            travel=travel,
            copied=1.0 if name == most and copied is not None else copied,
            alike=alike,
            first=_round_trip(known if len(known) == len(share) else share, moved * (_range(known) or 1.0)),
            railed=float(samples[name].railed[rows].mean()) if len(share) else 0.0,
        )
    return found


def _range(values: Floats) -> float:
    return float(np.ptp(values)) if len(values) else 0.0


def _share(sampled: Sampled, start_ns: int, stop_ns: int) -> tuple[Floats, Floats]:
    """Return seconds and samples as shares of the span; empty where the span is not known."""
    rows, span = sampled.between(start_ns, stop_ns), sampled.evidence.span
    if not span:
        return np.zeros(0), np.zeros(0)
    return (sampled.time_ns[rows] - start_ns) / 1e9, sampled.quantity[rows] / span


def _against(time: Floats, share: Floats, when: Floats, reference: Floats) -> tuple[float, float]:
    """Return slope and correlation of one channel against another at the same times."""
    other = np.interp(time, when, reference)
    a, b = share - share.mean(), other - other.mean()
    size = float(b @ b)
    if size <= 0 or len(a) < _FEW:
        return 0.0, 0.0
    both = float(a @ b)
    return both / size, both / math.sqrt(size * float(a @ a)) if float(a @ a) > 0 else 0.0


def _round_trip(values: Floats, least: float) -> int:
    """Return +1 for a channel that went from its low end to its high end and back, -1 the other way round, else 0.

    One that began at one end and is at the other now says nothing: it may have been there before the movement began.
    """
    if len(values) < _FEW or _range(values) < least:
        return 0
    ends = ends_visited(values)
    return -ends[0] if len(ends) == 3 else 0


def response_of(sampled: Sampled, begin_ns: int | None, happened_ns: int, still_ns: tuple[int, int]) -> Response | None:
    """Measure a step response; None where the channel did not go from one level to another.

    Parameters
    ----------
    begin_ns
        When the step was made; None: nobody says.
    happened_ns
        From when on it can't be what was before.
    still_ns
        Where it is still at its new level.
    """
    period = sampled.series.step_s()
    after = sampled.value[sampled.between(*still_ns)]
    rows = sampled.between(happened_ns - 3_000_000_000, still_ns[1])
    time, value = sampled.time_ns[rows], sampled.value[rows]
    if len(value) < 2 * _FEW or not len(after) or not period > 0:
        return None
    new = float(np.median(after))
    away = np.abs(value - new)
    old = float(np.median(value[: max(_FEW, int(0.2 / period))]))
    change = new - old
    if not change or not np.isfinite(change) or away.max() < 0.5 * abs(change):
        return None
    gone = (value - old) / change
    tenth, nine = (_crossing(time.astype(np.float64), gone, level) for level in (0.1, 0.9))
    if tenth is None or nine is None:
        return None
    delay = None if begin_ns is None else (tenth - begin_ns) / 1e9
    rise = (nine - tenth) / 1e9
    return Response(delay, max(rise, 0.0) / math.log(9.0), period, change)


def _crossing(time: Floats, gone: Floats, level: float) -> float | None:
    """Return when a share of the way was first gone for good, between two samples; nanoseconds."""
    below = np.flatnonzero(gone < level)
    if not len(below) or below[-1] + 1 >= len(gone):
        return None
    at = int(below[-1])
    part = (level - gone[at]) / (gone[at + 1] - gone[at])
    return float(time[at]) + float(part) * float(time[at + 1] - time[at])


def trace_of(sampled: Sampled, start_ns: int, stop_ns: int) -> Trace:
    """Return a channel for a plot: all samples, or the extremes of equal stretches where there are many."""
    rows = sampled.between(start_ns, stop_ns)
    seconds = (sampled.time_ns[rows] - start_ns) / 1e9
    value = sampled.value[rows] if np.isfinite(sampled.value[rows]).any() else sampled.quantity[rows]
    unit = sampled.series.unit if np.isfinite(sampled.value[rows]).any() else sampled.evidence.quantity_unit
    kept = np.flatnonzero(np.isfinite(value))
    if len(kept) > 2 * MOST_BINS:
        parts = np.array_split(kept, MOST_BINS)
        chosen = {int(part[pick(value[part])]) for part in parts for pick in (np.argmin, np.argmax)}
        kept = np.array(sorted(chosen))
    return Trace(
        sampled.evidence.name,
        unit,
        tuple(round(float(each), 4) for each in seconds[kept]),
        tuple(float(f"{float(each):.6g}") for each in value[kept]),
    )
