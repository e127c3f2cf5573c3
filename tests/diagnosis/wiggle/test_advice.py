"""What a wiggle test tells its user to do next, sentence by sentence."""

from __future__ import annotations

import math

import pytest
from scipy.stats import binom

from buswright.channels.carfile.model import Wiring
from buswright.channels.glitches import Glitch
from buswright.diagnosis.wiggle.advice import SIGNIFICANT, State, advise, chance_text, more_needed
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.diagnosis.wiggle.places import Places, chance
from buswright.diagnosis.words import METER

S = 1_000_000_000
CHECK = (
    "Power off: look for pins that are pushed back, loose, green or black, then measure under 1 ohm from end to end "
    f"while it is moved. {METER}"
)
STOPPED = (
    "Power off. The samples stopped, so look at the module's power, ground and bus wires: pull on each pin of its plug "
    f"and look for pins that are pushed back, bent, green or black. {METER}"
)


def state(
    quiet_s=20.0, quiet=0, moved=(), *, place="", running=True, standing=(), silent=(), wiring=None, cautions=None,
    channels=("a", "b", "c"),
):  # fmt: skip
    """A test: so many glitches while quiet; `moved`: name, seconds, and its glitches as (channels, kind)."""
    wiring = wiring or {}
    places = Places(0, wiring)
    for at in range(quiet):
        places.add(Glitch("a", "rail", at * S, 1, 5.0))
    told = []
    for name, seconds, glitches in moved:
        start = places.now_ns + 1_000 * S
        places.advance(start)
        places.move_to(name, start)
        for at, (names, kind) in enumerate(glitches):
            for channel in names:
                places.add(Glitch(channel, kind, start + at * S, 1, 5.0))
        tally = places.places[name]
        odds = chance(tally.total, quiet, seconds, quiet_s)
        told.append(PlaceNow(name, seconds, (), tally.total, 0.0, odds, odds < SIGNIFICANT))
    now = WiggleNow(channels, running, place, quiet_s, (), tuple(told), (), 0, "")
    return State(now, places, wiring, standing, silent, cautions or {})


def glitches(count, names="a", kind="rail"):
    return [(names, kind)] * count


@pytest.mark.parametrize(
    ("made", "said"),
    [
        ({"quiet_s": 3.0}, "Touch nothing for 7 s more: for as long as you will move a place."),
        ({"quiet_s": 9.5}, "Touch nothing for 1 s more: for as long as you will move a place."),
        (
            {"quiet_s": 4.0, "place": "loom"},
            "Only 4 s were quiet, too little to compare with: touch nothing for 6 s more.",
        ),
        (
            {"quiet_s": 10.0},
            "10 s quiet with 0 glitches. Name a place and move it, for as long as it was quiet.",
        ),
        (
            {"quiet_s": 12.4, "quiet": 1},
            "12 s quiet with 1 glitch. Name a place and move it, for as long as it was quiet.",
        ),
        ({"running": False}, "Ended before a place was moved."),
        (
            {"running": False, "quiet_s": 9.4, "moved": [("loom", 5.0, [])]},
            "Ended with 9 s of quiet: too little to compare with.",
        ),
        (
            {"running": False, "quiet_s": 10.0, "moved": [("loom", 5.0, [])]},
            "Ended: no place made more glitches than chance explains. That does not prove that the wiring is good.",
        ),
        (
            {"silent": ("a", "b"), "standing": ("c",)},
            (
                "No sample from a and b yet. c stands at the end of the range; nothing is counted until it leaves it. "
                "20 s quiet with 0 glitches. Name a place and move it, for as long as it was quiet."
            ),
        ),
        (
            {"standing": ("a", "b"), "running": False},
            (
                "a and b stand at the end of the range; nothing is counted until they leave it. "
                "Ended before a place was moved."
            ),
        ),
        (
            {"moved": [("loom", 5.0, []), ("plug", 5.0, [])]},
            "No place has made a glitch yet: move one again, harder, or go on to the next.",
        ),
        (
            {"moved": [("loom", 20.0, [])], "place": "loom"},
            "No glitch while loom was moved, for as long as it was quiet: go on to the next place.",
        ),
        (
            {"moved": [("loom", 19.0, [])], "place": "loom"},
            (
                "Nothing points at a place yet: moving loom would have to make 7 more glitches (0 in 19 s so far, 0 in "
                "20 s of quiet)."
            ),
        ),
        (
            {"moved": [("loom", 20.0, glitches(6))], "place": "loom"},
            (
                "Nothing points at a place yet: moving loom would have to make 1 more glitch (6 in 20 s so far, 0 in "
                "20 s of quiet)."
            ),
        ),
        (
            # With 10 s of 30 seven of seven would be 0.05 %; the rest of the 20 s is still to come.
            {"moved": [("loom", 10.0, glitches(3))], "place": "loom"},
            (
                "Nothing points at a place yet: moving loom would have to make 4 more glitches (3 in 10 s so far, 0 in "
                "20 s of quiet)."
            ),
        ),
        (
            # Nothing is being moved: as it was, (1/3)^5 is below 1 %.
            {"moved": [("loom", 10.0, glitches(3)), ("plug", 10.0, glitches(1))]},
            (
                "Nothing points at a place yet: moving loom would have to make 2 more glitches (3 in 10 s so far, 0 in "
                "20 s of quiet)."
            ),
        ),
        (
            {"moved": [("loom", 20.0, glitches(3)), ("plug", 20.0, glitches(1))], "place": "plug"},
            (
                "Nothing points at a place yet: moving plug would have to make 6 more glitches (1 in 20 s so far, 0 in "
                "20 s of quiet)."
            ),
        ),
        (
            {"quiet": 200, "moved": [("loom", 20.0, glitches(1))]},
            (
                "Nothing points at a place yet: with 200 glitches while quiet, loom can't be told from chance. Find "
                "out first what glitches by itself."
            ),
        ),
        (
            {"moved": [("plug", 5.0, []), ("loom", 40.1, [])]},
            (
                "Loom was moved for 40 s against 20 s of quiet: touch nothing for 21 s more. As it is, "
                "12 more glitches would be needed; then 7, if none comes meanwhile."
            ),
        ),
        (
            {"moved": [("loom", 40.0, [])]},
            "No place has made a glitch yet: move one again, harder, or go on to the next.",
        ),
        (
            {"quiet": 200, "moved": [("loom", 41.0, glitches(20))]},
            "Loom was moved for 41 s against 20 s of quiet: touch nothing for 21 s more.",
        ),
    ],
)
def test_what_to_do_next(made, said):
    assert advise(state(**made)) == said


