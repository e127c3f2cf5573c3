"""A wiggle test from its first frame to its end, on two messages made for it; and what a silent bus excuses."""

from __future__ import annotations

import math

import numpy as np
import pytest

from buswright.channels.carfile.load import load_car_file
from buswright.channels.glitches import Glitch
from buswright.diagnosis.wiggle.test import WiggleTest, _BusPauses
from buswright.messages.database import load_database
from tests.frames.frame_batches import batch_of

MS, S = 1_000_000, 1_000_000_000
DATABASE = """VERSION ""
NS_ :
BS_:
BU_: node
BO_ 256 INPUTS: 2 node
 SG_ Level : 0|16@1+ (1,0) [0|5000] "mV" node
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 100000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 10;
"""
LEVEL = "can0/INPUTS/Level"


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    path = tmp_path_factory.mktemp("wiggle") / "own.dbc"
    path.write_text(DATABASE)
    return load_database(path)


def test_of(database, **options):
    return WiggleTest([LEVEL], databases={"*": [database]}, **options)


test_of.__test__ = False


def rows(start_ms, stop_ms, *, missing=(), other=True):
    """INPUTS every 10 ms but in `missing` (from, to); another identifier every 5 ms."""
    found = []
    for at in range(start_ms, stop_ms, 5):
        if at % 10 == 0 and not any(first < at < last for first, last in missing):
            found.append((at * MS, 0, 256, 0, 2, (2500 + at // 10 % 2).to_bytes(2, "little")))
        if other:
            found.append((at * MS + MS, 0, 512, 0, 1, b"\0"))
    return batch_of(found)


def test_before_anything_came_nothing_is_known(database):
    found = test_of(database).result()
    assert (found.running, found.place, found.quiet_s, found.total, found.silences) == (True, "", 0.0, 0, 0)
    assert (found.start_ns, found.end_ns, found.latest, found.places) == (None, None, (), ())
    assert found.quiet == ((LEVEL, 0),)
    assert found.advice.startswith(f"No sample from {LEVEL} yet.")


def test_it_begins_with_the_first_frame_or_when_it_is_told(database):
    test = test_of(database)
    test.update(rows(1_000, 2_000))
    found = test.result()
    assert (found.start_ns, found.end_ns) == (1_000 * MS, 1_996 * MS)
    assert found.quiet_s == pytest.approx(0.996)
    assert not found.advice.startswith("No sample")
    test = test_of(database, start_ns=0)
    test.update(rows(1_000, 2_000), 3 * S)
    assert (test.result().start_ns, test.result().end_ns, test.result().quiet_s) == (0, 3 * S, 3.0)
    test = test_of(database)
    test.update(batch_of([]), 5 * S)
    assert (test.result().start_ns, test.result().end_ns) == (5 * S, 5 * S)
    test = test_of(database)
    test.move_to("loom", 5 * S)
    assert (test.result().start_ns, test.result().place) == (5 * S, "loom")
    test = test_of(database)
    test.update(batch_of([]))
    assert test.result().start_ns is None


def test_glitches_and_times_are_told_by_place(database):
    """Silent for 0.3 s while quiet and twice while the loom was moved."""
    test = test_of(database)
    test.update(rows(0, 10_000, missing=[(5_000, 5_300)]))
    test.move_to(" loom ", 10 * S)
    test.update(rows(10_000, 15_000, missing=[(11_000, 11_300), (12_000, 12_300)]))
    test.move_to("", 15 * S)
    test.move_to("plug", 16 * S)
    test.stop(20 * S)
    found = test.result()
    assert (found.running, found.place, found.quiet_s, found.total) == (False, "plug", 11.0, 3)
    assert found.quiet == ((LEVEL, 1),)
    loom, plug = found.places
    assert (loom.place, loom.seconds, loom.total, loom.counts) == ("loom", 5.0, 2, ((LEVEL, 2),))
    assert loom.expected == pytest.approx(5 / 11)
    # Two or three of three in 5 of 16 s: 3 (5/16)² (11/16) + (5/16)³.
    assert loom.chance == pytest.approx(3 * (5 / 16) ** 2 * 11 / 16 + (5 / 16) ** 3)
    assert not loom.likely
    assert (plug.place, plug.seconds, plug.total, plug.expected, plug.chance) == ("plug", 4.0, 0, 4 / 11, 1.0)
    assert [(round(one.time_ns / S), place) for one, place in found.latest] == [(12, "loom"), (11, "loom"), (5, "")]
    assert [one.duration_ns for one, _ in found.latest] == [300 * MS] * 3
    assert (found.start_ns, found.end_ns, found.silences) == (0, 20 * S, 0)


def test_after_its_end_nothing_counts(database):
    test = test_of(database)
    test.update(rows(0, 1_000))
    test.stop(2 * S)
    test.stop(9 * S)
    test.update(rows(2_000, 4_000, missing=[(2_100, 2_500)]))
    test.move_to("loom", 5 * S)
    found = test.result()
    assert (found.quiet_s, found.place, found.total, found.end_ns) == (2.0, "", 0, 2 * S)
    never = test_of(database)
    never.stop(S)
    assert (never.result().running, never.result().end_ns) == (False, None)


def test_without_a_quiet_time_nothing_is_expected(database):
    test = test_of(database, start_ns=0)
    test.move_to("loom", 0)
    test.update(rows(0, 1_000))
    (loom,) = test.result().places
    assert math.isnan(loom.expected)
    assert math.isnan(loom.chance)
    assert not loom.likely


def test_a_silence_is_told_while_it_lasts_and_once(database):
    """From 250 ms on it is known, for 200 ms more frames of other buses may be late; it grows and ends."""
    test = test_of(database)
    test.update(rows(0, 1_000))
    test.update(rows(1_000, 1_240, missing=[(990, 9_000)]))
    assert test.result().total == 0
    told = []
    for start, stop in ((1_240, 1_600), (1_600, 2_000)):
        test.update(rows(start, stop, missing=[(990, 9_000)]))
        told.append([(one.time_ns, one.duration_ns) for one, _ in test.result().latest])
    assert told == [[(990 * MS, 606 * MS)], [(990 * MS, 1_006 * MS)]]
    test.update(rows(2_000, 3_000))
    assert [(one.time_ns, one.duration_ns) for one, _ in test.result().latest] == [(990 * MS, 1_010 * MS)]
    assert test.result().total == 1


def test_a_delay_makes_no_silence(tmp_path):
    """Its samples are 0.1 s older than their frames; a silence is known 250 ms after the last frame all the same."""
    (tmp_path / "own.dbc").write_text(DATABASE)
    car = """format = 1
[car]
name = "x"
[bus.main]
bitrate = 500_000
interfaces = ["can0"]
databases = ["own.dbc"]
[channel.level]
signal = "main/INPUTS/Level"
delay_s = 0.1
"""
    (tmp_path / "car.toml").write_text(car)
    test = WiggleTest(["level"], load_car_file(tmp_path / "car.toml"))
    test.update(rows(0, 1_000))
    test.update(rows(1_000, 1_240, missing=[(990, 9_000)]))
    assert test.result().total == 0
    test.update(rows(1_240, 1_260, missing=[(990, 9_000)]))
    assert test.result().total == 1
    ((found, _),) = test.result().latest
    assert found.time_ns == 890 * MS


def test_a_likely_place_is_told_without_a_car_file_too(database):
    test = test_of(database, start_ns=0)
    test.update(rows(0, 10_000))
    test.move_to("loom", 10 * S)
    test.update(rows(10_000, 15_000, missing=[(at, at + 200) for at in range(10_200, 14_500, 500)]))
    found = test.result()
    assert (found.places[0].total, found.places[0].likely) == (9, True)
    assert found.advice.startswith("Moving loom makes glitches. Power off. The samples stopped, so look")


def test_a_glitch_from_before_the_start_is_left_out(database):
    test = test_of(database, start_ns=6 * S)
    test.update(rows(0, 8_000, missing=[(5_990, 6_300), (7_000, 7_300)]))
    assert [one.time_ns for one, _ in test.result().latest] == [7 * S]


# -- what a silent bus excuses ----------------------------------------------------------------------------------------


def gap(start_ms, stop_ms):
    return Glitch("a", "gap", round(start_ms * MS), round((stop_ms - start_ms) * MS), 0.0)


def paused(*times_ms):
    pauses = _BusPauses()
    for each in times_ms:
        pauses.add(np.array(each, np.int64) * MS)
    return pauses


@pytest.mark.parametrize(
    ("glitch", "excused"),
    [
        (gap(100, 300), True),
        (gap(50, 350), True),  # 200 of 300 ms
        (gap(0, 400), True),  # half of it
        (gap(0, 401), False),
        (gap(210, 290), True),
        (gap(20, 80), False),
        (gap(320, 380), False),
    ],
)
def test_most_of_a_silence_must_be_the_buss_own(glitch, excused):
    """Frames at 0, 10 ... 100 and 300, 310 ... 400 ms."""
    pauses = paused(range(0, 101, 10), range(300, 401, 10))
    assert pauses.silent_for(glitch, 400 * MS) is excused
    assert pauses.counted == int(excused)


def test_a_silence_of_the_bus_counts_once_for_all_its_channels():
    pauses = paused(range(0, 101, 10), range(300, 401, 10), range(700, 801, 10))
    for glitch, counted in ((gap(100, 300), 1), (gap(90, 310), 1), (gap(400, 700), 2), (gap(100, 300), 2)):
        assert pauses.silent_for(glitch, 800 * MS)
        assert pauses.counted == counted


def test_a_bus_that_is_still_silent_excuses_up_to_now():
    pauses = paused(range(0, 101, 10))
    assert pauses.silent_for(gap(100, 200), 200 * MS)
    assert paused(range(0, 101, 10)).silent_for(gap(20, 180), 150 * MS), "80 of 160 ms lie behind its last frame"
    assert not paused(range(0, 101, 10)).silent_for(gap(19, 180), 150 * MS)


@pytest.mark.parametrize(("pause_ms", "excused"), [(20, False), (21, True)])
def test_twenty_milliseconds_without_a_frame_are_no_silence(pause_ms, excused):
    one = paused(range(0, 101, 10), range(100 + pause_ms, 201, 5))
    assert one.silent_for(gap(100, 100 + pause_ms), 200 * MS) is excused


def test_frames_that_come_late_by_their_stamps_make_no_silence():
    """The furthest stamp counts: what lies before it was read later."""
    pauses = paused([0, 10, 20, 12, 30], [], [25, 40, 50])
    assert not pauses.silent_for(gap(12, 40), 50 * MS)
    assert pauses.counted == 0
    begun = paused([], [500])
    assert not begun.silent_for(gap(100, 400), 500 * MS), "nothing is known of the time before its first frame"
    assert _BusPauses().silent_for(gap(0, 100), 50 * MS), "of a bus without a frame up to now"
    assert not _BusPauses().silent_for(gap(0, 101), 51 * MS)
