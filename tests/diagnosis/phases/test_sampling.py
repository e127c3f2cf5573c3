"""How often channels come: too seldom, in vain, or so that the firing folds into them."""

from buswright.diagnosis.phases.running import Change
from buswright.diagnosis.phases.sampling import sampling
from buswright.diagnosis.phases.tables import phase_tables
from buswright.diagnosis.sensors.disturbed.spectrum import Strongest

from ..sensors.synthetic import case_of, made
from .phased import SECONDS, engine, plain


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


def notes(*channels):
    return " ".join(phase_tables(case_of(*channels)).notes)


def test_what_could_not_be_compared_is_said():
    assert "never on" in notes(plain("rpm", 900.0, "engine_speed", "rpm"))
    off = notes(plain("rpm", 0.0, "engine_speed", "rpm"))
    assert "never idled" in off
    assert "not cranked" in off
    assert "no phase is known" in notes(plain("oil", 1.0, None, "bar"))
    every = notes(*engine())
    assert "never" not in every
    assert "how many cylinders" in every
