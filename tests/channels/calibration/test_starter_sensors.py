"""The list of generic starter sensors is valid, and its figures agree with themselves."""

from __future__ import annotations

import math
import tomllib
from importlib import resources

import numpy as np
import pytest

from buswright.channels.calibration.kind import Calibration, on_rail
from buswright.channels.calibration.registry import read_calibration
from buswright.channels.carfile.load import check_car_file

TEXT = resources.files("buswright.channels.calibration").joinpath("starter_sensors.toml").read_text(encoding="utf-8")
SENSORS = tomllib.loads(TEXT)["sensor"]


@pytest.mark.parametrize("name", sorted(SENSORS))
def test_every_starter_sensor_is_valid_and_healthy_where_it_measures(name):
    table = SENSORS[name]
    made = read_calibration(table)
    assert isinstance(made, Calibration), made
    assert made.describe()
    if "healthy" in table:
        ends = np.array(made.range.electrical)
        middle = np.array([ends.mean()])
        assert not on_rail(middle, tuple(table["healthy"])).any()


def test_amplified_sensors_measure_between_the_rails():
    for name in ("pressure_10_bar", "brake_pressure_160_bar", "accelerometer_3g", "steering_angle_360"):
        made = read_calibration(SENSORS[name])
        assert isinstance(made, Calibration)
        assert made.range.electrical == pytest.approx((0.5, 4.5))
        assert SENSORS[name]["healthy"] == [0.25, 4.75]  # common practice


def test_every_kind_of_common_sensor_is_in_the_list():
    kinds = {table["kind"] for table in SENSORS.values()}
    assert kinds >= {
        "linear",
        "ratiometric",
        "table",
        "thermistor",
        "rtd",
        "thermocouple",
        "frequency",
        "switch",
        "stages",
    }


def test_every_sensor_is_introduced_by_a_comment():
    blocks = TEXT.split("\n\n")
    for block in blocks[1:]:
        if "[sensor." in block:
            assert block.startswith(("#", "[sensor.pt100]")), block


def test_as_printed_they_pass_the_check(tmp_path):
    (tmp_path / "car.toml").write_text(f"format = 1\n{TEXT}", encoding="utf-8")
    faults = check_car_file(tmp_path / "car.toml").faults
    assert {fault.text for fault in faults} == {"no channel uses this sensor"}
    assert np.array(SENSORS["ntc_2k5_table"]["table"])[:, 1] == pytest.approx(
        [2500 * math.exp(3400 * (1 / (273.15 + t) - 1 / 293.15)) for t in range(-20, 141, 20)], rel=0.01
    )  # a beta curve: no maker's part
