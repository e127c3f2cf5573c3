"""The wiggle test: the chance against published values, and a loose plug in a simulated car found by its place."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

import buswright as bw
from buswright.channels.carfile.model import Channel, Wiring
from buswright.channels.glitches import Glitch
from buswright.diagnosis.wiggle.advice import State, advise, chance_text, more_needed
from buswright.diagnosis.wiggle.model import PlaceNow, WiggleNow
from buswright.diagnosis.wiggle.places import Places, chance
from buswright.diagnosis.wiggle.test import WiggleTest
from buswright.errors import UserError
from buswright.frames.table import Frames, concatenate
from buswright.simulate.run import START_EPOCH_NS, simulate_run

ROOT = Path(__file__).parent.parent.parent
S = 1_000_000_000
NAN = math.nan


# The chance -------------------------------------------------------------------------------------------------------


def test_seven_against_none_in_equal_times():
    assert chance(7, 0, 30.0, 30.0) == pytest.approx(0.5**7)
    assert chance_text(chance(7, 0, 30.0, 30.0)) == "0.8 %"
    assert chance(6, 0, 30.0, 30.0) > 0.01


def test_it_is_the_binomial_tail():
    """Against scipy.stats.binom."""
    rng = np.random.default_rng(1)
    for _ in range(300):
        place, quiet = int(rng.integers(0, 60)), int(rng.integers(0, 60))
        place_s, quiet_s = rng.uniform(0.1, 100, 2)
        expected = binom.sf(place - 1, place + quiet, place_s / (place_s + quiet_s))
        assert chance(place, quiet, place_s, quiet_s) == pytest.approx(expected, rel=1e-9, abs=1e-300)
    assert chance(5000, 4000, 10, 10) == pytest.approx(binom.sf(4999, 9000, 0.5), rel=1e-8)


def test_it_is_the_exact_comparison_of_two_poisson_rates():
    """The example of R's poisson.test, c(11, 6+8+7) events in c(800, 1083+1050+878): two-sided p = 0.07967.

    That is the upper tail and whatever on the other side is no more likely than 11 (the printed value from memory).
    """
    p, n = 800 / (800 + 3011), 32
    lower = sum(binom.pmf(k, n, p) for k in range(11) if binom.pmf(k, n, p) <= binom.pmf(11, n, p))
    assert chance(11, 21, 800, 3011) + lower == pytest.approx(0.07967, abs=5e-6)


def test_it_is_right_about_random_glitches():
    """Where moving makes no difference, a place is called likely in at most 1 % of the tests (simulated)."""
    rng = np.random.default_rng(2)
    place, quiet = rng.poisson(12.0, 4000), rng.poisson(20.0, 4000)
    wrong = np.mean([chance(a, b, 12.0, 20.0) < 0.01 for a, b in zip(place.tolist(), quiet.tolist(), strict=True)])
    assert 0.001 < wrong <= 0.01 + 3 * math.sqrt(0.01 / 4000)


def test_without_a_quiet_time_there_is_none():
    assert math.isnan(chance(3, 0, 10, 0))
    assert chance(0, 5, 10, 10) == 1.0
    assert chance(0, 0, 0, 10) == 1.0


def test_how_many_more_are_needed():
    assert more_needed(0, 0, 10, 10) == 7
    assert more_needed(5, 0, 10, 10) == 2
    assert more_needed(7, 0, 10, 10) == 0
    assert more_needed(0, 0, 40, 10) == 21
    assert more_needed(0, 400, 10, 10) is None


# Times, places and moments ----------------------------------------------------------------------------------------


def glitch(channel: str, seconds: float) -> Glitch:
    return Glitch(channel, "rail", round(seconds * S), 5_000_000, 4.99)


def test_times_add_up_over_visits_and_glitches_belong_to_the_place_of_their_moment():
    places = Places(0, {})
    places.move_to("C12", 10 * S)
    places.move_to("", 15 * S)
    places.move_to("C12", 20 * S)
    places.move_to("G2", 21 * S)
    places.advance(25 * S)
    for at in (1, 12, 17, 20.5, 24):
        places.add(glitch("a", at))
    assert places.quiet.seconds == 15
    assert {name: tally.seconds for name, tally in places.places.items()} == {"C12": 6, "G2": 4}
    assert [places.quiet.total, places.places["C12"].total, places.places["G2"].total] == [2, 2, 1]


@pytest.mark.parametrize("settled", [False, True])
def test_what_several_channels_show_together_counts_once_and_names_what_they_share(settled):
    wiring = {
        "a": Wiring(input="AIN1", plug="C12", supply="5V-A", ground="G2"),
        "b": Wiring(input="AIN2", plug="C12", supply="5V-A", ground="G2"),
        "c": Wiring(input="AIN6", plug="C21", supply="5V-A", ground="G3"),
    }
    places = Places(0, wiring)
    for at in (10.0, 11.0, 12.0):
        places.add(glitch("b", at + 0.015))
        places.add(glitch("a", at))
    places.add(glitch("c", 12.03))
    places.add(glitch("a", 12.9))
    if settled:
        places.advance(100 * S)
        places.settle(None)
    assert places.quiet.counts == {"a": 4, "b": 3, "c": 1}
    assert places.quiet.total == 4
    several, elements = places.quiet.together(wiring)
    assert several == 3
    assert elements == {("plug", "C12"): 2, ("ground", "G2"): 2, ("supply", "5V-A"): 3}


def test_a_clock_that_is_set_back_adds_no_time():
    places = Places(100 * S, {})
    places.advance(110 * S)
    places.advance(50 * S)
    places.move_to("C12", 52 * S)
    places.add(glitch("a", 52.5))
    assert places.quiet.seconds == 12
    assert places.places["C12"].total == 1


# From frames ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def car():
    return bw.load_car_file(ROOT / "dbc_examples" / "wrenfell.toml")


@pytest.fixture(scope="module")
def standing() -> Frames:
    """A minute with the key on and the engine off."""
    return concatenate(list(simulate_run(60, scenario="key-on")))


def touched(frames: Frames, car, times_s, *, signals=(0,), volts=4.99) -> Frames:
    """Let inputs of DAMPERS_A touch a rail for one frame at each of these times; checksums stay right."""
    rows = np.flatnonzero((frames.id == 0x1A0) & (frames.bus == frames.buses.index("can1")))
    since = (frames.time_ns[rows] - START_EPOCH_NS) / 1e9
    rows = rows[np.searchsorted(since, times_s)]
    payload = frames.payload.copy()
    for at in signals:
        payload[rows, 2 * at : 2 * at + 2] = np.frombuffer(np.array([volts * 1000], "<u2").tobytes(), np.uint8)
    entry = next(one for name, one in car.frames.items() if name.bus == "chassis" and name.id == 0x1A0)
    changed = payload[rows]
    entry.checksum.fill(changed, 0x1A0)
    payload[rows] = changed
    return replace(frames, payload=payload)


LOOSE = np.arange(26.3, 34.0, 0.9)
TIMELINE = [(0.0, ""), (15.0, "seat loom"), (25.0, "plug C12"), (35.0, "ground stud G2"), (45.0, "")]


def run_test(frames: Frames, car, channels, size=3000, timeline=TIMELINE):
    """Run a test over a capture in batches, with a timeline of places (seconds from the start)."""
    test = WiggleTest(channels, car, start_ns=START_EPOCH_NS)
    moves = [(START_EPOCH_NS + round(at * S), place) for at, place in timeline] + [(START_EPOCH_NS + 60 * S, "")]
    row = 0
    for at, place in moves:
        stop = int(np.searchsorted(frames.time_ns, at))
        for start in range(row, stop, size):
            test.update(frames.slice(start, min(start + size, stop)))
        test.move_to(place, at)
        row = stop
    test.stop(START_EPOCH_NS + 60 * S)
    return test.result()


def by_place(result):
    return {place.place: place for place in result.places}


def test_the_loose_plug_is_likely_and_the_others_are_not(car, standing):
    result = run_test(touched(standing, car, LOOSE, signals=(0, 1)), car, ["damper_fl", "damper_fr", "steering_angle"])
    places = by_place(result)
    assert {name: place.likely for name, place in places.items()} == {
        "seat loom": False,
        "plug C12": True,
        "ground stud G2": False,
    }
    plug = places["plug C12"]
    assert plug.seconds == pytest.approx(10, abs=0.01)
    assert plug.counts == (("damper_fl", 9), ("damper_fr", 9), ("steering_angle", 0))
    assert plug.total == 9
    assert plug.chance == pytest.approx(binom.sf(8, 9, 10 / 40), rel=1e-6)
    assert plug.expected == 0
    assert result.quiet_s == pytest.approx(30, abs=0.01)
    assert [one for _, one in result.quiet] == [0, 0, 0]
    assert result.total == 9
    assert len(result.latest) == 18
    assert {place for _, place in result.latest} == {"plug C12"}
    assert all(one.kind == "rail" and one.peak == pytest.approx(4.99) for one, _ in result.latest)
    assert "9 glitches in 10 s of moving it, 0 in 30 s of quiet" in result.advice
    assert result.advice.startswith("Moving plug C12 makes glitches. Power off: look for pins")
    assert "share plug C12, ground G2 and supply 5V-A" in result.advice
    assert "Power off" in result.advice
    assert "battery isolated" in result.advice
    assert "Keep fingers clear of the spring." in result.advice


def test_the_cutting_makes_no_difference(car, standing):
    frames = touched(standing, car, LOOSE)
    timeline = [(0.0, "")]
    one, other = (run_test(frames, car, ["damper_fl"], size, timeline) for size in (200, 10**9))
    assert str(one) == str(other)


def test_standing_at_a_rail_through_many_batches_is_one_glitch(car, standing):
    frames = touched(standing, car, np.arange(26.0, 28.0, 0.005))
    result = run_test(frames, car, ["damper_fl"], 200)
    assert by_place(result)["plug C12"].counts == (("damper_fl", 1),)
    ((seen, place),) = result.latest
    assert place == "plug C12"
    assert seen.duration_ns == pytest.approx(2 * S, abs=20_000_000)


def test_glitches_by_themselves_make_nobody_likely(car, standing):
    result = run_test(touched(standing, car, np.arange(1.2, 59, 0.9)), car, ["damper_fl"])
    assert result.total == 65
    assert not any(place.likely for place in result.places)
    assert result.advice.startswith("Ended: no place made more glitches than chance explains.")


def test_one_channel_alone_is_its_own_wire(car, standing):
    result = run_test(touched(standing, car, LOOSE), car, ["damper_fl", "damper_fr"])
    assert "Only damper_fl glitched: its own wire (plug C12, input AIN1)." in result.advice


def test_a_quiet_car_is_quiet(car, standing):
    measured = [name for name, channel in car.channels.items() if channel.formula is None]
    result = run_test(standing, car, measured, 20_000)
    assert result.total == 0, result.latest


def of_dampers(frames):
    """Whether frames are of the module that sends both channels."""
    return np.isin(frames.id, [0x1A0, 0x1A1, 0x1B0, 0x1B1, 0x1B2, 0x18FF1A42])


def test_a_module_that_loses_its_bus_wires_is_told_from_a_sensor(car, standing):
    since = (standing.time_ns - START_EPOCH_NS) / 1e9
    gone = np.zeros(len(standing), bool)
    for at in LOOSE:
        gone |= (since > at) & (since < at + 0.2)
    result = run_test(standing.take(~(gone & of_dampers(standing))), car, ["damper_fl", "damper_fr"])
    assert by_place(result)["plug C12"].likely
    assert "the module's power, ground and bus wires" in result.advice
    assert result.silences == 0


def test_a_silence_of_the_whole_bus_is_no_glitch(car, standing):
    """An adapter that is unplugged while a place is moved says nothing against the place."""
    since = (standing.time_ns - START_EPOCH_NS) / 1e9
    gone = np.zeros(len(standing), bool)
    for at in LOOSE:
        gone |= (since > at) & (since < at + 0.2)
    result = run_test(standing.take(~gone), car, ["damper_fl", "damper_fr"])
    assert result.total == 0
    assert not any(place.likely for place in result.places)
    assert result.silences == len(LOOSE)


def rest_of(frames, rows):
    """The frames of these rows without the module's."""
    part = frames.slice(rows.start, rows.stop)
    return part.take(~of_dampers(part))