def seen(count, seconds, quiet=0, quiet_s=20.0):
    odds = chance_text(binom.sf(count - 1, count + quiet, seconds / (seconds + quiet_s)))
    calm = f"{quiet} in {quiet_s:.0f} s of quiet"
    return f"Seen: {count} glitches in {seconds:.0f} s of moving it, {calm} (by chance {odds})."


WIRES = {
    "a": Wiring(input="AIN1", plug="C12", supply="5V-A", ground="G1"),
    "b": Wiring(input="AIN2", plug="C12", supply="5V-A", ground="G2"),
    "c": Wiring(input="AIN3", plug="C21", supply="5V-A", ground="G3"),
}


@pytest.mark.parametrize(
    ("made", "parts"),
    [
        ({"moved": [("loom", 20.0, glitches(7))]}, [CHECK, "Only a glitched: its own wire.", seen(7, 20.0)]),
        (
            {"moved": [("loom", 20.0, glitches(7))], "wiring": WIRES},
            [CHECK, "Only a glitched: its own wire (plug C12, input AIN1).", seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(7))], "wiring": {"a": Wiring(input="AIN1")}},
            [CHECK, "Only a glitched: its own wire (input AIN1).", seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(7))], "wiring": {"a": Wiring(ground="G1")}},
            [CHECK, "Only a glitched: its own wire.", seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(3) + glitches(4, kind="gap"))]},
            [STOPPED, "Only a glitched: its own wire.", seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(4) + glitches(4, kind="gap"))]},
            [CHECK, "Only a glitched: its own wire.", seen(8, 20.0)],
        ),
        (
            {"moved": [("loom", 8.0, glitches(9))], "quiet_s": 8.0},
            [
                CHECK,
                "The quiet time was short: touch nothing for 2 s, then repeat.",
                "Only a glitched: its own wire.",
                seen(9, 8.0, 0, 8.0),
            ],
        ),
        (
            {"moved": [("loom", 20.0, glitches(7))], "cautions": {"a": ("Hot.", "Sharp."), "b": ("Cold.",)}},
            [f"{CHECK} Hot. Sharp.", "Only a glitched: its own wire.", seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(7, "ab"))], "cautions": {"a": ("Hot.",), "b": ("Hot.", "Cold.")}},
            [
                f"{CHECK} Hot. Cold.",
                (
                    "Each time several channels glitched together (a and b), but the car file names no plug, ground or "
                    "supply that they share."
                ),
                seen(7, 20.0),
            ],
        ),
        (
            # Of what they share the plug has no third channel.
            {"moved": [("loom", 20.0, glitches(7, "ab"))], "wiring": WIRES},
            [
                CHECK,
                (
                    "Each time several channels glitched together (a and b): they share plug C12 and supply 5V-A; "
                    "look there first."
                ),
                seen(7, 20.0),
            ],
        ),
        (
            {"moved": [("loom", 20.0, glitches(4, "ac") + glitches(3, "ab"))], "wiring": WIRES},
            [
                CHECK,
                "Each time several channels glitched together (a, b and c): they share supply 5V-A; look there first.",
                seen(7, 20.0),
            ],
        ),
        (
            {"moved": [("loom", 20.0, glitches(4, "ab") + glitches(4, "a"))], "wiring": WIRES},
            [
                CHECK,
                (
                    "4 of 8 times several channels glitched together (a and b): they share plug C12 and supply 5V-A; "
                    "look there first."
                ),
                seen(8, 20.0),
            ],
        ),
        (
            {"moved": [("loom", 20.0, glitches(3, "ab") + glitches(4, "a"))], "wiring": WIRES},
            [CHECK, seen(7, 20.0)],
        ),
        (
            {"moved": [("loom", 20.0, glitches(10)), ("plug", 10.0, glitches(8)), ("lid", 20.0, glitches(7))]},
            [
                CHECK,
                "So does moving loom and lid; begin with plug.",
                "Only a glitched: its own wire.",
                seen(8, 10.0),
            ],
        ),
        (
            {"moved": [("loom", 20.0, glitches(12))], "quiet": 1, "running": False},
            [CHECK, "Only a glitched: its own wire.", seen(12, 20.0, 1)],
        ),
    ],
)
def test_a_likely_place_is_told_with_what_to_check_and_what_was_seen(made, parts):
    named = "plug" if len(made["moved"]) > 1 else "loom"
    assert advise(state(**made)) == " ".join([f"Moving {named} makes glitches.", *parts])


