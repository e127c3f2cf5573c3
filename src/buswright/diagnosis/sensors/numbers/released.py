"""Zeroes that wander while nobody can say when a foot is off: the lowest that a pedal shows, quarter by quarter."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from buswright.channels import units
from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.diagnosis.sensors.numbers.levels import caution_of, not_the_wire
from buswright.diagnosis.sensors.numbers.zeroes import AT_REST, PEDALS, SPAN_FAULT, SPAN_SUSPECT, span_in
from buswright.findings import Severity
from buswright.wording import listed

_PARTS, _LEAST_WINDOWS, _LOWEST = 4, 50, 0.02
_STEADY = 0.1
"""Part of the whole way that the lowest moves from each quarter of the drive to the next, at least (a choice)."""


def wrong_when_released(case: Case) -> Iterator[Sighting]:
    """Find a pedal whose lowest value moves the same way from each quarter of the drive to the next.

    A foot is off some time in each of them, and only adds to the rest: no driver presses more and more like that.
    """
    channels = case.channels
    assert channels is not None
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
            count=1,
            confidence=0.6,
            evidence=(f"The lowest of each quarter of the drive moves steadily: {shown} {unit}.",),
            threshold=f"moved by more than {suspect:.3g} {unit}, {100 * _STEADY:g} % of it in each quarter",
            ruled_out=[
                "Not the foot: it is off some time in each quarter, and only adds to the rest.",
                *not_the_wire(each),
            ],
            next_check=f"Release what {each.name} measures, cold and then hot, and compare its zero. Look whether the "
            "sensor or its module sits near heat.",
            caution=caution_of(each),
        )
