"""Windows on the end of what came in: how far they reach, from where they are right, and what is let go of."""

from __future__ import annotations

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.following import window as room
from buswright.channels.following.window import Windows, needs_whole_run
from buswright.channels.session import Session
from buswright.frames.table import Flag
from buswright.messages.database import load_database
from tests.channels.following.small import SPEED_ALONE, database
from tests.frames.frame_batches import batch_of

MS, S = 1_000_000, 1_000_000_000
LEVEL = '[channel.level]\nsignal = "body/SLOW/Level"\n'


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "own.dbc").write_text(database(0.01, slow_ms=2500))
    return tmp_path


def car_of(folder, more):
    (folder / "car.toml").write_text(SPEED_ALONE + more)
    return load_car_file(folder / "car.toml")


def computed(*formulas):
    return "".join(f'[channel.c{number}]\nformula = "{each}"\n' for number, each in enumerate(formulas))


# 3 s, what formulas reach, 8 samples of the slowest channel (0.1 s where nobody says), the longest delay, and 4 periods
# of the slowest message that a formula waits for; 5.5 s at least where there is one, 20 s at most.
@pytest.mark.parametrize(
    ("more", "margin_s"),
    [
        ("", 3.8),
        (LEVEL, 3.8),
        ("delay_s = 0.5\n", 4.3),
        ("expected_hz = 2\n", 7.0),
        (f"expected_hz = 10\n{LEVEL}expected_hz = 1\n", 11.0),
        (computed("2 * speed"), 5.5),
        (computed("lagged(speed, 2)"), 5.84),
        (computed("lagged(speed, 2) + lagged(speed, -1)"), 6.84),
        (computed("low_pass(speed, 12)"), 5.84),
        (computed(*(f"lagged(speed, {each})" for each in (1, 4, 2, 3))), 12.84),  # the furthest three
        (LEVEL + computed("2 * level"), 13.8),
        (LEVEL + computed("level + speed"), 13.8),
        (computed("lagged(speed, 30)"), 20.0),
        ('caution = { high = 9.0, when = "level > 5" }\n' + LEVEL, 13.8),
        ('caution = { high = 9.0, when = "speed > 5" }\n' + LEVEL, 3.8),
    ],
)
def test_a_margin_is_what_a_value_may_depend_on(folder, more, margin_s):
    assert Windows(Session((), car_of(folder, more))).margin_s == pytest.approx(margin_s)


def test_without_a_car_file_a_second_is_enough(folder):
    assert alone(folder).margin_s == 1.0


@pytest.mark.parametrize(
    ("formulas", "needing"),
    [
        (["2 * speed", "rate_of_change(speed)"], []),
        (["accumulate(speed)"], ["c0"]),
        (["keep_last(speed)", "2 * c0", "3 * speed", "c1 + speed"], ["c0", "c1", "c3"]),
    ],
)
def test_an_integral_and_a_kept_value_need_the_whole_run(folder, formulas, needing):
    car = car_of(folder, computed(*formulas))
    assert [name for name in car.channels if needs_whole_run(car, name)] == needing


# -- windows ----------------------------------------------------------------------------------------------------------


def alone(folder):
    """Signals without a car file: a margin of one second."""
    return Windows(Session((), None, databases={"*": [load_database(folder / "own.dbc")]}))


SPEED, SLOW = "can0/SPEED", "can0/SLOW"


def came(start_ms, stop_ms, *, step_ms=10, identifier=512, flags=0, bus=0, buses=("can0",)):
    times = range(start_ms, stop_ms, step_ms)
    return batch_of([(at * MS, bus, identifier, flags, 2, bytes(2)) for at in times], buses)


def test_a_short_run_is_seen_whole(folder):
    windows = alone(folder)
    windows.add(came(0, 2_000))
    assert windows.move_on() is False
    assert (windows.trusted_ns, windows.bounds(SPEED), windows.segment_ns) == (None, (0, 200), 0)
    windows.add(came(2_000, 2_010))
    windows.move_on()
    assert (windows.trusted_ns, windows.bounds(SPEED)) == (None, (0, 201)), "two margins from the first frame"
    windows.add(came(2_010, 2_020))
    windows.move_on()
    assert (windows.trusted_ns, windows.bounds(SPEED)) == (1_010 * MS, (1, 202))


def test_a_window_begins_two_margins_back_and_is_right_from_one_on(folder):
    windows = alone(folder)
    windows.add(came(0, 10_000))
    windows.move_on()
    assert windows.changed == {SPEED}
    assert windows.trusted_ns == 8_990 * MS
    assert windows.bounds(SPEED) == (799, 1_000)  # the last sample at or before 7.990 s
    windows.add(came(10_000, 10_005, identifier=513))
    assert windows.changed == {SLOW}
    assert windows.bounds(SLOW) == (0, 1)
    windows.move_on()
    assert windows.trusted_ns == 9_000 * MS


