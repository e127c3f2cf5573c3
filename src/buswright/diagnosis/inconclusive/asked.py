"""All questions about the channels of a run, those that findings have answered left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from buswright.diagnosis.case import Case
from buswright.diagnosis.found import every
from buswright.diagnosis.inconclusive.codes import code_questions
from buswright.diagnosis.inconclusive.question import Asked, Question
from buswright.diagnosis.inconclusive.values import value_questions
from buswright.diagnosis.inconclusive.wires import wire_questions
from buswright.findings import Finding


def questions(case: Case, findings: Sequence[Finding]) -> tuple[Question, ...]:
    """Return what was asked of every channel, supply and ground, and how far the run answers it.

    Parameters
    ----------
    case
        What was measured; without channels nothing is asked.
    findings
        What was found: a fault that has a finding is no question any more.
    """
    asked = Asked.of(case)
    if asked is None:
        return ()
    said = {(each.fault, each.subject) for each in every(findings)}
    return tuple(
        one
        for one in (*wire_questions(asked), *code_questions(asked), *value_questions(asked))
        if not any((fault, one.subject) in said for fault in one.faults)
    )


def by_subject(asked: Sequence[Question]) -> Mapping[str, tuple[Question, ...]]:
    """Return questions by what they are about, in their order."""
    found: dict[str, list[Question]] = {}
    for one in asked:
        found.setdefault(one.subject, []).append(one)
    return {subject: tuple(those) for subject, those in found.items()}
