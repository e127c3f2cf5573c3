"""The evaluator judges as it says, a small set of cases runs through the command, and the big run prints its figures.

BUSWRIGHT_CARS_SEEDS and BUSWRIGHT_CARS_MINUTES change the big run, and BUSWRIGHT_CARS_RESULTS names a file for it.
"""

import json
import os
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest

from tests.cars.cases import COMBINED, EVALUATION, INJECTORS, KINDS, STYLES, Case
from tests.cars.evaluate import (
    Answer,
    Asked,
    Said,
    by_command,
    case_tasks,
    evaluate,
    judge,
    numbers,
    read_findings,
    report,
)
from tests.diagnosis.reliability import Stated
from tests.diagnosis.test_confidence import overstated

SMALL = [("open-circuit", "club", 0), ("supply-lost", "francais", 1), ("module-reset", "prefixed", 1)]


def _case(**changes) -> Case:
    values = {
        "name": "open-circuit", "style": "club", "seed": 0, "capture": Path(), "databases": (), "car_file": Path(),
        "fault": "open-circuit", "subject": "channel:a", "also": {("short-to-ground", "channel:a"): "looks alike"},
        "touched": frozenset({"channel:a", "plug:P1"}), "symptoms": frozenset(), "start": 0.0, "end": None,
        "detectable": True, "why": "", "small": False, "combined": False, "least": "suspect",
        "level": 0.5, "seconds": 60.0,
        "remarks": frozenset({("host-timestamps", "bus:b")}),
    }  # fmt: skip
    return Case(**(values | changes))


def _said(*answers: Answer, asked: tuple[Asked, ...] = ()) -> Said:
    return Said(answers, asked)


def test_the_true_answer_and_its_equals_are_right_first():
    for fault in ("open-circuit", "short-to-ground"):
        out = judge(_case(), _said(Answer(fault, "channel:a", "fault", 0.9)))
        assert out.first_right
        assert not out.wrong_blame


def test_a_healthy_thing_above_the_true_cause_is_wrong_blame_and_below_it_is_not():
    true, other = Answer("open-circuit", "channel:a", "fault", 0.9), Answer("stuck", "channel:b", "suspect", 0.6)
    assert judge(_case(), _said(other, true)).wrong_blame
    assert judge(_case(), _said(other)).wrong_blame
    below = judge(_case(), _said(true, other))
    assert below.first_right
    assert not below.wrong_blame


def test_another_fault_on_the_broken_thing_is_not_right_but_no_wrong_blame():
    out = judge(_case(), _said(Answer("stuck", "channel:a", "fault", 0.9)))
    assert not out.first_right
    assert not out.found
    assert not out.wrong_blame


def test_notes_and_what_is_true_of_the_capture_are_not_heard():
    out = judge(
        _case(), _said(Answer("host-timestamps", "bus:b", "suspect", 1.0), Answer("stuck", "channel:b", "note", 0.5))
    )
    assert out.answers == []
    overdue = _case(fault="calibration-overdue", least="note", also={})
    assert judge(overdue, _said(Answer("calibration-overdue", "channel:a", "note", 1.0))).first_right


def test_a_symptom_above_its_root_counts_against_it():
    case = _case(combined=True, fault="supply-lost", subject="supply:S", symptoms=frozenset({"channel:a"}), also={})
    root, symptom = Answer("supply-lost", "supply:S", "fault", 0.9), Answer("open-circuit", "channel:a", "fault", 0.9)
    assert judge(case, _said(root, symptom)).above_symptoms
    assert not judge(case, _said(symptom, root)).above_symptoms
    assert not judge(case, _said(symptom)).above_symptoms


def test_what_cannot_be_decided_is_right_only_where_the_answer_says_so():
    hidden = _case(detectable=False, why="no good run")
    open_ = Asked(("open-circuit", "short-to-ground"), ("channel:x", "channel:a"), True)
    assert not judge(hidden, _said()).honest
    assert judge(hidden, _said(asked=(open_,))).honest
    assert not judge(hidden, _said(asked=(replace(open_, subjects=("channel:x",)),))).honest
    assert not judge(hidden, _said(asked=(replace(open_, faults=("offset",)),))).honest
    assert not judge(hidden, _said(Answer("stuck", "channel:b", "fault", 0.9), asked=(open_,))).honest
    rival = Answer("short-to-supply", "plug:P1", "suspect", 0.5, rivals=(("open-circuit", "channel:a"),))
    assert judge(hidden, _said(rival)).honest