def test_a_slow_message_has_sixteen_rows_in_a_window(folder):
    windows = alone(folder)
    for start in range(0, 100_000, 10_000):
        windows.add(came(start, start + 10_000, identifier=513, step_ms=2_500))
        windows.move_on()
    assert windows.bounds(SLOW) == (24, 40)


def test_buses_that_are_read_later_are_waited_for(folder):
    """What counts is the moment up to which every bus that talks has come."""
    windows = alone(folder)
    buses = ("can0", "can1")
    windows.add(came(0, 5_000, buses=buses))
    windows.add(came(0, 4_000, bus=1, buses=buses))
    windows.move_on()
    assert windows.trusted_ns == 2_990 * MS
    windows.add(came(5_000, 6_000, buses=buses))
    windows.move_on()
    assert windows.trusted_ns == 4_990 * MS, "the other one was silent"
    windows.add(came(4_000, 4_500, bus=1, buses=buses))
    windows.move_on()
    assert windows.trusted_ns == 4_990 * MS, "never back"


def test_when_the_clock_jumps_back_windows_begin_anew(folder):
    windows = alone(folder)
    windows.add(came(10_000, 20_000))
    assert windows.move_on() is False
    windows.add(came(5_000, 5_500))
    assert windows.move_on() is True
    assert (windows.trusted_ns, windows.bounds(SPEED), windows.segment_ns) == (None, (1_000, 1_050), 5 * S)
    windows.add(came(5_500, 9_000))
    assert windows.move_on() is False
    assert (windows.trusted_ns, windows.bounds(SPEED)) == (7_990 * MS, (1_199, 1_400))
    assert windows.segment_ns == 5 * S
    windows.clear()
    assert (windows.trusted_ns, windows.changed, windows.segment_ns) == (None, frozenset(), 0)


def test_frames_without_a_time_keep_sixteen_rows(folder):
    windows = alone(folder)
    windows.add(came(0, 1_000, flags=int(Flag.UNTIMED)))
    assert windows.move_on() is True
    assert windows.bounds(SPEED) == (100, 100), "each window is a segment of its own"
    assert windows.recent.by_name[SPEED].first == 84
    few = alone(folder)
    few.add(came(0, 50, flags=int(Flag.UNTIMED)))
    few.move_on()
    assert few.recent.by_name[SPEED].first == 0
    assert windows.trusted_ns is None


# -- what is let go of ------------------------------------------------------------------------------------------------


def test_the_recent_seconds_are_kept_and_a_margin(folder, monkeypatch):
    monkeypatch.setattr(room, "RECENT_S", 5.0)
    windows = alone(folder)
    windows.add(came(0, 4_000))
    windows.move_on()
    assert windows.plot_window()[1] is None, "nothing was let go of"
    for start in range(4_000, 20_000, 1_000):
        windows.add(came(start, start + 1_000))
        windows.move_on()
    assert windows.oldest_ns == 14_990 * MS
    message = windows.recent.by_name[SPEED]
    assert (message.first, message.rows) == (1_399, 2_000)
    recorded, since_ns = windows.plot_window()
    assert since_ns == 14_990 * MS
    assert len(recorded.messages[SPEED].time_ns()) == 601


def test_too_many_rows_are_fewer_seconds(folder, monkeypatch):
    """Of 120 s three quarters again and again: at 28.48 s and a margin there are at most 3,000 rows."""
    monkeypatch.setattr(room, "RECENT_ROWS", 3_000)
    windows = alone(folder)
    windows.add(came(0, 60_000))
    windows.move_on()
    kept = 120 * S
    for _ in range(5):
        kept = kept * 3 // 4
    assert 59_990 * MS - windows.oldest_ns == kept
    message = windows.recent.by_name[SPEED]
    assert message.rows - message.first == pytest.approx(100 * (kept / S + 1.0), abs=2)
    assert np.all(np.diff(message.times(message.first)) == 10 * MS)


def test_two_margins_are_kept_however_many_rows_these_are(folder, monkeypatch):
    monkeypatch.setattr(room, "RECENT_ROWS", 10)
    windows = alone(folder)
    windows.add(came(0, 60_000))
    windows.move_on()
    kept = 120 * S
    while kept > 2 * S:
        kept = kept * 3 // 4
    assert 59_990 * MS - windows.oldest_ns == kept
