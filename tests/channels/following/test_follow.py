"""A small car followed frame by frame: what goes wrong with one channel, what is asked for when, what a plot shows."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.following import follow as room
from buswright.channels.following.follow import Follower
from buswright.channels.following.limits import Judge
from buswright.frames.table import concatenate
from tests.channels.following.small import SPEED_ALONE, database
from tests.frames.frame_batches import batch_of

MS, S = 1_000_000, 1_000_000_000
CAR = (
    SPEED_ALONE
    + """caution = { high = 5.0 }
warning = { low = -1.0, high = 9.0, when = "level > 2" }
[channel.level]
signal = "body/SLOW/Level"
[channel.twice]
formula = "2 * speed"
[channel.metres]
formula = "accumulate(speed)"
[channel.both]
formula = "speed + level"
"""
)


@pytest.fixture(scope="module")
def car(tmp_path_factory):
    folder = tmp_path_factory.mktemp("follow")
    (folder / "own.dbc").write_text(database(0.1, slow_ms=100))
    (folder / "car.toml").write_text(CAR)
    return load_car_file(folder / "car.toml")


def came(start_ms, stop_ms, speed=2.0, level=3.0, *, only=(512, 513)):
    rows = []
    for at in range(start_ms, stop_ms, 10):
        if 512 in only:
            rows.append((at * MS, 0, 512, 0, 2, round(10 * speed).to_bytes(2, "little", signed=True)))
        if 513 in only and at % 100 == 0:
            rows.append((at * MS, 0, 513, 0, 2, round(10 * level).to_bytes(2, "little")))
    return batch_of(rows)


def told(follower, now_ms):
    return {each.name: each for each in follower.result(now_ms * MS)}


def test_limits_and_their_conditions_hold_at_the_moment(car):
    follower = Follower(car)
    for batch, found in (
        (came(0, 1_000), None),
        (came(1_000, 2_000, speed=6.0), ("caution", "high", 5.0)),
        (came(2_000, 3_000, speed=9.5), ("warning", "high", 9.0)),
        (came(3_000, 3_110, level=1.0, only=(513,)), ("warning", "high", 9.0)),  # judged at the latest speed
        (came(3_110, 4_000, speed=-2.0, level=1.0), None),
        (came(4_000, 4_110, level=3.0, only=(513,)), None),  # it holds from the next sample on
        (came(4_110, 5_000, speed=-2.0), ("warning", "low", -1.0)),
    ):
        follower.update(batch)
        speed = told(follower, int(batch.time_ns[-1]) // MS)["speed"]
        assert ((speed.level, speed.side, speed.limit) if found else speed.level) == found
    assert speed.limit_text == "caution above 5 m/s; warning below -1 or above 9 m/s when level > 2"


def test_after_the_clock_jumped_back_nothing_is_beyond_what_has_not_come(car):
    follower = Follower(car)
    follower.update(came(10_000, 11_000, speed=9.5))
    assert told(follower, 11_000)["speed"].level == "warning"
    follower.update(came(0, 1_000, only=(513,)))
    found = told(follower, 1_000)
    assert found["speed"].level is None
    assert found["speed"].rate_hz == 0.0
    assert found["level"].rate_hz == pytest.approx(10.0)
    follower.update(came(1_000, 2_000, speed=6.0))
    assert told(follower, 2_000)["speed"].level == "caution"


def test_a_channel_that_fails_without_a_word_says_what_failed(car, monkeypatch):
    original = room.Window.measured

    def failing(self, name):
        if name == "level":
            raise ZeroDivisionError
        return original(self, name)

    monkeypatch.setattr(room.Window, "measured", failing)
    follower = Follower(car)
    follower.update(came(0, 1_000))
    found = told(follower, 1_000)
    assert (found["level"].quality_words, found["level"].computed) == ("ZeroDivisionError", False)
    assert found["speed"].computed
    monkeypatch.undo()
    follower.update(came(1_000, 2_000))
    assert told(follower, 2_000)["level"].computed, "the next time it may be well"


def test_a_limit_that_can_not_be_judged_costs_only_its_channel(car, monkeypatch):
    def failing(*_):
        raise ValueError("no such curve")

    monkeypatch.setattr(Judge, "beyond", failing)
    follower = Follower(car)
    follower.update(came(0, 1_000, speed=9.5))
    found = told(follower, 1_000)
    assert found["speed"].quality_words == "its limits can't be judged: no such curve"
    assert (found["speed"].level, found["twice"].computed) == (None, True)


def test_what_came_is_worked_on_when_a_lot_has_come_together(car, monkeypatch):
    monkeypatch.setattr(room, "SLICE_FRAMES", 220)
    follower = Follower(car)
    follower.update(came(0, 1_000))
    assert len(follower._pending) == 1
    follower.update(came(1_000, 2_000))
    assert follower._pending == []
    follower.update(batch_of([]))
    assert follower._pending == []
    assert told(follower, 2_000)["speed"].samples == 200


def test_a_plot_shows_samples_and_limits_gravest_first(car):
    follower = Follower(car)
    follower.update(came(0, 3_000))
    speed, metres, both = follower.plotted(["speed", "nobody", "metres", "both"])
    assert [each.series.name for each in (speed, metres, both)] == ["speed", "metres", "both"]
    assert speed.limits == (("warning", "low", -1.0), ("warning", "high", 9.0), ("caution", "high", 5.0))
    assert metres.limits == ()
    assert len(speed.series) == 300
    assert metres.series.value[-1] == pytest.approx(2.0 * 2.99)
    assert both.series.value[-1] == pytest.approx(5.0)
    follower.update(came(0, 100))
    speed, metres = follower.plotted(["speed", "metres"])
    assert (len(speed.series), len(metres.series)) == (10, 10), "the latest segment"


def test_what_stopped_before_the_clock_jumped_is_not_plotted(car):
    follower = Follower(car)
    follower.update(came(10_000, 12_000))
    follower.update(came(0, 1_000, only=(513,)))
    speed, metres, level = follower.plotted(["speed", "metres", "level"])
    assert (len(speed.series), len(metres.series), len(level.series)) == (0, 0, 10)


def test_a_message_that_comes_first_after_jumps_of_the_clock_is_of_the_latest_segment(car):
    """Three segments; the slow message comes in the last one only."""
    follower = Follower(car)
    jumping = concatenate([came(20_000, 21_000, only=(512,)), came(10_000, 11_000, only=(512,)), came(0, 15_000)])
    follower.update(jumping)
    found = told(follower, 15_000)
    assert (found["speed"].samples, found["level"].samples) == (1_700, 150)
    speed, level = follower.plotted(["speed", "level"])
    assert (len(speed.series), len(level.series)) == (1_500, 150)
    assert found["both"].value == pytest.approx(5.0)
    follower.update(came(15_000, 16_000))
    assert told(follower, 16_000)["metres"].value == pytest.approx(2.0 * 15.99), "it counts from the jump on"
    follower.update(concatenate([came(16_000, 16_500), came(500, 1_000, only=(512,)), came(200, 400, only=(512,))]))
    speed, level = follower.plotted(["speed", "level"])
    assert (len(speed.series), len(level.series)) == (20, 0)


def test_extremes_begin_anew_for_all(car):
    follower = Follower(car)
    follower.update(came(0, 2_000, speed=8.0))
    follower.reset_extremes()
    assert {each.samples for each in follower.result(2 * S)} == {0}
    follower.update(came(2_000, 3_000, speed=1.0))
    found = told(follower, 3_000)
    assert (found["speed"].maximum, found["speed"].samples) == (pytest.approx(1.0), 100)
    assert (found["twice"].maximum, found["level"].samples) == (pytest.approx(2.0), 10)


def test_forgetting_begins_with_nothing(car):
    follower = Follower(car)
    follower.update(came(0, 2_000))
    follower.clear()
    assert {(each.samples, each.time_ns) for each in follower.result(0)} == {(0, None)}
    follower.update(came(500, 1_000))
    found = told(follower, 1_000)
    assert (found["speed"].samples, found["metres"].samples) == (50, 50)
    assert np.isclose(found["metres"].value, 2.0 * 0.49)
