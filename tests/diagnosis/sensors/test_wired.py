"""One input as the car file describes it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buswright.diagnosis.sensors.wired import (
    careful,
    in_volts,
    is_biased,
    is_fed,
    is_wired,
    kind_of,
    open_reads,
    plug_of,
)

from .synthetic import PRESSURE, made, sensor

ONES = np.ones(30)
MILLIVOLTS = {"kind": "linear", "electrical": "mV", "points": [[500, 0.0], [4500, 10.0]], "unit": "bar"}
CURRENT = {"kind": "linear", "electrical": "mA", "points": [[4, 0.0], [20, 10.0]], "unit": "bar"}
NTC = {"kind": "thermistor", "beta": 3435.0, "ohm_at": [25.0, 10000.0], "unit": "degC"}


@pytest.mark.parametrize(
    ("each", "wired", "volts"),
    [
        (made("a", ONES, kind=sensor(PRESSURE)), True, True),
        (made("a", ONES, kind=sensor(MILLIVOLTS)), True, True),
        (made("a", ONES, kind=sensor(CURRENT)), True, False),
        (made("a", ONES, unit="V"), True, False),
        (made("a", ONES, unit="ohm"), True, False),
        (made("a", ONES, unit="bar"), False, False),
        (made("a", ONES, unit="Hz"), False, False),
        (replace(made("a", ONES, kind=sensor(PRESSURE)), signal=None), True, False),
    ],
)
def test_wires_carry_volts_currents_and_resistances(each, wired, volts):
    assert (is_wired(each), in_volts(each)) == (wired, volts)


@pytest.mark.parametrize(("reads", "biased"), [("high", True), ("low", True), ("floating", False), (None, False)])
def test_a_bias_holds_an_open_wire_high_or_low(reads, biased):
    each = made("a", ONES, kind=sensor(PRESSURE, open_reads=reads))
    assert (open_reads(each), is_biased(each)) == (reads, biased)
    assert open_reads(made("a", ONES)) is None


@pytest.mark.parametrize(
    ("kind", "fed"),
    [("linear", True), ("ratiometric", True), ("table", True), ("polynomial", True), ("thermistor", False)],
)
def test_a_supply_feeds_sensors_with_three_wires(kind, fed):
    each = made("a", ONES, kind=sensor(PRESSURE))
    assert each.sensor is not None
    calibration = each.sensor.calibration
    other = replace(each.sensor, calibration=type("Kind", (), {"kind": kind, "unit": calibration.unit})())
    assert (kind_of(replace(each, sensor=other)), is_fed(replace(each, sensor=other))) == (kind, fed)
    assert (kind_of(made("a", ONES)), is_fed(made("a", ONES))) == ("", False)


def test_a_plug_is_named_where_the_car_file_names_it():
    assert plug_of(made("a", ONES, wiring={"plug": "C7"}), "its plug") == "plug C7"
    assert plug_of(made("a", ONES), "its plug") == "its plug"


def test_what_there_is_to_mind_at_sensors_is_said_once():
    hot, wet = sensor(PRESSURE, cautions=("Hot.",)), sensor(PRESSURE, cautions=("Hot.", "Wet."))
    members = [made("a", ONES, kind=hot), made("b", ONES, kind=wet), made("c", ONES)]
    assert careful(members, "Power off.") == "Power off. Hot. Wet."