def test_a_module_that_falls_silent_is_a_glitch_while_it_lasts(car, standing):
    test = WiggleTest(["damper_fl"], car)
    test.update(standing.slice(0, 20_000))
    last_ns = int(standing.time_ns[19_999])
    later = int(np.searchsorted(standing.time_ns, last_ns + 2 * S))
    test.update(rest_of(standing, slice(20_000, later)), last_ns + 2 * S)
    (seen,) = test.result().latest
    assert seen[0].kind == "gap"
    assert seen[0].duration_ns == pytest.approx(2 * S, abs=20_000_000)
    assert test.result().total == 1


def test_a_bus_that_is_silent_is_none_until_others_come_again(car, standing):
    test = WiggleTest(["damper_fl"], car)
    test.update(standing.slice(0, 20_000))
    last_ns = int(standing.time_ns[19_999])
    test.update(standing.slice(0, 0), last_ns + 2 * S)
    assert (test.result().total, test.result().silences) == (0, 1)
    start, stop = (int(np.searchsorted(standing.time_ns, last_ns + each * S)) for each in (2, 7))
    test.update(rest_of(standing, slice(start, stop)), last_ns + 7 * S)
    assert (test.result().total, test.result().silences) == (1, 1)


def test_a_silence_waits_for_buses_that_are_read_later(car, standing):
    """A gap begins after 50 ms (three periods are less); for 200 ms more its frames may still be on their way."""
    test = WiggleTest(["damper_fl"], car)
    test.update(standing.slice(0, 20_000))
    last_ns = int(standing.time_ns[19_999])
    stops = [int(np.searchsorted(standing.time_ns, last_ns + each)) for each in (240_000_000, 270_000_000)]
    test.update(rest_of(standing, slice(20_000, stops[0])), last_ns + 240_000_000)
    assert test.result().total == 0
    test.update(rest_of(standing, slice(*stops)), last_ns + 270_000_000)
    assert test.result().total == 1


