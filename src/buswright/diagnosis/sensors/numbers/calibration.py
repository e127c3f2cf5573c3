"""Wrong numbers of sound wires: zeroes, gains, units mixed up, calibrations past their date."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from itertools import chain

import numpy as np

from buswright.channels import units
from buswright.diagnosis.case import SECOND, Answers, Case, Sighting, Why, sighting
from buswright.diagnosis.sensors.numbers.laws import with_scale, wrong_factors
from buswright.diagnosis.sensors.numbers.levels import wrong_levels, wrong_volts
from buswright.diagnosis.sensors.numbers.physics import contradictions
from buswright.diagnosis.sensors.numbers.soak import seen_after_soak, wrong_after_soak
from buswright.diagnosis.sensors.numbers.wandered import STEADY_ZERO, moved_since, rests_as_then, wrong_when_released
from buswright.diagnosis.sensors.numbers.zeroes import (
    AT_REST,
    ENGINE_OFF,
    REST_LEAST,
    seen_at_rest,
    seen_straight,
    wrong_at_rest,
    wrong_when_straight,
)
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence

_GOOD_RUN = "Remember a good run of this car (`buswright remember`) and give it as --baseline."
_KEY_ON = "Start the recording first: key on, five seconds without touching anything, then start the engine."
_SPEEDS = "Give the channels of engine speed and vehicle speed their roles in the car file."


def value_sightings(case: Case) -> Iterator[Sighting]:
    """Hold channels against what they must show at rest, and against each other while driving."""
    physics = list(contradictions(case))
    stuck = {one.finding.subject for one in physics if one.finding.fault == "stuck"}
    # What stood still for a part of the run has no zero and no gain that could be judged.
    yield from (one for one in _calibration(case) if one.finding.subject not in stuck)
    yield from physics
    yield from _overdue(case)


def _calibration(case: Case) -> Iterator[Sighting]:
    blamed: set[str] = set()
    levels = tuple(wrong_levels(case))
    every = (
        wrong_volts(case),
        (one for one in levels if one.finding.fault != "gain"),
        wrong_at_rest(case),
        wrong_when_released(case),
        wrong_after_soak(case),
        wrong_when_straight(case),
        wrong_factors(case),
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
        if record is not None and record.due is not None and record.due < day and name in case.decoded:
            yield sighting(
                "calibration-overdue",
                Severity.NOTE,
                f"channel:{name}",
                confidence=1.0,
                evidence=(f"{name} was calibrated on {record.date} and was due on {record.due}.",),
                threshold="the due date of the calibration log lies before the capture",
                next_check=f"Calibrate {name} again, or write into the log why it still holds.",
            )


def zero_answers(case: Case) -> Answers:
    """Say of each channel with a zero from which error on that would have shown."""
    found = _zeroes(case)
    return {each.subject: found.get(each.name) or _why_no_zero(case, each) for each in with_scale(case)}


def _zeroes(case: Case) -> dict[str, str]:
    """Say by channel from which error on its zero would have shown."""
    found = {
        seen.each.name: f"off by more than {seen.suspect:.3g} {units.shown(seen.rest.unit)}: {seen.rest.words}"
        for seen in (*seen_straight(case), *seen_after_soak(case), *seen_at_rest(case))
    }
    rests = rests_as_then(case)
    for name, known in case.baseline.channels.items() if case.baseline is not None and rests is not None else ():
        each = case.decoded.by_name.get(name)
        if each is None or each.role not in STEADY_ZERO or known.rest is None or known.rest.zero is None:
            continue
        held = each.value_grid.held(case.decoded.number[rests], most=5)
        if known.span and np.isfinite(held).sum() >= REST_LEAST:
            by = case.limit("zero_moved", channel=name) * known.span
            found.setdefault(name, f"moved by more than {by:.3g} {units.shown(each.series.unit)} since the good run")
    return found


def _why_no_zero(case: Case, each: ChannelEvidence) -> Why:
    role, driving = each.role or "", case.decoded.driving
    if role == "steering_angle":
        return Why("the car never drove straight, or no yaw rate says so", "Drive straight on for some seconds.")
    if role in AT_REST:
        if not driving.by:
            return Why("no channel says when the car stands", _SPEEDS)
        needs_off = role in ENGINE_OFF
        rests = driving.settled("key-on") if needs_off else driving.settled("key-on", "standing")
        if rests.sum() < REST_LEAST:
            when = "with its engine off and its key on" if needs_off else "at rest before the start or after the drive"
            return Why(f"the car was never recorded {when}", _KEY_ON)
        return Why(
            "it was not at rest for long, or its span is not known",
            "Give its sensor points or its channel `plausible`, and record five seconds at rest.",
        )
    if role.endswith("_temperature"):
        return Why("temperatures must agree only while the engine is cold", "Record key-on after a cold night.")
    if role == "manifold_pressure":
        return Why("no channel measures the air's pressure beside it", f"Log the air's pressure. {_KEY_ON}")
    if role in STEADY_ZERO:
        return Why("nothing says what it shows at rest", f"{_GOOD_RUN} Both must begin with the key on.")
    return Why("no rule says what it shows at rest", "Read it beside a gauge you trust, car standing.")
