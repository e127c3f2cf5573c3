"""Glitches by place and moment: what counts once, for whom, and when it is settled."""

from __future__ import annotations

import math

import pytest

from buswright.channels.carfile.model import Wiring
from buswright.channels.glitches import Glitch
from buswright.diagnosis.wiggle.places import Places, Tally, chance, elements_of

MS, S = 1_000_000, 1_000_000_000


def glitch(time_ns, channel="a", kind="rail"):
    return Glitch(channel, kind, time_ns, 5 * MS, 4.99)


def tallied(*times_ns, channel="a"):
    tally = Tally()
    for at in times_ns:
        tally.add(glitch(at, channel))
    return tally


@pytest.mark.parametrize(
    ("times_ms", "moments"),
    [([0, 20], 1), ([0, 20.000001], 2), ([0, 15, 30, 45], 1), ([45, 0, 30, 15], 1), ([0, 15, 40, 55], 2), ([], 0)],
)
def test_what_follows_within_20_ms_counts_once(times_ms, moments):
    tally = tallied(*(round(at * MS) for at in times_ms))
    assert tally.total == moments
    assert tally.counts["a"] == len(times_ms)
    tally.settle(S, {})
    assert tally.total == moments


def test_a_moment_is_settled_when_nothing_can_join_it():
    """It ended at 15 ms; until 35 ms another one would be of the same cause."""
    for before, joined in ((35 * MS, 1), (35 * MS + 1, 2)):
        tally = tallied(0, 15 * MS)
        tally.settle(before, {})
        tally.add(glitch(35 * MS))
        assert tally.total == joined


def test_kinds_and_channels_are_counted():
    tally = Tally(time_ns=2_500 * MS)
    for at, channel, kind in ((0, "a", "gap"), (S, "a", "rail"), (2 * S, "b", "gap")):
        tally.add(glitch(at, channel, kind))
    assert (tally.counts, tally.kinds, tally.seconds) == ({"a": 2, "b": 1}, {"gap": 2, "rail": 1}, 2.5)


WIRES = {
    "a": Wiring(plug="C12", ground="G2", supply="5V-A"),
    "b": Wiring(plug="C12", ground="G3", supply="5V-A"),
    "c": Wiring(plug="C12", ground="G2"),
}


def test_what_a_wire_may_share_is_told_narrowest_first():
    assert elements_of(WIRES["a"]) == (("plug", "C12"), ("ground", "G2"), ("supply", "5V-A"))
    assert elements_of(WIRES["c"]) == (("plug", "C12"), ("ground", "G2"))
    assert elements_of(Wiring(input="AIN1")) == ()


@pytest.mark.parametrize("settled", [False, True])
def test_only_what_all_channels_of_a_moment_have_is_shared(settled):
    tally = Tally()
    for at, names in ((0, "ab"), (S, "abc"), (2 * S, "a"), (3 * S, "aa"), (4 * S, "az")):
        for name in names:
            tally.add(glitch(at, name))
    if settled:
        tally.settle(10 * S, WIRES)
        tally.settle(10 * S, WIRES)
    assert tally.together(WIRES) == (3, {("plug", "C12"): 2, ("supply", "5V-A"): 1})
    assert tally.together(WIRES) == (3, {("plug", "C12"): 2, ("supply", "5V-A"): 1}), "asking changes nothing"


@pytest.mark.parametrize(
    ("now_ms", "open_ms", "joins"),
    [
        (55_021, None, False),  # 30 s after 25 s, and 20 ms in which another channel may follow
        (55_020, None, True),
        (60_000, 25_021, False),
        (60_000, 25_020, True),  # one goes on that began before it was settled
        (55_020, 26_000, True),
    ],
)
def test_what_began_half_a_minute_ago_is_summed_up(now_ms, open_ms, joins):
    places = Places(0, WIRES)
    places.add(glitch(25 * S, "a"))
    places.advance(now_ms * MS)
    places.settle(None if open_ms is None else open_ms * MS)
    places.add(glitch(25 * S + MS, "b"))
    assert places.quiet.total == (1 if joins else 2)


def test_each_place_is_settled():
    places = Places(0, WIRES)
    places.move_to("loom", S)
    places.add(glitch(2 * S))
    places.advance(40 * S)
    places.settle(None)
    places.add(glitch(2 * S + MS))
    assert places.places["loom"].total == 2, "what comes later than that is another moment"


# -- times ------------------------------------------------------------------------------------------------------------


def test_a_clock_that_steps_back_by_a_second_was_not_set():
    places = Places(100 * S, {})
    places.advance(110 * S)
    places.advance(109 * S)
    assert (places.now_ns, places.start_ns, places.quiet.time_ns) == (110 * S, 100 * S, 10 * S)
    places.advance(109 * S - 1)
    assert (places.now_ns, places.start_ns, places.quiet.time_ns) == (109 * S - 1, 100 * S, 10 * S)
    places.advance(50 * S)
    assert (places.now_ns, places.start_ns, places.quiet.time_ns) == (50 * S, 50 * S, 10 * S)
    places.advance(51 * S)
    assert places.quiet.time_ns == 11 * S


def test_after_a_clock_was_set_back_moments_are_of_the_place_moved_then():
    places = Places(100 * S, {})
    places.move_to("loom", 110 * S)
    places.advance(50 * S)
    assert places.place_at(50 * S) == places.place_at(49 * S) == "loom"
    assert places.place_at(105 * S) == "loom", "that time is still to come"


def test_a_moment_belongs_to_the_place_that_was_moved_then():
    places = Places(10 * S, {})
    places.move_to("loom", 20 * S)
    places.move_to("loom", 21 * S)
    places.move_to("plug", 30 * S)
    places.move_to("", 29 * S)  # said late: from the last move on
    assert [places.place_at(at * S) for at in (5, 10, 19, 20, 29, 30, 40)] == ["", "", "", "loom", "loom", "", ""]
    assert list(places.places) == ["loom", "plug"]
    assert places.places["loom"].time_ns == 10 * S
    assert places.quiet.time_ns == 10 * S
    places.add(glitch(20 * S - 1))
    places.add(glitch(20 * S))
    assert (places.quiet.total, places.places["loom"].total) == (1, 1)


@pytest.mark.parametrize(
    ("counts", "times", "expected"),
    [
        ((1, 0), (10.0, 10.0), 0.5),
        ((1, 0), (0.5, 0.5), 0.5),
        ((1, 1), (10.0, 10.0), 0.75),
        ((2, 1), (10.0, 10.0), 0.5),
        ((1, 0), (10.0, 30.0), 0.25),
        ((2, 0), (10.0, 30.0), 0.0625),
        ((0, 3), (10.0, 10.0), 1.0),
        ((3, 0), (0.0, 10.0), 1.0),
        ((3, 0), (10.0, 0.0), math.nan),
    ],
)
def test_a_chance_is_that_of_coins(counts, times, expected):
    """Each event falls into the place's time with its share of all time, whatever the others do."""
    assert chance(*counts, *times) == pytest.approx(expected, nan_ok=True)
