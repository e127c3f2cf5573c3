"""The check refuses a formula that no computing could follow: units are known before there is any data."""

import shutil
from pathlib import Path

import pytest

from buswright.channels.carfile.load import check_car_file
from buswright.channels.session import Session
from buswright.errors import FormulaError
from buswright.frames.captures.opening import open_capture
from tests.cli.outputs import CAR, ENGINE, RUN

TOP = f"""format = 1
[bus.engine]
bitrate = 500_000
interfaces = ["can0"]
databases = ["{ENGINE.name}"]
[channel.speed]
signal = "engine/ENGINE_PRESSURES/VehicleSpeed"
"""


def checked(tmp_path, text):
    shutil.copy(ENGINE, tmp_path)
    (tmp_path / "car.toml").write_text(TOP + text, encoding="utf-8")
    return check_car_file(tmp_path / "car.toml")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("""[channel.x]\nformula = 'convert(speed, "degC")'\n""", "can't convert to 'degC'"),
        ("""[channel.a]\nformula = "speed * 2"\n[channel.x]\nformula = 'convert(a, "m/s")'\n""", "has no unit"),
        (
            """[channel.a]\nformula = "speed * 2"\nunit = "bar"\n[channel.x]\nformula = 'convert(a, "m/s")'\n""",
            "can't convert to 'm/s'",
        ),
    ],
)
def test_a_conversion_that_can_not_be_is_an_error_at_its_place(text, said, tmp_path):
    (fault,) = checked(tmp_path, text).errors
    assert fault.key == "channel.x.formula"
    assert said in fault.text
    assert fault.line == len((TOP + text).splitlines()) - text.splitlines()[::-1].index(
        next(line for line in text.splitlines() if "convert" in line)
    )


def test_what_can_be_converted_is_accepted_and_computed(tmp_path):
    text = (
        """[channel.a]\nformula = 'convert(speed, "m/s")'\n[channel.x]\nformula = 'convert(low_pass(a, 1), "km/h")'\n"""
    )
    result = checked(tmp_path, text)
    assert not result.errors
    session = Session(open_capture(RUN), result.car)
    assert session["x"].unit == "km/h"


def test_the_check_and_the_computing_say_the_same(tmp_path):
    """What the check refuses here is refused in computing, so that it refuses nothing that works."""
    from dataclasses import replace

    from buswright.channels.formula.parse import parse_formula

    car = checked(tmp_path, "").car
    formula = parse_formula('convert(speed, "degC")')
    channel = replace(car.channels["speed"], name="x", unit="", signal=None, formula=formula)
    broken = replace(car, channels={**car.channels, "x": channel})
    with pytest.raises(FormulaError, match="can't convert"):
        Session(open_capture(RUN), broken)["x"]


def test_the_example_is_accepted():
    assert not check_car_file(Path(CAR)).errors
