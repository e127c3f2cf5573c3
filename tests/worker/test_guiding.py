"""A guided bench test: fed, saved, marked, resumed, and ended with its sheet."""

import pytest

from buswright.bench.machine import Bench
from buswright.bench.unattended import read_markers, run_unattended
from buswright.errors import UserError
from buswright.frames.table import Event

from .benched import STEPS, Guided


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A whole test, and every phase that was shown, in order."""
    one = Guided(tmp_path_factory.mktemp("bench"))
    phases = []
    for _ in range(400):
        shot = one.go(0.1)
        if not phases or phases[-1] != (shot.now.number, shot.now.phase):
            phases.append((shot.now.number, shot.now.phase))
        if shot.now.phase == "asking":
            one.guide.answer("60.2")
        elif shot.now.phase == "shown":
            one.accept()
        elif shot.now.phase == "ended":
            return one, shot, phases
    raise AssertionError(phases)


def test_each_step_is_noticed_measured_and_shown(done):
    _, shot, phases = done
    assert phases[0] == (1, "asking")
    assert (2, "timing") in phases
    assert {"waiting", "happening", "shown"} <= {phase for number, phase in phases if number == 3}
    assert {"waiting", "settling"} & {phase for number, phase in phases if number == 4}
    assert phases[-1][1] == "ended"
    assert [(each.step, each.state) for each in shot.now.lines] == [(name, "done") for name in STEPS]
    assert not shot.result.failed
    assert shot.result.fingerprints["damper_fl"]["open"] > 4.5


def test_the_sheet_is_written_once_and_what_was_saved_is_then_gone(done):
    one, shot, _ = done
    assert shot.written == "sheet.html"
    assert [each.by for each in one.finished] == ["Ada"]
    assert not one.state.exists()
    one.guide.close()
    assert not one.state.exists()
    assert one.source.closed == "the bench test was ended"


def test_the_markers_make_a_recording_of_it_a_bench_session(done):
    one, _, _ = done
    events = [Event(time_ns, None, "marker", {}, text) for time_ns, text in one.source.markers]
    told = read_markers(one.plan, events, events[0].time_ns)
    assert [each.step.name for each in told.stretches] == list(STEPS[1:])
    assert (told.readings, told.unknown) == ({STEPS[0]: "60.2"}, ())
    alone = Bench(one.plan, one.car)
    run_unattended(alone, [each for each in one.source.sent if len(each)], events, events[0].time_ns)
    found, guided = (
        {(each.name, each.step, each.subject): each.verdict for each in bench.result().checks}
        for bench in (alone, one.bench)
    )
    assert found == guided


def test_a_wrong_reading_is_said_and_asked_for_again(tmp_path):
    one = Guided(tmp_path)
    one.go()
    one.guide.answer("sixty")
    shot = one.go()
    assert "is no number" in shot.said
    assert shot.now.phase == "asking"
    one.guide.answer("48")
    shot = one.go()
    assert (shot.now.phase, shot.said) == ("shown", "")
    assert [each.verdict for each in shot.now.checks] == ["fail"]
    one.guide.retry()
    assert one.go().now.phase == "asking"


def test_what_was_done_is_saved_after_each_step_and_gone_on_from(tmp_path):
    one = Guided(tmp_path)
    one.go()
    one.guide.answer("60")
    one.go()
    one.accept()
    one.go()
    one.guide.skip("no time")
    one.go()
    one.guide.end_because("terminated")
    one.guide.close()
    assert one.source.closed == "terminated"
    again = Guided(tmp_path)
    shot = again.go()
    assert shot.resumed == 2
    assert (shot.now.step.name, shot.now.number) == ("damper_fl moves", 3)
    states = {each.step: (each.state, each.reason) for each in again.bench.result().steps}
    assert states["rest"] == ("skipped", "no time")
    assert again.bench.result().by == "Ada"


def test_a_skip_without_a_reason_is_refused(tmp_path):
    one = Guided(tmp_path)
    one.go()
    one.guide.skip(" ")
    assert "needs a reason" in one.go().said


def test_nothing_happens_by_itself_where_nobody_acts(tmp_path):
    one = Guided(tmp_path, acts=False)
    one.go()
    one.guide.skip("later")
    one.go()
    one.guide.skip("later")
    shot = one.go(3.0)
    assert (shot.now.phase, shot.now.step.name) == ("waiting", "damper_fl moves")
    one.accept()  # Enter measures at once
    shot = one.go()
    assert shot.now.phase == "shown"
    assert any(each.verdict == "fail" for each in shot.now.checks)


def test_a_sheet_that_cannot_be_written_is_said_and_what_was_done_stays_saved(tmp_path):
    def refuse(result):
        raise UserError("the disk is full", hint="make room")

    one = Guided(tmp_path, acts=False, finish=refuse)
    one.go()
    for _ in STEPS:
        one.guide.skip("later")
        shot = one.go()
    assert shot.now.phase == "ended"
    assert "the disk is full" in shot.written
    assert one.state.exists()


def test_a_source_that_fails_is_told_and_the_test_goes_on(tmp_path):
    one = Guided(tmp_path)
    one.go()

    def broken(wait):
        wait(0.1)
        raise OSError("the adapter is gone")

    one.source.poll = broken
    assert "adapter is gone" in one.go(0.5).notices[-1].text
    one.guide.answer("60")
    assert one.go(0.5).now.phase == "shown"


def test_a_key_pressed_twice_measures_no_step_that_was_not_seen(tmp_path):
    one = Guided(tmp_path)
    one.go()
    one.guide.answer("60")
    shot = one.go()
    for _ in range(3):
        one.guide.accept(shot.now)
    shot = one.go()
    assert (shot.now.step.name, shot.now.phase) == ("rest", "timing")
