"""How far a channel can be trusted: by its findings, its samples, and what brings it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Channel, FrameName
from buswright.channels.formula.parse import parse_formula
from buswright.channels.samples.series import Quality
from buswright.diagnosis.case import Case, Question, sighting
from buswright.diagnosis.trust import Trust, counts, judged_of, trust
from buswright.findings import Finding, Severity
from buswright.health.channels.evidence import ChannelEvidence

from .made import car_of
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


# By hand --------------------------------------------------------------------------------------------------------------


def judged(case: Case, *findings: Finding, asked: tuple[Question, ...] = ()) -> dict[str, Trust]:
    return {one.channel: one for one in trust(case, findings, asked)}


def test_the_gravest_finding_of_its_own_decides_and_names_its_root():
    note, grave = found("drift", Severity.NOTE, "channel:oil"), found("stuck", Severity.FAULT, "channel:oil")
    root = found("supply-lost", Severity.SUSPECT, "supply:5V-A", explains=(grave,))
    one = judged(case_of(pressure(bad=5)), note, root)["oil"]
    assert (one.state, one.finding, one.root) == ("failed", grave, root)
    assert (one.samples, one.bad, one.share, one.since_ns, one.through) == (500, 5, 0.01, 2_000_000_000, "")


def test_a_note_stays_with_the_channel_that_is_fine_or_has_bad_samples():
    note = found("drift", Severity.NOTE, "channel:oil")
    fine, bad = judged(case_of(pressure()), note)["oil"], judged(case_of(pressure(bad=5)), note)["oil"]
    assert (fine.state, fine.finding, fine.root, fine.since_ns, fine.share) == ("fine", note, note, None, 0.0)
    assert (bad.state, bad.finding, bad.bad) == ("suspect", note, 5)
    # A note of its own is looked at before what brings it.
    brought = judged(case_of(pressure()), note, found("module-reset", Severity.FAULT, "module:node"))["oil"]
    assert (brought.state, brought.finding, brought.root) == ("fine", note, note)


@pytest.mark.parametrize(("bad", "wanted"), [(249, "suspect"), (250, "failed")])
def test_half_of_the_samples_bad_is_a_failure(bad, wanted):
    assert state(pressure(bad=bad))[0] == wanted


def test_no_samples_have_no_share():
    assert Trust("a", "not judged", "").share == 0.0


@pytest.mark.parametrize(
    ("subject", "through"),
    [
        ("module:node", "suspect"),
        ("bus:main", "suspect"),
        ("capture", "suspect"),
        ("id:main/100", "suspect"),
        ("supply:5V-A", "suspect"),
        ("ground:G1", "suspect"),
        ("plug:C1", "suspect"),
        ("supply:5V-B", "fine"),
        ("id:main/101", "fine"),
        ("bus:other", "fine"),
    ],
)
def test_what_brings_a_channel_is_its_frame_module_bus_and_wiring(subject, through):
    wires = {"supply": "5V-A", "ground": "G1", "plug": "C1"}
    one = made("oil", 2.0 + 0.1 * np.sin(np.arange(500) / 9), kind=sensor(), wiring=wires)
    one = replace(one, frame=FrameName("main", 0x100, False))
    finding = found("segment-open", Severity.FAULT, subject)
    it = judged(case_of(one), finding)["oil"]
    assert (it.state, it.through) == (through, subject if through == "suspect" else "")
    if through == "suspect":
        assert it.why == f"depends on {subject.partition(':')[2] or 'the capture'}: segment-open"
        assert (it.finding, it.root) == (None, finding)


@pytest.mark.parametrize(
    ("fault", "severity", "last_s", "wanted"),
    [
        ("segment-open", Severity.SUSPECT, 9.98, "suspect"),  # silent since, up to the end of the capture at 60 s
        ("module-missing", Severity.SUSPECT, 9.98, "suspect"),
        ("id-missing", Severity.SUSPECT, 9.98, "suspect"),
        ("bus-off", Severity.SUSPECT, 9.98, "suspect"),
        ("module-reset", Severity.SUSPECT, 9.98, "fine"),  # it came back
        ("segment-open", Severity.NOTE, 9.98, "fine"),
        ("segment-open", Severity.SUSPECT, 59.0, "fine"),
        ("segment-open", Severity.SUSPECT, 58.98, "suspect"),
    ],
)
def test_a_suspicion_about_what_brings_it_counts_where_it_went_silent_for_over_a_second(
    fault, severity, last_s, wanted
):
    one = pressure()
    shift = round((last_s - 9.98) * 1e9)
    one = replace(one, series=replace(one.series, time_ns=one.series.time_ns + shift))
    assert state(one, found(fault, severity, "module:node"))[0] == wanted


def test_the_first_root_that_spoils_values_counts():
    late, open_ = found("late-frames", Severity.FAULT, "bus:main"), found("segment-open", Severity.FAULT, "bus:main")
    assert judged(case_of(pressure()), late, open_)["oil"].root is open_
    mild = found("bus-off", Severity.SUSPECT, "capture")
    ended = replace(pressure(), series=replace(pressure().series, time_ns=pressure().series.time_ns + 50_020_000_000))
    assert judged(case_of(ended), mild, open_)["oil"].state == "fine"  # it came up to the end, and the first is mild


def test_the_gravest_stand_first_own_ones_before_what_they_hang_on_then_by_share_then_by_name():
    failing = replace(pressure(bad=300), series=replace(pressure(bad=300).series, name="zz"))
    ones = [pressure(bad=5), failing]
    ones += [replace(pressure(), series=replace(pressure().series, name=name)) for name in ("b", "a")]
    far = [replace(one, module="far", message="far/M", series=replace(one.series, name=name)) for one, name in zip(
        (pressure(), pressure(bad=9)), ("through", "own"), strict=True)]  # fmt: skip
    case = case_of(*ones, *far)
    order = [one.channel for one in trust(case, (found("module-reset", Severity.FAULT, "module:far"),))]
    assert order == ["zz", "own", "oil", "through", "a", "b"]


def computed(name, *inputs):
    one = made(name, np.zeros(500))
    return replace(one, signal=None, message=None, module=None), Channel(name, formula=parse_formula("+".join(inputs)))


def test_a_computed_channel_is_no_better_than_what_goes_into_it():
    total, described = computed("total", "oil", "fuel")
    twice, described_twice = computed("twice", "total", "total")
    fuel = replace(pressure(bad=5), series=replace(pressure(bad=5).series, name="fuel"))
    car = car_of(channels=[described, described_twice])
    case = replace(case_of(pressure(), fuel, total, twice), car=car)
    found_ = judged(case)
    assert (found_["total"].state, found_["total"].why, found_["total"].through) == (
        "suspect", "computed from fuel", "channel:fuel",
    )  # fmt: skip
    assert (found_["twice"].state, found_["twice"].why, found_["twice"].through) == (
        "suspect", "computed from total", "channel:fuel",
    )  # fmt: skip
    stuck = found("stuck", Severity.FAULT, "channel:oil")
    worst = judged(case, stuck)["total"]
    assert (worst.state, worst.why, worst.finding, worst.root) == ("failed", "computed from oil", stuck, stuck)
    own = found("drift", Severity.SUSPECT, "channel:total")
    well = replace(case_of(pressure(), total), car=car_of(channels=[described]))
    plain = judged(well, own)["total"]
    assert (plain.state, plain.why, plain.finding, plain.samples) == (
        "not judged", "computed from other channels", own, 500,
    )  # fmt: skip


def ask(about, *, open_=True):
    return Question(
        "channel:oil", about, ("stuck",), "" if open_ else "seen", "It stood still" if open_ else "", "Move it."
    )


def test_a_channel_that_stood_still_is_judged_only_if_the_run_answers_something_telling():
    one = judged(case_of(pressure()), asked=(ask("movement"), ask("zero")))["oil"]
    assert (one.state, one.why, one.asked) == ("not judged", "It stood still. Move it.", (ask("movement"), ask("zero")))
    assert one.open == one.asked
    for about in ("wire", "zero", "scale", "sign", "place"):
        assert judged(case_of(pressure()), asked=(ask("movement"), ask(about, open_=False)))["oil"].state == "fine"
    for about in ("noise", "unit", "role"):
        telling = judged(case_of(pressure()), asked=(ask("movement"), ask(about, open_=False)))["oil"]
        assert telling.state == "not judged"
        assert telling.open == (ask("movement"),)
    assert judged(case_of(pressure()), asked=(ask("movement", open_=False),))["oil"].state == "fine"


def test_what_was_looked_at_and_what_is_not_decided_is_said():
    plain = made("speed", np.arange(500.0), unit="km/h")
    assert judged(case_of(pressure()))["oil"].why == "V, value and timing show nothing wrong"
    assert judged(case_of(plain))["speed"].why == "value and timing show nothing wrong; no volts to look at"
    asked = (ask("zero"), ask("noise"), ask("unit"), ask("scale", open_=False))
    assert judged(case_of(pressure()), asked=asked)["oil"].why == (
        "V, value and timing show nothing wrong; not decided: zero, unit"
    )


def test_a_channel_of_which_nothing_came_keeps_its_finding():
    case = case_of(pressure())
    case = replace(case, channels=replace(case.channels, absent=("gone",)))
    lost = found("under-sampled", Severity.SUSPECT, "channel:gone")
    one = judged(case, lost)["gone"]
    assert (one.state, one.why, one.finding, one.root) == ("not judged", "no sample came", lost, lost)


def test_how_many_were_judged():
    gear = made("gear", np.ones(100))
    gear = replace(gear, series=replace(gear.series, kind="state"))
    assert judged_of(case_of(pressure(), gear), ()) == (2, 1)
