"""Every check of a bench test, in the order of its steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from buswright.bench.judge.inputs import input_checks
from buswright.bench.judge.lines import line_of
from buswright.bench.judge.making import Tested
from buswright.bench.judge.power import power_checks
from buswright.bench.judge.talk import talk_checks
from buswright.bench.judge.truths import meter_checks, truth_checks, wiggle_checks
from buswright.bench.plan.model import WIRED, Plan
from buswright.bench.result import Check, Line, StepResult
from buswright.channels.carfile.model import CarFile

Judged = tuple[tuple[Check, ...], tuple[Line, ...], Mapping[str, Mapping[str, float]]]


def judge_all(plan: Plan, car: CarFile, results: Sequence[StepResult]) -> Judged:
    """Judge what the steps have shown so far.

    Returns
    -------
    checks
        In the order of the steps; a step that was skipped or never done has one line that says so. When nobody
        acknowledges, nothing else is judged: the numbers mean nothing then.
    lines
        Of the inputs with known values.
    fingerprints
        By channel and kind, what a broken input read, in the sensor's unit.
    """
    test = Tested(plan, car, {each.step: each for each in results})
    talk = list(talk_checks(test))
    found = [*meter_checks(test), *talk]
    if not any(check.name == "acknowledged" for check in talk):
        found += [*truth_checks(test), *input_checks(test), *power_checks(test), *wiggle_checks(test)]
    for step in plan.steps:
        result = test.results[step.name]
        if result.state == "skipped":
            said = f"Skipped: {result.reason}"
            found.append(Check("step", step.name, f"step:{step.name}", "skipped", said, required=step.required))
        elif result.state == "open":
            said = "It was not done."
            found.append(Check("step", step.name, f"step:{step.name}", "not done", said, required=step.required))
    order = {step.name: number for number, step in enumerate(plan.steps)}
    checks = tuple(sorted(found, key=lambda check: order[check.step]))
    lines = [line_of(test, planned) for planned in plan.inputs.values()]
    prints: dict[str, dict[str, float]] = {}
    for step, result in test.done(*WIRED):
        level = result.levels.get(step.channel)
        if level is not None and level.electrical:
            prints.setdefault(step.channel, {})[step.kind] = level.mean
    return checks, tuple(line for line in lines if line.points), prints
