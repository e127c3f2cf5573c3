"""Bench plans: drafts that load, faults with their line, what a plan and a car file must agree about."""

import pytest

from buswright.bench.draft.car import draft_car
from buswright.bench.draft.module import draft_module
from buswright.bench.limits import LIMITS
from buswright.bench.one_module import one_module
from buswright.bench.plan.keys import LIMIT_TABLE, key_lines
from buswright.bench.plan.load import PlanError, check_against, load_plan
from buswright.bench.plan.model import KINDS
from buswright.channels.carfile.load import load_car_file
from buswright.errors import UserError
from tests.bench.benches import CAR, HUB_PLAN, given


@pytest.fixture(scope="module")
def car():
    return load_car_file(CAR)


def loaded(tmp_path, text):
    (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
    return load_plan(tmp_path / "plan.toml")


def test_a_drafted_plan_has_every_message_and_input_and_loads(car, tmp_path):
    plan = loaded(tmp_path, draft_module(car, "damper_node", "wrenfell.toml").text())
    alone = one_module(car, "damper_node")
    check_against(plan, alone)
    assert {str(name) for name in plan.frames} == {
        f"chassis/{digits}" for digits in ("1A0", "1A1", "1B0", "1B1", "1B2", "18FF1A42")
    }
    assert set(plan.inputs) == {name for name, each in alone.channels.items() if each.sensor}
    for name in plan.inputs:
        assert {"hold", "open"} <= {step.kind for step in plan.steps if step.channel == name}, name
    assert {step.kind for step in plan.steps} == set(KINDS)


def test_the_key_on_check_holds_every_module_and_takes_half_a_minute_at_most(car, tmp_path):
    plan = loaded(tmp_path, draft_car(car, "wrenfell.toml").text())
    check_against(plan, car)
    assert {(name.bus, name.id) for name in plan.frames} == {
        (bus, message.id) for bus, database in car.databases.items() for message in database.messages
    }
    assert sum(step.seconds for step in plan.steps) < 30
    assert len(plan.truths) > 15


def test_one_module_misses_nothing_of_the_others(car):
    alone = one_module(car, "damper_node")
    assert set(alone.buses) == {"chassis"}
    assert {message.senders[0] for message in alone.databases["chassis"].messages} == {"damper_node"}
    assert "damper_fl" in alone.channels
    assert "damper_fl_speed" in alone.channels
    assert "rear_slip" not in alone.channels
    assert alone.channels["damper_fl"].warning is None, "it waits for the speed of another module"
    with pytest.raises(UserError, match="no module 'damper_nod'") as caught:
        one_module(car, "damper_nod")
    assert "damper_node" in caught.value.hint


@pytest.mark.parametrize(
    ("old", "new", "at", "says"),
    [
        ('kind = "move"', 'kind = "moves"', 'kind = "moves"', 'did you mean "move"'),
        ('channel = "line"', 'channel = "lin"', 'channel = "lin"', 'did you mean "line"'),
        ("value = 8.0", "valu = 8.0", "valu = 8.0", 'did you mean "value"'),
        (
            'kind = "hold"\nchannel = "line"\nvalue = 8.0',
            'kind = "hold"\nchannel = "line"',
            '"line middle"',
            "value or volts",
        ),
        ("low = 54", "low = 540", "low = 540", "above high"),
        ("span = [0, 16]", "span = [16, 0]", "span = [16, 0]", "write [0, 16]"),
        ("span = [0, 16]", "", "[input.line]", "is missing"),
        ("seconds = 3", "seconds = 0", "seconds = 0", "a number above 0"),
        ('name = "rest"', 'name = "pair  Resistance"', 'name = "pair  Resistance"', "has this name too"),
        ("[input.line]", "[input.line]\nlimits = { noise = 1 }", "limits = {", "noise_span"),
        ('module = "hub_node"', 'modul = "hub_node"', "modul =", 'did you mean "module"'),
    ],
)
def test_every_fault_is_said_with_its_line_and_a_hint(tmp_path, old, new, at, says):
    text = HUB_PLAN.replace(old, new, 1)
    assert text != HUB_PLAN
    line = text[: text.index(at)].count("\n") + 1
    with pytest.raises(PlanError) as caught:
        loaded(tmp_path, text)
    near = [f"plan.toml:{number}:" for number in (line, line - 1)]  # a fault of a whole table stands at its header
    assert any(says in fault and any(place in fault for place in near) for fault in caught.value.faults), line


def test_a_plan_that_names_what_the_car_has_not_is_refused(tmp_path):
    _, car = given("hub", str(tmp_path))
    plan = loaded(tmp_path, HUB_PLAN.replace("[input.tank]", "[input.tonk]").replace('"tank', '"tonk'))
    with pytest.raises(PlanError) as caught:
        check_against(plan, car)
    assert 'did you mean "tank"' in str(caught.value.faults)


def test_limits_come_from_the_input_the_plan_and_the_defaults(tmp_path):
    text = HUB_PLAN.replace("[input.line]", "[limits]\ngain_error = 0.05\n[input.line]\nlimits = { gain_error = 0.1 }")
    plan = loaded(tmp_path, text)
    assert [plan.limit("gain_error", name) for name in ("line", "tank")] == [0.1, 0.05]
    assert plan.limit("offset_span", "line") == LIMITS["offset_span"].default
    assert plan.said_by("gain_error", "tank") == "the plan"
    assert plan.said_by("offset_span", "tank") == LIMITS["offset_span"].source


def test_every_key_has_a_meaning_and_every_limit_a_key():
    assert all(line.key.meaning.endswith((".", ")")) for line in key_lines())
    assert {key.name for key in LIMIT_TABLE.keys} == set(LIMITS)
