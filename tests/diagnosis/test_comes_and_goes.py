"""Conditions of whatever comes and goes: of a channel, of what channels share, of a module."""

from dataclasses import replace

import numpy as np

from buswright.diagnosis.case import SECOND, Window, sighting
from buswright.diagnosis.sensors.conditions import with_conditions, with_conditions_of
from buswright.findings import Severity

from .sensors.synthetic import case_of, made

HZ = 20.0
SECONDS = np.arange(0, 120, 1 / HZ)
ANGLE = 90 * np.sin(SECONDS / 3)


def car():
    steer = made("steer", ANGLE, hz=HZ, unit="deg", role="steering_angle")
    return case_of(made("fuel", 3 + 0.0 * SECONDS, hz=HZ, wiring={"plug": "C1"}), steer)


def seen(case, subject, rows, fault="loose-contact", **options):
    times = case.channels["steer"].series.time_ns[np.asarray(rows)].tolist()
    return sighting(
        fault, Severity.SUSPECT, subject, windows=[Window(at, at + SECOND // 10) for at in times], count=len(times),
        confidence=0.9, evidence=["x"], threshold="x", next_check="x", **options,
    )  # fmt: skip


def far_right(count=12):
    return np.sort(np.random.default_rng(3).choice(np.flatnonzero(ANGLE > 80), count, replace=False))


def test_what_gathers_at_one_end_of_the_steering_says_so_whatever_it_concerns():
    case = car()
    for subject in ("channel:fuel", "plug:C1", "module:node"):
        found = with_conditions(case, seen(case, subject, far_right())).finding.conditions
        assert (found[0].about, found[0].by, found[0].clear) == ("position", "steer", True)
        assert found[0].inside == found[0].occasions
        assert found[0].lift > 3
        assert len({each.about for each in found}) == len(found)


def test_what_came_once_or_twice_says_nothing():
    case = car()
    one = seen(case, "channel:fuel", far_right(2))
    assert with_conditions(case, one) is one


def test_a_run_without_channels_says_nothing():
    case = car()
    one = seen(case, "channel:fuel", far_right())
    assert with_conditions(replace(case, channels=None), one) is one


def test_conditions_are_handed_on_to_the_same_finding_measured_anew():
    case = car()
    before = with_conditions(case, seen(case, "module:node", far_right(), "module-reset"))
    same, other = (seen(case, f"module:{name}", far_right(2), "module-reset") for name in ("node", "else"))
    first, second = with_conditions_of([same, other], [before])
    assert first.finding.conditions == before.finding.conditions != ()
    assert second is other
