"""What a diagnosis made of faults that were put into a run on purpose: the answers to an exercise."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import NamedTuple

from buswright.diagnosis.found import every
from buswright.findings import Finding
from buswright.report.health.report import HealthReport


class PutIn(NamedTuple):
    """A fault that is known to be there: its name as a finding, its subject, and others that it may be said of."""

    fault: str
    subject: str
    related: Collection[str] = ()


def answers(known: Sequence[PutIn], report: HealthReport) -> Iterator[str]:
    """Yield a sentence for each: which finding names it, or why none does and what would settle it."""
    for one in known:
        yield f"{one.fault} {one.subject}: {_answer(one, report)}"


def _answer(one: PutIn, report: HealthReport) -> str:
    subjects = {one.subject, *one.related}

    def names(finding: Finding) -> bool:
        return finding.fault == one.fault and finding.subject in subjects

    for number, root in enumerate(report.findings, 1):
        if names(root):
            return f"finding {number} names it"
        if any(names(each) for each in every(root.explains)):
            return f"finding {number}, {root.fault} {root.subject}, explains it"
        if any(rival.fault == one.fault and rival.subject in subjects for rival in root.rivals):
            return f"finding {number} names it as what else it may be"
    for asked in report.asked:
        if asked.subject in subjects and one.fault in asked.faults:
            if asked.is_open:
                return f"not decided by this run, {asked.why}. To settle it: {asked.settles}"
            return f"too small here. What would have shown: {asked.shows}"
    other = next((n for n, root in enumerate(report.findings, 1) if root.subject in subjects), None)
    return f"finding {other} gives it another name" if other is not None else "no finding names it"
