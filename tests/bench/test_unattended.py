"""What markers of a capture mean, and the session that ships."""

from types import MappingProxyType

import pytest

from buswright.bench.machine import Bench
from buswright.bench.plan.load import load_plan
from buswright.bench.unattended import read_markers, run_unattended
from buswright.channels.carfile.load import load_car_file
from buswright.frames.captures.opening import open_capture
from buswright.frames.table import Event
from tests.bench.benches import ROOT, changed, given

SECOND = 1_000_000_000


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return given("hub", str(tmp_path_factory.mktemp("bench")))[0]


def told(plan, *markers):
    events = [Event(s * SECOND, None, "marker", MappingProxyType({}), text) for s, text in markers]
    return read_markers(plan, [*events, Event(None, None, "drop")], 0)


def test_a_step_lasts_to_the_next_one_or_to_its_end(plan):
    found = told(plan, (1, "rest"), (4, "Line  Moves"), (7, "end"), (9, "line low"))
    assert [(each.step.name, each.start_ns, each.end_ns) for each in found.stretches] == [
        ("rest", 1 * SECOND, 4 * SECOND),
        ("line moves", 4 * SECOND, 7 * SECOND),
        ("line low", 9 * SECOND, None),
    ]
    assert not found.unknown


def test_readings_skips_moments_and_what_names_no_step(plan):
    found = told(
        plan,
        (1, "pair resistance 59,8 ohm"),
        (2, "coffee"),
        (3, "dip"),
        (4, "now"),
        (5, "skip rest: no time"),
        (6, "skip lunch: no time"),
    )
    assert found.readings == {"pair resistance": "59,8"}
    assert found.skipped == {"rest": "no time"}
    assert found.stretches[0].inside == ((4 * SECOND, "now"),)
    assert found.unknown == (
        "2.0 s: 'coffee' names no step of the plan",
        "6.0 s: 'skip lunch: no time' names no step of the plan",
    )


def test_a_plan_of_one_step_needs_no_marker_and_a_lone_wiggle_test_has_places(plan):
    wiggle = changed(plan, "rest", kind="wiggle", places=("plug C1",), name="wiggle")
    alone = type(plan)(**{each: getattr(wiggle, each) for each in wiggle.__slots__} | {"steps": (wiggle.steps[1],)})
    found = told(alone, (5, "plug C1"), (20, "quiet"))
    assert found.stretches[0].step.kind == "wiggle"
    assert [text for _, text in found.stretches[0].inside] == ["plug C1", "quiet"]
    assert not found.unknown


@pytest.fixture(scope="module")
def shipped():
    capture = open_capture(ROOT / "captures" / "wrenfell_bench.log")
    return list(capture), capture.events, capture.first_time_ns()


def test_the_session_that_ships_passes_all_its_steps(shipped):
    plan = load_plan(ROOT / "dbc_examples" / "wrenfell_bench.toml")
    bench = Bench(plan, load_car_file(ROOT / "dbc_examples" / "wrenfell.toml"))
    run_unattended(bench, *shipped)
    result = bench.result()
    assert not result.failed
    assert not result.notes
    assert {step.state for step in result.steps} == {"done"}
    assert all(step.settled for step in result.steps)
    assert result.count("pass") > 80
    dip = next(step for step in result.steps if step.step == "dip")
    assert dip.silence.seconds == pytest.approx(0.095, abs=0.01), "the node needs 95 ms to its first frame"
    jump = next(step for step in result.steps if step.step == "damper_fl jump")
    assert jump.response.time_constant_s == pytest.approx(0.008, abs=0.003)
    assert jump.response.delay_s == pytest.approx(0.0, abs=0.01)


def test_what_the_capture_lacks_is_not_done_and_counts(shipped):
    plan = load_plan(ROOT / "dbc_examples" / "wrenfell_bench.toml")
    bench = Bench(plan, load_car_file(ROOT / "dbc_examples" / "wrenfell.toml"))
    batches, events, first = shipped
    run_unattended(bench, batches, [event for event in events if event.text != "damper_fr open"], first)
    (check,) = bench.result().failed
    assert (check.verdict, check.step) == ("not done", "damper_fr open")
