"""Zeroes that wander: from quarter to quarter of a drive, and since a good run."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels import units
from buswright.channels.samples.series import Bools
from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.diagnosis.sensors.numbers.levels import MIXED, not_the_wire
from buswright.diagnosis.sensors.numbers.zeroes import AT_REST, PEDALS, REST_LEAST, SPAN_FAULT, SPAN_SUSPECT, span_in
from buswright.diagnosis.sensors.wired import careful
from buswright.findings import Severity
from buswright.health.baseline.standstill import noise_of
from buswright.health.channels.evidence import ChannelEvidence
from buswright.health.channels.grid import FINE_NS
from buswright.wording import listed

_PARTS, _LEAST_WINDOWS, _LOWEST = 4, 50, 0.02
_STEADY = 0.1
"""Part of the whole way that the lowest moves from each quarter of the drive to the next, at least (a choice)."""


def wrong_when_released(case: Case) -> Iterator[Sighting]:
    """Find a pedal whose lowest value moves the same way from each quarter of the drive to the next.

    A foot is off some time in each of them, and only adds to the rest: no driver presses more and more like that.
    """
    channels = case.decoded
    driven = channels.number[channels.driving.is_doing("driving")]
    for each in channels.with_role(*PEDALS):
        rest = AT_REST[each.role or ""]
        if not each.measures or not units.compatible(each.series.unit, rest.unit):
            continue
        values = units.convert(each.value_grid.held(driven, most=5), each.series.unit, rest.unit)
        parts = [part[np.isfinite(part)] for part in np.array_split(values, _PARTS)]
        span = span_in(each, rest.unit)
        if span is None or min(len(part) for part in parts) < _LEAST_WINDOWS:
            continue
        lowest = [float(np.quantile(part, _LOWEST)) for part in parts]
        moved = lowest[-1] - lowest[0]
        suspect, fault = rest.suspect or SPAN_SUSPECT * span, rest.fault or SPAN_FAULT * span
        if abs(moved) <= suspect or min(np.diff(lowest) * np.sign(moved)) < _STEADY * abs(moved):
            continue
        unit, shown = units.shown(rest.unit), listed([f"{level:.3g}" for level in lowest])
        yield sighting(
            "drift",
            Severity.FAULT if abs(moved) > fault else Severity.SUSPECT,
            each.subject,
            confidence=0.6,
            evidence=(f"The lowest of each quarter of the drive moves steadily: {shown} {unit}.",),
            threshold=f"moved by more than {suspect:.3g} {unit}, {100 * _STEADY:g} % of it in each quarter",
            ruled_out=[
                "Not the foot: it is off some time in each quarter, and only adds to the rest.",
                *not_the_wire(each),
            ],
            next_check=f"Release what {each.name} measures, cold and then hot, and compare its zero. Look whether the "
            "sensor or its module sits near heat.",
            caution=careful([each]),
        )


# Since a good run -----------------------------------------------------------------------------------------------------


def rests_as_then(case: Case) -> Bools | None:
    """Tell in which windows the car stands as it did when the good run's zeroes were read; bool[k], None for none."""
    if case.baseline is None or case.baseline.at_rest is None:
        return None
    basis, driving = case.baseline.at_rest.basis, case.decoded.driving
    return driving.settled("key-on" if basis == "key-on" else "idle") if basis in ("key-on", "standing") else None


def moved_since(case: Case) -> Iterator[Sighting]:
    """Find channels whose zero, or whose range, is another than in a good run."""
    baseline, rests = case.baseline, rests_as_then(case)
    if baseline is None or rests is None:
        return
    for name, each in case.decoded.items():
        known = baseline.channels.get(name)
        if known is None or known.rest is None or not each.measures or not known.span:
            continue
        if known.high is not None and known.low is not None and abs(known.high) > 0.05 * known.span:
            yield from _other_range(case, each, known.high - known.low, known.rest.noise, rests)
        if known.rest.zero is None or each.role not in STEADY_ZERO:
            continue
        held = each.value_grid.held(case.decoded.number[rests], most=5)
        held = held[np.isfinite(held)]
        if len(held) < REST_LEAST:
            continue
        off = float(np.median(held)) - known.rest.zero
        share = abs(off) / known.span
        if share <= case.limit("zero_moved", channel=name):
            continue
        unit = units.shown(each.series.unit)
        yield sighting(
            "offset",
            Severity.NOTE
            if each.role == "damper_travel"  # a driver, fuel or a spring seat moves it
            else Severity.FAULT
            if share > case.limit("zero_moved_fault", channel=name)
            else Severity.SUSPECT,
            each.subject,
            confidence=0.7,
            evidence=(
                f"At rest {name} shows {known.rest.zero + off:.4g} {unit}, off by {100 * share:.1f} %.",
                f"In the good run it was {known.rest.zero:.4g} {unit}.",
            ),
            threshold=case.used("zero_moved", "zero_moved_fault", channel=name),
            ruled_out=not_the_wire(each),
            next_check=f"Ask what was changed at {name} since the good run: ride height, mounting, a new sensor. "
            "If nothing was, read its zero again with the car as it stood then.",
            caution=careful([each]),
        )


_NOISE_ALIKE = 1.4
"""Noise at rest scales by a unit's factor, within so much."""
STEADY_ZERO = frozenset(
    {"damper_travel", "brake_pressure", "oil_pressure", "accel_lat", "accel_long", "accel_vert", "yaw_rate", "throttle"}
)
"""Roles whose value at rest is the same from run to run unless somebody changes the car."""


def _other_range(
    case: Case, each: ChannelEvidence, moved: float, noise: float | None, rests: Bools
) -> Iterator[Sighting]:
    """Compare how far a channel moved with a good run: a known factor between them is a unit mixed up.

    Another drive moves it otherwise; a unit scales its noise at rest, too.
    """
    now = each.series.value[each.measured]
    if len(now) < 200 or moved <= 0 or not noise:
        return
    resting = np.isin(each.series.time_ns // FINE_NS, case.decoded.number[rests]) & each.measured
    louder = (noise_of(each.series.value[resting]) or 0.0) / noise
    ratio = float(now.max() - now.min()) / moved
    tolerance = 5 * case.limit("unit_guess", channel=each.name)
    for one in MIXED:
        alike = 1 / _NOISE_ALIKE < louder / one.factor < _NOISE_ALIKE
        if not 0.55 < one.factor < 1.6 and abs(ratio / one.factor - 1) <= tolerance and alike:
            yield sighting(
                "unit-mixup" if each.sensor is not None else "scale-or-unit",
                Severity.NOTE,  # another drive, or a converter that rests, may look so
                each.subject,
                confidence=0.5,
                evidence=(
                    f"{each.name} moved {ratio:.3g} times as far as in the good run: {one.words}?",
                    f"Its noise at rest is {louder:.3g} times what it was.",
                ),
                threshold=f"within {100 * tolerance:.0f} % of a known factor",
                next_check=f"Look what changed since the good run in scale, unit and sensor of {each.name}.",
            )
            return
