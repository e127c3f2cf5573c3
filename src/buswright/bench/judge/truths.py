"""What must hold while nothing moves, and what only a meter can say."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from buswright.bench.judge.making import Tested, judged, span_text, unjudged
from buswright.bench.plan.model import Step, Truth
from buswright.bench.result import Check, StepResult
from buswright.bench.words import cautions
from buswright.channels import units
from buswright.diagnosis.words import TERMINATION
from buswright.wording import listed


def truth_checks(test: Tested) -> Iterator[Check]:
    """Judge the truths of the plan in the steps that ask for them."""
    for step, result in test.done("listen"):
        if step.truths:
            for truth in test.plan.truths:
                yield _truth(test, step, result, truth)


def _truth(test: Tested, step: Step, result: StepResult, truth: Truth) -> Check:
    subject = f"channel:{truth.channels[0]}"
    name = "agree" if truth.within is not None else "at rest"
    values = {each: _value(test, result, each) for each in truth.channels}
    absent = [each for each, value in values.items() if value is None]
    if absent:
        return unjudged(name, step, subject, f"{listed(absent)} did not come, or has no value.")
    unit = test.car.channels[truth.channels[0]].unit
    read = [value for value in values.values() if value is not None]
    why = f"; {truth.why}" if truth.why else ""
    if truth.within is not None:
        found = max(read) - min(read)
        said = ", ".join(f"{each} {value:.4g}" for each, value in zip(values, read, strict=True))
        limit, good = f"within {span_text(truth.within, unit)} of each other{why}", found <= truth.within
        text = f"{said}: {span_text(found, unit)} apart."
    else:
        found = read[0] if len(read) == 1 else math.hypot(*read)
        ends = [
            f"at least {truth.low:g}" if truth.low is not None else "",
            f"at most {truth.high:g}" if truth.high is not None else "",
        ]
        limit = f"{' and '.join(end for end in ends if end)} {unit}{why}"
        low, high = -math.inf if truth.low is None else truth.low, math.inf if truth.high is None else truth.high
        good = low <= found <= high
        what = truth.channels[0] if len(read) == 1 else f"the length of {listed(truth.channels)}"
        text = f"{what} reads {span_text(found, unit)}."
    check = Check(
        *(name, step.name, subject, "pass", text, limit, found, unit),
        "Which one is off? Look at its zero first, then at its wire: buswright diagnose says more.",
    )
    return judged(step, check, good=good)


def _value(test: Tested, result: StepResult, name: str) -> float | None:
    """Return what a channel read on average, its zero added again: here the car is judged, not the sensor."""
    level, channel = result.levels.get(name), test.car.channels[name]
    if level is None or level.value is None or level.railed > 0.5:
        return None
    value = level.value + (channel.zero.add if channel.zero is not None else 0.0)
    first = test.car.channels[name].unit
    return float(units.convert(np.array(value), level.value_unit, first)) if level.value_unit != first else value


def meter_checks(test: Tested) -> Iterator[Check]:
    """Judge what was typed in."""
    for step, result in test.done("meter"):
        value = result.reading
        if value is None:
            continue
        ends = [
            f"at least {step.low:g}" if step.low is not None else "",
            f"at most {step.high:g}" if step.high is not None else "",
        ]
        low, high = -math.inf if step.low is None else step.low, math.inf if step.high is None else step.high
        resistance = step.unit.casefold() in ("ohm", "ohms")
        check = Check(
            *("meter", step.name, f"meter:{step.name}", "pass", f"{value:g} {step.unit} was read."),
            f"{' and '.join(end for end in ends if end)} {step.unit}".rstrip(),
            value,
            step.unit,
            TERMINATION if resistance else "Measure again at the plug. Then look at the wires between.",
            " ".join(cautions(step, test.car)),
        )
        yield judged(step, check, good=low <= value <= high)


def wiggle_checks(test: Tested) -> Iterator[Check]:
    """Judge each plug that was moved."""
    for step, result in test.done("wiggle"):
        for place in result.wiggle[1:]:
            likely = place.likely
            chance = "" if place.chance is None else f", by chance {place.chance:.2g}"
            said = f"{place.glitches} glitches in {place.seconds:.0f} s of moving it{chance}."
            check = Check(
                *("wiggle", step.name, f"plug:{place.place.removeprefix('plug ')}", "pass", said),
                "no more glitches than chance makes (1 %)",
                float(place.glitches),
                "glitches",
                result.advice,
            )
            yield judged(step, check, good=not likely)
