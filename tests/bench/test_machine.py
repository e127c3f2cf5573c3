"""The steps one after the other, as a live bus feeds them."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from buswright.bench.machine import Bench
from buswright.bench.state import load_state
from buswright.errors import UserError
from buswright.frames.table import empty_frames
from buswright.simulate.bench.session import ReactingBench, run_by_itself
from buswright.simulate.run import START_EPOCH_NS
from tests.bench.benches import changed, given, module_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


@pytest.fixture(scope="module")
def hub(folder):
    return given("hub", str(folder))


def live(which, plan, car, fault="", **more):
    return Bench(plan, car, **more), ReactingBench(module_of(which, fault), START_EPOCH_NS)


def go_on(bench, acting, *, until, most=300):
    """Let time pass until the bench is in a phase, or in a step."""
    for _ in range(most):
        phase, step = bench.poll()
        if until in (phase, step.name if step else ""):
            return phase
        acting.follow(bench, phase, step, by_itself=until != "shown")
        if phase not in ("shown", "asking"):
            bench.update(acting.take(), acting.now_ns)
    raise AssertionError(f"never {until}")


def test_a_whole_test_does_itself_and_says_what_it_did(hub):
    bench, acting = live("hub", *hub, by="Ada")
    assert bench.look().phase == "asking"
    run_by_itself(bench, acting)
    result = bench.result()
    assert bench.look().phase == "ended"
    assert not result.failed
    assert {step.state for step in result.steps} == {"done"}
    assert result.by == "Ada"
    (line,) = [line for line in result.lines if line.channel == "line"]
    assert line.gain == pytest.approx(1.0, abs=0.002)
    assert result.fingerprints["line"]["open"] == pytest.approx(0.03, abs=0.003)


def test_a_reading_is_typed_and_what_is_no_number_is_refused(hub):
    bench, _ = live("hub", *hub)
    assert bench.look().question == "pair resistance, ohm"
    assert "no number" in bench.answer("sixty")
    assert bench.answer(" ") == "no reading is typed yet: type it like 59.8"
    assert bench.answer("120 ohm") == ""
    now = bench.look()
    assert now.phase == "shown"
    (check,) = now.checks
    assert (check.verdict, check.value) == ("fail", 120.0)
    assert "54-66 ohm" in check.next_check
    assert "battery isolated" in check.caution
    bench.retry()
    bench.answer("59,8")
    assert bench.look().checks[0].verdict == "pass"
    assert bench.result().steps[0].tries == 2


def test_it_notices_waits_until_still_and_shows_what_is_read(hub):
    plan, car = hub
    bench, acting = live("hub", plan, car)
    bench.begin("line high", START_EPOCH_NS)
    phases = []
    for _ in range(30):
        now = bench.look()
        phases.append(now.phase)
        if now.phase == "shown":
            break
        acting.follow(bench, now.phase, now.step, by_itself=False)
        bench.update(acting.take(), acting.now_ns)
    assert phases[0] == "waiting"
    assert "settling" in phases
    assert phases[-1] == "shown"
    (reading,) = now.readings or bench_reading(bench, acting, "line high")
    assert reading.channel == "line"
    assert reading.value == pytest.approx(16.0, abs=0.1)
    assert reading.level == pytest.approx(4.5, abs=0.03)


def bench_reading(bench, acting, step):
    bench.begin(step)
    bench.update(acting.take(), acting.now_ns)
    return bench.look().readings


def test_a_step_that_does_not_happen_says_what_may_be_wrong(hub):
    plan, car = hub
    bench, acting = live("hub", changed(plan, "line high", seconds=1.0), car)
    bench.begin("line high", START_EPOCH_NS)
    acting.module.stand.tracks["tank"].go(60.0, 0.5, 0.3)
    for _ in range(20):
        bench.update(acting.take(), acting.now_ns)
    now = bench.look()
    assert now.phase == "waiting"
    assert "tank does" in now.help
    bench.accept()
    assert bench.look().phase == "shown"


def test_a_silent_bus_is_known_by_the_time_alone(hub):
    bench, acting = live("hub", *hub)
    bench.begin("dip", START_EPOCH_NS)
    for _ in range(5):
        bench.update(acting.take(), acting.now_ns)
    bench.update(empty_frames(), acting.now_ns + 400_000_000)
    assert bench.poll()[0] == "happening"


def test_a_step_is_skipped_with_a_reason_only(hub):
    bench, _ = live("hub", *hub)
    with pytest.raises(UserError, match="needs a reason"):
        bench.skip(" ")
    bench.skip("no meter here")
    (check,) = [check for check in bench.result().checks if check.step == "pair resistance"]
    assert check.verdict == "skipped"
    assert "no meter here" in check.said
    assert not check.failed
    assert bench.look().step.name == "rest"


def test_what_was_done_is_there_again_after_an_interruption(hub, tmp_path):
    plan, car = hub
    bench, acting = live("hub", plan, car, by="Ada")
    bench.answer("60")
    bench.next()
    go_on(bench, acting, until="line low")
    path = tmp_path / "bench.json"
    bench.save(path)
    again = Bench(plan, car, saved=load_state(path, plan, car.hash))
    assert again.by == "Ada"
    assert again.look().step.name == "line low"
    assert again.result().checks == bench.result().checks
    assert again.result().steps == bench.result().steps
    acting.follow(again, *again.poll())
    run_by_itself(again, acting)
    assert not again.result().failed


def test_a_state_of_another_plan_is_refused(hub, tmp_path):
    plan, car = hub
    path = tmp_path / "bench.json"
    Bench(plan, car).save(path)
    with pytest.raises(UserError, match="the plan was changed"):
        load_state(path, replace(plan, hash="0" * 64), car.hash)
    with pytest.raises(UserError, match="the car file was changed"):
        load_state(path, plan, "0" * 64)
    for broken in ("", "[]", '{"schema": "buswright.bench-session/1"}', "{" * 5000):
        path.write_text(broken)
        with pytest.raises(UserError, match=r"no state of a bench test|was changed"):
            load_state(path, plan, car.hash)


def test_the_trap_of_the_bench_is_shown_at_once(hub):
    bench, acting = live("hub", *hub, fault="no-acknowledge")
    bench.skip("no meter")
    for _ in range(15):
        bench.update(acting.take(), acting.now_ns)
    assert "Nobody acknowledges" in bench.look().trap
    bench.update(acting.take(3.0), acting.now_ns)
    bench.poll()
    assert bench.trapped


def test_how_batches_are_cut_changes_nothing(hub):
    plan, car = hub
    results = []
    for cut in (0.05, 0.3):
        bench, acting = live("hub", plan, car)
        bench.begin("line middle", START_EPOCH_NS)
        acting.module.stand.tracks["line"].go(8.0, 0.5, 0.4)
        frames = acting.take(3.0)
        edges = np.arange(frames.time_ns[0], frames.time_ns[-1] + 3e8, cut * 1e9)
        for start, stop in pairwise(edges):
            inside = (frames.time_ns >= start) & (frames.time_ns < stop)
            bench.update(frames.take(np.flatnonzero(inside)), int(stop))
            if bench.poll()[0] == "shown":
                break
        results.append(replace(bench.result().steps[bench.plan.steps.index(plan.step("line middle"))], start_ns=0))
    assert results[0].levels == results[1].levels
    assert results[0].end_ns == results[1].end_ns


@pytest.mark.parametrize(
    ("fault", "far", "verdict"), [("", False, "pass"), ("", True, "not judged"), ("wrong-sign", False, "fail")]
)
def test_the_sign_of_a_move_alone_is_never_wrong_and_the_other_end_is_asked_about(hub, fault, far, verdict):
    plan, car = hub
    move = next(step for step in plan.steps if step.kind == "move")
    alone = replace(plan, steps=(next(step for step in plan.steps if step.kind == "listen"), move))
    bench, acting = live("hub", alone, car, fault)
    if far:
        stand = acting.module.stand
        stand.devices[move.channel] = replace(stand.devices[move.channel], rest=stand.devices[move.channel].span[1])
        stand.tracks[move.channel].go(stand.devices[move.channel].span[1], 0.0, 0.0)
    asked = set()
    for _ in range(600):
        phase, step = bench.poll()
        if phase == "ended":
            break
        if step == move:
            asked.add(bench.look().help)
        acting.follow(bench, phase, step)
        if phase != "shown":
            bench.update(acting.take(), acting.now_ns)
    (sign,) = [
        check for check in bench.result().checks if check.name == "sign" and check.subject.endswith(move.channel)
    ]
    assert sign.verdict == verdict, sign.said
    assert any("If it is there, press Enter" in text for text in asked) == (far or fault != "")
    if far:
        assert "Do it again from its low end" in sign.said
