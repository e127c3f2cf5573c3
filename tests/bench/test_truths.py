"""What must hold while nothing moves, in whichever units the channels of a car are."""

from types import SimpleNamespace

import pytest

from buswright.bench.draft.car import truths_of
from buswright.bench.judge import making
from buswright.bench.judge.truths import truth_checks
from buswright.bench.plan.load import check_against, load_plan
from buswright.bench.plan.model import Step, Truth
from buswright.bench.result import Level, StepResult
from buswright.errors import UserError


def car_of(**units):
    """A car whose channels have these units; what measures something has the role of its name."""
    channels = {
        name: SimpleNamespace(name=name, unit=unit, role=name, zero=None, plausible=None, sensor=None)
        for name, unit in units.items()
    }
    return SimpleNamespace(channels=channels, sensors={}, buses={}, path="car.toml")


def checked(truth, car, **values):
    """Judge a truth where the channels stand at these values, each in its own unit."""
    levels = {
        name: Level(100, 1.0, 0.0, 1.0, 1.0, value, 0.0, None, "V", car.channels[name].unit, True, 0.0)
        for name, value in values.items()
    }
    plan = SimpleNamespace(steps=(Step("key on", "listen", truths=True),), truths=(truth,))
    (check,) = truth_checks(making.Tested(plan, car, {"key on": StepResult("key on", "done", levels=levels)}))
    return check


@pytest.mark.parametrize(("millibar", "verdict"), [(992.9, "pass"), (993.1, "fail"), (953.1, "pass"), (952.9, "fail")])
def test_channels_agree_in_the_unit_of_the_first(millibar, verdict):
    car = car_of(manifold_pressure="kPa", barometric_pressure="mbar")
    truth = Truth(("manifold_pressure", "barometric_pressure"), within=2.0)
    check = checked(truth, car, manifold_pressure=97.3, barometric_pressure=millibar)  # 1 mbar is 0.1 kPa
    assert check.verdict == verdict
    assert check.value == pytest.approx(abs(97.3 - millibar / 10))
    assert check.limit == "within 2 kPa of each other"


def test_temperatures_agree_across_their_scales_and_are_said_in_one_sign():
    car = car_of(oil_temperature="degC", coolant_temperature="degF")
    truth = Truth(("oil_temperature", "coolant_temperature"), within=5.0)
    check = checked(truth, car, oil_temperature=20.0, coolant_temperature=77.0)  # 25 °C
    assert (check.verdict, check.value) == ("pass", pytest.approx(5.0))
    assert check.said == "oil_temperature 20, coolant_temperature 25: 5 °C apart."


def test_the_drafted_truths_are_in_the_units_of_the_car():
    names = ("accel_long", "accel_lat", "accel_vert")
    car = car_of(**dict.fromkeys(names, "m/s^2"), steering_angle="rad", damper_travel="in", throttle="V")
    drafted = {tuple(truth["channels"]): truth for truth in truths_of(car)}
    ends = {channels: (truth["low"], truth["high"]) for channels, truth in drafted.items()}
    assert ends == {
        names: pytest.approx((0.95 * 9.80665, 1.05 * 9.80665)),
        ("steering_angle",): pytest.approx((-0.0523599, 0.0523599)),  # 3 degrees
        ("damper_travel",): pytest.approx((-2 / 25.4, 2 / 25.4)),
    }  # of a throttle in volts nothing can be said


def test_a_truth_about_two_quantities_is_refused_with_its_line(tmp_path):
    text = """format = 1
[plan]
name = "x"
car = "car.toml"
[[truth]]
channels = ["oil_temperature", "manifold_pressure"]
within = 2.0
[[step]]
name = "key on"
kind = "listen"
truths = true
"""
    (tmp_path / "plan.toml").write_text(text)
    plan = load_plan(tmp_path / "plan.toml")
    check_against(plan, car_of(oil_temperature="degC", manifold_pressure="degF"))
    with pytest.raises(UserError) as caught:
        check_against(plan, car_of(oil_temperature="degC", manifold_pressure="kPa"))
    assert "manifold_pressure is in kPa, oil_temperature in degC" in str(caught.value)
    assert "plan.toml:6" in str(caught.value)
