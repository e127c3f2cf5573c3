"""The answers to an exercise: which finding names what was put in, or why none does."""

from types import SimpleNamespace

from buswright.cli.demo.put_in import PutIn, answers
from buswright.diagnosis.case import Question, sighting
from buswright.findings import Rival, Severity


def found(fault, subject, explains=(), rivals=()):
    one = sighting(
        fault, Severity.FAULT, subject, count=1, confidence=0.9, evidence=(), threshold="", next_check="", rivals=rivals
    ).finding
    object.__setattr__(one, "explains", tuple(explains))
    return one


def said(known, findings=(), asked=()):
    (one,) = answers([known], SimpleNamespace(findings=findings, asked=asked))
    return one


def test_a_finding_that_names_it_or_explains_it_is_pointed_at():
    known = PutIn("open-circuit", "channel:a", ("plug:P1",))
    other, right = found("stuck", "channel:b"), found("open-circuit", "plug:P1")
    assert said(known, [other, right]).endswith("finding 2 names it")
    root = found("supply-lost", "supply:S", explains=[right])
    assert said(known, [root]).endswith("finding 1, supply-lost supply:S, explains it")


def test_a_rival_and_another_name_are_told_apart():
    known = PutIn("gain", "channel:a")
    rival = found("scale-or-unit", "channel:a", rivals=[Rival("gain", "channel:a", "no volts")])
    assert said(known, [rival]).endswith("finding 1 names it as what else it may be")
    assert said(known, [found("stuck", "channel:a")]).endswith("finding 1 gives it another name")
    assert said(known, [found("stuck", "channel:b")]).endswith("no finding names it")


def test_what_is_not_decided_says_why_and_what_would_have_shown():
    known = PutIn("gain", "channel:a")
    open_ = Question("channel:a", "scale", ("gain",), why="nothing else measures it", settles="Use a gauge.")
    assert said(known, asked=[open_]).endswith("nothing else measures it. To settle it: Use a gauge.")
    small = Question("channel:a", "scale", ("gain",), shows="a factor off by 12 %")
    assert said(known, asked=[small]).endswith("too small here. What would have shown: a factor off by 12 %")
