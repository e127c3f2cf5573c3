"""What all judges share: making checks, and what stands behind a limit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from buswright.bench.plan.model import Plan, Step, StepKind
from buswright.bench.result import Check, StepResult, Verdict
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


def judged(step: Step, check: Check, *, good: bool) -> Check:
    """Give a check its verdict; whether it counts is the step's."""
    verdict: Verdict = "pass" if good else "fail"
    kept = check if not good else replace(check, next_check="", caution="")
    return replace(kept, verdict=verdict, step=step.name, required=check.required and step.required)


def unjudged(name: str, step: Step, subject: str, why: str) -> Check:
    """Say that something can't be judged, and why."""
    return Check(name, step.name, subject, "not judged", why, required=step.required)


def span_text(value: float, unit: str) -> str:
    """Write a number with its unit, four digits."""
    return f"{value:.4g} {unit}".rstrip()