def test_a_supply_that_others_use_without_a_glitch_is_less_suspect():
    """Two others hang on the plug and none on the supply."""
    wires = {name: Wiring(plug="C12") for name in "de"}
    wires |= {"a": Wiring(plug="C12", supply="5V-B"), "b": Wiring(plug="C12", supply="5V-B")}
    said = advise(state(moved=[("loom", 20.0, glitches(7, "ab"))], wiring=wires))
    assert "they share supply 5V-B and plug C12; look there first." in said


def test_one_moment_of_several_channels_is_told_as_such():
    said = advise(state(quiet_s=2_000.0, moved=[("loom", 10.0, glitches(1, "ab"))], wiring=WIRES))
    assert "Once several channels glitched together (a and b): they share plug C12" in said
    said = advise(state(quiet_s=2_000.0, moved=[("loom", 10.0, glitches(2, "ab"))], wiring=WIRES))
    assert "Each time several channels glitched together (a and b): they share plug C12" in said


@pytest.mark.parametrize("quiet", [0, 1, 5])
def test_how_many_more_make_a_place_likely(quiet):
    """By the binomial tail of SciPy."""
    for place, ratio in ((0, 1.0), (3, 1.0), (2, 0.5), (0, 3.0)):
        p = ratio / (1 + ratio)
        wanted = next(n for n in range(200) if binom.sf(place + n - 1, place + n + quiet, p) < 0.01)
        assert more_needed(place, quiet, 10 * ratio, 10.0) == wanted


def test_more_than_a_hundred_nobody_waits_for():
    """(211 / 221)^100 and (213.4 / 223.4)^101 are the first below 1 %."""
    assert more_needed(0, 0, 211.0, 10.0) == 100
    assert more_needed(0, 0, 213.4, 10.0) is None


@pytest.mark.parametrize(
    ("odds", "text"),
    [
        (math.nan, "-"),
        (0.5, "50 %"),
        (0.1, "10 %"),
        (0.0999, "10.0 %"),
        (0.0123, "1.2 %"),
        (0.001, "0.1 %"),
        (0.00099, "0.10 %"),
        (0.000123, "0.01 %"),
        (0.0001, "0.01 %"),
        (0.0000999, "under 0.01 %"),
    ],
)
def test_a_chance_is_written_as_exactly_as_it_is_worth(odds, text):
    assert chance_text(odds) == text