def test_signals_of_a_database_can_be_tested_without_a_car_file(standing, car):
    database = bw.open_database(ROOT / "dbc_examples" / "wrenfell_chassis.dbc")
    frames = touched(standing, car, LOOSE)
    test = WiggleTest(["can1/DAMPERS_A/AIN1"], databases={"can1": database})
    test.update(frames)
    assert test.result().total == 9
    assert test.result().quiet == (("can1/DAMPERS_A/AIN1", 9),)


def test_a_computed_channel_stands_for_what_it_is_computed_from(car):
    computed = next(name for name, one in car.channels.items() if one.formula is not None)
    test = WiggleTest([computed], car)
    assert computed not in test.channels
    assert all(car.channels[name].formula is None for name in test.channels)


def test_channels_of_one_signal_have_one_wire(car):
    plain = Channel("damper_fl_input", signal=car.channels["damper_fl"].signal, unit="mV")
    several = replace(car, channels={**car.channels, plain.name: plain})
    assert WiggleTest([plain.name], several)._wiring == {plain.name: car.channels["damper_fl"].wiring}


def test_unknown_channels_are_refused(car):
    with pytest.raises(UserError, match="no channel 'damper_f'") as refused:
        WiggleTest(["damper_f"], car)
    assert "damper_f" in (refused.value.hint or "")
    with pytest.raises(UserError, match="needs a channel"):
        WiggleTest([], car)


