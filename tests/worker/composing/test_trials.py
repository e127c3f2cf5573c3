"""Trial signals: shown with the detail of their identifier, and kept in a draft that opens again."""

from itertools import pairwise

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.carfile.model import FrameName
from buswright.errors import UserError
from buswright.frames.latest import LatestFrames
from buswright.health.track import HealthTracker
from buswright.messages.model import Signal
from buswright.messages.typed import typed_signal
from buswright.notebook.opening import open_session
from buswright.simulate.source import SimulatedCapture, demo_car
from buswright.worker.composing.details import id_detail
from buswright.worker.composing.folds import Known
from buswright.worker.composing.trials import Trials, keep
from buswright.worker.engine import Engine

from ...health.traffic import comb

NAME = FrameName("can0", 0x100, False)
RISING = np.zeros((100, 8), dtype=np.uint8)
RISING[:, 2] = np.arange(100)


def detail_of(frames, trials):
    held, tracker = LatestFrames(), HealthTracker()
    held.add(frames)
    tracker.update(frames)
    return id_detail(NAME, held, ("can0",), Known().decoder(), tracker.result(), trials)


def test_a_trial_is_a_signal_of_the_message_with_its_values_over_time():
    typed = typed_signal("byte 2 x0.5 -10 in bar as oil")
    detail = detail_of(comb(0x100, 10, 1.0, payload=RISING), Trials().with_typed(NAME, typed))
    (trial,) = detail.trials
    assert np.array_equal(trial.value, 0.5 * np.arange(100) - 10)
    assert (trial.taken, trial.raw) == (False, 99)
    assert [each.name for each in detail.message.signals] == ["oil"]
    (shown,) = detail.signals
    assert (shown.name, shown.raw, shown.value, shown.unit) == ("oil", 99, "39.5", "bar")


def test_a_trial_beyond_the_payload_has_no_value():
    detail = detail_of(comb(0x100, 10, 1.0, payload=RISING), Trials().with_typed(NAME, typed_signal("bytes 7-8")))
    assert np.isnan(detail.trials[0].value).all()
    assert detail.signals[0].why_not == "the frame is too short"


def test_trials_are_taken_replaced_by_name_and_dropped():
    one, other, again = typed_signal("byte 0 as a"), typed_signal("byte 1 as b"), typed_signal("byte 2 as a")
    trials = Trials().with_taken(NAME, one).with_taken(NAME, other)
    assert trials.of(NAME) == (one, other)
    assert trials.with_typed(NAME, again).of(NAME) == (other, again)
    assert trials.with_typed(NAME, None).of(NAME) == (one, other)
    assert trials.with_taken(NAME, again).of(NAME) == (other, again)
    assert trials.without_last(NAME).of(NAME) == (one,)
    assert trials.without_last(NAME).without_last(NAME).taken == {}
    assert trials.of(FrameName("can0", 0x101, False)) == ()


def test_what_is_typed_reaches_a_draft_database_and_car_file_that_open_again(tmp_path):
    capture = SimulatedCapture(2.0)
    engine = Engine(capture)
    engine.settle()
    name = FrameName("can1", 0x1A0, False)
    engine.look_at(name)
    engine.take_trial(name, typed_signal("bytes 2-3 x0.001 in V as AIN2"))
    engine.type_trial(name, typed_signal("byte 6 as unfinished"))
    assert [(each.signal.name, each.taken) for each in engine.settle().detail.trials] == [
        ("AIN2", True),
        ("unfinished", False),
    ]
    engine.keep_trials("can1", tmp_path / "trial")
    assert "kept in" in engine.settle().notices[-1].text
    car = load_car_file(tmp_path / "trial.toml")
    assert [each.name for each in car.databases["can1"].find("ID_1A0").signals] == ["AIN2"]
    (channel,) = car.channels
    value = open_session(capture, car)[channel].value
    known = open_session(capture, demo_car())["damper_fr"].volts
    assert np.allclose(value, known, atol=1e-9)
    engine.keep_trials("can1", tmp_path / "trial")
    assert "exists already" in engine.settle().notices[-1].text


def test_nothing_is_written_where_there_is_nothing_to_keep(tmp_path):
    tracker = HealthTracker()
    tracker.update(comb(0x100, 10, 1.0))
    with pytest.raises(UserError, match="no trial signal on can0"):
        keep(Trials(), "can0", tracker.result(), tmp_path / "x.dbc", source="run.log", force=False)
    assert not list(tmp_path.iterdir())


def test_a_message_that_a_database_knows_keeps_its_own_signals():
    from buswright.messages.model import Message, Signal
    from buswright.worker.composing.trials import with_trials

    known = Message("M", 0x100, False, 8, (Signal("oil", 0, 8), Signal("fuel", 8, 8)))
    both = with_trials(known, NAME, [typed_signal("byte 2 as oil")], 8)
    assert [each.name for each in both.signals] == ["oil", "fuel", "oil_2"]
    assert all(one.start < other.start for one, other in pairwise(both.signals))


def test_a_field_that_a_multiplexer_selects_is_tried_in_its_own_frames_alone():
    paged = np.zeros((100, 8), dtype=np.uint8)
    paged[:, 0], paged[:, 2] = np.arange(100) % 2, np.arange(100)
    selector = Signal("page", 0, 8, is_multiplexer=True)
    own = Signal("odd", 16, 8, multiplexer="page", mux_values=((1, 1),))
    frames = comb(0x100, 10, 1.0, payload=paged)
    for trials, taken in (
        (Trials().with_typed(NAME, own, selector), False),
        (Trials().with_taken(NAME, own, selector), True),
    ):
        page, odd = detail_of(frames, trials).trials
        assert (page.signal, odd.signal, page.taken, odd.taken) == (selector, own, taken, taken)
        assert np.isnan(odd.value[::2]).all()
        assert np.array_equal(odd.value[1::2], np.arange(1, 100, 2))
    even = detail_of(frames.slice(0, 99), Trials().with_typed(NAME, own, selector))
    assert even.signals[-1].why_not == "not in this frame: its multiplexer selects others"