def test_a_size_that_would_show_is_an_answer_only_for_what_is_too_small():
    named = Asked(("open-circuit",), ("channel:a",), False)
    assert judge(_case(detectable=False, why="too small", small=True), _said(asked=(named,))).honest
    assert not judge(_case(detectable=False, why="no role"), _said(asked=(named,))).honest


def test_findings_are_read_with_all_that_they_explain():
    inner = {"fault": "stuck", "subject": "channel:c", "explains": []}
    outer = {"fault": "open-circuit", "subject": "channel:a", "explains": [inner]}
    root = {"fault": "supply-lost", "subject": "supply:S", "severity": "fault", "confidence": 1, "explains": [outer]}
    question = {"faults": ["offset"], "subjects": ["channel:a"], "open": True, "why": "no good run"}
    said = read_findings(json.dumps({"findings": [root], "asked": [question]}))
    assert said.asked == (Asked(("offset",), ("channel:a",), True),)
    (answer,) = said.answers
    assert answer.explains == (("open-circuit", "channel:a"), ("stuck", "channel:c"))


def test_seeds_and_styles_are_dealt_in_turn():
    assert numbers("0-2,7") == [0, 1, 2, 7]
    tasks = case_tasks(["stuck", "gain"], [0, 1], list(STYLES), every_style=False)
    assert [(name, seed) for name, _, seed in tasks] == [("stuck", 0), ("stuck", 1), ("gain", 0), ("gain", 1)]
    assert len({style for _, style, _ in tasks}) > 1
    assert len(case_tasks(["stuck"], [0], list(STYLES), every_style=True)) == len(STYLES)


def test_the_report_counts_what_was_judged():
    good = judge(_case(), _said(Answer("open-circuit", "channel:a", "fault", 0.95)))
    bad = judge(_case(), _said(Answer("stuck", "channel:b", "fault", 0.95)))
    hidden = judge(_case(detectable=False, why="too small"), _said())
    alarm = judge(
        _case(name="clean", fault="", subject="", also={}, seconds=1800.0),
        _said(Answer("stuck", "channel:b", "suspect", 0.6)),
        "run",
    )
    text = report([good, bad, hidden], [alarm])
    assert "right fault on right subject first    1 of 2 = 50.0 %" in text
    assert "wrong blame, all cases                1 of 3 = 33.3 %" in text
    assert "1 in 0.50 h = 2.00 per hour" in text


def test_a_small_set_goes_through_the_command():
    cases, clean = evaluate(SMALL, [("club", 0, 0.5, "idle")], by_command, jobs=2)
    print(report(cases, clean))
    assert len(cases) == len(SMALL)
    assert not [outcome.error for outcome in [*cases, *clean] if outcome.error]


@pytest.mark.acceptance
def test_the_figures_of_the_evaluation_seeds():
    seeds = numbers(os.environ.get("BUSWRIGHT_CARS_SEEDS", f"{EVALUATION.start}-{EVALUATION.start + 11}"))
    minutes = float(os.environ.get("BUSWRIGHT_CARS_MINUTES", "4"))
    tasks = case_tasks(list(INJECTORS), seeds, list(STYLES), every_style=False)
    runs = [(style, seeds[0], minutes, kind) for style in STYLES for kind in KINDS]
    cases, clean = evaluate(tasks, runs, partial(by_command), jobs=os.cpu_count() or 1)
    text = report(cases, clean)
    print(text)
    results = os.environ.get("BUSWRIGHT_CARS_RESULTS")
    if results:
        Path(results).write_text(text, encoding="utf-8")
    assert not [outcome.error for outcome in [*cases, *clean] if outcome.error]


@pytest.mark.acceptance
def test_channel_findings_are_right_as_often_as_they_say():
    seeds = numbers(os.environ.get("BUSWRIGHT_CARS_SEEDS", f"{EVALUATION.start + 20}-{EVALUATION.start + 23}"))
    tasks = case_tasks([name for name in INJECTORS if name not in COMBINED], seeds, list(STYLES), every_style=False)
    cases, _ = evaluate(tasks, [], by_command, jobs=os.cpu_count() or 1)
    stated = [
        Stated(case.name, case.seed, one.fault, one.subject, one.confidence, one.right)
        for case in cases
        for one in case.answers
        if one.severity != "note" and one.subject.startswith(("channel:", "supply:", "ground:", "plug:"))
    ]
    assert len(stated) > 50
    assert overstated(stated) == []
