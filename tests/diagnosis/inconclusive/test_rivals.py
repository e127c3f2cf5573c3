"""Where the evidence fits two causes the finding names both, why they can't be told apart, and one check that does."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.diagnosis.case import Case, Sighting, sighting
from buswright.diagnosis.inconclusive.rivals import with_rivals
from buswright.diagnosis.sensors.inputs.rails import rail_sightings
from buswright.findings import Rival, Severity
from buswright.health.channels.evidence import ChannelEvidence

from ..made import counter, health, identifier
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
    assert (
        with_rivals(case, said("sign-flipped", "channel:lat", reach=("channel:yaw", "channel:x"))).finding.rivals == ()
    )
    assert with_rivals(case, said("sign-flipped", "channel:lat")).finding.rivals == ()
    own = with_rivals(case, said("sign-flipped", "channel:lat", reach=("channel:lat", "channel:yaw")))
    assert [each.subject for each in own.finding.rivals] == ["channel:yaw"], "it is no rival of itself"


@pytest.mark.parametrize(
    ("fault", "others"),
    [("scale-or-unit", ["byte-order", "gain"]), ("gain", ["scale-or-unit"]), ("unit-mixup", ["scale-or-unit"])],
)
def test_only_a_wrong_scale_may_be_bytes_in_the_wrong_order(fault: str, others: list[str]) -> None:
    """Three codes that differ in the low byte: the other way round they are three values of the high one."""
    case = case_of(made("speed", np.tile([10.0, 10.001, 10.002], 200)))
    found = with_rivals(case, said(fault, "channel:speed")).finding
    assert [each.fault for each in found.rivals] == others
    assert {each.subject for each in found.rivals} == {"channel:speed"}
    if "byte-order" in others:
        assert found.rivals[0].why == "read the other way its high byte takes about 3 values: too few to tell"
    assert found.rivals[-1].why == (
        "the module sends no volts, so a wrong scale in the database and a sensor that is off look alike"
    )
    module = with_rivals(case, said(fault, "module:speed")).finding
    assert module.rivals == (), "of a module there is no channel"


@pytest.mark.parametrize(("fault", "other"), [("frames-lost", "sender-skips"), ("sender-skips", "frames-lost")])
def test_without_a_counter_lost_and_never_sent_look_alike(fault: str, other: str) -> None:
    case = Case(health([identifier(0x100), identifier(0x200, counter=counter())]))
    assert with_rivals(case, said(fault, "id:main/100")).finding.rivals == (
        Rival(other, "id:main/100", "it has no message counter that shows whether the frames were sent"),
    )
    assert with_rivals(case, said(fault, "id:main/200")).finding.rivals == ()
    assert with_rivals(case, said(fault, "id:main/300")).finding.rivals == ()


def test_a_detector_that_names_rivals_itself_is_left_alone_and_so_is_another_fault() -> None:
    case, own = Case(health([identifier(0x100)])), Rival("capture-drop", "capture", "it says so")
    named = sighting(
        "frames-lost", Severity.SUSPECT, "id:main/100", count=1, confidence=0.6, evidence=(), threshold="",
        next_check="look", rivals=(own,),
    )  # fmt: skip
    assert with_rivals(case, named) is named
    other = said("late-frames", "id:main/100")
    assert with_rivals(case, other) is other
