"""What must hold while nothing moves, and what only a meter can say."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from buswright.bench.judge.making import Tested, ends_of, judged, span_text, unjudged
from buswright.bench.plan.model import Step, Truth
from buswright.bench.result import Check, PlaceCount, StepResult
from buswright.bench.words import cautions
from buswright.channels import units
from buswright.diagnosis.wiggle.advice import QUIET_S, SIGNIFICANT, chance_text
from buswright.diagnosis.words import TERMINATION
from buswright.health.channels.driving import RUNNING_RPM
from buswright.wording import listed, percent, plural


def truth_checks(test: Tested) -> Iterator[Check]:
    """Judge the truths of the plan in the steps that ask for them."""
    for step, result in test.done("listen"):
        if step.truths:
            found = [(truth, _truth(test, step, result, truth)) for truth in test.plan.truths]
            running = [check for truth, check in found if _is_running(test, truth, check)]
            for _, check in found:
                if not running:
                    yield check
                elif check in running:
                    yield replace(check, next_check="The engine runs. Key on, engine off, and do the step again.")
                else:
                    yield unjudged(check.name, step, check.subject, "The engine runs, so nothing is at rest.")


def _is_running(test: Tested, truth: Truth, check: Check) -> bool:
    """Whether a truth fails because the engine runs: then the others can't hold either, and say nothing."""
    channel = test.car.channels[truth.channels[0]]
    fails = channel.role == "engine_speed" and check.verdict == "fail" and check.value is not None
    return fails and float(units.convert(np.array(check.value), check.unit, "rpm")) > RUNNING_RPM


def _truth(test: Tested, step: Step, result: StepResult, truth: Truth) -> Check:
    subject = f"channel:{truth.channels[0]}"
    name = "agree" if truth.within is not None else "at rest"
    unit = test.car.channels[truth.channels[0]].unit
    values = {each: _value(test, result, each, unit) for each in truth.channels}
    absent = [each for each, value in values.items() if value is None]
    if absent:
        return unjudged(name, step, subject, f"{listed(absent)} did not come, or has no value.")
    read = [value for value in values.values() if value is not None]
    why = f"; {truth.why}" if truth.why else ""
    if truth.within is not None:
        found = max(read) - min(read)
        said = ", ".join(f"{each} {value:.4g}" for each, value in zip(values, read, strict=True))
        limit, good = f"within {span_text(truth.within, unit)} of each other{why}", found <= truth.within
        text = f"{said}: {span_text(found, unit)} apart."
    else:
        found = read[0] if len(read) == 1 else math.hypot(*read)
        words, low, high = ends_of(truth, unit)
        limit, good = f"{words}{why}", low <= found <= high
        what = truth.channels[0] if len(read) == 1 else f"the length of {listed(truth.channels)}"
        text = f"{what} reads {span_text(found, unit)}."
    return judged(
        *(step, good, name, subject, text, limit, found, unit),
        "Which one is off? Look at its zero first, then at its wire: buswright diagnose says more.",
    )


def _value(test: Tested, result: StepResult, name: str, unit: str) -> float | None:
    """Return what a channel read on average, in a unit, its zero added again: the car is judged, not the sensor."""
    level, channel = result.levels.get(name), test.car.channels[name]
    if level is None or level.value is None or level.railed > 0.5:
        return None
    value = level.value + (channel.zero.add if channel.zero is not None else 0.0)
    return float(units.convert(np.array(value), level.value_unit, unit)) if level.value_unit != unit else value


def meter_checks(test: Tested) -> Iterator[Check]:
    """Judge what was typed in."""
    for step, result in test.done("meter"):
        value = result.reading
        if value is None:
            continue
        words, low, high = ends_of(step, step.unit)
        resistance = step.unit.casefold() in ("ohm", "ohms")
        yield judged(
            *(step, low <= value <= high, "meter", f"meter:{step.name}", f"{value:g} {step.unit} was read."),
            words.rstrip(),
            value,
            step.unit,
            TERMINATION if resistance else "Measure again at the plug. Then look at the wires between.",
            " ".join(cautions(step, test.car)),
        )


def wiggle_checks(test: Tested) -> Iterator[Check]:
    """Judge each plug that was moved, and name those of the plan that were not."""
    for step, result in test.done("wiggle"):
        quiet = result.wiggle[0] if result.wiggle else None
        for place in result.wiggle[1:]:
            yield _place(step, result, place, quiet.seconds if quiet is not None else 0.0)
        moved = {_folded(place.place) for place in result.wiggle[1:]}
        for name in step.places:
            if _folded(name) not in moved:
                said = "It was not moved."
                yield Check("wiggle", step.name, _subject(name), "not done", said, required=step.required)


def _place(step: Step, result: StepResult, place: PlaceCount, quiet_s: float) -> Check:
    subject, seconds = _subject(place.place), place.seconds
    if not place.likely and quiet_s < QUIET_S:
        why = f"Nothing to compare with: only {quiet_s:.0f} s were quiet, and {QUIET_S:.0f} s are needed."
        return unjudged("wiggle", step, subject, why)
    if not place.likely and seconds < QUIET_S / 2:
        return unjudged("wiggle", step, subject, f"It was moved for {seconds:.0f} s only: {QUIET_S:.0f} s tell more.")
    chance = "" if place.chance is None else f" (by chance {chance_text(place.chance)})"
    glitches = plural(place.glitches, "glitch", "glitches")
    return judged(
        *(step, not place.likely, "wiggle", subject, f"{glitches} in {seconds:.0f} s of moving it{chance}."),
        f"no more than chance explains: at least {percent(SIGNIFICANT, 0)}",
        float(place.glitches),
        "glitches",
        result.advice,
    )


def _folded(place: str) -> str:
    return " ".join(place.casefold().split())


def _subject(place: str) -> str:
    return f"plug:{place.removeprefix('plug ')}" if place.startswith("plug ") else f"place:{place}"
