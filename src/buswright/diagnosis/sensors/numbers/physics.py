"""Channels that contradict each other or the car: drifting, sampled too slowly."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels.samples.series import Bools
from buswright.diagnosis.case import SECOND, Case, Sighting, sighting
from buswright.diagnosis.relations import CLEAR_R, LEAST_S, View, Views, fit
from buswright.diagnosis.sensors.numbers.exchanged import exchanged_sightings
from buswright.diagnosis.sensors.numbers.stuck import stuck_ones
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS

RATES_HZ = {"damper_travel": 100.0, "accel_vert": 50.0, "wheel_speed": 20.0, "throttle": 20.0, "brake_pressure": 20.0}
"""Slowest rate at which a role shows what it is fitted for (trade table of rates, common practice, no source)."""
ROUGH = 0.8
"""Steps between samples over their standard deviation from which they jump as noise does (1.41): common practice."""


def contradictions(case: Case) -> Iterator[Sighting]:
    """Hold channels against each other and against what the car did."""
    yield from exchanged_sightings(case.views)
    yield from stuck_ones(case)
    yield from _drifting(case.views)
    yield from _slow(case)


DRIFT_WIDTH_S = 5.0
DRIFT_R = 0.85
ROAD_MS2 = 1.5
"""What a road adds along the car: gravity on a slope of 15 % (a choice). A hill that grows steeper is no drift."""


def _drifting(views: Views) -> Iterator[Sighting]:
    """Find a channel whose distance from another way to know its quantity grows with time."""
    for ways, where in ((views.turning[:2], views.fast), (views.along, None)):
        if len(ways) == 2 and ways[0].first.role in ("accel_lat", "accel_long"):
            yield from _wandering(ways[0], ways[1], where)


def _wandering(one: View, other: View, where: Bools | None) -> Iterator[Sighting]:
    made = fit(one.value, other.value, where)
    if made is None or made.r < CLEAR_R or not 0.7 < made.slope < 1.4:
        return
    apart = one.value - made.slope * other.value
    if where is not None:
        apart = np.where(where, apart, np.nan)
    block = np.arange(len(apart)) // round(DRIFT_WIDTH_S * SECOND / FINE_NS)
    known = np.isfinite(apart)
    middles = np.array([np.median(apart[known & (block == k)]) for k in np.unique(block[known])])
    if len(middles) < 6:
        return
    at = np.arange(len(middles), dtype=np.float64)
    r = float(np.corrcoef(at, middles)[0, 1]) if middles.std() > 0 else 0.0
    total = float(np.polyfit(at, middles, 1)[0] * (len(middles) - 1))
    evidence = one.first
    span = (evidence.span or 0.0) and abs(float(np.nanmax(one.value) - np.nanmin(one.value)))
    road = ROAD_MS2 if evidence.role == "accel_long" else 0.0
    if abs(r) < DRIFT_R or not span or abs(total) < max(0.1 * span, road):
        return
    yield sighting(
        "drift",
        Severity.SUSPECT,
        evidence.subject,
        confidence=0.6,
        evidence=(
            (
                f"{evidence.name} and the {other.words} drew apart by {total:+.2f} m/s2 over the run, steadily "
                f"(r = {r:+.2f} with time)."
            ),
        ),
        threshold=f"steady from r = {DRIFT_R:g} with time on, and over 10 % of what it moves",
        next_check=f"Compare the zero of {evidence.name} cold and hot, car standing on level ground. Look whether the "
        "sensor or its module sits near heat.",
    )


def _slow(case: Case) -> Iterator[Sighting]:
    """Find channels that are sampled so slowly that their samples jump."""
    driving = case.decoded.driving
    number = driving.number[driving.is_doing("driving")]
    if len(number) * FINE_NS < LEAST_S * SECOND:
        return
    for each in case.decoded.values():
        if each.role not in RATES_HZ or not each.measures:
            continue
        rate = each.series.rate_hz
        inside = np.isin(each.series.time_ns // FINE_NS, number) & ~each.bad
        value = each.series.value[inside]
        if len(value) < 50:
            continue
        moved = np.diff(value) != 0
        often = float(np.median(np.diff(np.flatnonzero(moved)))) if moved.sum() > 1 else 1.0  # usual repeats of a value
        fresh = 1.0 / max(1.0, often)
        repeats = often >= 2 and float(np.median(np.abs(np.diff(value)[moved]))) > 3 * _step_of(each)
        rate *= fresh if repeats else 1.0
        value = value[np.concatenate(([True], moved))] if repeats else value
        steps, spread = float(np.std(np.diff(value))), float(np.std(value))
        if not rate < 0.8 * RATES_HZ[each.role] or spread <= 0 or not _more_than_noise(each):
            continue
        jumps = steps >= ROUGH * spread or repeats
        yield sighting(
            "under-sampled",
            Severity.SUSPECT if jumps else Severity.NOTE,
            each.subject,
            confidence=0.7,
            evidence=(
                f"{each.name} has {rate:.0f} new values a second"
                + (f", each repeated {1 / fresh:.0f} times." if repeats else "."),
                f"Between two samples it moves {steps / spread:.1f} times as far as it moves in all.",
            ),
            threshold=f"steps over {ROUGH:g} of the spread, below {RATES_HZ[each.role]:g} samples/s",
            ruled_out=("Not noise: at rest it is much quieter.",),
            next_check=f"Raise the rate of {each.message} to {RATES_HZ[each.role]:g}/s or more, or have the module "
            "filter below half the rate.",
        )


def _step_of(each: ChannelEvidence) -> float:
    """Return the smallest change that the value ever had: one raw step, about."""
    changes = np.abs(np.diff(each.series.value))
    changes = changes[changes > 0]
    return float(changes.min()) if len(changes) else 0.0


def _more_than_noise(each: ChannelEvidence) -> bool:
    """Whether it moves far more than its own noise at rest."""
    noise = each.noise_grid.noise[np.isfinite(each.noise_grid.noise)]
    quiet = float(np.quantile(noise, 0.05)) if len(noise) else 0.0
    scale = float(np.std(each.quantity[each.there])) or 1.0
    return quiet < 0.2 * scale
