"""Where the evidence fits two causes the finding names both, why they can't be told apart, and one check that does."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.diagnosis.case import Sighting, sighting
from buswright.diagnosis.inconclusive.rivals import with_rivals
from buswright.diagnosis.sensors.inputs.rails import rail_sightings
from buswright.findings import Severity
from buswright.health.channels.evidence import ChannelEvidence

from ..sensors.synthetic import case_of, made, sensor


def said(fault: str, subject: str, severity: Severity = Severity.SUSPECT, reach: tuple[str, ...] = ()) -> Sighting:
    return sighting(
        fault, severity, subject, count=1, confidence=0.6, evidence=("seen",), threshold="a limit", next_check="look",
        reach=reach,
    )  # fmt: skip


def stood_at(volts: float, **keys: str) -> ChannelEvidence:
    levels = 2.5 + 0.3 * np.sin(np.arange(600) / 20)
    levels[300:] = volts
    return made("oil", levels, kind=sensor(**keys))


def test_a_wire_of_which_nobody_says_what_it_reads_open_has_the_short_as_its_rival():
    one = stood_at(4.98)
    (found,) = (each.finding for each in rail_sightings(case_of(one)))
    (rival,) = found.rivals
    assert {found.fault, rival.fault} == {"open-circuit", "short-to-supply"}
    assert rival.subject == found.subject == "channel:oil"
    assert "open_reads" in rival.why
    assert found.inconclusive
    assert "If it stays" in found.next_check or "2.5 V" in found.next_check


def test_a_wire_whose_bias_is_known_has_none():
    (found,) = (each.finding for each in rail_sightings(case_of(stood_at(4.98, open_reads="high"))))
    assert found.fault == "open-circuit"
    assert found.rivals == ()


@pytest.mark.parametrize(
    ("fault", "other"), [("gain", "scale-or-unit"), ("scale-or-unit", "gain"), ("unit-mixup", "scale-or-unit")]
)
def test_a_factor_without_volts_may_be_the_databases_or_the_sensors(fault, other):
    number, volts = made("speed", np.linspace(0, 50, 300)), made("oil", np.linspace(1, 3, 300), kind=sensor())
    case = case_of(number, volts)
    assert [each.fault for each in with_rivals(case, said(fault, "channel:speed")).finding.rivals] == [other]
    assert with_rivals(case, said(fault, "channel:oil")).finding.rivals == ()
    assert with_rivals(case, said(fault, "channel:nobody")).finding.rivals == ()


def test_of_two_that_go_against_each_other_the_other_one_is_the_rival_unless_a_third_agrees():
    case, both = case_of(), ("channel:yaw",)
    (rival,) = with_rivals(case, said("sign-flipped", "channel:lat", reach=both)).finding.rivals
    assert (rival.fault, rival.subject) == ("sign-flipped", "channel:yaw")
    assert with_rivals(case, said("sign-flipped", "channel:lat", Severity.FAULT, both)).finding.rivals == ()
