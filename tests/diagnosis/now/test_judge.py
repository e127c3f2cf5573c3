"""The verdicts of one moment follow the limits of the car file, for everybody alike."""

from dataclasses import replace

import pytest

from buswright.channels.carfile.model import FrameEntry
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.detected import DETECTED
from buswright.diagnosis.now.identifiers import Rank
from buswright.findings import FAULTS, Layer, Severity
from buswright.tui.screens.overview.bus_lines import bus_lines, facts

from ...tui.made import snapshot_of, some_id
from ...tui.made_variants import SECOND
from .test_wrong_now import silenced


def with_limits(snapshot, **limits):
    """The same run, with thresholds of the car file on both buses."""
    buses = {name: replace(each, thresholds=limits) for name, each in snapshot.car.buses.items()}
    car = replace(snapshot.car, buses=buses)
    return replace(snapshot, car=car, findings=diagnose(snapshot.health, car=car))


def test_meters_and_findings_have_the_same_limits():
    snapshot = with_limits(snapshot_of(False), load_fault=0.06)
    assert [(each.fault, each.severity) for each in snapshot.findings] == [("bus-overload", Severity.FAULT)] * 2
    for bus in snapshot.verdicts.buses:
        assert bus.load > 0.06
        assert (bus.load_severity, bus.fault) == (Severity.FAULT, 0.06)
        judged = next(each for each in facts(snapshot, bus) if each.text.startswith("load"))
        assert (judged.text, judged.tone) == ("load over 6 %: A FAULT", "fault")
    scale, meter = ("".join(each.text for each in line) for line in bus_lines(snapshot, 120, 1)[:2])
    assert "6▾" in scale
    assert "┃" not in meter  # the limit lies in what is filled


def test_buses_with_limits_of_their_own_have_no_scale_in_common():
    base = snapshot_of(False)
    buses = dict(base.car.buses)
    buses["engine"] = replace(buses["engine"], thresholds={"load_fault": 0.5})
    lines = bus_lines(replace(base, car=replace(base.car, buses=buses)), 120, 1)
    assert "▾" not in "".join(each.text for each in lines[0])


@pytest.mark.parametrize(("limit_s", "rank", "state"), [(1.0, Rank.MISSING, "MISSING"), (60.0, Rank.LATE, "present")])
def test_overview_and_identifiers_agree_on_who_is_missing(limit_s, rank, state):
    snapshot = with_limits(snapshot_of(), id_missing_s=limit_s)  # silent for 8 s
    name = some_id(snapshot, "chassis/110")
    wheel = next(each for each in snapshot.verdicts.senders if each.name == "wheel_node")
    assert snapshot.verdicts.ids[name].rank is rank
    assert wheel.state == state
    assert (wheel.silent == wheel.ids) is (state == "MISSING")
    assert any(each.subject == "module:wheel_node" for each in snapshot.verdicts.wrong_now) is (state == "MISSING")


def test_a_limit_of_one_frame_holds_for_it_alone():
    snapshot = silenced(snapshot_of(False), "chassis/1A0", "chassis/1B0")
    name = some_id(snapshot, "chassis/1A0")
    frames = {**snapshot.car.frames, name: FrameEntry(name, thresholds={"id_missing_s": 60.0})}
    snapshot = replace(snapshot, car=replace(snapshot.car, frames=frames))
    dampers = next(each for each in snapshot.verdicts.senders if each.name == "damper_node")
    assert dampers.silent == (some_id(snapshot, "chassis/1B0"),)
    assert snapshot.verdicts.ids[name].rank is Rank.LATE


def test_a_silent_identifier_is_missing_whether_the_database_knows_it_or_not():
    base = silenced(snapshot_of(False), "chassis/1A0")
    name = some_id(base, "chassis/1A0")
    states = []
    for known in (True, False, None):
        ids = {**base.health.ids, name: replace(base.health.ids[name], known=known)}
        states.append(replace(base, health=replace(base.health, ids=ids)).verdicts.ids[name])
    assert {(each.rank, each.severity) for each in states} == {(Rank.MISSING, Severity.FAULT)}
    assert [each.why.endswith("the database doesn't have it") for each in states] == [False, True, False]


def test_a_stranger_that_came_while_the_run_was_on_may_go_again():
    base = silenced(snapshot_of(False), "chassis/1A0")
    name = some_id(base, "chassis/1A0")
    came = base.health.buses["chassis"].first_ns + 5 * SECOND
    ids = {**base.health.ids, name: replace(base.health.ids[name], known=False, first_ns=came)}
    assert replace(base, health=replace(base.health, ids=ids)).verdicts.ids[name].rank is not Rank.MISSING


def test_every_finding_that_an_identifier_can_have_has_a_word():
    node = {fault for fault, layer in FAULTS.items() if layer is Layer.NODE}
    worded = {fault for fault, each in DETECTED.items() if each.word}
    assert node - worded == {"module-missing", "module-reset", "late-start"}
    above = {fault for fault in worded - node if FAULTS[fault] > Layer.NODE}  # a message's channels may share one
    assert worded - node - above == {"babbling-node"}
