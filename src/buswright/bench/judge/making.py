"""What all judges share: making checks, and what stands behind a limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from buswright.bench.plan.model import Plan, Step, StepKind, Truth
from buswright.bench.result import Check, StepResult, Verdict
from buswright.channels import units
from buswright.channels.carfile.model import CarFile


@dataclass(frozen=True, slots=True)
class Tested:
    """What is judged: the plan, the car file of the module, and what every step has shown."""

    plan: Plan
    car: CarFile
    results: Mapping[str, StepResult]

    def done(self, *kinds: StepKind, channel: str = "") -> list[tuple[Step, StepResult]]:
        """Return the steps of these kinds that were done, in the order of the plan; of one channel, where given."""
        return [
            (step, self.results[step.name])
            for step in self.plan.steps
            if step.kind in kinds and (not channel or step.channel == channel)
            if self.results[step.name].state == "done"
        ]

    @property
    def rest(self) -> StepResult | None:
        """The latest step in which everything was at rest."""
        return next((result for _, result in reversed(self.done("listen"))), None)

    def limit_words(self, name: str, text: str, channel: str = "") -> str:
        """Say a limit and where it comes from: `text` holds it with its unit."""
        return f"{text} ({name}; {self.plan.said_by(name, channel)})"


def judged(
    step: Step,
    good: bool,
    name: str,
    subject: str,
    said: str,
    limit: str = "",
    value: float | None = None,
    unit: str = "",
    next_check: str = "",
    caution: str = "",
    *,
    required: bool = True,
) -> Check:
    """Make a check with its verdict; what to do is said where it fails, and whether it counts is the step's too."""
    verdict: Verdict = "pass" if good else "fail"
    to_do = ("", "") if good else (next_check, caution)
    return Check(name, step.name, subject, verdict, said, limit, value, unit, *to_do, required and step.required)


def ends_of(one: Step | Truth, unit: str) -> tuple[str, float, float]:
    """Return what a number must be in words, and its ends; infinite where there is none."""
    ends = [f"{word} {end:g}" for word, end in (("at least", one.low), ("at most", one.high)) if end is not None]
    low, high = -math.inf if one.low is None else one.low, math.inf if one.high is None else one.high
    return f"{' and '.join(ends)} {units.shown(unit)}", low, high


def unjudged(name: str, step: Step, subject: str, why: str) -> Check:
    """Say that something can't be judged, and why."""
    return Check(name, step.name, subject, "not judged", why, required=step.required)


def span_text(value: float, unit: str) -> str:
    """Write a number with its unit, four digits."""
    return f"{value:.4g} {units.shown(unit)}".rstrip()
