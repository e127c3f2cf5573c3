"""All questions about the channels of a run, those that findings have answered left out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

from buswright.diagnosis.case import About, Answers, Case, Question, Why
from buswright.diagnosis.found import every
from buswright.diagnosis.sensors.codes.decoding import order_answers, sign_answers
from buswright.diagnosis.sensors.disturbed.crosstalk import copy_answers
from buswright.diagnosis.sensors.disturbed.ground import ground_answers
from buswright.diagnosis.sensors.disturbed.noise import noise_answers
from buswright.diagnosis.sensors.disturbed.sag import supply_answers
from buswright.diagnosis.sensors.inputs.contacts import dropout_answers
from buswright.diagnosis.sensors.inputs.rails import wire_answers
from buswright.diagnosis.sensors.inputs.saturation import range_answers
from buswright.diagnosis.sensors.numbers.calibration import zero_answers
from buswright.diagnosis.sensors.numbers.exchanged import place_answers, sign_way_answers
from buswright.diagnosis.sensors.numbers.laws import factor_answers, unit_answers
from buswright.diagnosis.sensors.numbers.stuck import movement_answers
from buswright.findings import Finding

_NO_ROLE = Why(
    "no role says what it means, so that nothing can be held beside it",
    "Give it its role in the car file (`buswright guide car-file`).",
)


def _role_answers(case: Case) -> Answers:
    return {each.subject: _NO_ROLE for each in case.measured if each.role is None}


class _Asked(NamedTuple):
    """What is asked, the faults that it is about, and who answers it."""

    about: About
    faults: str
    answers: Callable[[Case], Answers]


ASKED = (
    (
        _Asked("wire", "open-circuit short-to-ground short-to-supply", wire_answers),
        _Asked("dropouts", "loose-contact chafed-wire", dropout_answers),
        _Asked("noise", "ignition-noise", noise_answers),
        _Asked("cross-talk", "cross-talk", copy_answers),
        _Asked("range", "saturated", range_answers),
    ),
    (_Asked("supply", "supply-sag", supply_answers),),
    (_Asked("ground", "ground-shift", ground_answers),),
    (
        _Asked("movement", "stuck", movement_answers),
        _Asked("byte order", "byte-order", order_answers),
        _Asked("sign bit", "signedness", sign_answers),
    ),
    (
        _Asked("role", "offset drift gain unit-mixup scale-or-unit sign-flipped swapped-channels", _role_answers),
        _Asked("zero", "offset drift", zero_answers),
        _Asked("scale", "gain", factor_answers),
        _Asked("unit", "unit-mixup scale-or-unit", unit_answers),
        _Asked("sign", "sign-flipped", sign_way_answers),
        _Asked("place", "swapped-channels", place_answers),
    ),
)
"""Everything that is asked; what stands together is asked of one channel after the other."""


def questions(case: Case, findings: Sequence[Finding]) -> tuple[Question, ...]:
    """Return what was asked of every channel, supply and ground, and how far the run answers it.

    Parameters
    ----------
    case
        What was measured; without channels nothing is asked.
    findings
        What was found: a fault that has a finding is no question any more.
    """
    said = {(each.fault, each.subject) for each in every(findings)}
    return tuple(
        one
        for together in ASKED
        for one in _of(case, together)
        if not any((fault, one.subject) in said for fault in one.faults)
    )


def _of(case: Case, together: Sequence[_Asked]) -> Iterator[Question]:
    answered = [(one, one.answers(case)) for one in together]
    subjects = [each.subject for each in case.measured]
    for subject in dict.fromkeys([*subjects, *(subject for _, found in answered for subject in found)]):
        for one, found in answered:
            if subject in found:
                yield Question.of(subject, one.about, one.faults, found[subject])


def by_subject(asked: Sequence[Question]) -> Mapping[str, tuple[Question, ...]]:
    """Return questions by what they are about, in their order."""
    found: dict[str, list[Question]] = {}
    for one in asked:
        found.setdefault(one.subject, []).append(one)
    return {subject: tuple(those) for subject, those in found.items()}
