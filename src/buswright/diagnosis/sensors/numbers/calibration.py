"""Wrong numbers of sound wires: zeroes, gains, units mixed up, calibrations past their date."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from itertools import chain

from buswright.diagnosis.case import SECOND, Case, Sighting, sighting
from buswright.diagnosis.sensors.numbers.laws import wrong_factors
from buswright.diagnosis.sensors.numbers.levels import wrong_levels, wrong_volts
from buswright.diagnosis.sensors.numbers.physics import physics_sightings
from buswright.diagnosis.sensors.numbers.relations import Views
from buswright.diagnosis.sensors.numbers.released import wrong_when_released
from buswright.diagnosis.sensors.numbers.zeroes import (
    moved_since,
    wrong_after_soak,
    wrong_at_rest,
    wrong_when_straight,
)
from buswright.findings import Severity


def value_sightings(case: Case) -> Iterator[Sighting]:
    """Hold channels against what they must show at rest, and against each other while driving."""
    if case.channels is None:
        return
    views = Views(case.channels)
    physics = list(physics_sightings(case, views))
    stuck = {one.finding.subject for one in physics if one.finding.fault == "stuck"}
    # What stood still for a part of the run has no zero and no gain that could be judged.
    yield from (one for one in _calibration(case, views) if one.finding.subject not in stuck)
    yield from physics
    yield from _overdue(case)


def _calibration(case: Case, views: Views) -> Iterator[Sighting]:
    blamed: set[str] = set()
    levels = tuple(wrong_levels(case))
    every = (
        wrong_volts(case),
        (one for one in levels if one.finding.fault != "gain"),
        wrong_at_rest(case),
        wrong_when_released(case),
        wrong_after_soak(case),
        wrong_when_straight(case, views),
        wrong_factors(case, views),
        moved_since(case),
        levels,
    )
    for one in chain.from_iterable(every):
        if one.finding.subject not in blamed:  # the first that is said of a channel is the most telling
            blamed.add(one.finding.subject)
            yield one


def _overdue(case: Case) -> Iterator[Sighting]:
    """Find calibrations whose due date lies before the capture."""
    car, first = case.car, case.health.capture.first_ns
    if car is None or first is None or first < 10**9 * SECOND // 10:
        return
    day = datetime.datetime.fromtimestamp(first / SECOND, tz=datetime.UTC).date()
    for channel in car.channels.values():
        name, record = channel.name, car.due_by(channel)
        if record is not None and record.due is not None and record.due < day and name in (case.channels or ()):
            yield sighting(
                "calibration-overdue",
                Severity.NOTE,
                f"channel:{name}",
                count=1,
                confidence=1.0,
                evidence=(f"{name} was calibrated on {record.date} and was due on {record.due}.",),
                threshold="the due date of the calibration log lies before the capture",
                next_check=f"Calibrate {name} again, or write into the log why it still holds.",
            )
