"""One module in view: a bench on which it is alone is clean, and the rest of a car doesn't speak for it."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from buswright.channels.carfile.model import FrameName
from buswright.diagnosis.detect import diagnose
from buswright.diagnosis.now.judge import judge
from buswright.diagnosis.now.moment import Moment
from buswright.diagnosis.scope import Scope, modules_known, scope_of
from buswright.errors import UserError
from buswright.findings import Severity
from buswright.health.baseline.baseline import remember
from buswright.health.recent import Recent
from buswright.health.track import HealthTracker
from buswright.simulate.faults.catalogue import Fault
from buswright.simulate.source import SimulatedCapture, demo_car

from ..tui.made import measured, recent_of

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
