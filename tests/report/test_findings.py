"""What is said of a finding in a few words, and in which order the rest follows."""

from dataclasses import replace

import pytest

from buswright.diagnosis.detected import DETECTED
from buswright.findings import FAULTS, Condition, Finding, Severity
from buswright.report.findings import condition_cells, condition_words, finding_lines, headline
from buswright.wording import times

CONDITIONS = (
    Condition("position", "steer", "while steer was above 85 deg", 9, 10, 0.1, 9.0, 1e-7, clear=True),
    Condition("time", "", "after the first 60 s", 6, 10, 0.5, 1.2, 0.8, clear=False),
    Condition("engine speed", "engine speed", "while engine speed was above 9 rpm", 3, 10, 0.2, 1.5, 1.0, clear=False),
)  # fmt: skip


def finding(fault, subject, count=1):
    return Finding(
        *(fault, FAULTS[fault], Severity.FAULT, subject, 0, 10**9, count, 0.934, ("It was seen.",), "limit = 3"),
        ruled_out=("Not something else.",),
        next_check="Look at the plug.",
        caution="Engine off.",
    )


@pytest.mark.parametrize(
    ("fault", "subject", "count", "says"),
    [
        ("module-reset", "module:damper_node", 3, "damper_node restarted 3 times"),
        ("id-missing", "id:chassis/1A0", 2, "chassis/1A0 went silent twice"),
        ("id-missing", "id:chassis/1A0", 1, "chassis/1A0 went silent"),
        ("bus-overload", "bus:chassis", 40, "the chassis bus is overloaded"),
        ("frames-lost", "id:can0/0A0", 5, "frames of can0/0A0 were lost"),
        ("bad-lines", "capture", 9, "lines of the capture could not be read"),
    ],
)
def test_a_headline_says_what_happened_to_what(fault, subject, count, says):
    assert headline(finding(fault, subject, count)) == says


def test_every_headline_can_be_written():
    assert all("{" not in headline(finding(fault, "id:a/1", 2)) for fault in DETECTED)


def test_how_often_in_words():
    assert [times(number) for number in (1, 2, 3, 4000)] == ["once", "twice", "3 times", "4,000 times"]


def test_what_to_do_comes_first_then_safety_then_what_was_seen_and_the_limit_last():
    lines = finding_lines(finding("id-missing", "id:chassis/1A0", 2), 1, 0, 100)
    labels = [line[5:16].strip() for line in lines[1:]]
    assert labels == ["check", "SAFETY", "seen", "ruled out", "limit"]
    shown = finding_lines(replace(finding("id-missing", "id:chassis/1A0", 2), conditions=CONDITIONS), 1, 0, 200)
    assert [line[5:16].strip() for line in shown[1:]] == ["check", "SAFETY", "seen", "when", "", "ruled out", "limit"]
    assert lines[0].endswith("(0.00-1.00 s, twice, sure (93 %))")


def test_conditions_are_told_where_chance_is_ruled_out_and_named_where_it_is_not():
    said = condition_words(replace(finding("loose-contact", "channel:a"), conditions=CONDITIONS))
    assert said == [
        (
            "9 of 10 occasions came while steer was above 85 deg. That was 10.0 % of the time, so it is 9.0 times the "
            "run's average (by chance in less than one case of a million)."
        ),
        "No clear link with time and engine speed.",
    ]
    assert condition_words(finding("loose-contact", "channel:a")) == []
    assert condition_cells(CONDITIONS[1]) == ("time", "after the first 60 s", "6 of 10", "50.0 %", "1.2", "0.8")
