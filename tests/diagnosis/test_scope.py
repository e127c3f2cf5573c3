"""One module in view: a bench on which it is alone is clean, and the rest of a car doesn't speak for it."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from buswright.channels.carfile.model import Channel, FrameName, SignalName, Wiring
from buswright.channels.formula.parse import parse_formula
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.now.judge import judge
from buswright.diagnosis.now.moment import Moment
from buswright.diagnosis.scope import Scope, modules_known, scope_of
from buswright.errors import UserError
from buswright.findings import Severity
from buswright.health.baseline.baseline import remember
from buswright.health.model.health import ModuleFigures
from buswright.health.recent import Recent
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car

from ..tui.made import measured, recent_of
from . import made
from .now.moments import finding
from .now.test_channels import channel as channel_of_moment

CAR = demo_car()


@lru_cache(maxsize=4)
def bench(module, *faults, alone=True, seconds=6.0):
    """Health and frames of a module by itself, or (`alone` False) of the car without it."""
    whole, frames = measured(SimulatedCapture(seconds, faults=faults), CAR)
    own = [name.id for name, each in whole.ids.items() if name.bus == "chassis" and (each.module == module) is alone]
    (interface,) = whole.buses["chassis"].interfaces
    frames = frames.take((frames.bus == frames.buses.index(interface)) & np.isin(frames.id, own))
    frames = replace(frames, buses=(interface,), bus=np.zeros(len(frames), dtype=np.uint8))
    tracker = HealthTracker(car=CAR)
    tracker.update(frames)
    return tracker.result(), frames


def moment_of(health, frames, scope):
    end = health.capture.last_ns
    found = diagnose(health, car=CAR, scope=scope)
    judged = health if scope is None else scope.of_health(health)
    recent = recent_of(health, frames) if frames is not None else Recent(end, {}, {})
    return Moment(judged, recent, (), False, health.capture.first_ns, end, CAR, found, scope=scope)


def grave(findings):
    return [(each.fault, each.subject) for each in findings if each.severity > Severity.NOTE]


@pytest.mark.parametrize("module", ["damper_node", "wheel_node"])
def test_a_bench_with_one_good_module_and_a_full_car_file_is_clean(module):
    health, frames = bench(module)
    assert grave(diagnose(health, car=CAR))  # the others are missing, or filtered
    moment = moment_of(health, frames, Scope(module, CAR))
    assert grave(moment.findings) == []
    verdicts = judge(moment)
    assert [(each.name, each.state, each.coming) for each in verdicts.senders] == [(module, "present", len(health.ids))]
    assert (verdicts.unseen, verdicts.wrong_now) == ((), ())
    assert [each.name for each in verdicts.buses] == [CAR.modules[module].bus]


def test_of_a_whole_car_without_the_module_only_the_module_is_missing():
    health, frames = bench("damper_node", alone=False)
    moment = moment_of(health, frames, Scope("damper_node", CAR))
    assert grave(moment.findings) == [("module-missing", "module:damper_node")]
    sender = judge(moment).senders
    assert [(each.name, each.state) for each in sender] == [("damper_node", "never came")]


def test_a_fault_of_another_module_is_none_of_this_one():
    missing = Fault("module-missing", "module:wheel_node", onset_s=2.0)
    health, frames = measured(SimulatedCapture(6.0, faults=(missing,)), CAR)
    assert ("module-missing", "module:wheel_node") in grave(diagnose(health, car=CAR))
    assert grave(diagnose(health, car=CAR, scope=Scope("damper_node", CAR))) == []
    assert ("module-missing", "module:wheel_node") in grave(diagnose(health, car=CAR, scope=Scope("wheel_node", CAR)))
    own = judge(moment_of(health, frames, Scope("wheel_node", CAR)))
    assert [each.subject for each in own.wrong_now] == ["module:wheel_node"]
    assert judge(moment_of(health, frames, Scope("damper_node", CAR))).wrong_now == ()


def test_a_message_that_another_module_never_sent_is_not_expected():
    whole, frames = measured(SimulatedCapture(6.0), CAR)
    lost = next(each for name, each in whole.ids.items() if each.module == "wheel_node")
    tracker = HealthTracker(car=CAR)
    frames = frames.take(frames.id != lost.name.id)
    tracker.update(frames)
    health = tracker.result()
    assert lost.name in {each.key for each in judge(moment_of(health, frames, None)).unseen}
    assert judge(moment_of(health, frames, Scope("damper_node", CAR))).unseen == ()
    assert lost.name in {each.key for each in judge(moment_of(health, frames, Scope("wheel_node", CAR))).unseen}


def test_a_frame_that_nobody_knows_is_shown_with_the_module_of_its_bus():
    health, frames = bench("damper_node")
    stray = FrameName("chassis", 0x7AB, False)
    tracker = HealthTracker(car=CAR)
    tracker.update(replace(frames, id=np.where(frames.id == 0x1A1, stray.id, frames.id).astype(np.uint32)))
    health = tracker.result()
    assert stray in Scope("damper_node", CAR).ids(health)
    engine = next(name for name, each in CAR.modules.items() if each.bus == "engine")
    assert Scope(engine, CAR).ids(health) == frozenset()


def test_computed_channels_belong_to_the_module_of_all_that_they_need():
    channels = Scope("damper_node", CAR).channels
    assert {"damper_fl", "damper_fl_speed", "roll_travel"} <= channels
    for name in channels:
        needs = [each for each in CAR.sources_of(name) if CAR.channels[each].signal is not None]
        assert all(each in channels for each in needs)
    foreign = {n for n, each in CAR.channels.items() if each.signal and each.signal.bus == "engine"}
    assert foreign
    assert channels.isdisjoint(foreign)


def test_a_module_whose_bus_is_not_received_is_said_to_be_so():
    health, frames = bench("damper_node")
    engine = next(name for name, each in CAR.modules.items() if each.bus == "engine")
    (said,) = judge(moment_of(health, frames, Scope(engine, CAR))).wrong_now
    assert said.subject == f"module:{engine}"
    assert "--bus engine=" in said.check


def test_what_a_good_run_knew_of_other_modules_is_not_expected():
    health, _ = bench("damper_node")
    whole, _ = measured(SimulatedCapture(6.0), CAR)
    scope, remembered = Scope("damper_node", CAR), remember(whole).identifiers()
    case = moment_of(health, None, None).case
    assert {"damper_node", "wheel_node"} <= {each.module for each in remembered.values()}
    kept = scope.of_case(replace(case, remembered=remembered)).remembered
    assert {each.module for each in kept.values()} == {"damper_node"}


def test_a_module_that_nobody_names_is_refused_with_those_that_there_are():
    assert "damper_node" in modules_known(CAR, {})
    with pytest.raises(UserError, match="no module dumper_node") as caught:
        scope_of("dumper_node", CAR, {})
    assert "damper_node" in caught.value.hint
    with pytest.raises(UserError, match="no list of modules"):
        scope_of("damper_node", None, {})


# By hand --------------------------------------------------------------------------------------------------------------

TWO = made.health(
    [made.identifier(0x100), made.identifier(0x101, module="node_b"), made.identifier(0x102, module=None)],
    [made.bus(), made.bus("other")],
)


def never(name, number, bus="main"):
    missing = replace(made.absent(number, "Z", name, 100.0), name=FrameName(bus, number, False))
    return ModuleFigures(name, bus, (), (missing,), 0, 0, 0.0, 0.0, None, None)


def said(subject, *explains, fault="module-reset"):
    return finding(fault, Severity.FAULT, subject, explains=tuple(explains))


def test_a_module_is_on_the_buses_where_it_was_heard_and_on_that_of_the_car_file():
    car = made.car_of({"other": {}}, modules=[("other", "node_a")])
    assert Scope("node_a").buses(TWO) == {"main"}
    assert Scope("node_a", car).buses(TWO) == {"main", "other"}
    assert Scope("node_z", car).buses(TWO) == frozenset()


def test_its_identifiers_are_its_own_and_those_of_nobody_on_its_bus():
    far = made.health(
        [*TWO.ids.values(), made.identifier(0x200, module=None, bus="other")], [made.bus(), made.bus("other")]
    )
    assert sorted(name.id for name in Scope("node_a").ids(far)) == [0x100, 0x102]


def test_nobody_else_is_expected_or_asked_for():
    own, other = FrameName("main", 0x300, False), FrameName("main", 0x310, False)
    measured = replace(
        made.health([made.identifier(0x100)], modules=[never("node_z", 0x300), never("node_y", 0x310)]),
        only_asked={own: 4, other: 9},
    )
    scoped = Scope("node_z").of_health(measured)
    assert {key[1]: len(each.never_came) for key, each in scoped.modules.items()} == {
        "node_a": 0, "node_z": 1, "node_y": 0,
    }  # fmt: skip
    assert scoped.only_asked == {own: 4}
    assert scoped.ids == measured.ids


def test_findings_are_those_of_it_its_bus_and_the_capture():
    scope, outside = Scope("node_a"), said("module:node_b")
    for subject in ("capture", "module:node_a", "bus:main", "id:main/100", "id:main/102", "module:main/100+102"):
        assert scope.of_findings([said(subject), outside], TWO) == (said(subject),)
    for subject in ("module:node_b", "bus:other", "id:main/101", "module:other/100", "channel:oil"):
        assert scope.of_findings([said(subject)], TWO) == ()


def test_what_explains_one_of_its_own_stays_with_that_alone():
    own, other = said("id:main/100", fault="frames-lost"), said("id:main/101", fault="frames-lost")
    (kept,) = Scope("node_a").of_findings([said("module:node_b", own, other)], TWO)
    assert (kept.subject, kept.explains) == ("module:node_b", (own,))
    root = said("bus:main", own)
    (same,) = Scope("node_a").of_findings([root], TWO)
    assert same is root


def test_what_never_came_of_it_is_its_own_and_so_are_signals_of_its_messages():
    measured = made.health([*TWO.ids.values()], modules=[never("node_a", 0x300), never("node_y", 0x310)])
    scope = Scope("node_a")
    assert len(scope.of_findings([said("id:main/300")], measured)) == 1
    assert scope.of_findings([said("id:main/310")], measured) == ()
    assert len(scope.of_findings([said("channel:main/M100/Speed")], TWO)) == 1
    assert scope.of_findings([said("channel:main/M101/Speed")], TWO) == ()


def wired(name, message, **wiring):
    return Channel(name, SignalName("main", message, name), wiring=Wiring(**wiring))


CHANNELS = [
    wired("oil", "M100", plug="C1", supply="5V-A"),
    wired("fuel", "M101", plug="C2"),
    Channel("twice", formula=parse_formula("oil + oil")),
    Channel("both", formula=parse_formula("oil + fuel")),
    Channel("nothing"),
]
DESCRIBED = made.car_of(modules=[("main", "node_a"), ("main", "node_b")], channels=CHANNELS)
DESCRIBED = replace(
    DESCRIBED,
    modules={
        name: replace(each, messages=("M100",) if name == "node_a" else ("M101",))
        for name, each in DESCRIBED.modules.items()
    },
)


def test_channels_are_its_own_where_all_that_they_need_comes_from_it():
    assert Scope("node_a", DESCRIBED).channels == {"oil", "twice"}
    assert Scope("node_b", DESCRIBED).channels == {"fuel"}
    assert Scope("node_a").channels == frozenset()


def test_findings_of_its_channels_and_their_wires_are_its_own():
    scope = Scope("node_a", DESCRIBED)
    for subject in ("channel:oil", "channel:twice", "plug:C1", "supply:5V-A"):
        assert len(scope.of_findings([said(subject)], TWO)) == 1
    for subject in ("channel:fuel", "channel:both", "plug:C2", "channel:main/M100/x"):
        assert scope.of_findings([said(subject)], TWO) == ()


def test_a_channel_of_the_moment_is_held_by_the_car_file_else_by_its_sender():
    oil, other = channel_of_moment(name="oil", module="node_b"), channel_of_moment(name="fuel", module="node_a")
    scope = Scope("node_a", DESCRIBED)
    assert (scope.holds(oil), scope.holds(other)) == (True, False)
    assert (Scope("node_a").holds(oil), Scope("node_a").holds(other)) == (False, True)


def test_modules_are_those_of_the_car_file_and_of_databases_sorted():
    assert modules_known(DESCRIBED, {}) == ("node_a", "node_b")
    assert modules_known(None, {}) == ()
    found = scope_of("node_b", DESCRIBED, {})
    assert (found.module, found.car) == ("node_b", DESCRIBED)