# Advice -----------------------------------------------------------------------------------------------------------


def advised(car, standing, upto_s, timeline, times=(), level=None):
    frames = touched(standing, car, times) if len(times) else standing
    stop = int(np.searchsorted(frames.time_ns, START_EPOCH_NS + round(upto_s * S)))
    test = WiggleTest(["damper_fl"], car, start_ns=START_EPOCH_NS)
    for at, place in timeline:
        test.move_to(place, START_EPOCH_NS + round(at * S))
    test.update(frames.slice(0, stop), START_EPOCH_NS + round(upto_s * S))
    return test.result().advice


@pytest.mark.parametrize(
    ("upto_s", "timeline", "times", "expected"),
    [
        (3, [], (), "Touch nothing for 7 s more: for as long as you will move a place."),
        (12, [], (), "12 s quiet with 0 glitches. Name a place and move it, for as long as it was quiet."),
        (9, [(4, "C12")], (), "Only 4 s were quiet"),
        (50, [(12, "C12")], (), "C12 was moved for 38 s against 12 s of quiet: touch nothing for 26 s more."),
        (50, [(12, "C12")], (), "17 more glitches would be needed; then 7"),
        (20, [(12, "C12")], (13, 14, 15), "moving C12 would have to make 4 more glitches (3 in 8 s so far, 0 in 12"),
        (24, [(12, "C12"), (18, "")], (), "No place has made a glitch yet"),
        (25, [(12, "C12")], (), "No glitch while C12 was moved, for as long as it was quiet: go on to the next place."),
    ],
)
def test_it_says_what_to_do_next(car, standing, upto_s, timeline, times, expected):
    assert expected in advised(car, standing, upto_s, timeline, times)


def test_what_wires_share_is_named_where_it_was_so_at_half_of_the_times_or_more():
    wiring = {
        "a": Wiring(input="AIN1", plug="C12", supply="5V-A", ground="G1"),
        "b": Wiring(input="AIN2", plug="C12", supply="5V-B", ground="G2"),
        "c": Wiring(input="AIN3", plug="C21", supply="5V-A", ground="G3"),
    }
    places = Places(0, wiring)
    places.move_to("loom", 20 * S)
    for at, other in enumerate("bbbbbcc"):
        places.add(glitch("a", 21 + at))
        places.add(glitch(other, 21 + at))
    places.advance(40 * S)
    place = PlaceNow("loom", 20.0, (), 7, 0.0, 0.0, True)
    now = WiggleNow(("a", "b", "c"), True, "loom", 20.0, (), (place,), (), 7, "")
    advice = advise(State(now, places, wiring, (), (), {}))
    assert "Each time several channels glitched together (a, b and c): they share plug C12; look there" in advice


def test_it_says_when_there_is_nothing_to_count(car, standing):
    assert advised(car, standing, 0.0, []).startswith("No sample from damper_fl yet.")
    every = np.arange(0.1, 5.9, 0.005)
    assert "damper_fl stands at the end of the range" in advised(car, standing, 5.5, [], every)
