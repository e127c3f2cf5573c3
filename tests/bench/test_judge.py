"""Checks that the faulty modules don't reach: volts in place of values, a wiggled plug, a database that doesn't fit."""

from dataclasses import replace
from types import MappingProxyType

import pytest

from buswright.bench.machine import Bench
from buswright.bench.plan.load import load_plan
from buswright.bench.unattended import run_unattended
from buswright.channels.carfile.load import load_car_file
from buswright.frames.table import Event
from buswright.simulate.run import START_EPOCH_NS
from tests.bench.benches import HUB_CAR, HUB_PLAN, given, hub_module, session_of


@pytest.fixture(scope="module")
def hub(tmp_path_factory):
    return given("hub", str(tmp_path_factory.mktemp("bench")))


@pytest.fixture(scope="module")
def session(hub):
    return session_of("hub", hub[0])


def run(plan, car, batches, events):
    bench = Bench(plan, car)
    run_unattended(bench, batches, events, int(batches[0].time_ns[0]))
    return bench.result()


def test_known_volts_are_held_against_volts(hub, session):
    plan, car = hub
    steps = tuple(
        replace(step, value=None, volts=0.5 + step.value / 4) if step.kind == "hold" else step for step in plan.steps
    )
    result = run(replace(plan, steps=steps), car, *session)
    (line,) = result.lines
    assert (line.electrical, line.unit) == (True, "V")
    assert line.gain == pytest.approx(1.0, abs=0.002)
    assert line.offset == pytest.approx(0.0, abs=0.005)
    assert [point.true for point in line.points] == [0.5, 2.5, 4.5, 2.5, 0.5]
    assert not result.failed


def test_a_wrong_volt_is_a_wrong_gain(hub, session):
    plan, car = hub
    steps = tuple(
        replace(step, value=None, volts=0.45 + 0.9 * step.value / 4) if step.kind == "hold" else step
        for step in plan.steps
    )
    result = run(replace(plan, steps=steps), car, *session)
    assert [(check.name, check.subject) for check in result.failed] == [("gain", "channel:line")]


def test_a_plug_that_glitches_when_it_is_moved_fails_and_another_passes(hub):
    plan, car = hub
    module = hub_module()
    module.stand.wires += [("line", "open", at, at + 0.03) for at in (17.0, 18.1, 19.2, 20.3, 21.4, 22.5, 23.6, 24.7)]
    batches = [frames for _ in range(85) if len(frames := module.frames(module.now_s + 0.5))]
    step = replace(plan.step("rest"), name="wiggle", kind="wiggle", places=("plug C1", "plug C2"), channel="line")
    marks = [(15.0, "plug C1"), (28.0, "quiet"), (29.0, "plug C2"), (42.0, "quiet")]
    events = [Event(START_EPOCH_NS + round(at * 1e9), None, "marker", MappingProxyType({}), text) for at, text in marks]
    result = run(replace(plan, steps=(step,)), car, batches, events)
    found = {check.subject: check.verdict for check in result.checks if check.name == "wiggle"}
    assert found == {"plug:C1": "fail", "plug:C2": "pass"}
    (worst,) = result.failed
    assert worst.value == 8
    assert "Moving plug C1 makes glitches" in worst.next_check


def test_bits_that_move_and_belong_to_no_signal_are_named(hub, tmp_path):
    module = hub_module()
    module.stand.noisy = {"tank": 0.05}
    body = (hub[1].path.parent / "body.dbc").read_text()
    (tmp_path / "body.dbc").write_text("\n".join(line for line in body.splitlines() if " Tank " not in line) + "\n")
    car = HUB_CAR.replace('[channel.tank]\nsignal = "body/HUB_A/Tank"\nsensor = "tank"\nzero = { add = 1.5 }\n', "")
    (tmp_path / "car.toml").write_text(car)
    plan = HUB_PLAN.split("[input.tank]")[0] + "[[step]]" + HUB_PLAN.split("[[step]]")[2]
    (tmp_path / "plan.toml").write_text(plan)
    result = run(load_plan(tmp_path / "plan.toml"), load_car_file(tmp_path / "car.toml"), [module.frames(4.0)], [])
    (check,) = result.failed
    assert (check.name, check.subject) == ("layout", "id:body/0CF01021")
    assert "byte 3 moves, and no signal holds it" in check.said
