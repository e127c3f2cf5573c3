"""The list of generic starter sensors is valid, and its figures agree with themselves."""

from __future__ import annotations

import tomllib
from importlib import resources

import numpy as np
import pytest

from buswright.channels.calibration.kind import Calibration, on_rail
from buswright.channels.calibration.registry import read_calibration

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
