"""How often channels come: too seldom, in vain, or so that the firing folds into them."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from buswright.channels.carfile.model import Car
from buswright.diagnosis.phases.running import Change
from buswright.diagnosis.phases.sampling import Sampling, sampling
from buswright.diagnosis.phases.tables import phase_tables
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest

from ..matrix import wrenfell
from ..sensors.synthetic import case_of, made
from .phased import OFF, SECONDS, engine, plain


def came(name, role, hertz, message="main/A"):
    return made(name, SECONDS[: int(20 * hertz)] * 0.0, hz=hertz, role=role, message=message)


def advice(*channels, changed=()):
    return {one.channel: one.advice for one in sampling(case_of(*channels), changed)}


def test_what_comes_too_seldom_for_its_role_is_slow():
    assert advice(came("d", "damper_travel", 20.0)) == {"d": "slow"}
    assert advice(came("d", "damper_travel", 250.0)) == {"d": "fine"}


def test_a_message_of_which_nobody_needs_the_rate_is_wasteful():
    oil = came("oil", "oil_temperature", 50.0)
    assert advice(oil) == {"oil": "wasteful"}
    assert advice(oil, came("pressure", "oil_pressure", 50.0)) == {"oil": "fine", "pressure": "fine"}
    assert advice(oil, came("pressure", "oil_pressure", 50.0, "main/B")) == {"oil": "wasteful", "pressure": "fine"}
    assert advice(oil, came("unknown", None, 50.0)) == {"oil": "fine"}, "it may need the rate"


def test_the_firing_that_folds_into_a_channel_is_told():
    line = Strongest(14.0, 50.0, 20, 3600.0, 120.0, 20.0, 19, follows=True)
    nothing = (None,) * 3
    grades = ("not judged", "")
    one = Change("oil", "mV", *nothing, *grades, *nothing, *grades, line)
    (found,) = sampling(case_of(came("oil", "oil_pressure", 50.0)), (one,))
    assert found.advice == "aliased"
    assert "120 Hz shows as 20.0 Hz" in found.words


# -- each limit -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("role", "hertz", "found"),
    [
        # 1 to 5 Hz of a slow temperature, 50 to 100 of an acceleration, 200 to 500 of a damper.
        ("oil_temperature", 0.97, "slow"),
        ("oil_temperature", 0.985, "fine"),
        ("oil_temperature", 10.1, "fine"),  # twice what is useful, and two in a hundred for an unsteady clock
        ("oil_temperature", 10.3, "wasteful"),
        ("accel_lat", 48.9, "slow"),
        ("accel_lat", 49.1, "fine"),
        ("damper_travel", 195.0, "slow"),
        ("damper_travel", 1_000.0, "fine"),
        ("damper_travel", 1_021.0, "wasteful"),
    ],
)
def test_a_role_says_how_often_is_enough_and_too_much(role, hertz, found):
    assert advice(came("a", role, hertz)) == {"a": found}


def test_what_a_rate_is_held_against_is_told_whole():
    found = sampling(case_of(came("d", "damper_travel", 100.0), came("t", "oil_temperature", 50.0, "main/B")), ())
    assert found == (
        Sampling(
            "d", "damper_travel", "main/A", pytest.approx(100.0), 200.0, 500.0, "slow",
            "raise main/A to 200 a second or more",
        ),
        Sampling(
            "t", "oil_temperature", "main/B", pytest.approx(50.0), 1.0, 5.0, "wasteful",
            "nothing in main/B needs more than 5 a second: lower its rate",
        ),
    )  # fmt: skip
    (fine,) = sampling(case_of(came("d", "damper_travel", 250.0)), ())
    assert (fine.advice, fine.words) == ("fine", "")


def test_what_has_no_role_no_message_or_no_samples_is_left_out():
    one = came("a", "damper_travel", 250.0)
    single = made("single", np.zeros(1), hz=50.0, role="damper_travel")
    pair = made("pair", np.zeros(2), hz=250.0, role="damper_travel")
    nowhere = replace(came("b", "damper_travel", 250.0), message=None)
    assert advice(one, single, pair, nowhere, came("c", None, 250.0), came("g", "gear", 250.0)) == {
        "a": "fine",
        "pair": "fine",
    }


def test_the_most_demanding_signal_says_what_a_message_needs_whichever_comes_first():
    slow, quick, other = (
        came("t", "oil_temperature", 50.0),
        came("p", "oil_pressure", 50.0),
        came("x", None, 50.0),
    )
    assert set(advice(slow, quick).values()) == set(advice(quick, slow).values()) == {"fine"}
    assert advice(other, slow)["t"] == advice(slow, other)["t"] == advice(other, slow, slow)["t"] == "fine"


@pytest.mark.parametrize(
    ("changed", "found"),
    [
        ({}, "aliased"),
        ({"firing_hz": 25.1}, "aliased"),
        ({"firing_hz": 24.9}, "fine"),  # half of 50 a second
        ({"follows": False}, "fine"),
        ({"firing_hz": None}, "fine"),
    ],
)
def test_only_a_firing_above_half_of_the_rate_folds(changed, found):
    line = replace(Strongest(14.0, 50.0, 20, 3600.0, 120.0, 20.0, 19, follows=True), **changed)
    assert advice(came("oil", "oil_pressure", 50.0), changed=(SimpleNamespace(channel="oil", strongest=line),)) == {
        "oil": found
    }
    none = SimpleNamespace(channel="oil", strongest=None)
    assert advice(came("oil", "oil_pressure", 50.0), changed=(none,)) == {"oil": "fine"}


# -- notes and the tables together ------------------------------------------------------------------------------------

CYLINDERS = "The car file doesn't say how many cylinders the engine has, so its firing was not looked for."
NOT_CRANKED = "The engine was not cranked in this run."
NO_KEY_ON = "In this run the key was never on for over a second with the engine off: nothing is held against it."
NO_IDLE = "The engine never idled for over a second while the car stood: nothing is compared with key-on."
SHORT = "Key-on and idling were too short to be compared: two seconds of each are enough."


def told(*channels, car=True, baseline=None):
    described = replace(wrenfell(), car=Car("x", cylinders=4)) if car else None
    return phase_tables(replace(case_of(*channels), car=described, baseline=baseline)).notes


def run(*parts):
    """Stand with an engine speed for so many seconds each."""
    rpm = np.concatenate([np.full(round(50 * seconds), float(speed)) for speed, seconds in parts])
    return (
        made("rpm", rpm, hz=50.0, unit="rpm", role="engine_speed"),
        made("speed", 0.0 * rpm, hz=50.0, unit="km/h", role="vehicle_speed"),
    )


def test_each_note_has_its_own_reason():
    assert phase_tables(replace(case_of(), channels=None)).notes == (
        "No channels were decoded: add --car FILE or --dbc FILE.",
    )
    assert told(plain("oil", 1.0, None, "bar")) == ("No channel has the role of a speed, so no phase is known.",)
    assert told(*run((0, 6), (220, 1), (900, 10))) == ()
    assert told(*run((0, 6), (220, 1), (900, 10)), car=False) == (CYLINDERS,)
    assert told(*run((0, 6), (900, 10))) == (NOT_CRANKED,)
    assert told(*run((220, 1), (900, 10))) == (NO_KEY_ON,)
    assert told(*run((0, 6), (220, 1))) == (NO_IDLE,)
    assert told(*run((0, 1.5), (220, 1), (900, 1.5))) == (SHORT,)
    assert told(*run((0, 2), (220, 1), (900, 2))) == ()


@pytest.mark.parametrize(("basis", "note"), [("key-on", False), ("engine-off", False), ("standing", True)])
def test_zeroes_of_another_state_are_told(basis, note):
    good = SimpleNamespace(at_rest=SimpleNamespace(basis=basis, words="in the pits"), channels={})
    found = told(*run((0, 6), (220, 1), (900, 10)), baseline=good)
    zeroes = "The good run's zeroes are of another state (in the pits): they are not compared."
    assert found == ((zeroes,) if note else ())
    assert told(*run((0, 6), (220, 1), (900, 10)), baseline=SimpleNamespace(at_rest=None, channels={})) == ()


def test_the_tables_tell_how_long_the_car_did_what():
    tables = phase_tables(case_of(*engine(), plain("pedal", np.where(OFF, 2.0, 30.0), "throttle", "%")))
    assert {what: pytest.approx(seconds) for what, seconds in tables.seconds.items() if seconds} == {
        "key-on": 6.0,
        "cranking": 1.0,
        "idle": 13.0,
        "driving": 10.0,
    }
    assert [one.channel for one in tables.truths] == ["rpm", "speed", "pedal"]
    assert [one.channel for one in tables.sampling] == ["rpm", "speed", "pedal"]
    assert phase_tables(replace(case_of(), channels=None)).seconds == {}
