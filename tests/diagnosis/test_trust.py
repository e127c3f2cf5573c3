"""How far a channel can be trusted: by its findings, its samples, and what brings it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.samples.series import Quality
from buswright.diagnosis.case import sighting
from buswright.diagnosis.trust import counts, trust
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence

from .sensors.synthetic import case_of, made, sensor


def found(fault: str, severity: Severity, subject: str, explains: tuple[Finding, ...] = ()) -> Finding:
    one = sighting(
        fault, severity, subject, count=1, confidence=0.9, evidence=("seen",), threshold="a limit", next_check="look"
    )
    return replace(one.finding, explains=explains)


def pressure(bad: int = 0) -> ChannelEvidence:
    one = made("oil", 2.0 + 0.1 * np.sin(np.arange(500) / 9), kind=sensor(), module="node")
    if bad:
        quality = np.zeros(500, dtype=np.uint16)
        quality[100 : 100 + bad] = Quality.ELECTRICAL_RAIL
        one = replace(one, series=replace(one.series, quality=quality))
    return one


def state(one: ChannelEvidence, *findings: Finding) -> tuple[str, str]:
    (judged,) = trust(case_of(one), findings)
    return judged.state, judged.why


@pytest.mark.parametrize(("severity", "wanted"), [(Severity.FAULT, "failed"), (Severity.SUSPECT, "suspect")])
def test_a_finding_of_its_own_decides(severity, wanted):
    assert state(pressure(), found("stuck", severity, "channel:oil")) == (wanted, "stuck channel:oil")


def test_a_finding_that_another_explains_names_both():
    below = found("short-to-ground", Severity.FAULT, "channel:oil")
    root = found("supply-lost", Severity.FAULT, "supply:5V-A", explains=(below,))
    assert state(pressure(), root) == ("failed", "short-to-ground channel:oil, explained by supply-lost supply:5V-A")


def test_a_note_and_a_finding_of_another_channel_leave_it_fine():
    said = (found("stuck", Severity.NOTE, "channel:oil"), found("stuck", Severity.FAULT, "channel:other"))
    assert state(pressure(), *said)[0] == "fine"


def test_bad_samples_alone_make_it_suspect_and_half_of_them_failed():
    assert state(pressure(bad=5)) == (
        "suspect",
        "5 bad samples (1.00 %): input at or beyond its healthy volts: wiring fault",
    )
    assert state(pressure(bad=250))[0] == "failed"
    (judged,) = trust(case_of(pressure(bad=5)), ())
    assert judged.since_ns == int(pressure().series.time_ns[100])
    assert judged.share == 0.01


def test_a_fault_of_what_brings_it_makes_it_suspect_through_that():
    (judged,) = trust(case_of(pressure()), (found("module-reset", Severity.FAULT, "module:node"),))
    assert (judged.state, judged.through) == ("suspect", "module:node")
    assert state(pressure(), found("module-reset", Severity.FAULT, "module:another"))[0] == "fine"


def test_a_plug_of_the_same_name_at_another_module_says_nothing():
    wires = {"plug": "C1"}
    here = made("oil", 2.0 + 0.1 * np.sin(np.arange(500) / 9), kind=sensor(), module="front", wiring=wires)
    beside = made("fuel", here.quantity, kind=sensor(), module="front", wiring=wires)
    there = made("water", here.quantity, kind=sensor(), module="rear", wiring=wires)
    open_wire = found("open-circuit", Severity.FAULT, "channel:oil")
    plug = found("open-circuit", Severity.FAULT, "plug:C1", explains=(open_wire,))
    states = {one.channel: one.state for one in trust(case_of(here, beside, there), (plug,))}
    assert states == {"oil": "failed", "fuel": "suspect", "water": "fine"}


@pytest.mark.parametrize(("fault", "subject"), [("clock-jump", "capture"), ("bus-overload", "bus:main")])
def test_what_leaves_values_right_says_nothing_against_a_channel(fault, subject):
    assert state(pressure(), found(fault, Severity.FAULT, subject))[0] == "fine"


def test_what_cannot_be_judged_says_why_and_all_are_counted():
    gear = made("gear", np.ones(100))
    gear = replace(gear, series=replace(gear.series, kind="state"))
    case = case_of(pressure(), gear)
    assert case.channels is not None
    case = replace(case, channels=replace(case.channels, absent=("gone",)))
    judged = trust(case, ())
    assert {one.channel: one.state for one in judged} == {"oil": "fine", "gear": "not judged", "gone": "not judged"}
    assert counts(judged) == {"failed": 0, "suspect": 0, "not judged": 2, "fine": 1}
